"""Roughness of a rim: its sigma in a stated band, the photo's own floor taken off.

The band runs from the 2.5 mm cut-off to the sampling limit, 0.2 mm (two samples).  A
photo's own scatter is not white: it lies mostly where the roughness lies.  It is
bracketed by the noise of the fits and the shortest scatter seen, or drops out of the
covariance of two photos (line edge roughness: measured^2 = true^2 + floor^2,
Villarrubia 2005).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.arc_form import Rough

Floats = NDArray[np.float64]

BAND = "2.5 mm to 0.2 mm"
NOISE_LENGTH_MM = 0.055
"""Correlation length of a photo's own scatter along an edge, as windows of a millimetre
have it (rendered pictures)."""
NOISE_NEXT = 0.25
"""Correlation of that scatter from one sample of 0.1 mm to the next."""
LEAST_WIDENED, MOST_WIDENED = 1.1, 3.0
"""A photo's scatter over what the fits say (virtual pictures 1.1-2.8, rendered ones
1.4-3.3, sixty smooth rims each)."""
CLEAR_OF_NOISE = 4.3
"""A value is only told where what is seen is this much over what the fits say: smooth
rims reach 4.1 (rendered pictures)."""
SCATTER_OVER_FLOOR = 1.15
"""Scatter over 0.2 mm of smooth rims, over the photo's own (rendered pictures)."""
INDEPENDENT_MM = 0.5
"""Length of edge that tells one independent sample of it."""
U_MODEL_RATIO = 0.07
"""The shortest waves' own spectrum, dents left out or not."""
STEP_MM = 0.1
U_SMOOTHED = 0.5
"""Standard u of what the blur took, as a share of it."""
_SMOOTHEST, _ROUGHEST = 0.4, 0.98  # correlation of neighbours, by which that is told
_LEAST_LEFT = 0.3
MOST_SMOOTHED = 0.7
"""Where the blur took more than this share of what is left there is only a limit."""
_LAGS = 3  # samples of 0.1 mm
CLEARLY = 3.0
"""Below this many times its u a variance is no value, only a limit."""
_ONE_SIDED = 2.1
"""Standard u to the far end of the floor's bracket; more than the 1.645 of a normal
distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """The photo's own scatter of an edge's place: sigma and its standard u.

    A rim whose scatter is below ``clear_mm`` may be smooth.
    """

    sigma_mm: float
    u_mm: float
    clear_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Roughness:
    """Sigma with its u, or only the 95 % upper limit (``sigma_mm`` None)."""

    sigma_mm: float | None
    u_mm: float | None
    upper_mm: float
    method: str


def finite_length_share(length_mm: float, correlation_mm: float) -> float:
    """Share of the variance left after the mean of a finite length is removed.

    Exponential correlation: 1 - 2 q (1 - q (1 - exp(-1 / q))), q = correlation over
    length (derived; agrees with Monte Carlo).
    """
    q = correlation_mm / length_mm
    return float(1 - 2 * q * (1 - q * (1 - np.exp(-1 / q))))


def floor_of_scatter(noise_mm: float, scatter_mm: float) -> Floor:
    """Bracket the floor of one photo from below and from above.

    Parameters
    ----------
    noise_mm : float
        What the fits of single slices say: too little, since neighbouring pixels err
        alike (sharpening, JPEG).
    scatter_mm : float
        What is seen over 0.2 mm of rim, see
        :func:`analysis.rim_uncertainty.short_scatter_mm`: too much by the roughness
        that has waves so short.

    Notes
    -----
    Middle and u are those of a rectangular distribution of the variance between both
    ends.  (The back edge, which has no roughness of supports, is too short between its
    notches, and its wall shows.)
    """
    low = LEAST_WIDENED * noise_mm
    high = float(np.clip(scatter_mm / SCATTER_OVER_FLOOR, low, MOST_WIDENED * noise_mm))
    variance = 0.5 * (high**2 + low**2)
    u_variance = max((high**2 - low**2) / np.sqrt(12), 0.15 * variance)
    sigma = float(np.sqrt(variance))
    return Floor(
        sigma_mm=sigma,
        u_mm=float(u_variance / (2 * sigma)),
        clear_mm=CLEAR_OF_NOISE * noise_mm,
    )


def smoothed_away(variance: float, beside: float, smear_mm: float) -> float:
    """Variance that the blur along the edge took from a rim's roughness.

    Parameters
    ----------
    variance, beside : float
        Of the roughness as seen, without the photo's own scatter: its variance, and its
        covariance from one sample to the next.
    smear_mm : float
        Standard deviation of the blur along the edge, beyond samples of 0.1 mm.

    Notes
    -----
    For a Gaussian correlation of length L, seen as L' = sqrt(L^2 + 2 smear^2), the
    variance is L / L' of the true one (derived).  No wave is made more than 1.8 times
    as strong.
    """
    if variance <= 0:
        return 0.0
    alike = float(np.clip(beside / variance, _SMOOTHEST, _ROUGHEST))
    squared_length = -(STEP_MM**2) / (2 * np.log(alike))
    left = max(1 - 2 * smear_mm**2 / squared_length, _LEAST_LEFT)
    return float(variance * (1 / np.sqrt(left) - 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Variance, mm2, of an edge's place without floor and blur.

    ``value`` with its standard ``u``; ``upper`` for the floor's lowest; ``sure`` is
    False where there is only that.
    """

    value: float
    u: float
    upper: float
    sure: bool


def without_floor(
    seen: float, rough: Rough, floor: Floor, smear_mm: float, share: float = 1.0
) -> Spread:
    """Take the photo's own part off a variance, and give back what the blur took.

    Parameters
    ----------
    seen : float
        Variance as seen, mm2: ``share`` of all that lies in the band.
    rough : Rough
    floor : Floor
    smear_mm : float
        See :func:`smoothed_away`.
    share : float
        Of the floor's variance, and of the shortest waves', that is in ``seen``.
    """
    both = rough.kept[1:] & rough.kept[:-1]
    pairs = (rough.profile_mm[1:] * rough.profile_mm[:-1])[both]
    beside = float(np.mean(pairs)) if len(pairs) else 0.0
    own, u_own = floor.sigma_mm**2, 2 * floor.sigma_mm * floor.u_mm
    least = max(own - np.sqrt(3) * u_own, 0.0)

    def restored(floor_variance: float) -> tuple[float, float]:
        left = rough.sigma_mm**2 - floor_variance
        lost = smoothed_away(left, beside - NOISE_NEXT * floor_variance, smear_mm)
        return seen - share * floor_variance, share * lost

    left, lost = restored(own)
    most, most_lost = restored(least)
    u = float(np.linalg.norm([share * u_own, 0.05 * seen, U_SMOOTHED * lost]))
    clear = rough.sigma_mm > floor.clear_mm and lost < MOST_SMOOTHED * left
    return Spread(
        value=left + lost,
        u=u,
        upper=max(most + most_lost, 0.0) + 0.15 * seen,
        sure=clear and left + lost > CLEARLY * u,
    )


def one_photo(rough: Rough, floor: Floor | None, smear_mm: float = 0.0) -> Roughness:
    """Roughness from one photo: the floor subtracted in quadrature."""
    seen = rough.sigma_mm
    if floor is None:
        return Roughness(
            sigma_mm=None,
            u_mm=None,
            upper_mm=seen * (1 + 2 * U_MODEL_RATIO),
            method=f"band {BAND}; the photo's own floor is not known",
        )
    own = without_floor(seen**2, rough, floor, smear_mm)
    return _told(own, f"band {BAND}; floor from the shortest scatter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """What two photos of one rim have in common, sample by sample.

    ``covariance`` with its standard ``u``, ``beside`` that from one sample to the next,
    ``own`` (2,) the variance that each photo adds; all mm2.
    """

    covariance: float
    u: float
    beside: float
    own: Floats


def pair_of(first: Rough, second: Rough) -> Pair | None:
    """Covariance of two photos of one rim; None where they have too little in common.

    The poses leave the rims some 0.1 mm apart along the arc, more than the shortest
    waves bear: the covariance is the largest over shifts up to 0.3 mm, by a parabola.
    """
    shared = [_shared(first, second, lag) for lag in range(-_LAGS, _LAGS + 1)]
    if min(len(a) for a, _ in shared) < 40:
        return None
    by_lag = np.array([np.mean(a * b) for a, b in shared])
    k = int(np.clip(np.argmax(by_lag), 1, 2 * _LAGS - 1))
    a, b = shared[k]
    covariance = _top(*by_lag[k - 1 : k + 2])
    own = np.maximum([np.mean(a * a), np.mean(b * b)] - np.array(covariance), 0.0)
    count = max(len(a) * STEP_MM / INDEPENDENT_MM, 1.0)
    spread = max(covariance, 0.0) * float(own.sum()) + float(own[0] * own[1])
    return Pair(
        covariance=covariance,
        u=float(np.sqrt(spread / count)) + 0.03 * max(covariance, 0.0),
        beside=float(0.5 * (by_lag[k - 1] + by_lag[k + 1])),
        own=own,
    )


def two_photos(first: Rough, second: Rough, smear_mm: float = 0.0) -> Roughness:
    """Roughness from the covariance of two photos, see :func:`pair_of`."""
    pair = pair_of(first, second)
    if pair is None:
        return one_photo(first, None)
    lost = smoothed_away(pair.covariance, pair.beside, smear_mm)
    value = pair.covariance + lost
    u = float(np.hypot(pair.u, U_SMOOTHED * lost))
    found = Spread(
        value=value,
        u=u,
        upper=max(value, 0.0) + _ONE_SIDED * u,
        sure=value > CLEARLY * u and lost < MOST_SMOOTHED * pair.covariance,
    )
    return _told(found, f"band {BAND}; covariance of two photos")


def floor_of_pair(pair: Pair) -> Floor:
    """Scatter of the first of two photos, from what it doesn't share with the other."""
    sigma = float(np.sqrt(max(pair.own[0], 1e-9)))
    return Floor(sigma_mm=sigma, u_mm=pair.u / (2 * sigma))


def _shared(first: Rough, second: Rough, lag: int) -> tuple[Floats, Floats]:
    """Take the samples that both have, the second's ``lag`` farther along."""
    n = min(len(first.profile_mm), len(second.profile_mm))
    here = slice(max(-lag, 0), n - max(lag, 0))
    there = slice(max(lag, 0), n + min(lag, 0))
    both = first.kept[here] & second.kept[there]
    return first.profile_mm[here][both], second.profile_mm[there][both]


def _top(below: float, here: float, above: float) -> float:
    """Height of the parabola through three values where the middle one is largest."""
    bend = below - 2 * here + above
    if not max(below, above) <= here or bend >= 0:
        return float(here)
    return float(here - (above - below) ** 2 / (8 * bend))


def _told(found: Spread, method: str) -> Roughness:
    upper = float(np.sqrt(found.upper))
    if not found.sure:
        return Roughness(sigma_mm=None, u_mm=None, upper_mm=upper, method=method)
    sigma = float(np.sqrt(found.value))
    u = float(np.hypot(found.u / (2 * sigma), U_MODEL_RATIO * sigma))
    return Roughness(sigma_mm=sigma, u_mm=u, upper_mm=upper, method=method)
