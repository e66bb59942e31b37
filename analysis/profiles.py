"""Mean light across straight edges, from whole pixels.

No interpolation: each pixel near an edge goes, with its own distance, into a bin of
half a pixel across it, so that noise stays white and its size is told by the bins.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

Floats = NDArray[np.float64]

BIN_PX = 0.5
MODEL_DOUBT = 0.004
"""Misfit allowed to the edge model, as a share of the brighter level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Where edges are expected: n straight pieces.

    ``centre_px`` (n, 2) middle of the piece, x, y; ``normal_px`` (n, 2) unit normal out
    of the part; ``half_px`` (n,) half its length; ``inner_px``, ``outer_px`` (n,) how
    far the profile reaches into and out of the part from the centre; ``lowest_px``,
    ``highest_px`` (n,) where along the normal the edge may lie; ``rim_px`` (n,) how far
    inside the edge a recessed foot's rim is seen (inf: not seen).
    """

    centre_px: Floats
    normal_px: Floats
    half_px: Floats
    inner_px: Floats
    outer_px: Floats
    lowest_px: Floats
    highest_px: Floats
    rim_px: Floats

    def __len__(self) -> int:
        return len(self.centre_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """Mean light across each edge: (n, m) arrays; ``variance`` inf where empty.

    ``bright`` (n,) is the level by which the light was divided.
    """

    distance_px: Floats
    light: Floats
    variance: Floats
    bright: Floats


def sample_profiles(
    region: Callable[[int, int, int, int], NDArray[np.float32]],
    size_px: tuple[int, int],
    lines: Lines,
) -> Profiles:
    """Average the pixels along each line into bins of half a pixel across it.

    Parameters
    ----------
    region : callable
        Linear light of the half-open region x0, y0, x1, y1, as ``Photo.linear``.
    size_px : (int, int)
        Width and height of the picture; a line that leaves it gives no samples.
    lines : Lines

    Returns
    -------
    Profiles
    """
    bins = int(np.ceil((lines.inner_px + lines.outer_px).max() / BIN_PX)) + 1
    sums = np.zeros((4, len(lines), bins))
    for i in range(len(lines)):
        sums[:, i] = _bin_pixels(region, size_px, lines, i, bins)
    count, s_sum, v_sum, vv_sum = sums
    filled = count >= 2
    safe = np.maximum(count, 1)
    distance = np.where(filled, s_sum / safe, 0.0)
    light = np.where(filled, v_sum / safe, 0.0)
    spread = np.maximum(vv_sum / safe - light**2, 0.0)
    level = np.where(filled, light, -np.inf)
    bright = np.maximum(np.partition(level, -6, axis=1)[:, -6:].mean(axis=1), 1e-4)
    bright = np.where(np.isfinite(bright), bright, 1.0)
    # a bin on the edge mixes levels; the typical bin tells the noise
    noise = _median_where(spread, filled)[:, None]
    variance = np.where(filled, noise / safe, np.inf) / bright[:, None] ** 2
    return Profiles(
        distance_px=distance,
        light=light / bright[:, None],
        variance=variance + MODEL_DOUBT**2,
        bright=bright,
    )


def _median_where(values: Floats, where: NDArray[np.bool_]) -> Floats:
    out = np.ones(len(values))
    for i, (row, keep) in enumerate(zip(values, where, strict=True)):
        if keep.any():
            out[i] = np.median(row[keep])
    return out


def _bin_pixels(
    region: Callable[[int, int, int, int], NDArray[np.float32]],
    size_px: tuple[int, int],
    lines: Lines,
    i: int,
    bins: int,
) -> Floats:
    normal, half = lines.normal_px[i], lines.half_px[i]
    along = np.array([-normal[1], normal[0]])
    inner, outer = -lines.inner_px[i], lines.outer_px[i]
    corners = lines.centre_px[i] + np.array(
        [s * normal + t * along for s in (inner, outer) for t in (-half, half)]
    )
    low = np.floor(corners.min(axis=0)).astype(int)
    high = np.ceil(corners.max(axis=0)).astype(int) + 1
    if (low < 0).any() or high[0] > size_px[0] or high[1] > size_px[1]:
        return np.zeros((4, bins))
    x = np.arange(low[0], high[0]) - lines.centre_px[i, 0]
    y = np.arange(low[1], high[1])[:, None] - lines.centre_px[i, 1]
    s = x * normal[0] + y * normal[1]
    t = x * along[0] + y * along[1]
    keep = (np.abs(t) <= half) & (s >= inner) & (s <= outer)
    v = region(low[0], low[1], high[0], high[1])[keep].astype(np.float64)
    s = s[keep]
    which = ((s - inner) / BIN_PX).astype(np.intp)
    return np.stack(
        [np.bincount(which, w, bins)[:bins] for w in (np.ones_like(v), s, v, v * v)]
    )
