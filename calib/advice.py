"""What to change so that the wall of a flat print is straight down to the plate."""

from __future__ import annotations

from collections.abc import Sequence  # noqa: TC003 pairs with the dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.adhesion import Floor, Outcome, adhesion_floor
from calib.insets import layer_insets_px, single_inset, unevenness_mm
from calib.posterior import FIT_ALARM_PROBABILITY, Fit
from calib.prediction import (
    SQUEEZE_ALARM_WEIGHT,
    VOUCHED_RATIO,
    Interval,
    Prediction,
    predict,
)
from calib.second_print import second_print_s
from calib.second_print import told as second_told
from calib.wall import Setting, Wall, build_wall, draw
from patterns.errors import RecordError

Ints = NDArray[np.intp]

TOLERANCE_MM = 0.05

_SEARCH_DRAWS = 48
_PREDICTION_DRAWS = 240
_WORTH_CHANGING_MM = 0.015
_LEVER_SHARE = 0.5
_SQUEEZE_WORTH_SAYING_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerAdvice:
    """Exposure and inset of one raised layer; layer 0 lies on the plate."""

    layer: int
    exposure_s: float
    inset_px: int
    inset_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleAdvice:
    """One inset for the lowest ``layers`` alone, and the largest step it leaves."""

    inset_mm: float
    inset_px: int
    layers: int
    leaves: Interval
    leaves_layer: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """How to print, what that leaves, and why.

    ``present`` and ``suggested`` are steps beyond the body's outline before and after;
    ``within_tolerance``: the largest step left is expected within ``tolerance_mm``.
    ``reason`` is one sentence; ``cautions`` are further sentences.
    ``second_print_s``: bottom exposure of a second coupon; None: none is asked for.
    """

    bottom_exposure_s: float
    bottom_layers: int
    transition_layers: int
    layers: tuple[LayerAdvice, ...]
    single: SingleAdvice
    present: Prediction
    suggested: Prediction
    squeeze: Interval | None
    tolerance_mm: float
    within_tolerance: bool
    floor: Floor
    reason: str
    cautions: tuple[str, ...]
    second_print_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    wall: Wall
    inset_px: Ints
    unevenness_mm: float


def suggest(
    fit: Fit,
    present: Setting,
    pixel_mm: float,
    outcomes: Sequence[Outcome] = (),
    tolerance_mm: float = TOLERANCE_MM,
) -> Suggestion:
    """Suggest bottom exposure and insets.

    Parameters
    ----------
    fit : Fit
        What the bottle's prints told.
    present : Setting
        Exposures in use.
    pixel_mm : float
        Pitch of the mask's pixels; insets are whole pixels.
    outcomes : sequence of Outcome
        How recorded prints held; empty: the present exposure is the floor.
    tolerance_mm : float
        How far any layer's outline may stand from the body's.

    Raises
    ------
    RecordError
        The tolerance, the pixel or the setting makes no sense.
    """
    _check(present, pixel_mm, tolerance_mm)
    floor = adhesion_floor(present.bottom_s, outcomes)
    few, many = draw(fit, _SEARCH_DRAWS), draw(fit, _PREDICTION_DRAWS)
    plans = []
    for bottom_s in _candidates(fit, present, floor):
        wall = build_wall(few, present.with_bottom(bottom_s), pixel_mm)
        inset = layer_insets_px(wall, few)
        plans.append(
            _Plan(wall=wall, inset_px=inset, unevenness_mm=unevenness_mm(wall, inset))
        )
    plan = _choose(plans)
    none = np.zeros(len(present.raised_s), dtype=np.intp)
    now = predict(fit, build_wall(many, present, pixel_mm), none)
    setting = plan.wall.setting
    wall = build_wall(many, setting, pixel_mm)
    then = predict(fit, wall, plan.inset_px)
    single = single_inset(plan.wall)
    index = np.arange(len(setting.raised_s))
    alone = predict(fit, wall, np.where(index < single.layers, single.inset_px, 0))
    within = _within(then.worst, tolerance_mm)
    squeeze = _squeeze(fit, wall)
    second = second_print_s(fit, now, then, floor.bottom_exposure_s)
    lowest = build_wall(many, present.with_bottom(floor.bottom_exposure_s), pixel_mm)
    return Suggestion(
        bottom_exposure_s=setting.bottom_s,
        bottom_layers=setting.bottom_layers,
        transition_layers=setting.transition_layers,
        layers=tuple(
            LayerAdvice(
                layer=j,
                exposure_s=float(t),
                inset_px=int(n),
                inset_mm=float(n) * pixel_mm,
            )
            for j, (t, n) in enumerate(
                zip(setting.raised_s, plan.inset_px, strict=True)
            )
        ),
        single=SingleAdvice(
            inset_mm=single.inset_px * pixel_mm,
            inset_px=single.inset_px,
            layers=single.layers,
            leaves=alone.worst,
            leaves_layer=alone.worst_layer,
        ),
        present=now,
        suggested=then,
        squeeze=squeeze,
        tolerance_mm=tolerance_mm,
        within_tolerance=within,
        floor=floor,
        reason=_reason(
            present,
            setting,
            now=now,
            lowest=predict(fit, lowest, none),
            inset_mm=float(plan.inset_px[0]) * pixel_mm,
        ),
        cautions=_cautions(fit, floor, then, squeeze, tolerance_mm, second),
        second_print_s=second,
    )


def _check(present: Setting, pixel_mm: float, tolerance_mm: float) -> None:
    if not 0.0 < tolerance_mm <= 1.0:
        raise RecordError(
            f"A tolerance of {tolerance_mm} mm is outside 0 to 1 mm.",
            "Give how far a layer's outline may stand from the body's, such as 0.05.",
        )
    if not 0.005 <= pixel_mm <= 0.2:
        raise RecordError(
            f"A pixel of {pixel_mm} mm is outside 0.005 to 0.2 mm.",
            "Correct the printer's record.",
        )
    if not present.raised_s or not 1 <= present.bottom_layers <= len(present.raised_s):
        raise RecordError(
            "The print's record has no bottom layers.",
            "Correct the print's record: number and seconds of its bottom layers.",
        )


def _candidates(fit: Fit, present: Setting, floor: Floor) -> tuple[float, ...]:
    """Bottom exposures worth trying, the present one first where it is allowed."""
    least = floor.bottom_exposure_s
    if least >= present.bottom_s:
        return (least,)
    lowest_printed = min(o.bottom_exposure_s for o in fit.observations)
    low = max(least, VOUCHED_RATIO[0] * lowest_printed)
    if low >= present.bottom_s:
        return (present.bottom_s,)
    return (present.bottom_s, low)


def _choose(plans: list[_Plan]) -> _Plan:
    """Keep the first setting unless another evens the wall by more than a trifle."""
    best = min(plans, key=lambda p: p.unevenness_mm)
    keep = best.unevenness_mm > plans[0].unevenness_mm - _WORTH_CHANGING_MM
    return plans[0] if keep else best


def _within(step: Interval, tolerance_mm: float) -> bool:
    return abs(step.value_mm) <= tolerance_mm


def _squeeze(fit: Fit, wall: Wall) -> Interval | None:
    """Squeeze of the plate layer, averaged over families; None where there is none."""
    moved = wall.squeeze_mm[:, 0]
    value, u = float(np.mean(moved)), float(np.std(moved))
    if fit.squeeze_weight < SQUEEZE_ALARM_WEIGHT or value < _SQUEEZE_WORTH_SAYING_MM:
        return None
    low, high = np.quantile(moved, (0.025, 0.975))
    return Interval(value_mm=value, u_mm=u, low_mm=float(low), high_mm=float(high))


def _reason(
    present: Setting,
    chosen: Setting,
    *,
    now: Prediction,
    lowest: Prediction,
    inset_mm: float,
) -> str:
    """One sentence: what the lever is."""
    inset = f"inset {inset_mm:.2f} mm at the plate" if inset_mm else "no inset needed"
    flare_mm = now.first_layer.value_mm
    gain_mm = flare_mm - lowest.first_layer.value_mm
    if chosen.bottom_s > present.bottom_s:
        return f"Adhesion comes first: {chosen.bottom_s:g} s, and {inset}."
    if lowest.bottom_exposure_s >= present.bottom_s:
        return f"Exposure stays at its floor of {present.bottom_s:g} s: {inset}."
    if chosen.bottom_s < present.bottom_s:
        return (
            f"Going down from {present.bottom_s:g} to {chosen.bottom_s:g} s evens the "
            f"wall: {inset}."
        )
    if gain_mm < _LEVER_SHARE * flare_mm:
        return (
            f"Exposure is not your lever: going down to {lowest.bottom_exposure_s:g} s "
            f"would take {gain_mm:.2f} of {flare_mm:.2f} mm off; {inset}."
        )
    return (
        f"Exposure would help ({gain_mm:.2f} of {flare_mm:.2f} mm at "
        f"{lowest.bottom_exposure_s:g} s), but insets do the same: {inset}."
    )


def _cautions(
    fit: Fit,
    floor: Floor,
    then: Prediction,
    squeeze: Interval | None,
    tolerance_mm: float,
    second_s: float | None,
) -> tuple[str, ...]:
    """Say what the user must know beside the numbers, a sentence each."""
    said = [floor.reason]
    if squeeze is not None:
        said.append(
            f"About {squeeze.value_mm:.2f} mm ({squeeze.low_mm:.2f} to "
            f"{squeeze.high_mm:.2f}) of the plate layer's flare looks like "
            "squeezed-out resin or plate gap, which no inset takes away whole: "
            "wait longer before the first exposure, or level the plate anew."
        )
    if not _within(then.worst, tolerance_mm):
        said.append(
            f"{tolerance_mm:g} mm can't be reached: layer {then.worst_layer} is "
            f"expected {then.worst.value_mm:+.2f} mm from the body "
            f"({then.worst.low_mm:+.2f} to {then.worst.high_mm:+.2f})."
        )
    if fit.fit_probability < FIT_ALARM_PROBABILITY:
        said.append(
            "The cure model does not explain the readings well, so the intervals are "
            "wider than the photo alone would allow."
        )
    if not fit.observations[0].body_known:
        said.append(
            "The photo gave no body growth, so the body's own size was not checked."
        )
    if fit.unreached:
        said.append("Not reached by the data: " + "; ".join(fit.unreached) + ".")
    if second_s is not None:
        said.append(second_told(second_s, fit, then))
    return tuple(said)
