"""Insets by rule, for a bottle of which nothing is measured: a guess, and called so."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry.polygon import orient

from calib.flat_plan import FlatPlan, LayerInset
from calib.prediction import Interval
from patterns.base import Section
from patterns.base_sections import polygons, sections
from patterns.errors import RecordError, SpecError

if TYPE_CHECKING:
    from calib.wall import Setting
    from calib.way_setup import Setup
    from patterns.base import Base, Ring

_UNKNOWN = Interval(value_mm=math.nan, u_mm=math.nan, low_mm=math.nan, high_mm=math.nan)
_THINNEST_PX = 2
_CAUTION = (
    "A guess by rule: nothing of this bottle's flare is measured, so the wall may come "
    "out stepped either way."
)


def plan_by_rule(base: Base, setup: Setup, inset_mm: float) -> FlatPlan:
    """Set the bottom layers of a base back by one length, transition layers by less.

    A transition layer is set back in proportion to how far its exposure lies above the
    normal one (common practice, no source); all by whole pixels of the coarser pitch.

    Parameters
    ----------
    base : Base
    setup : Setup
        Its ``setting`` tells how many layers there are.
    inset_mm : float
        Of the bottom layers: the user's own number.

    Raises
    ------
    RecordError
        The exposures aren't known.
    SpecError
        A wall would vanish.
    """
    setting = setup.setting
    if setting is None:
        raise RecordError(
            "A guess by rule needs to know bottom layers and exposures.",
            "Record a print of the bottle, or give them (see `rimgauge base --help`).",
        )
    pixel_mm = max(setup.printer.pixel_x_mm, setup.printer.pixel_y_mm)
    insets = tuple(
        LayerInset(
            layer=layer,
            exposure_s=seconds,
            exact_mm=inset_mm * share,
            quanta=round(inset_mm * share / pixel_mm),
            quantum_mm=pixel_mm,
        )
        for layer, (seconds, share) in enumerate(
            zip(setting.raised_s, _shares(setting), strict=True)
        )
    )
    heights = setting.layer_mm * (np.arange(len(insets)) + 0.5)
    plain = sections(base, heights.tolist())
    return FlatPlan(
        setting=setting,
        pixel_x_mm=setup.printer.pixel_x_mm,
        pixel_y_mm=setup.printer.pixel_y_mm,
        layers=tuple(
            _drawn_in(cut, inset.inset_mm, _THINNEST_PX * pixel_mm, base.name)
            for cut, inset in zip(plain, insets, strict=True)
        ),
        insets=insets,
        left=(),
        bare=(),
        sanding_allowance_mm=0.0,
        scallop_mm=_UNKNOWN,
        realisable=math.nan,
        guess=True,
        cautions=(_CAUTION,),
    )


def _shares(setting: Setting) -> tuple[float, ...]:
    """How much of the inset each raised layer gets, 0 to 1."""
    span = setting.bottom_s - setting.normal_s
    if span <= 0.0:
        return (1.0,) * len(setting.raised_s)
    return tuple(
        min(max((seconds - setting.normal_s) / span, 0.0), 1.0)
        for seconds in setting.raised_s
    )


def _drawn_in(cut: Section, inset_mm: float, thinnest_mm: float, name: str) -> Section:
    """Draw an outline in, corners mitred; no wall may vanish or get too thin."""
    whole = shapely.union_all(polygons(cut))
    inside = whole.buffer(-inset_mm, join_style="mitre", mitre_limit=4.0)
    core = whole.buffer(-inset_mm - thinnest_mm / 2.0)
    parts = shapely.get_parts(inside).tolist()
    if shapely.get_num_geometries(core) != len(parts) or len(parts) != len(cut.outer):
        raise SpecError(
            f"{name} has a wall that {inset_mm:.2f} mm of inset leave thinner than two "
            "pixels.",
            "Take a smaller inset, fewer bottom layers, or print it tilted.",
        )
    turned = [orient(part) for part in parts]
    return Section(
        z_mm=cut.z_mm,
        outer=tuple(_ring(part.exterior) for part in turned),
        openings=tuple(_ring(hole) for part in turned for hole in part.interiors),
    )


def _ring(line: shapely.LinearRing) -> Ring:
    return np.asarray(line.coords, np.float64)[:-1]
