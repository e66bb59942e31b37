"""Whether a second flare coupon is worth printing, and with which bottom exposure.

Squeezed-out resin and light flare a plate layer alike, and one exposure can hardly tell
them apart; only the light's part moves with the exposure.  Of invented resins whose
first print left the two open, a second at the same exposure still did so in half, one
at 0.7 or 1.4 times it in none (those of the closed loop).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.posterior import Fit
    from calib.prediction import Prediction

OPEN_WEIGHT = 0.05
"""Probability of squeezed-out resin that leaves it open; a real one was given 0.16."""

APART_RATIO = 1.4
"""Exposures so far apart tell light and squeezed-out resin apart."""

_STEP_S = 0.5
_SLACK = 0.9  # of the ratio: exposures are rounded


def second_print_s(
    fit: Fit, now: Prediction, then: Prediction, floor_s: float
) -> float | None:
    """Bottom exposure for a second coupon; None: none is needed.

    Parameters
    ----------
    fit : Fit
        What the bottle's prints told.
    now, then : Prediction
        At the present exposure, and at the suggested one.
    floor_s : float
        The shortest exposure that prints speak for.
    """
    printed = [o.bottom_exposure_s for o in fit.observations]
    low, high = min(printed), max(printed)
    if fit.squeeze_weight > OPEN_WEIGHT and not _apart(low, high):
        if _apart(low, then.bottom_exposure_s) or _apart(then.bottom_exposure_s, high):
            return then.bottom_exposure_s
        shorter = _rounded(low / APART_RATIO)
        return shorter if shorter >= floor_s else _rounded(high * APART_RATIO)
    if not (then.vouched and now.vouched):
        return then.bottom_exposure_s
    return None


def _apart(shorter_s: float, longer_s: float) -> bool:
    return longer_s > _SLACK * APART_RATIO * shorter_s


def _rounded(exposure_s: float) -> float:
    return round(exposure_s / _STEP_S) * _STEP_S


def told(second_s: float, fit: Fit, then: Prediction) -> str:
    """Say what to print, and what for."""
    if second_s == then.bottom_exposure_s:
        return (
            "Print a second coupon at the suggested setting and measure it: the two "
            "together narrow the interval."
        )
    printed = max(o.bottom_exposure_s for o in fit.observations)
    firmer = ", which sticks more firmly," if second_s > printed else ""
    return (
        f"Prints at {printed:g} s alone can't tell light from squeezed-out resin: "
        f"print a second coupon with bottom layers of {second_s:g} s{firmer} and "
        "measure it."
    )
