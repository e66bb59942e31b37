"""A quantity of the rim against the tilt it was printed at, bare and lipped together.

value = smooth(tilt) + [lipped] (shift + smooth'(tilt)) + a cusp(tilt) + batch + scatter

``cusp`` is the geometric step, whose shape is known and whose share ``a`` is not.  The
smooth parts are a quadratic, or a Gaussian process about one; evidence, the marginal
likelihood of the readings, weighs the two and every size of smooth part, scatter and
batch offset on a grid (MacKay 1992, Neural Comput. 4:415-447; Rasmussen and Williams
2006, Gaussian processes for machine learning, 2.2-2.3, 2.7, 5.4.1; from memory).
Nothing is optimised: what the readings leave open stays open in the draws.

A tile that lies further than two standard deviations from what all the others make of
it is given the scatter that makes it two, so that an unlucky chip doesn't bend the
curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.tilt_prior import (
    CUSP_SHARE,
    LEVEL,
    U_CUSP_SHARE,
    Cusp,
    Sizes,
    Smooth,
    Tiles,
    batch_covariance,
    curve_covariance,
    log_prior,
    noise_covariance,
    of_family,
    size_grid,
)
from patterns.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = NDArray[np.float64]
LEAST_TILTS = 3
DRIFT_ALARM_SIGMAS = 3.0

_OUTLIER_SIGMAS = 2.0
_ROUNDS = 2
_LEAST_SPREAD_MM = 1e-4
_GRID_DEG = 1.0
_JITTER = 1e-3  # of the spread: rounding kept out of the square root
_SEED = 20  # draws of a fit are the same each time


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltReading:
    """One tile's value; ``batch`` names the print it came from."""

    tilt_deg: float
    lipped: bool
    batch: str
    value_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchOffset:
    """How far one print lies from the mean of the others, tilt and lip allowed for."""

    batch: str
    offset_mm: float
    u_mm: float
    drifted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltFit:
    """What the readings say about the expected value at each tilt within their range.

    ``tilt_deg`` (g,); ``draws_mm`` (m, 2, g) joint draws of the expected value, bare
    then lipped; a treatment that was not printed is NaN.  ``scatter_mm`` from tile to
    tile, bare and lipped; ``cusp_share`` and ``u_cusp_share``; ``probability`` of each
    smooth part by evidence; ``trust`` (n,) of each reading, below 1 for outliers.
    """

    readings: tuple[TiltReading, ...]
    tilt_deg: Array
    draws_mm: Array
    scatter_mm: tuple[float, float]
    cusp_share: float
    u_cusp_share: float
    probability: dict[Smooth, float]
    batches: tuple[BatchOffset, ...]
    trust: Array

    @property
    def mean_mm(self) -> Array:
        """Expected value (2, g), bare then lipped."""
        return np.asarray(self.draws_mm.mean(axis=0))

    @property
    def chosen(self) -> Smooth:
        """The smooth part with the stronger evidence."""
        return max(self.probability, key=lambda name: self.probability[name])


def log_evidence(values: Array, covariance: Array) -> Array:
    """Log density of values (n,) of mean zero under each covariance (..., n, n)."""
    lower = np.linalg.cholesky(covariance)
    white = np.linalg.solve(lower, np.broadcast_to(values, lower.shape[:-1])[..., None])
    half_log_det = np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(-1)
    n = len(values)
    return np.asarray(
        -0.5 * (white[..., 0] ** 2).sum(-1)
        - half_log_det
        - n / 2 * math.log(2 * math.pi)
    )


def fit_tilt(
    readings: Sequence[TiltReading], cusp_mm: Cusp, draws: int = 400
) -> TiltFit:
    """Fit one quantity against tilt.

    Parameters
    ----------
    readings : sequence of TiltReading
        Tiles of any number of prints; repeated tiles add up.
    cusp_mm : callable
        Geometric step in mm at tilts (k,) in degrees; zeros where it plays no part.
    draws : int
        How many curves to draw.

    Raises
    ------
    RecordError
        Fewer than three tilts, or a value that isn't finite.
    """
    return fit_part(readings, cusp_mm, tested_deg(readings), draws)


def tested_deg(readings: Sequence[TiltReading]) -> tuple[float, float]:
    """Give the range of the tilts of some tiles.

    Raises
    ------
    RecordError
        Fewer than three tilts.
    """
    tilts = {reading.tilt_deg for reading in readings}
    if len(tilts) < LEAST_TILTS:
        raise RecordError(
            f"Tiles of {len(tilts)} tilts are measured; a curve needs {LEAST_TILTS}.",
            "Measure more tiles of the set.",
        )
    return min(tilts), max(tilts)


def fit_part(
    readings: Sequence[TiltReading],
    cusp_mm: Cusp,
    ends: tuple[float, float],
    draws: int,
    *,
    seed: int = _SEED,
    steady: float | None = None,
) -> TiltFit:
    """Fit some of the tiles, or some of their departure, over a given range.

    Parameters
    ----------
    readings, cusp_mm, draws
        As for :func:`fit_tilt`; any number of tilts.
    ends : tuple of float
        Range of tilts to draw curves over.
    seed : int
        Parts of one sum need draws of their own.
    steady : float or None
        Of a part that chance rules: the probability beforehand that it is the same at
        all tilts.  Rare large values belong to its mean, so none is an outlier.

    Raises
    ------
    RecordError
        A value isn't finite.
    """
    tilt, lip, value, u = _columns(readings)
    tiles = Tiles.at(tilt, lip, ends, cusp_mm)
    level = float(np.median(value - CUSP_SHARE * tiles.cusp))
    rest = value - CUSP_SHARE * tiles.cusp - level
    spread = max(float(np.std(rest)), float(np.median(u)), _LEAST_SPREAD_MM)
    grid = size_grid(
        batches=len({r.batch for r in readings}), treatments=len(set(lip.tolist()))
    )
    same = _same_batch(readings)
    trust = np.ones(len(value))
    whole, log_p = _weigh(grid, tiles, rest, same, u, trust, spread)
    for _ in range(_ROUNDS if steady is None else 0):
        best = int(np.argmax(log_p))
        scatter = (spread * grid[best].scatter) ** 2
        trust = _trust(rest, whole[best], scatter, scatter / trust)
        whole, log_p = _weigh(grid, tiles, rest, same, u, trust, spread)
    beforehand = log_prior(grid, steady)
    weight = np.exp(log_p + beforehand - (log_p + beforehand).max())
    weight /= weight.sum()

    places = np.unique((*np.arange(math.ceil(ends[0]), ends[1], _GRID_DEG), *ends))
    at = Tiles.at(np.tile(places, 2), np.repeat((0.0, 1.0), len(places)), ends, cusp_mm)
    rng = np.random.default_rng(seed)
    curves = _draw(grid, weight, tiles, at, rest, whole, spread, draws, rng)
    curves += level + CUSP_SHARE * at.cusp
    curves = curves.reshape(draws, 2, len(places))
    curves[:, [lipped not in lip for lipped in (0.0, 1.0)]] = np.nan
    share, u_share = _cusp_share(weight, tiles, rest, whole)
    scatter_mm = spread * float(weight @ [sizes.scatter for sizes in grid])
    best = int(np.argmax(weight))
    families: tuple[Smooth, Smooth] = ("quadratic", "gaussian process")
    probability = {f: float(weight[of_family(f, grid)].sum()) for f in families}
    return TiltFit(
        readings=tuple(readings),
        tilt_deg=places,
        draws_mm=curves,
        scatter_mm=(scatter_mm, scatter_mm),
        cusp_share=share,
        u_cusp_share=u_share,
        probability=probability,
        batches=_batches(
            readings,
            rest,
            curve_covariance(grid[best], tiles, tiles, spread)
            + noise_covariance(grid[best], u, trust, spread),
            spread,
        ),
        trust=trust,
    )


def _weigh(
    grid: Sequence[Sizes],
    tiles: Tiles,
    rest: Array,
    same: Array,
    u: Array,
    trust: Array,
    spread: float,
) -> tuple[Array, Array]:
    """Covariance of the readings (p, n, n) and their evidence (p,) over the grid."""
    whole = np.stack(
        [
            curve_covariance(sizes, tiles, tiles, spread)
            + batch_covariance(sizes, same, spread)
            + noise_covariance(sizes, u, trust, spread)
            for sizes in grid
        ]
    )
    return whole, log_evidence(rest, whole)


def _columns(readings: Sequence[TiltReading]) -> tuple[Array, Array, Array, Array]:
    """Tilt, lip, value and u, each (n,)."""
    rows = np.array([(r.tilt_deg, r.lipped, r.value_mm, r.u_mm) for r in readings])
    if not np.isfinite(rows).all() or rows[:, 3].min() < 0.0:
        raise RecordError(
            "A tile's value is no finite number, or its u is negative.",
            "Measure the tile again.",
        )
    tilt, lip, value, u = rows.T
    return tilt, lip, value, u


def _same_batch(readings: Sequence[TiltReading]) -> Array:
    """Give 1 where two tiles come from the same print, (n, n)."""
    names = np.array([reading.batch for reading in readings])
    return np.asarray(names[:, None] == names, dtype=np.float64)


def _trust(rest: Array, covariance: Array, scatter: float, given: Array) -> Array:
    """Weight (n,) of each reading, from its leave-one-out residual.

    ``scatter`` is the tiles' variance, ``given`` (n,) what stands in the covariance.
    Residual and its variance in closed form: Rasmussen and Williams 2006, eq. 5.12
    (from memory).
    """
    inverse = np.linalg.inv(covariance)
    residual = inverse @ rest / np.diag(inverse)
    variance = 1.0 / np.diag(inverse) - given + scatter
    lacking = np.maximum((residual / _OUTLIER_SIGMAS) ** 2 - variance, 0.0)
    return np.asarray(scatter / (scatter + lacking))


def _draw(
    grid: Sequence[Sizes],
    weight: Array,
    tiles: Tiles,
    at: Tiles,
    rest: Array,
    whole: Array,
    spread: float,
    draws: int,
    rng: np.random.Generator,
) -> Array:
    """Draw expected values (draws, k) at some places, sizes drawn by their weight."""
    counts = rng.multinomial(draws, weight)
    curves = []
    for i in np.flatnonzero(counts).tolist():
        cross = curve_covariance(grid[i], at, tiles, spread)
        gain = np.linalg.solve(whole[i], cross.T).T
        left = curve_covariance(grid[i], at, at, spread) - gain @ cross.T
        left[np.diag_indices_from(left)] += (_JITTER * spread) ** 2
        chance = rng.standard_normal((counts[i], len(left)))
        curves.append(gain @ rest + chance @ np.linalg.cholesky(left).T)
    return np.concatenate(curves)


def _cusp_share(
    weight: Array, tiles: Tiles, rest: Array, whole: Array
) -> tuple[float, float]:
    """How much of the geometric step shows, and its standard uncertainty."""
    pull = np.linalg.solve(
        whole, np.broadcast_to(tiles.cusp, whole.shape[:-1])[..., None]
    )[..., 0]
    prior = U_CUSP_SHARE**2
    mean = CUSP_SHARE + prior * pull @ rest
    variance = prior - prior**2 * pull @ tiles.cusp
    share = float(weight @ mean)
    return share, math.sqrt(float(weight @ (variance + (mean - share) ** 2)))


def _batches(
    readings: Sequence[TiltReading], rest: Array, covariance: Array, spread: float
) -> tuple[BatchOffset, ...]:
    """Each print against the mean of the others, every offset free."""
    names = sorted({reading.batch for reading in readings})
    if len(names) < 2:
        return ()
    member = np.array([[float(r.batch == name) for name in names] for r in readings])
    free = spread * LEVEL
    pull = free**2 * np.linalg.solve(covariance + free**2 * member @ member.T, member)
    mean = pull.T @ rest
    left = free**2 * np.eye(len(names)) - free**2 * pull.T @ member
    found = []
    for place, name in enumerate(names):
        against = np.full(len(names), -1.0 / (len(names) - 1))
        against[place] = 1.0
        offset, u = float(against @ mean), math.sqrt(float(against @ left @ against))
        found.append(
            BatchOffset(
                batch=name,
                offset_mm=offset,
                u_mm=u,
                drifted=abs(offset) > DRIFT_ALARM_SIGMAS * u,
            )
        )
    return tuple(found)
