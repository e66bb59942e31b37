"""Where a disc touches discs that lie already, or the plate's edge."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

_HAIR_MM = 1e-9


class DiscRoom:
    """Free places of a disc's middle that touch two things, kept as discs are laid.

    ``room_mm``: where the middle may be: x low, y low, x high, y high.
    """

    def __init__(self, room_mm: tuple[float, float, float, float]) -> None:
        low_x, low_y, high_x, high_y = room_mm
        self._low, self._high = (low_x, low_y), (high_x, high_y)
        self._free = np.array(
            [(x, y) for x in (low_x, high_x) for y in (low_y, high_y)]
        )
        self._seen = 0

    def places(self, middles_mm: Array, apart_mm: Array) -> Array:
        """Find the places (k, 2) left by discs that lie.

        Parameters
        ----------
        middles_mm : (n, 2) array
            Of the discs that lie, those of the last call first.
        apart_mm : (n,) array
            How far the middle must stay from each.
        """
        old = np.arange(len(middles_mm)) < self._seen
        if not old.all():
            kept = _clear(self._free, middles_mm[~old], apart_mm[~old])
            fresh = np.vstack(
                [
                    _between_discs(middles_mm, apart_mm, old),
                    *self._at_walls(middles_mm[~old], apart_mm[~old]),
                ]
            )
            inside = ((fresh >= self._low) & (fresh <= self._high)).all(axis=1)
            fresh = _clear(fresh[inside], middles_mm, apart_mm)
            self._free = np.vstack([kept, fresh])
            self._seen = len(middles_mm)
        return self._free

    def _at_walls(self, middles: Array, apart: Array) -> list[Array]:
        return [
            _on_line(middles, apart, axis, end[axis])
            for end in (self._low, self._high)
            for axis in (0, 1)
        ]


def _clear(points: Array, middles: Array, apart: Array) -> Array:
    """Keep the points that are far enough from all middles."""
    step = points[:, None] - middles[None]
    away = np.hypot(step[..., 0], step[..., 1])
    return np.asarray(points[(away >= apart - _HAIR_MM).all(axis=1)])


def _between_discs(middles: Array, apart: Array, old: Bools) -> Array:
    """Points (k, 2) at their distance from two middles, not both of them old."""
    first, second = (np.concatenate(i) for i in _pairs(old))
    step = middles[second] - middles[first]
    away = np.hypot(*step.T)
    near = (away < apart[first] + apart[second]) & (away > 0.0)
    first, second, step, away = first[near], second[near], step[near], away[near]
    along = (away**2 + apart[first] ** 2 - apart[second] ** 2) / (2.0 * away)
    high = np.sqrt(np.maximum(apart[first] ** 2 - along**2, 0.0))
    unit = step / away[:, None]
    across = np.column_stack([-unit[:, 1], unit[:, 0]])
    foot = middles[first] + along[:, None] * unit
    return np.vstack([foot + high[:, None] * across, foot - high[:, None] * across])


def _pairs(old: Bools) -> tuple[tuple[Ints, Ints], tuple[Ints, Ints]]:
    """Old with new, and new with new."""
    new = np.flatnonzero(~old)
    one, other = np.triu_indices(len(new), 1)
    mixed = np.meshgrid(np.flatnonzero(old), new, indexing="ij")
    return (mixed[0].ravel(), new[one]), (mixed[1].ravel(), new[other])


def _on_line(middles: Array, apart: Array, axis: int, at: float) -> Array:
    """Points (k, 2) of the line ``x = at`` (axis 0) or ``y = at`` near enough."""
    away = at - middles[:, axis]
    near = np.abs(away) < apart
    half = np.sqrt(apart[near] ** 2 - away[near] ** 2)
    other = middles[near, 1 - axis]
    points = np.full((2 * len(half), 2), at)
    points[:, 1 - axis] = np.concatenate([other - half, other + half])
    return points
