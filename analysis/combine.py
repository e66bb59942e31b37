"""Several photos of one print, combined; what they share is not averaged down.

Ruler, heights, raster and model are the same in every photo of a print; pose, light and
edge noise are new each time.  Only the latter shrink with the number of photos.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.flare import U_HINGE_MM
from analysis.result import Component, CouponMeasurement, Quantity, ToothReading
from analysis.uncertainty import SOURCES, combined_u

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = NDArray[np.float64]

SHARED = frozenset({"ruler", "heights", "pixel raster", "model"})
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
    model's part and the scale's (JCGM 100, F.1.2.3: common inputs stay common).
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
    """Mean by what each photo adds of its own; the budget line by line."""
    given = [q for q in quantities if q is not None]
    if len(given) < 2:
        return given[0] if given else None
    own = np.array([max(_own_u(q), LEAST_OWN_U_MM) for q in given])
    weight = own**-2 / np.sum(own**-2)
    value = float(weight @ [q.value_mm for q in given])
    spread = np.sum(((np.array([q.value_mm for q in given]) - value) / own) ** 2)
    widened = float(np.sqrt(max(spread / (len(given) - 1), 1.0)))
    budget = tuple(
        Component(
            name=name,  # type: ignore[arg-type] # the sources are the literals
            u_mm=_line(name, given, weight) * (1.0 if name in SHARED else widened),
        )
        for name in SOURCES
    )
    return Quantity(
        value_mm=value,
        u_mm=combined_u(budget),
        method=f"mean of {len(given)} photos: {given[0].method}",
        budget=budget,
    )


def _line(name: str, quantities: Sequence[Quantity], weight: Floats) -> float:
    """One line of the mean's budget: shared ones add up, own ones in quadrature."""
    parts = weight * [
        sum(c.u_mm for c in q.budget if c.name == name) for q in quantities
    ]
    return float(np.sum(parts) if name in SHARED else np.sqrt(np.sum(parts**2)))


def _own_u(quantity: Quantity) -> float:
    return combined_u(tuple(c for c in quantity.budget if c.name not in SHARED))


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
