"""How much of each pixel lies inside an outline, exactly.

The signed area between every edge piece and the right border of its pixel is summed,
then accumulated along the rows: the usual exact-area scan conversion.  A straight edge
is placed without any sub-sampling error, whatever its angle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

Points = NDArray[np.float64]


def coverage(rings_px: Sequence[Points], shape: tuple[int, int]) -> NDArray[np.float32]:
    """Share of each pixel covered by a set of rings.

    Parameters
    ----------
    rings_px : sequence of (n, 2) arrays
        Closed rings, x and y in pixels, no repeated point; the centre of the first
        pixel is (0, 0).  Holes turn the other way round than outer rings.
    shape : (rows, columns)
        Size of the picture.

    Returns
    -------
    (rows, columns) array
        0 outside, 1 inside, the covered area on the rim.
    """
    rows, cols = shape
    if not rings_px:
        return np.zeros(shape, np.float32)
    start = np.concatenate(rings_px) + 0.5
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings_px]) + 0.5
    start, end = _split(*_split(start, end, axis=1), axis=0)
    middle = (start + end) / 2
    row = np.floor(middle[:, 1]).astype(np.int64)
    seen = (row >= 0) & (row < rows) & (middle[:, 0] < cols)
    row, middle = row[seen], middle[seen]
    rise = (end[:, 1] - start[:, 1])[seen]
    x = np.maximum(middle[:, 0], 0.0)
    col = np.floor(x).astype(np.int64)
    inside = rise * (1 - (x - col))
    cell = row * (cols + 1) + col
    size = rows * (cols + 1)
    area = np.bincount(
        np.concatenate((cell, cell + 1)), np.concatenate((inside, rise - inside)), size
    )[:size].reshape(rows, cols + 1)
    np.cumsum(area, axis=1, out=area)
    return np.abs(area[:, :cols], dtype=np.float32, casting="same_kind")


def _split(start: Points, end: Points, axis: int) -> tuple[Points, Points]:
    """Cut edges wherever coordinate ``axis`` passes a whole number."""
    a, b = start[:, axis], end[:, axis]
    low, high = np.minimum(a, b), np.maximum(a, b)
    first = np.floor(low)
    pieces = np.maximum(np.ceil(high) - first, 1).astype(np.int64)
    edge = np.repeat(np.arange(len(a)), pieces)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    lower = np.maximum(low[edge], first[edge] + step)
    upper = np.minimum(high[edge], first[edge] + step + 1)
    run = (b - a)[edge]
    flat = run == 0
    safe = np.where(flat, 1.0, run)
    t_low = np.where(flat, 0.0, (lower - a[edge]) / safe)
    t_high = np.where(flat, 1.0, (upper - a[edge]) / safe)
    t0 = np.where(run < 0, t_high, t_low)[:, None]
    t1 = np.where(run < 0, t_low, t_high)[:, None]
    along = (end - start)[edge]
    return start[edge] + t0 * along, start[edge] + t1 * along
