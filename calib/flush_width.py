"""How wide small openings are expected to print, and how far that can be trusted.

A hole closes by the light of all layers around and above it.  How deep that light goes
is what flare coupons tell least well, and masks of normal layers are opened on the word
of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.flat_plan import OpeningWidth
from calib.flush_closing import Closing, Sight
from calib.flush_opening import is_round, is_small
from calib.flush_rings import plain_rings
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

_FEW = 12
_RASTER_SHARE = 0.2  # of a pixel: both rims' rounding, rms
_DOUBT_MM = 0.02
"""A side: what the openings of 20 invented resins missed by beside what draws tell."""


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
    small = [ring for ring in cut.openings if is_small(ring)]
    plain = plain_rings(small) if small else []
    return tuple(_width(ring.points_mm, model, fit) for ring in plain)


def told(openings: tuple[OpeningWidth, ...]) -> list[str]:
    """Sentences on openings that may miss their design width."""
    return [
        f"The {o.design_mm:.2f} mm opening at x {o.at_mm[0]:.1f}, y {o.at_mm[1]:.1f} "
        f"is expected to print {o.width.low_mm:.2f} to {o.width.high_mm:.2f} mm wide."
        for o in openings
        if max(o.width.high_mm - o.design_mm, o.design_mm - o.width.low_mm) > TOLD_MM
    ]


def told_above(model: FlatModel) -> list[str]:
    """Say how small openings come out above the layers that are drawn in."""
    narrower = 2.0 * float(np.median(model.wall(0.0).body_mm))
    if narrower < TOLD_MM:
        return []
    height = len(model.opening.dose_ratio) * model.setting.layer_mm
    said = (
        f"Above its lowest {height:.2f} mm a small opening prints as the body does, "
        f"about {narrower:.2f} mm narrower than designed."
    )
    return [said]


def few_of(draws: Draws, count: int = _FEW) -> tuple[Resins, ...]:
    """Take some draws evenly, each on its own."""
    every = [(batch, k) for batch in draws.batches for k in range(len(batch))]
    picked = np.unique(np.linspace(0, len(every) - 1, count).round().astype(int))
    return tuple(every[i][0].take([every[i][1]]) for i in picked)


def _width(ring: Array, model: FlatModel, fit: Fit | None) -> OpeningWidth:
    sight = Sight.of(ring)
    insets = model.opening_mm(ring)
    grown = np.array(
        [
            Closing(sight=sight, resin=resin, setting=model.setting).all_grown_mm(
                insets
            )
            for resin in model.few
        ]
    )
    typical = np.median(grown, axis=0)
    layer = int(np.argmax(np.abs(typical)))
    width = 2.0 * (sight.radius_mm - grown[:, layer])
    own = _RASTER_SHARE * model.pixel_mm
    if is_round(ring):
        narrower, own = model.stairs_in_holes_mm
        width -= narrower
    doubt = 0.0
    if fit is not None:
        opened = float(insets.max())
        flare = np.array([opened])
        vague = float(doubt_mm(fit, model.setting.bottom_s, flare)[0])
        doubt = 2.0 * float(np.hypot(vague, _DOUBT_MM))
    return OpeningWidth(
        at_mm=(float(sight.centre_mm[0]), float(sight.centre_mm[1])),
        design_mm=2.0 * sight.radius_mm,
        width=interval_of(width, float(np.hypot(own, doubt))),
    )
