"""Tell what scale a row of strokes belongs to by its long and short strokes.

Every scale that might be there is a family: a period in marks and, within it, classes
of strokes that are alike.  Families are compared by the Bayesian information criterion
over all offsets.  The residuals of spacing can't show a slip by whole marks; the
hierarchy can, so the same costs also guard against slips.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analysis.ruler_strokes import Strokes

Kind = Literal["decimal", "halved", "inch", "plain"]

_OUTLIER = 20.0  # largest cost of one mark, in squared standard deviations
_FLOORS = np.array([0.15, 0.1])  # real strokes of a class differ by as much
_PRIOR_MARKS = 4.0
_WIDEST = 1.6  # spread of one class over that of all: wider is two classes
_MIN_PERIODS = 1.6  # that the marks must span for a family to be considered
SLIP_GAIN = 22.0
"""Evidence (twice a log likelihood ratio) beyond which a slip is taken for real."""
GUARD_GAIN = 28.0
"""Evidence against every slip that the end of a chain must carry to be kept.

More than ``SLIP_GAIN``, so that a slip before that end would not have been silent."""


@dataclass(frozen=True, slots=True)
class Family:
    """A kind of scale: ``classes`` (period,) tells the class of each mark."""

    name: str
    kind: Kind
    classes: tuple[int, ...]

    @property
    def period(self) -> int:
        """Marks after which the pattern repeats."""
        return len(self.classes)


def _family(name: str, kind: Kind, period: int, *longer: Iterable[int]) -> Family:
    classes = [len(longer)] * period
    for rank, marks in enumerate(longer):
        for mark in marks:
            classes[mark] = rank
    return Family(name, kind, tuple(classes))


FAMILIES = (
    _family("tens with fives", "decimal", 10, [0], [5]),
    _family("twenties with halves", "halved", 20, [0], [10], range(2, 20, 2)),
    _family("fives with halves", "halved", 10, [0], range(2, 10, 2)),
    _family("quarters", "inch", 4, [0], [2]),
    _family("eighths", "inch", 8, [0], [4], [2, 6]),
    _family("sixteenths", "inch", 16, [0], [8], [4, 12], [2, 6, 10, 14]),
    _family(
        "thirty-seconds",
        "inch",
        32,
        [0],
        [16],
        [8, 24],
        range(4, 32, 8),
        range(2, 32, 4),
    ),
    _family("twelfths", "inch", 12, [0], [6], [3, 9]),
    _family("fiftieths", "inch", 50, [0], [25], set(range(5, 50, 5)) - {25}),
    _family("tens", "plain", 10, [0]),
    _family("fives", "plain", 5, [0]),
    _family("fours", "plain", 4, [0]),
    _family("twos", "plain", 2, [0]),
    _family("none", "plain", 1),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A family at its best offset, with the means (k, 2) of its classes' features.

    ``reach`` (k, 2) are the median lengths above and below the common rows in pitches.
    ``cost`` (n, period) is each mark's cost if the pattern began at that offset; rows
    of marks that are not present are zero.
    """

    family: Family
    offset: int
    bic: float
    means: NDArray[np.float64]
    reach: NDArray[np.float64]
    cost: NDArray[np.float64]


def fit_families(strokes: Strokes) -> list[Fit]:
    """Fit every family to the strokes' lengths and weights, best first.

    Parameters
    ----------
    strokes : Strokes
        At least a dozen of them present.

    Returns
    -------
    list of Fit, by ascending BIC.
    """
    rows = np.flatnonzero(strokes.present)
    features = _features(strokes, rows)
    values, index = features[rows], strokes.index[rows]
    length = int(np.ptp(index)) + 1
    families = [f for f in FAMILIES if f.period * _MIN_PERIODS <= length]
    patterns = {
        family.name: [
            _describe(family, offset, index, values) for offset in range(family.period)
        ]
        for family in families
    }
    every = [pattern for of_family in patterns.values() for pattern in of_family]
    pooled = np.maximum(np.min([p.scatter for p in every], axis=0), _FLOORS)
    return sorted(
        (
            _best_offset(family, patterns[family.name], strokes, features, pooled)
            for family in families
        ),
        key=lambda fit: fit.bic,
    )


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Classes at one offset: ``means`` (k, 2), ``spreads`` (k, 2), ``counts`` (k,).

    ``scatter`` (2,) is that of all residuals, their largest tenth left out.
    """

    means: NDArray[np.float64]
    spreads: NDArray[np.float64]
    counts: NDArray[np.int_]
    scatter: NDArray[np.float64]


def _features(strokes: Strokes, rows: NDArray[np.int_]) -> NDArray[np.float64]:
    """Length towards the side where strokes end differently, and weight, (n, 2)."""
    above, below = strokes.above, strokes.below
    length = above if np.std(above[rows]) > np.std(below[rows]) else below
    return np.column_stack([length, strokes.weight])


def _describe(
    family: Family, offset: int, index: NDArray[np.int_], values: NDArray[np.float64]
) -> _Pattern:
    """Medians and median deviations of every class."""
    label = np.array(family.classes)[(index - offset) % family.period]
    kinds = max(family.classes) + 1
    means = np.full((kinds, values.shape[1]), np.nan)
    spreads = np.zeros_like(means)
    counts = np.bincount(label, minlength=kinds)
    for rank in np.flatnonzero(counts):
        members = values[label == rank]
        means[rank] = _medians(members)
        spreads[rank] = 1.48 * _medians(np.abs(members - means[rank]))
    residual = np.sort(np.abs(values - means[label]), axis=0)
    kept = residual[: max(int(0.9 * len(residual)), 1)]
    freedom = max(1 - np.count_nonzero(counts) / len(index), 0.2)
    # 0.79: standard deviation of a normal distribution without its outer tenth
    scatter = np.sqrt((kept**2).mean(axis=0) / freedom) / 0.79
    return _Pattern(means, spreads, counts, scatter)


def _medians(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Medians of the columns; several times faster than NumPy's on short ones."""
    ordered = np.sort(values, axis=0)
    count = len(ordered)
    return np.asarray((ordered[(count - 1) // 2] + ordered[count // 2]) / 2)


def _best_offset(
    family: Family,
    patterns: list[_Pattern],
    strokes: Strokes,
    features: NDArray[np.float64],
    pooled: NDArray[np.float64],
) -> Fit:
    size = np.log(strokes.present.sum())
    costs = [
        _cost_by_class(pattern, features, pooled, strokes.present)
        for pattern in patterns
    ]
    bics = []
    for offset, (pattern, cost) in enumerate(zip(patterns, costs, strict=True)):
        own = _by_offset(family, cost, strokes.index, np.array([offset]))
        classes = np.count_nonzero(pattern.counts)
        bics.append(own.sum() + 3 * classes * size + 2 * np.log(family.period))
    best = int(np.argmin(bics))
    present = strokes.present
    reach = np.column_stack([strokes.above, strokes.below])[present]
    return Fit(
        family=family,
        offset=best,
        bic=float(bics[best]),
        means=patterns[best].means,
        reach=_describe(family, best, strokes.index[present], reach).means,
        cost=_by_offset(family, costs[best], strokes.index, np.arange(family.period)),
    )


def _cost_by_class(
    pattern: _Pattern,
    features: NDArray[np.float64],
    pooled: NDArray[np.float64],
    present: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Twice the negative log likelihood of each mark in each class, (n, k).

    Spreads of small classes are drawn towards the pooled one.
    """
    share = pattern.counts[:, None] / (pattern.counts[:, None] + _PRIOR_MARKS)
    variance = share * pattern.spreads**2 + (1 - share) * pooled**2
    sigma = np.clip(np.sqrt(variance), _FLOORS, _WIDEST * pooled)
    square = ((features[:, None, :] - pattern.means) / sigma) ** 2
    misfit = np.nan_to_num(square.sum(axis=2), nan=_OUTLIER)
    total = np.minimum(misfit, _OUTLIER) + 2 * np.log(sigma / pooled).sum(axis=1)
    return np.where(present[:, None], total, 0.0)


def _by_offset(
    family: Family,
    by_class: NDArray[np.float64],
    index: NDArray[np.int_],
    offsets: NDArray[np.int_],
) -> NDArray[np.float64]:
    label = np.array(family.classes)[(index[:, None] - offsets) % family.period]
    return np.take_along_axis(by_class, label, axis=1)


def slip_evidence(fit: Fit) -> float:
    """Evidence that the pattern's offset changes somewhere along the chain.

    The best path through all offsets that changes once, against the one that never
    does: twice the log likelihood ratio.
    """
    before = np.cumsum(fit.cost, axis=0)
    after = before[-1] - before
    free = (before.min(axis=1) + after.min(axis=1)).min()
    return float(before[-1, fit.offset] - free)


def guarded_span(fit: Fit, reach: int = 4) -> tuple[int, int] | None:
    """Rows first to last between which a slip of a few marks would have shown.

    From the ends inward, marks are given up until what lies beyond them speaks against
    every slip by up to ``reach`` marks.
    """
    period = fit.family.period
    if period == 1:
        return None
    shifts = [s for s in range(-reach, reach + 1) if s % period]
    others = [(fit.offset + shift) % period for shift in shifts]
    against = fit.cost[:, others] - fit.cost[:, [fit.offset]]
    from_start = np.cumsum(against, axis=0).min(axis=1)
    from_end = np.cumsum(against[::-1], axis=0).min(axis=1)[::-1]
    starts = np.flatnonzero(from_start >= GUARD_GAIN)
    ends = np.flatnonzero(from_end >= GUARD_GAIN)
    if len(starts) == 0 or len(ends) == 0 or starts[0] >= ends[-1]:
        return None
    return int(starts[0]), int(ends[-1])
