"""Roughness of a rim: its sigma in a stated band, the photo's own floor taken off.

The band runs from the 2.5 mm cut-off to the sampling limit, 0.2 mm (two samples).  A
photo's own scatter is not white: it lies mostly where the roughness lies.  It is taken
from the part's back edge in the same photo, or drops out of the covariance of two
photos (line edge roughness: measured^2 = true^2 + floor^2, Villarrubia 2005).
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
NOISE_LENGTH_MM = 0.2
"""Correlation length of a photo's own scatter along an edge (empirical)."""
INDEPENDENT_MM = 0.5
"""Length of edge that tells one independent sample of it."""
U_MODEL_RATIO = 0.07
"""Slices of 0.1 mm and the blur along the edge smooth the shortest waves."""
LEAST_EDGE_MM = 3.0
_ONE_SIDED_95 = 1.645


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


def floor_of_lands(places_mm: list[Floats], step_mm: float) -> Floor | None:
    """Take the floor from pieces of back edge, each (k,) evenly sampled.

    Each piece is judged about its own line; what that takes away is put back by the
    finite length of the piece.  What roughness the back edge itself has is in it, so
    the floor is rather too high.  None with less than 3 mm of edge;
    else the median piece's.
    """
    variances, lengths = [], []
    for place in places_mm:
        if len(place) < 6:
            continue
        x = np.arange(len(place)) - (len(place) - 1) / 2
        level = place - place.mean()
        level = level - x * float(x @ level) / float(x @ x)
        size = len(place) * step_mm
        share = finite_length_share(size / 2, NOISE_LENGTH_MM)
        variances.append(float(np.mean(np.minimum(level**2, _clip(level)))) / share)
        lengths.append(size)
    length = float(np.sum(lengths))
    if length < LEAST_EDGE_MM:
        return None
    # a piece beside a dark notch can be far off: the middle one by length counts
    order = np.argsort(variances)
    reached = np.cumsum(np.array(lengths)[order])
    middle = order[int(np.searchsorted(reached, 0.5 * length))]
    sigma = float(np.sqrt(variances[int(middle)]))
    return Floor(sigma_mm=sigma, u_mm=sigma / np.sqrt(length / INDEPENDENT_MM))


def _clip(level_mm: Floats) -> float:
    """Square beyond which a sample is a nick in the back edge, not scatter."""
    return float((4 * 1.4826 * np.median(np.abs(level_mm)) + 1e-6) ** 2)


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
    # the rim's light is not quite the back edge's: the floor is good to a quarter
    u_floor = np.hypot(floor.u_mm, 0.25 * floor.sigma_mm)
    u_variance = float(np.hypot(2 * floor.sigma_mm * u_floor, 0.05 * seen**2))
    return _told(variance, u_variance, f"band {BAND}; floor from the back edge")


def two_photos(first: Rough, second: Rough) -> Roughness:
    """Roughness from the covariance of two photos of one rim, sample by sample."""
    both = first.kept & second.kept
    a, b = first.profile_mm[both], second.profile_mm[both]
    if len(a) < 40:
        return one_photo(first, None)
    covariance = float(np.mean(a * b))
    own = np.maximum([np.mean(a * a), np.mean(b * b)] - np.array(covariance), 0.0)
    count = max(len(a) * 0.1 / INDEPENDENT_MM, 1.0)
    spread = max(covariance, 0.0) * float(own.sum()) + float(own[0] * own[1])
    return _told(
        covariance,
        float(np.sqrt(spread / count)) + 0.03 * max(covariance, 0.0),
        f"band {BAND}; covariance of two photos",
    )


def _told(variance: float, u_variance: float, method: str) -> Roughness:
    upper = float(np.sqrt(max(variance, 0.0) + _ONE_SIDED_95 * u_variance))
    if variance < 2 * u_variance:
        return Roughness(sigma_mm=None, u_mm=None, upper_mm=upper, method=method)
    sigma = float(np.sqrt(variance))
    u = float(np.hypot(u_variance / (2 * sigma), U_MODEL_RATIO * sigma))
    return Roughness(sigma_mm=sigma, u_mm=u, upper_mm=upper, method=method)
