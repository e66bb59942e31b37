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
_EQUAL = 1e-6  # difference of BIC that tells nothing
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
    patterns = [
        _describe(family, np.arange(family.period), index, values)
        for family in families
    ]
    scatter = np.concatenate([pattern.scatter for pattern in patterns])
    pooled = np.maximum(scatter.min(axis=0), _FLOORS)
    return sorted(
        (
            _best_offset(family, pattern, strokes, features, pooled)
            for family, pattern in zip(families, patterns, strict=True)
        ),
        key=lambda fit: fit.bic,
    )


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Classes of a family at each of p offsets.

    ``means`` and ``spreads`` (p, k, 2), ``counts`` (p, k); ``scatter`` (p, 2) is that
    of all residuals, their largest tenth left out.
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


def _labels(
    family: Family, offsets: NDArray[np.int_], index: NDArray[np.int_]
) -> NDArray[np.int_]:
    """Class of each mark, (p, n), if the pattern began at each offset (p,)."""
    classes = np.array(family.classes)
    return np.asarray(classes[(index - offsets[:, None]) % family.period])


def _describe(
    family: Family,
    offsets: NDArray[np.int_],
    index: NDArray[np.int_],
    values: NDArray[np.float64],
) -> _Pattern:
    """Medians and median deviations of every class, at some offsets at once."""
    label = _labels(family, offsets, index)
    kinds = max(family.classes) + 1
    counts = np.stack([(label == rank).sum(axis=1) for rank in range(kinds)], axis=1)
    shape = (*label.shape, values.shape[1])
    means = _medians(np.broadcast_to(values, shape), label, counts)
    residual = np.abs(values - np.take_along_axis(means, label[..., None], axis=1))
    spreads = 1.48 * np.nan_to_num(_medians(residual, label, counts))
    kept = np.sort(residual, axis=1)[:, : max(int(0.9 * len(index)), 1)]
    freedom = np.maximum(1 - np.count_nonzero(counts, axis=1) / len(index), 0.2)
    # 0.79: standard deviation of a normal distribution without its outer tenth
    scatter = np.sqrt((kept**2).mean(axis=1) / freedom[:, None]) / 0.79
    return _Pattern(means, spreads, counts, scatter)


def _medians(
    values: NDArray[np.float64], label: NDArray[np.int_], counts: NDArray[np.int_]
) -> NDArray[np.float64]:
    """Medians (p, k, 2) of values (p, n, 2) by class, NaN where there are none.

    Each class is lifted over the one before, so that one sort orders them all.
    """
    low = values.min()
    lift = 1.0 + values.max() - low
    ordered = np.sort(values - low + lift * label[..., None], axis=1)
    first = np.cumsum(counts, axis=1) - counts
    ends = [
        np.take_along_axis(
            ordered, np.minimum(row, len(label[0]) - 1)[..., None], axis=1
        )
        for row in (first + np.maximum(counts - 1, 0) // 2, first + counts // 2)
    ]
    middle = (ends[0] + ends[1]) / 2 + low - lift * np.arange(counts.shape[1])[:, None]
    return np.where(counts[..., None] > 0, middle, np.nan)


def _best_offset(
    family: Family,
    pattern: _Pattern,
    strokes: Strokes,
    features: NDArray[np.float64],
    pooled: NDArray[np.float64],
) -> Fit:
    present = strokes.present
    size = np.log(present.sum())
    cost = _cost_by_class(pattern, features, pooled, present)
    label = _labels(family, np.arange(family.period), strokes.index)
    own = np.take_along_axis(cost, label[..., None], axis=2)[..., 0].sum(axis=1)
    classes = np.count_nonzero(pattern.counts, axis=1)
    bics = own + 3 * classes * size + 2 * np.log(family.period)
    # halves of some patterns are alike: the first of equals, whatever the rounding
    best = int(np.argmax(bics < bics.min() + _EQUAL))
    reach = np.column_stack([strokes.above, strokes.below])[present]
    beyond = _describe(family, np.array([best]), strokes.index[present], reach)
    return Fit(
        family=family,
        offset=best,
        bic=float(bics[best]),
        means=pattern.means[best],
        reach=beyond.means[0],
        cost=np.take_along_axis(cost[best], label.T, axis=1),
    )


def _cost_by_class(
    pattern: _Pattern,
    features: NDArray[np.float64],
    pooled: NDArray[np.float64],
    present: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Twice the negative log likelihood of each mark in each class, (p, n, k).

    Spreads of small classes are drawn towards the pooled one.
    """
    counts = pattern.counts[..., None]
    share = counts / (counts + _PRIOR_MARKS)
    variance = share * pattern.spreads**2 + (1 - share) * pooled**2
    sigma = np.clip(np.sqrt(variance), _FLOORS, _WIDEST * pooled)
    misfit = np.zeros((len(counts), len(features), counts.shape[1]))
    for k, feature in enumerate(features.T):
        off = (feature[:, None] - pattern.means[:, None, :, k]) / sigma[:, None, :, k]
        misfit += off * off
    misfit = np.minimum(np.nan_to_num(misfit, nan=_OUTLIER), _OUTLIER)
    total = misfit + 2 * np.log(sigma / pooled).sum(axis=2)[:, None]
    return np.where(present[:, None], total, 0.0)


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
