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
SCATTER_WEIGHT = 0.7
MOST_WIDENED = 4.0
"""A photo's scatter is two to four times what the fits say (rendered pictures)."""
INDEPENDENT_MM = 0.5
"""Length of edge that tells one independent sample of it."""
U_MODEL_RATIO = 0.07
"""Slices of 0.1 mm and the blur along the edge smooth the shortest waves."""
_LAGS = 3  # samples of 0.1 mm
_ONE_SIDED = 2.1
"""Standard u to the far end of the floor's bracket; more than the 1.645 of a normal
distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """The photo's own scatter of an edge's place: sigma and its standard u."""

    sigma_mm: float
    u_mm: float


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
    On smooth rims the upper end is nearly right, hence the weight.  The u is that of a
    rectangular distribution of the variance between both ends.  (The back edge, which
    has no roughness of supports, is too short between its notches, and its wall shows.)
    """
    high = float(np.clip(scatter_mm, noise_mm, MOST_WIDENED * noise_mm)) ** 2
    low = noise_mm**2
    variance = SCATTER_WEIGHT * high + (1 - SCATTER_WEIGHT) * low
    u_variance = max((high - low) / np.sqrt(12), 0.1 * variance)
    sigma = float(np.sqrt(variance))
    return Floor(sigma_mm=sigma, u_mm=float(u_variance / (2 * sigma)))


def one_photo(rough: Rough, floor: Floor | None) -> Roughness:
    """Roughness from one photo: the floor subtracted in quadrature."""
    seen = rough.sigma_mm
    if floor is None:
        return Roughness(
            sigma_mm=None,
            u_mm=None,
            upper_mm=seen * (1 + 2 * U_MODEL_RATIO),
            method=f"band {BAND}; the photo's own floor is not known",
        )
    variance = seen**2 - floor.sigma_mm**2
    u_variance = float(np.hypot(2 * floor.sigma_mm * floor.u_mm, 0.05 * seen**2))
    return _told(variance, u_variance, f"band {BAND}; floor from the shortest scatter")


def two_photos(first: Rough, second: Rough) -> Roughness:
    """Roughness from the covariance of two photos of one rim, sample by sample.

    The poses leave the rims some 0.1 mm apart along the arc, more than the shortest
    waves bear: the covariance is the largest over shifts up to 0.3 mm, by a parabola.
    """
    shared = [_shared(first, second, lag) for lag in range(-_LAGS, _LAGS + 1)]
    if min(len(a) for a, _ in shared) < 40:
        return one_photo(first, None)
    by_lag = np.array([np.mean(a * b) for a, b in shared])
    k = int(np.clip(np.argmax(by_lag), 1, 2 * _LAGS - 1))
    a, b = shared[k]
    covariance = _top(*by_lag[k - 1 : k + 2])
    own = np.maximum([np.mean(a * a), np.mean(b * b)] - np.array(covariance), 0.0)
    count = max(len(a) * 0.1 / INDEPENDENT_MM, 1.0)
    spread = max(covariance, 0.0) * float(own.sum()) + float(own[0] * own[1])
    return _told(
        covariance,
        float(np.sqrt(spread / count)) + 0.03 * max(covariance, 0.0),
        f"band {BAND}; covariance of two photos",
    )


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


def _told(variance: float, u_variance: float, method: str) -> Roughness:
    upper = float(np.sqrt(max(variance, 0.0) + _ONE_SIDED * u_variance))
    if variance < 2 * u_variance:
        return Roughness(sigma_mm=None, u_mm=None, upper_mm=upper, method=method)
    sigma = float(np.sqrt(variance))
    u = float(np.hypot(u_variance / (2 * sigma), U_MODEL_RATIO * sigma))
    return Roughness(sigma_mm=sigma, u_mm=u, upper_mm=upper, method=method)
