"""The line of steepest light that runs most evenly along an edge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

if TYPE_CHECKING:
    from analysis.rim_pixels import Strip

Floats = NDArray[np.float64]

BIN_MM = 0.03
SIDEWAYS, SIDESTEP = 3, 0.12
"""Most bins from one slice to the next, and what each costs against a typical edge."""
SHADE_NEIGHBOURS = 31
_BELL = 4


def steepest_path(strip: Strip, low_mm: float, high_mm: float) -> Floats:
    """Where light changes most, (n,) mm outwards, running evenly along the course.

    The path of greatest summed |change of light| less a cost for every sidestep, found
    by dynamic programming over bins of 0.03 mm.
    """
    bins = int(np.ceil((high_mm - low_mm) / BIN_MM)) + 2 * _BELL
    first = low_mm - _BELL * BIN_MM
    place = np.floor((strip.out_mm - first) / BIN_MM).astype(np.intp)
    live = strip.live & (place >= 0) & (place < bins)
    rows = np.broadcast_to(np.arange(len(place))[:, None], place.shape)
    index = (rows * bins + place)[live]
    size = len(place) * bins
    sums = np.asarray(
        np.bincount(index, strip.light[live], size).reshape(-1, bins), np.float64
    )
    ones = np.ones(len(index))
    count = np.asarray(np.bincount(index, ones, size).reshape(-1, bins), np.float64)
    change = _change(_neighbours(sums), _neighbours(count))[:, _BELL:-_BELL]
    # shade makes the same edge weaker: what counts is how it stands out there
    largest = median_filter(change.max(axis=1), SHADE_NEIGHBOURS, mode="nearest")
    gain = change / np.maximum(largest, 1e-6)[:, None]
    return low_mm + (_best_path(gain, SIDESTEP) + 0.5) * BIN_MM


def _neighbours(values: Floats) -> Floats:
    """Sum over each slice and one to either side."""
    padded = np.pad(values, ((1, 1), (0, 0)), mode="edge")
    return np.asarray(padded[:-2] + padded[1:-1] + padded[2:])


def _change(sums: Floats, count: Floats) -> Floats:
    """|Mean of the bins outside less that inside| of each bin, weighed by nearness."""
    outer, outer_n = np.zeros_like(sums), np.full_like(sums, 1e-9)
    inner, inner_n = np.zeros_like(sums), np.full_like(sums, 1e-9)
    for k in range(1, _BELL + 1):
        outer[:, :-k] += sums[:, k:]
        outer_n[:, :-k] += count[:, k:]
        inner[:, k:] += sums[:, :-k]
        inner_n[:, k:] += count[:, :-k]
    both = (outer_n > 1) & (inner_n > 1)
    return np.where(both, np.abs(outer / outer_n - inner / inner_n), 0.0)


def _best_path(gain: Floats, sidestep: float) -> Floats:
    """Columns (n,) of the path of greatest gain through rows (n, b)."""
    rows, columns = gain.shape
    moves = np.arange(-SIDEWAYS, SIDEWAYS + 1)
    cost = sidestep * np.abs(moves)
    buffer = np.full(columns + 2 * SIDEWAYS, -np.inf)
    beside = np.lib.stride_tricks.sliding_window_view(buffer, len(moves))
    total = buffer[SIDEWAYS:-SIDEWAYS]
    total[:] = gain[0]
    came = np.zeros((rows, columns), dtype=np.intp)
    every = np.arange(columns)
    for row in range(1, rows):
        options = beside - cost
        pick = options.argmax(axis=1)
        came[row] = pick - SIDEWAYS
        total[:] = gain[row] + options[every, pick]
    path = np.empty(rows, dtype=np.intp)
    path[-1] = int(total.argmax())
    for row in range(rows - 1, 0, -1):
        path[row - 1] = path[row] + came[row, path[row]]
    return path.astype(np.float64)
