"""All of a coupon over several photos of one print: teeth, covariance, quantities.

What the photos share (model, scale) stays as it is; what each adds of its own shrinks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.combine import combine_quantities
from analysis.flare import U_HINGE_MM

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.result import CouponMeasurement, Quantity, ToothReading

Floats = NDArray[np.float64]

LEAST_OWN_U_MM = 3e-4
"""Floor of what a photo adds of its own, against covariances that are nearly flat."""

DISAGREE = 4.0
"""Spread of the photos over what they claim, squared, from which a warning is given."""


def combine(coupons: Sequence[CouponMeasurement]) -> CouponMeasurement:
    """Combine what several photos say about one printed coupon.

    Parameters
    ----------
    coupons : sequence of CouponMeasurement
        One for each photo, of one and the same print; at least one.

    Returns
    -------
    CouponMeasurement
        Least-squares means.  Where photos scatter more than they claim, the part that
        each adds of its own is widened by the ratio (Birge ratio).

    Raises
    ------
    ValueError
        No coupon, or different ones.

    Notes
    -----
    Teeth: ``x = (sum W_k)^-1 sum W_k y_k`` with ``W_k`` the inverse of photo k's own
    covariance, and covariance ``(sum W_k)^-1 + S``; S, which all photos share, is the
    model's part and the scale's (JCGM 100, F.1.2.3: common inputs stay common).  The
    heights' part, which turns with the view, counts as each photo's own.
    """
    if not coupons or len({coupon.coupon_id for coupon in coupons}) != 1:
        raise ValueError("photos of one print of one coupon are needed")
    if len(coupons) == 1:
        return coupons[0]
    teeth = _combined_teeth(coupons)
    flare = _mean([c.flare for c in coupons])
    body = _mean([c.body_growth for c in coupons])
    flush = _mean([c.flush_inset for c in coupons])
    scale, u_scale = _mean_scale(coupons)
    upper = [c.flare_upper_mm for c in coupons if c.flare_upper_mm is not None]
    values = {"flare_mm": flare, "body_growth_mm": body, "flush_inset_mm": flush}
    values["part_scale"] = scale  # type: ignore[assignment] # only whether it is null
    missing = {name for name, value in values.items() if value is None}
    warnings = tuple(dict.fromkeys(said for c in coupons for said in c.warnings))
    if teeth.disagreement > DISAGREE:
        warnings += (
            "The photos disagree by more than they claim; all intervals are wider.",
        )
    return replace(
        coupons[0],
        part_scale=scale,
        u_part_scale=u_scale,
        flare=flare,
        flare_upper_mm=min(upper) if upper and flare is None else None,
        body_growth=body,
        flush_inset=flush,
        teeth=_readings(coupons, teeth),
        covariance_names=teeth.names,
        growth_cov_mm2=teeth.covariance_mm2,
        warnings=warnings,
        reasons={
            name: said
            for c in coupons
            for name, said in c.reasons.items()
            if name in missing
        },
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Teeth:
    names: tuple[str, ...]
    growth_mm: Floats
    covariance_mm2: Floats
    disagreement: float


def _combined_teeth(coupons: Sequence[CouponMeasurement]) -> _Teeth:
    names = tuple(dict.fromkeys(n for c in coupons for n in c.covariance_names))
    place = {name: i for i, name in enumerate(names)}
    weight = np.zeros((len(names), len(names)))
    pull = np.zeros(len(names))
    parts = []
    for coupon in coupons:
        rows = np.array([place[n] for n in coupon.covariance_names], dtype=np.intp)
        growth = _growth(coupon)
        own = _positive(coupon.growth_cov_mm2 - _shared(growth, _scale_u(coupon)))
        inverse = np.linalg.inv(own)
        weight[np.ix_(rows, rows)] += inverse
        pull[rows] += inverse @ growth
        parts.append((rows, growth, inverse))
    covariance = np.linalg.inv(weight)
    mean = covariance @ pull
    misfit = sum(
        float((growth - mean[rows]) @ inverse @ (growth - mean[rows]))
        for rows, growth, inverse in parts
    )
    freedom = sum(len(rows) for rows, _, _ in parts) - len(names)
    ratio = misfit / freedom if freedom else 1.0
    u_scale = max(_scale_u(coupon) for coupon in coupons)
    return _Teeth(
        names=names,
        growth_mm=mean,
        covariance_mm2=covariance * max(ratio, 1.0) + _shared(mean, u_scale),
        disagreement=ratio,
    )


def _growth(coupon: CouponMeasurement) -> Floats:
    by_name = {tooth.name: tooth.growth_mm for tooth in coupon.teeth}
    return np.array([by_name[name] for name in coupon.covariance_names], dtype=float)


def _scale_u(coupon: CouponMeasurement) -> float:
    """Relative uncertainty of the scale, from the flare's budget; 0 without a flare."""
    if coupon.flare is None or not coupon.flare.value_mm:
        return 0.0
    ruler = sum(c.u_mm for c in coupon.flare.budget if c.name == "ruler")
    return ruler / abs(coupon.flare.value_mm)


def _shared(growth_mm: Floats, u_scale_ratio: float) -> Floats:
    """Covariance that every photo of the print has in common."""
    model = np.full(len(growth_mm), U_HINGE_MM**2 / 4)
    scale = growth_mm * u_scale_ratio
    return np.asarray(np.diag(model) + np.outer(scale, scale))


def _positive(covariance_mm2: Floats) -> Floats:
    """Lift eigenvalues to the least that a photo adds of its own."""
    value, vector = np.linalg.eigh(covariance_mm2)
    return np.asarray((vector * np.maximum(value, LEAST_OWN_U_MM**2)) @ vector.T)


def _readings(
    coupons: Sequence[CouponMeasurement], teeth: _Teeth
) -> tuple[ToothReading, ...]:
    u_mm = np.sqrt(np.diag(teeth.covariance_mm2))
    place = {name: i for i, name in enumerate(teeth.names)}
    first = {t.name: t for c in reversed(coupons) for t in c.teeth}
    return tuple(
        replace(
            tooth,
            growth_mm=float(teeth.growth_mm[place[name]]),
            u_growth_mm=float(u_mm[place[name]]),
            used=True,
            reason=None,
        )
        if name in place
        else tooth
        for name, tooth in first.items()
    )


def _mean(quantities: Sequence[Quantity | None]) -> Quantity | None:
    given = [quantity for quantity in quantities if quantity is not None]
    return combine_quantities(given) if given else None


def _mean_scale(
    coupons: Sequence[CouponMeasurement],
) -> tuple[float | None, float | None]:
    """Part scale of the best photo: its uncertainty is the ruler's, which is shared."""
    given = [
        (c.u_part_scale, c.part_scale)
        for c in coupons
        if c.part_scale is not None and c.u_part_scale is not None
    ]
    if not given:
        return None, None
    u, value = min(given)
    return value, u
