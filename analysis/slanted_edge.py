"""Modulation transfer of a picture from a slanted straight edge (ISO 12233, e-SFR).

Steps as in ISO 12233:2014, 6.2: centroid of every line's derivative, a straight line
through them, pixels projected along it into bins of a quarter pixel, three-point
derivative, Hamming window about the peak, discrete Fourier transform, corrected for the
derivative.  The correction is the closed form of the three-point difference, as the
printed formula has been reported as misprinted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BINS_PER_PX = 4
_MOST_CORRECTION = 10.0
_LEAST_MTF = 0.3
"""Below this noise and sharpening carry more than the blur."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """Modulation ``mtf`` (n,) at ``per_px`` (n,) cycles per pixel across the edge."""

    per_px: Floats
    mtf: Floats

    @property
    def mtf50_per_px(self) -> float:
        """First frequency with half the modulation; NaN if there is none."""
        below = np.flatnonzero(self.mtf < 0.5)
        if not len(below) or below[0] == 0:
            return float("nan")
        k = int(below[0])
        high, low = self.mtf[k - 1], self.mtf[k]
        share = (high - 0.5) / (high - low)
        step = self.per_px[k] - self.per_px[k - 1]
        return float(self.per_px[k - 1] + share * step)

    @property
    def sigma_px(self) -> float:
        """Standard deviation of the Gaussian blur that has this modulation.

        From MTF = exp(-2 pi^2 s^2 f^2), by least squares in the logarithm where the
        modulation is above 0.3; a pixel's own width is part of it.  NaN if unknown.
        """
        below = np.flatnonzero(self.mtf < _LEAST_MTF)
        last = int(below[0]) if len(below) else len(self.mtf)
        f2, m = self.per_px[1:last] ** 2, self.mtf[1:last]
        if len(m) < 2:
            return float("nan")
        # weights: errors of ln m grow as 1 / m
        slope = -np.sum(m**2 * f2 * np.log(m)) / np.sum(m**2 * f2**2)
        return float(np.sqrt(max(slope, 0.0) / (2 * np.pi**2)))


def slanted_edge(light: Floats) -> Transfer:
    """Measure the edge that crosses a region from top to bottom.

    Parameters
    ----------
    light : (h, w) array
        Linear light; the edge within 45 degrees of the columns, whole in every row.

    Raises
    ------
    ValueError
        No edge, or fewer than 8 rows or columns.
    """
    light = np.asarray(light, dtype=np.float64)
    if min(light.shape) < 8:
        raise ValueError("a slanted edge wants 8 x 8 px or more")
    if np.ptp(light) <= 0:
        raise ValueError("there is no edge in even light")
    rows, columns = light.shape
    line = _line(light, np.full(rows, (columns - 1) / 2), columns / 2)
    line = _line(
        light, np.asarray(np.polyval(line, np.arange(rows)), np.float64), columns / 4
    )
    cosine = 1 / np.hypot(1.0, line[0])
    rows = _whole_periods(rows, float(line[0]))
    y, x = np.mgrid[:rows, :columns]
    across = (x - np.polyval(line, y)) * cosine
    return transfer(across.ravel(), light[:rows].ravel())


def transfer(across_px: Floats, light: Floats) -> Transfer:
    """Modulation from pixels' distances (n,) to a straight edge, and their light (n,).

    Distances reach equally far to both sides and fill all bins of a quarter pixel.
    """
    reach = np.floor(min(-across_px.min(), across_px.max()) * BINS_PER_PX)
    bins = np.rint(across_px * BINS_PER_PX).astype(int) + int(reach)
    count = 2 * int(reach) + 1
    inside = (bins >= 0) & (bins < count)
    sums = np.bincount(bins[inside], light[inside], count)
    filled = np.bincount(bins[inside], minlength=count)
    at = np.arange(count)
    spread = np.interp(at, at[filled > 0], (sums / np.maximum(filled, 1))[filled > 0])
    slope = np.zeros(count)
    slope[1:-1] = 0.5 * (spread[2:] - spread[:-2])
    peak = int(np.argmax(np.abs(np.convolve(slope, np.ones(BINS_PER_PX), "same"))))
    half = min(peak, count - 1 - peak)
    window = 0.54 + 0.46 * np.cos(np.pi * np.arange(-half, half + 1) / max(half, 1))
    line = slope[peak - half : peak + half + 1] * window
    spectrum = np.abs(np.fft.rfft(line))
    per_px = np.arange(len(spectrum)) * BINS_PER_PX / len(line)
    kept = per_px <= 0.5 * BINS_PER_PX / 2
    per_px, spectrum = per_px[kept], spectrum[kept]
    angle = np.pi * per_px / 2  # three points: the span is two quarter pixels
    correction = np.ones_like(angle)
    correction[1:] = np.minimum(angle[1:] / np.abs(np.sin(angle[1:])), _MOST_CORRECTION)
    return Transfer(per_px=per_px, mtf=spectrum / spectrum[0] * correction)


def _line(light: Floats, about: Floats, reach: float) -> Floats:
    """Straight line (slope, start) through the centroids of the rows' derivatives."""
    slope = np.zeros_like(light)
    slope[:, 1:-1] = 0.5 * (light[:, 2:] - light[:, :-2])
    x = np.arange(light.shape[1])
    window = np.abs(x[None, :] - about[:, None]) <= reach
    slope = np.where(window, slope, 0.0)
    # light of either sign counts where it goes the way of the whole edge
    slope *= np.sign(slope.sum())
    slope = np.maximum(slope, 0.0) ** 2
    centroid = slope @ x / np.maximum(slope.sum(axis=1), 1e-30)
    return np.asarray(np.polyfit(np.arange(len(light)), centroid, 1))


def _whole_periods(rows: int, slope: float) -> int:
    """Rows over which the edge crosses whole columns, all if it crosses none."""
    crossed = int(np.floor(abs(slope) * (rows - 1)))
    return rows if crossed < 1 else min(rows, int(np.floor(crossed / abs(slope))) + 1)
