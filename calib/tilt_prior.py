"""What is held possible of a curve against tilt before any tile is read.

The covariance of the expected values at each point of a grid of sizes; see
:mod:`calib.tilt_model`, which weighs them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Smooth = Literal["quadratic", "gaussian process"]
Cusp = Callable[[Array], Array]


_LENGTHS = (0.4, 0.8)  # of the Gaussian process, in halves of the tilts' range
_SIZES = (0.0, 0.4, 1.0, 2.5)  # all sizes over the readings' own spread
_DIFFERENCES = (0.0, 0.4, 1.2)
_SCATTERS = (0.05, 0.1, 0.2, 0.35, 0.6, 1.0)
_BATCHES = (0.0, 0.3, 1.0)
_FREE = 0.5  # size of the Gaussian process over the quadratic's
LEVEL, _SHIFT = 3.0, 1.5
CUSP_SHARE, U_CUSP_SHARE = 0.5, 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tiles:
    """Places of readings or predictions: x in -1 to 1 over the range, lip, cusp."""

    x: Array
    lip: Array
    cusp: Array

    @staticmethod
    def at(tilt_deg: Array, lip: Array, ends: tuple[float, float], cusp: Cusp) -> Tiles:
        """Scale tilts to the tested range and look their cusp up."""
        low, high = ends
        x = (2.0 * tilt_deg - low - high) / (high - low)
        return Tiles(x=x, lip=lip, cusp=cusp(tilt_deg))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """One point of the grid; ``length`` is None for the quadratic."""

    length: float | None
    smooth: float
    difference: float
    batch: float
    scatter: float

    @property
    def family(self) -> Smooth:
        """The smooth part that it belongs to."""
        return "quadratic" if self.length is None else "gaussian process"


def smooth_covariance(x: Array, other: Array, length: float | None) -> Array:
    """Covariance (n, m) of a smooth part of unit size, its level left out.

    Parameters
    ----------
    x, other : (n,) and (m,) arrays
        Tilts, scaled so that their range is -1 to 1.
    length : float or None
        Length scale of the Gaussian process about the quadratic; None: the quadratic
        alone, whose slope and bend (Legendre polynomials) have equal variances.
    """

    def features(places: Array) -> Array:
        slope = math.sqrt(1.5) * places
        bend = math.sqrt(2.5) * (3.0 * places**2 - 1.0) / 2.0
        return np.stack((slope, bend))

    bent = features(x).T @ features(other)
    if length is None:
        return np.asarray(bent)
    apart = (x[:, None] - other) / length
    return np.asarray(bent + _FREE**2 * np.exp(-0.5 * apart**2))


def size_grid(batches: int, treatments: int) -> tuple[Sizes, ...]:
    """List the sizes to weigh; one batch has no offset, one treatment no difference."""
    return tuple(
        Sizes(length=length, smooth=a, difference=d, batch=b, scatter=s)
        for length, a, d, b, s in itertools.product(
            (None, *_LENGTHS),
            _SIZES,
            _DIFFERENCES if treatments > 1 else (0.0,),
            _BATCHES if batches > 1 else (0.0,),
            _SCATTERS,
        )
    )


def of_family(family: Smooth, grid: Sequence[Sizes]) -> list[bool]:
    """Say which points of a grid have a smooth part."""
    return [sizes.family == family for sizes in grid]


def log_prior(grid: Sequence[Sizes], steady: float | None) -> Array:
    """Log probability (p,) beforehand: half to each family, or a share to no tilt."""
    if steady is None:
        return np.array(
            [-math.log(sum(of_family(sizes.family, grid))) for sizes in grid]
        )
    flat = np.array([sizes.smooth == 0.0 for sizes in grid])
    shares = np.where(flat, steady / flat.sum(), (1.0 - steady) / (~flat).sum())
    return np.asarray(np.log(shares))


def curve_covariance(sizes: Sizes, one: Tiles, other: Tiles, spread: float) -> Array:
    """Covariance (n, m) of the expected values before anything was read."""
    smooth = smooth_covariance(one.x, other.x, sizes.length)
    both = LEVEL**2 + sizes.smooth**2 * smooth
    lipped = _SHIFT**2 + sizes.difference**2 * smooth
    cusp = np.outer(U_CUSP_SHARE * one.cusp, U_CUSP_SHARE * other.cusp)
    return np.asarray(spread**2 * (both + np.outer(one.lip, other.lip) * lipped) + cusp)


def batch_covariance(sizes: Sizes, same: Array, spread: float) -> Array:
    """Covariance (n, n) by prints; ``same`` is 1 where two tiles share one."""
    return np.asarray((spread * sizes.batch) ** 2 * same)


def noise_covariance(sizes: Sizes, u: Array, trust: Array, spread: float) -> Array:
    """Covariance (n, n) of the readings' own u and the scatter over its ``trust``."""
    return np.diag(u**2 + (spread * sizes.scatter) ** 2 / trust)
