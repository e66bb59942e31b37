"""Predicted flare with an interval that owns up to the model's own doubt.

The spread of the fit's draws says what the readings leave open within the model.  No
model is the printer: the further an exposure lies from those printed, the less its
shape is vouched for.  The size of that doubt was set on invented resins that are not
of the fit's family (beam spread, other halos), by the closed loop in the tests, read
from virtual photos; it is no property of any real bottle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.posterior import FIT_ALARM_PROBABILITY, Fit
from calib.wall import Wall, steps_mm

Array = NDArray[np.float64]

VOUCHED_RATIO = (0.4, 1.25)
"""Exposures, over those printed, up to which a prediction is offered without alarm."""

SQUEEZE_ALARM_WEIGHT = 0.2
"""Probability of the plate-layer term from which a second print is asked for."""

_DOUBT_MM = 0.003
_DOUBT_PER_E_FOLD = 0.20
_DOUBT_SQUEEZE_PER_E_FOLD = 0.15
_DOUBT_LONG_TAIL = 0.05  # a long wall gets more of a wide halo than a tooth does
_OUTSIDE_FACTOR = 2.0
_COVERAGE_95 = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A predicted length with its standard uncertainty and 95 % interval."""

    value_mm: float
    u_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Steps beyond the body's outline: of the plate layer, and the largest of all.

    ``worst_layer`` counts from the plate layer, 0.  ``vouched``: the exposure lies
    within 0.4-1.25 times a printed one.
    """

    bottom_exposure_s: float
    first_layer: Interval
    worst: Interval
    worst_layer: int
    vouched: bool


def predict(fit: Fit, wall: Wall, inset_px: NDArray[np.intp]) -> Prediction:
    """Predict the steps of a straight wall that is printed with some insets."""
    step = steps_mm(wall, inset_px)
    exposure_s = wall.setting.bottom_s
    typical = np.median(step, axis=0)
    worst = int(np.argmax(np.abs(typical)))
    plain = steps_mm(wall, np.zeros_like(inset_px))
    doubt = doubt_mm(fit, exposure_s, np.median(np.abs(plain), axis=0))
    return Prediction(
        bottom_exposure_s=exposure_s,
        first_layer=interval_of(step[:, 0], float(doubt[0])),
        worst=interval_of(step[:, worst], float(doubt[worst])),
        worst_layer=worst,
        vouched=is_vouched(fit, exposure_s),
    )


def is_vouched(fit: Fit, exposure_s: float) -> bool:
    """Whether an exposure lies near enough to a printed one."""
    low, high = VOUCHED_RATIO
    printed = [o.bottom_exposure_s for o in fit.observations]
    return any(low <= exposure_s / p <= high + 1e-9 for p in printed)


def doubt_mm(fit: Fit, exposure_s: float, flare_mm: Array) -> Array:
    """Give the model's own standard uncertainty at an exposure, for flares like these.

    Grows with the logarithm of the exposure over the nearest one printed, and with the
    flare that is to be explained; more where squeezed-out resin may be mistaken for
    light, where the fit was poor, and where the halo is wider than the coupon's teeth.
    """
    away = min(abs(np.log(exposure_s / o.bottom_exposure_s)) for o in fit.observations)
    rate = _DOUBT_PER_E_FOLD + _DOUBT_SQUEEZE_PER_E_FOLD * fit.squeeze_weight
    if not is_vouched(fit, exposure_s):
        rate *= _OUTSIDE_FACTOR
    base = max(_DOUBT_MM, fit.model_u_mm)
    if fit.fit_probability < FIT_ALARM_PROBABILITY:
        rate *= _OUTSIDE_FACTOR
    share = np.hypot(rate * away, _DOUBT_LONG_TAIL * fit.long_tail_weight)
    return np.asarray(np.hypot(base, share * np.abs(flare_mm)))


def interval_of(draws_mm: Array, doubt_mm: float) -> Interval:
    """Mean and interval of draws (p,) with a standard uncertainty beside them."""
    value = float(np.mean(draws_mm))
    u = float(np.hypot(np.std(draws_mm), doubt_mm))
    return Interval(
        value_mm=value,
        u_mm=u,
        low_mm=value - _COVERAGE_95 * u,
        high_mm=value + _COVERAGE_95 * u,
    )
