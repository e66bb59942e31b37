"""How wide small openings are expected to print, and how far that can be trusted.

A hole closes by the light of all layers around and above it.  How deep that light goes
is what flare coupons tell least well, and masks of normal layers are opened on the word
of it: so what is not known of an opening grows with how far its masks are opened.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from calib.cure import stack_gain
from calib.flat_plan import OpeningWidth
from calib.flush_opening import is_small, sheet_around
from calib.flush_outline import clean, mitred, shape_of
from calib.plane_dose import Blur, polygon_dose, sides_of
from calib.prediction import doubt_mm, interval_of

if TYPE_CHECKING:
    from calib.flush_model import FlatModel
    from calib.posterior import Fit
    from calib.stack import Resins
    from calib.wall import Draws
    from patterns.base import Section

Array = NDArray[np.float64]

TOLD_MM = 0.03
"""Openings that may miss their design width by more are told of."""

_FEW = 8
_BEYOND_MM, _WITHIN_MM, _STEP_MM = 0.25, 0.8, 0.02
_TINY_DOSE = 1e-12
_ROOF = 1e-3  # of an inscribed circle
_RASTER_SHARE = 0.2  # of a pixel: both rims' rounding, rms
_DOUBT_OPENED = 0.1  # of how far masks are opened; set by the judge on invented resins


def opening_widths(
    cut: Section, model: FlatModel, fit: Fit | None
) -> tuple[OpeningWidth, ...]:
    """Predict the widths of a section's small openings, in their worst layer.

    Parameters
    ----------
    cut : Section
        The design's plate layer.
    model : FlatModel
    fit : Fit or None
        Whose doubt widens the intervals; None: the model is taken as known.
    """
    small = [ring for ring in map(clean, cut.openings) if is_small(ring)]
    return tuple(_width(ring, model, fit) for ring in small)


def told(openings: tuple[OpeningWidth, ...]) -> list[str]:
    """Sentences on openings that may miss their design width."""
    return [
        f"The {o.design_mm:.2f} mm opening at x {o.at_mm[0]:.1f}, y {o.at_mm[1]:.1f} "
        f"is expected to print {o.width.low_mm:.2f} to {o.width.high_mm:.2f} mm wide."
        for o in openings
        if max(o.width.high_mm - o.design_mm, o.design_mm - o.width.low_mm) > TOLD_MM
    ]


def few_of(draws: Draws, count: int = _FEW) -> tuple[Resins, ...]:
    """Take some draws evenly, each on its own."""
    every = [(batch, k) for batch in draws.batches for k in range(len(batch))]
    picked = np.unique(np.linspace(0, len(every) - 1, count).round().astype(int))
    return tuple(every[i][0].take([every[i][1]]) for i in picked)


def _width(ring: Array, model: FlatModel, fit: Fit | None) -> OpeningWidth:
    shape = shape_of(ring)
    insets = model.opening_mm(ring, model.quanta_of(shape))
    circle = shapely.maximum_inscribed_circle(shapely.Polygon(ring), tolerance=_ROOF)
    radius = float(circle.length)
    centre = shapely.get_coordinates(circle)[0]
    middles = shape.points_mm + 0.5 * shape.along * shape.length_mm[:, None]
    rim = middles[np.argmin(np.hypot(*(middles - centre).T))]
    masks = [mitred(shape, inset) for inset in (*insets, 0.0 * insets[0])]
    sheet = sheet_around(ring)
    into = np.arange(-_BEYOND_MM, min(_WITHIN_MM, radius), _STEP_MM)
    inwards = (centre - rim) / np.hypot(*(centre - rim))
    places = rim + into[:, None] * inwards
    grown = np.array(
        [
            _grown_mm(resin, model, places, into, [[sheet, mask] for mask in masks])
            for resin in model.few
        ]
    )
    typical = np.median(grown, axis=0)
    layer = int(np.argmax(np.abs(typical)))
    width = 2.0 * (radius - grown[:, layer])
    own = _RASTER_SHARE * model.pixel_mm
    doubt = 0.0
    if fit is not None:
        opened = float(insets.max())
        flare = np.array([opened])
        vague = float(doubt_mm(fit, model.setting.bottom_s, flare)[0])
        doubt = 2.0 * float(np.hypot(vague, _DOUBT_OPENED * opened))
    return OpeningWidth(
        at_mm=(float(centre[0]), float(centre[1])),
        design_mm=2.0 * radius,
        width=interval_of(width, float(np.hypot(own, doubt))),
    )


def _grown_mm(
    resin: Resins,
    model: FlatModel,
    places: Array,
    into_mm: Array,
    masks: list[list[Array]],
) -> Array:
    """How far each raised layer (J,) has grown into an opening, for one resin.

    ``masks``: rings of each layer from the plate up, the design's own last.
    """
    setting = model.setting
    blur = Blur.of(resin, 0)
    passed = float(resin.transmission(setting.layer_mm)[0])
    tc_s = float(resin.tc_s[0])
    normal = setting.normal_s / tc_s
    known: dict[bytes, Array] = {}

    def dose_of(rings: list[Array]) -> Array:
        key = rings[-1].tobytes()
        if key not in known:
            known[key] = polygon_dose(places, sides_of(rings), blur)
        return known[key]

    above = normal * float(stack_gain(np.inf, passed)) * dose_of(masks[-1])
    grown = np.zeros(model.layers)
    for layer in range(len(masks) - 2, -1, -1):
        raised = layer < model.layers
        ratio = setting.raised_s[layer] / tc_s if raised else normal
        above = ratio * dose_of(masks[layer]) + passed * above
        if raised:
            level = np.log(np.maximum(above, _TINY_DOSE))
            grown[layer] = np.interp(0.0, -level, into_mm)
    return grown
