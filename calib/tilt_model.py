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

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from patterns.errors import RecordError

Array = NDArray[np.float64]
Smooth = Literal["quadratic", "gaussian process"]
Cusp = Callable[[Array], Array]

LEAST_TILTS = 3
DRIFT_ALARM_SIGMAS = 3.0

_LENGTHS = (0.4, 0.8)  # of the Gaussian process, in halves of the tilts' range
_SIZES = (0.4, 1.0, 2.5)  # all sizes over the readings' own spread
_DIFFERENCES = (0.0, 0.4, 1.2)
_SCATTERS = (0.05, 0.1, 0.2, 0.35, 0.6, 1.0)
_BATCHES = (0.0, 0.3, 1.0)
_FREE = 0.5  # size of the Gaussian process over the quadratic's
_LEVEL, _SHIFT = 3.0, 1.5
_CUSP_SHARE, _U_CUSP_SHARE = 0.5, 0.5
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
    tile, ``cusp_share`` and ``u_cusp_share``; ``probability`` of each smooth part by
    evidence; ``trust`` (n,) of each reading, below 1 for outliers.
    """

    readings: tuple[TiltReading, ...]
    tilt_deg: Array
    draws_mm: Array
    scatter_mm: float
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tiles:
    """Places of readings or predictions: x in -1 to 1 over the range, lip, cusp."""

    x: Array
    lip: Array
    cusp: Array

    @staticmethod
    def at(
        tilt_deg: Array, lip: Array, ends: tuple[float, float], cusp: Cusp
    ) -> _Tiles:
        low, high = ends
        x = (2.0 * tilt_deg - low - high) / (high - low)
        return _Tiles(x=x, lip=lip, cusp=cusp(tilt_deg))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sizes:
    """One point of the grid; ``length`` is None for the quadratic."""

    length: float | None
    smooth: float
    difference: float
    batch: float
    scatter: float

    @property
    def family(self) -> Smooth:
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
    """Fit one quantity, or the departure, against tilt.

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
    tilt, lip, value, u = _columns(readings)
    ends = float(tilt.min()), float(tilt.max())
    tiles = _Tiles.at(tilt, lip, ends, cusp_mm)
    level = float(np.median(value - _CUSP_SHARE * tiles.cusp))
    rest = value - _CUSP_SHARE * tiles.cusp - level
    spread = max(float(np.std(rest)), float(np.median(u)), _LEAST_SPREAD_MM)
    grid = _grid(batches=len({r.batch for r in readings}))
    same = _same_batch(readings)
    trust = np.ones(len(value))
    whole, log_p = _weigh(grid, tiles, rest, same, u, trust, spread)
    for _ in range(_ROUNDS):
        best = int(np.argmax(log_p))
        scatter = (spread * grid[best].scatter) ** 2
        trust = _trust(rest, whole[best], scatter, scatter / trust)
        whole, log_p = _weigh(grid, tiles, rest, same, u, trust, spread)
    log_prior = np.array([-math.log(_points_of(s, grid)) for s in grid])
    weight = np.exp(log_p + log_prior - (log_p + log_prior).max())
    weight /= weight.sum()

    places = np.unique((*np.arange(math.ceil(ends[0]), ends[1], _GRID_DEG), *ends))
    at = _Tiles.at(
        np.tile(places, 2), np.repeat((0.0, 1.0), len(places)), ends, cusp_mm
    )
    curves = _draw(grid, weight, tiles, at, rest, whole, spread, draws)
    curves += level + _CUSP_SHARE * at.cusp
    curves = curves.reshape(draws, 2, len(places))
    curves[:, [lipped not in lip for lipped in (0.0, 1.0)]] = np.nan
    share, u_share = _cusp_share(weight, tiles, rest, whole)
    best = int(np.argmax(weight))
    families: tuple[Smooth, Smooth] = ("quadratic", "gaussian process")
    probability = {f: float(weight[_of(f, grid)].sum()) for f in families}
    return TiltFit(
        readings=tuple(readings),
        tilt_deg=places,
        draws_mm=curves,
        scatter_mm=spread * float(weight @ [sizes.scatter for sizes in grid]),
        cusp_share=share,
        u_cusp_share=u_share,
        probability=probability,
        batches=_batches(
            readings,
            rest,
            _covariance(grid[best], tiles, tiles, spread)
            + _noise(grid[best], u, trust, spread),
            spread,
        ),
        trust=trust,
    )


def _weigh(
    grid: Sequence[_Sizes],
    tiles: _Tiles,
    rest: Array,
    same: Array,
    u: Array,
    trust: Array,
    spread: float,
) -> tuple[Array, Array]:
    """Covariance of the readings (p, n, n) and their evidence (p,) over the grid."""
    whole = np.stack(
        [
            _covariance(sizes, tiles, tiles, spread)
            + _offset(sizes, same, spread)
            + _noise(sizes, u, trust, spread)
            for sizes in grid
        ]
    )
    return whole, log_evidence(rest, whole)


def _columns(readings: Sequence[TiltReading]) -> tuple[Array, Array, Array, Array]:
    """Tilt, lip, value and u, each (n,)."""
    tilts = {reading.tilt_deg for reading in readings}
    if len(tilts) < LEAST_TILTS:
        raise RecordError(
            f"Tiles of {len(tilts)} tilts are measured; a curve needs {LEAST_TILTS}.",
            "Measure more tiles of the set.",
        )
    rows = np.array([(r.tilt_deg, r.lipped, r.value_mm, r.u_mm) for r in readings])
    if not np.isfinite(rows).all() or rows[:, 3].min() < 0.0:
        raise RecordError(
            "A tile's value is no finite number, or its u is negative.",
            "Measure the tile again.",
        )
    tilt, lip, value, u = rows.T
    return tilt, lip, value, u


def _grid(batches: int) -> tuple[_Sizes, ...]:
    return tuple(
        _Sizes(length=length, smooth=a, difference=d, batch=b, scatter=s)
        for length, a, d, b, s in itertools.product(
            (None, *_LENGTHS),
            _SIZES,
            _DIFFERENCES,
            _BATCHES if batches > 1 else (0.0,),
            _SCATTERS,
        )
    )


def _of(family: Smooth, grid: Sequence[_Sizes]) -> list[bool]:
    return [sizes.family == family for sizes in grid]


def _points_of(sizes: _Sizes, grid: Sequence[_Sizes]) -> int:
    """Points that share the family's prior probability of a half."""
    return sum(_of(sizes.family, grid))


def _same_batch(readings: Sequence[TiltReading]) -> Array:
    """Give 1 where two tiles come from the same print, (n, n)."""
    names = np.array([reading.batch for reading in readings])
    return np.asarray(names[:, None] == names, dtype=np.float64)


def _covariance(sizes: _Sizes, one: _Tiles, other: _Tiles, spread: float) -> Array:
    """Covariance (n, m) of the expected values before anything was read."""
    smooth = smooth_covariance(one.x, other.x, sizes.length)
    both = _LEVEL**2 + sizes.smooth**2 * smooth
    lipped = _SHIFT**2 + sizes.difference**2 * smooth
    cusp = np.outer(_U_CUSP_SHARE * one.cusp, _U_CUSP_SHARE * other.cusp)
    return np.asarray(spread**2 * (both + np.outer(one.lip, other.lip) * lipped) + cusp)


def _offset(sizes: _Sizes, same: Array, spread: float) -> Array:
    return np.asarray((spread * sizes.batch) ** 2 * same)


def _noise(sizes: _Sizes, u: Array, trust: Array, spread: float) -> Array:
    return np.diag(u**2 + (spread * sizes.scatter) ** 2 / trust)


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
    grid: Sequence[_Sizes],
    weight: Array,
    tiles: _Tiles,
    at: _Tiles,
    rest: Array,
    whole: Array,
    spread: float,
    draws: int,
) -> Array:
    """Draw expected values (draws, k) at some places, sizes drawn by their weight."""
    rng = np.random.default_rng(_SEED)
    counts = rng.multinomial(draws, weight)
    curves = []
    for i in np.flatnonzero(counts).tolist():
        cross = _covariance(grid[i], at, tiles, spread)
        gain = np.linalg.solve(whole[i], cross.T).T
        left = _covariance(grid[i], at, at, spread) - gain @ cross.T
        left[np.diag_indices_from(left)] += (_JITTER * spread) ** 2
        chance = rng.standard_normal((counts[i], len(left)))
        curves.append(gain @ rest + chance @ np.linalg.cholesky(left).T)
    return np.concatenate(curves)


def _cusp_share(
    weight: Array, tiles: _Tiles, rest: Array, whole: Array
) -> tuple[float, float]:
    """How much of the geometric step shows, and its standard uncertainty."""
    pull = np.linalg.solve(
        whole, np.broadcast_to(tiles.cusp, whole.shape[:-1])[..., None]
    )[..., 0]
    prior = _U_CUSP_SHARE**2
    mean = _CUSP_SHARE + prior * pull @ rest
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
    free = spread * _LEVEL
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
