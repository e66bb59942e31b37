"""Tell what scale a row of strokes belongs to by its long and short strokes.

Every scale that might be there is a family: a period in marks and, within it, classes
of strokes that are alike.  Families are compared by the Bayesian information criterion
over all offsets.  The residuals of spacing can't show a slip by whole marks; the
hierarchy can, so the same costs also guard against slips.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from analysis.ruler_strokes import Strokes

_OUTLIER = 12.0  # largest cost of one feature, in squared standard deviations
_FLOORS = (0.2, 0.2, 0.1)  # real strokes of a class differ by as much
SLIP_GAIN = 12.0
"""Evidence (twice a log likelihood ratio) beyond which a slip is taken for real."""
GUARD_GAIN = 9.0
"""Evidence against every slip that the end of a chain must carry to be kept."""


@dataclass(frozen=True, slots=True)
class Family:
    """A kind of scale: ``classes`` (period,) tells the class of each mark."""

    name: str
    kind: str
    classes: tuple[int, ...]

    @property
    def period(self) -> int:
        """Marks after which the pattern repeats."""
        return len(self.classes)


def _family(name: str, kind: str, period: int, *longer: Iterable[int]) -> Family:
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
    """A family at its best offset: ``bic``, class means (k, 3), costs by offset.

    ``cost`` (n, period) is each mark's cost if the pattern began at that offset; rows
    of marks that are not present are zero.
    """

    family: Family
    offset: int
    bic: float
    explained: float
    means: NDArray[np.float64]
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
    features = np.column_stack([strokes.above, strokes.below, strokes.weight])
    rows = np.flatnonzero(strokes.present)
    values, index = features[rows], strokes.index[rows]
    trials = {
        (family.name, offset): _class_means(family, offset, index, values)
        for family in FAMILIES
        for offset in range(family.period)
    }
    sigma = np.array(
        [
            max(
                min(_trimmed_rms(r[:, f], used) for _, r, used in trials.values()),
                floor,
            )
            for f, floor in enumerate(_FLOORS)
        ]
    )
    fits = [_best_offset(family, trials, strokes, features, sigma) for family in FAMILIES]
    nothing = next(fit for fit in fits if fit.family.name == "none")
    total = float(nothing.cost.sum())
    fits = [
        Fit(
            family=fit.family,
            offset=fit.offset,
            bic=fit.bic,
            explained=1 - float(fit.cost[:, fit.offset].sum()) / max(total, 1e-9),
            means=fit.means,
            cost=fit.cost,
        )
        for fit in fits
    ]
    return sorted(fits, key=lambda fit: fit.bic)


def _class_means(
    family: Family, offset: int, index: NDArray[np.int_], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Median features per class, residuals, and how many classes occur."""
    label = np.array(family.classes)[(index - offset) % family.period]
    means = np.full((max(family.classes) + 1, values.shape[1]), np.nan)
    used = np.unique(label)
    for rank in used:
        means[rank] = np.median(values[label == rank], axis=0)
    return means, values - means[label], len(used)


def _trimmed_rms(residual: NDArray[np.float64], used: int) -> float:
    """RMS of the smaller nine tenths, made consistent for a normal distribution."""
    count = len(residual)
    kept = np.sort(np.abs(residual))[: max(int(0.9 * count), 1)]
    freedom = max(1 - used / count, 0.2)
    return float(np.sqrt((kept**2).mean() / freedom)) / 0.79


def _best_offset(
    family: Family,
    trials: dict[
        tuple[str, int], tuple[NDArray[np.float64], NDArray[np.float64], int]
    ],
    strokes: Strokes,
    features: NDArray[np.float64],
    sigma: NDArray[np.float64],
) -> Fit:
    count = int(strokes.present.sum())
    bics = []
    for offset in range(family.period):
        _, residual, used = trials[family.name, offset]
        cost = float(np.minimum((residual / sigma) ** 2, _OUTLIER).sum())
        bics.append(
            cost + 3 * used * np.log(count) + 2 * np.log(family.period)
        )
    best = int(np.argmin(bics))
    means = trials[family.name, best][0]
    return Fit(
        family=family,
        offset=best,
        bic=float(bics[best]),
        explained=0.0,
        means=means,
        cost=_cost_by_offset(family, means, strokes, features, sigma),
    )


def _cost_by_offset(
    family: Family,
    means: NDArray[np.float64],
    strokes: Strokes,
    features: NDArray[np.float64],
    sigma: NDArray[np.float64],
) -> NDArray[np.float64]:
    by_class = np.minimum(
        ((features[:, None, :] - means) / sigma) ** 2, _OUTLIER
    )
    by_class = np.nan_to_num(by_class, nan=_OUTLIER).sum(axis=2)
    by_class[~strokes.present] = 0.0
    offsets = np.arange(family.period)
    label = np.array(family.classes)[(strokes.index[:, None] - offsets) % family.period]
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
