"""Measure each stroke of a followed graduation: where it is, how long, how strong.

The picture is read again along the track, straightened so that every mark takes the
same number of samples; then all marks are measured alike in one array (row, mark,
phase).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ruler_track import Track, sample

_PHASES = 16  # samples a mark
_REACH_PITCH = 14.0  # half-millimetre scales have strokes 13 pitches long
_ROW_PITCH = 0.25
_MARGIN_MARKS = 3
_PRESENT = 0.3  # of the usual contrast


@dataclass(frozen=True, slots=True, kw_only=True)
class Strokes:
    """Strokes of one graduation, all arrays over its n marks.

    ``index`` whole numbers; ``centre`` measured position in marks (index plus phase
    plus deviation); ``present`` False where a stroke is missing or spoilt; ``above``
    and ``below`` reach of the stroke to either side of the middle of the rows shared by
    all, in pitches;
    ``weight`` its width times contrast over the neighbours'; ``position_px`` (n, 2) in
    full-size pixels; ``polarity`` +1 for light strokes on dark; ``scatter`` of the
    centres and ``width`` of a stroke in pitches; ``texture`` (rows, n) spread of the
    picture round each mark, ``rows_pitch`` where its rows lie, and ``band`` the first
    and last row shared by all.
    """

    index: NDArray[np.int_]
    centre: NDArray[np.float64]
    present: NDArray[np.bool_]
    above: NDArray[np.float64]
    below: NDArray[np.float64]
    weight: NDArray[np.float64]
    position_px: NDArray[np.float64]
    polarity: int
    scatter: float
    width: float
    texture: NDArray[np.float64]
    rows_pitch: NDArray[np.float64]
    band: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Straight:
    """``cells`` (v, n, phases) grey levels; functions of the index in level pixels."""

    cells: NDArray[np.float32]
    index: NDArray[np.int_]
    rows: NDArray[np.float64]
    along: Callable[[NDArray[np.float64]], NDArray[np.float64]]
    across: Callable[[NDArray[np.float64]], NDArray[np.float64]]
    lean: Callable[[NDArray[np.float64]], NDArray[np.float64]]


def _mean_of_rows(rows: NDArray[np.float32]) -> NDArray[np.float64]:
    """Mean over the first axis of what is finite; NaN where nothing is."""
    seen = np.isfinite(rows)
    total = np.where(seen, rows, 0.0).sum(axis=0)
    return np.where(seen.any(axis=0), total / np.maximum(seen.sum(axis=0), 1), np.nan)


def measure_strokes(track: Track) -> Strokes | None:
    """Measure every stroke along a track.

    Parameters
    ----------
    track : Track
        From :func:`analysis.ruler_track.follow`.

    Returns
    -------
    Strokes, or None where the track shows no common rows of strokes.
    """
    straight = _straighten(track)
    first, last = _common_rows(straight)
    profile = _mean_of_rows(straight.cells[first : last + 1])
    whole = np.asarray(np.isfinite(profile).all(axis=1))
    if whole.sum() < 12:
        return None
    middle_grey = np.median(profile[whole])
    series = np.where(np.isfinite(profile), profile, middle_grey).ravel()
    polarity, phase = _polarity_and_phase(series, whole)
    marks = np.arange(len(whole), dtype=np.float64)
    centre, _ = _centroids(polarity * series, marks + phase, 0.36)
    drift = running_median(centre - marks - phase, 9)
    centre, width = _centroids(polarity * series, marks + phase + drift, 0.30)
    expected = marks + phase + drift
    contrast = _contrast(straight, polarity, expected, float(np.median(width)))
    rows = contrast[first : last + 1]
    level = np.nanmedian(np.where(np.isnan(rows).all(axis=0), 0.0, rows), axis=0)
    usual = np.maximum(running_median(level, 11), 1e-3)
    seen = np.clip(np.nan_to_num(contrast / usual), 0.0, 1.0)
    middle = (first + last) // 2
    above = np.minimum.accumulate(seen[middle:], axis=0).sum(axis=0)
    below = np.minimum.accumulate(seen[: middle + 1][::-1], axis=0).sum(axis=0)
    deviation = centre - expected
    scatter = 1.48 * float(np.median(np.abs(deviation[whole])))
    present = (
        whole
        & (np.abs(deviation) < max(0.12, 4 * scatter))
        & (level > _PRESENT * usual)
    )
    width_ratio = width / np.maximum(running_median(width, 11), 0.02)
    index_of = centre + straight.index[0]
    return Strokes(
        index=straight.index,
        centre=index_of,
        present=present,
        above=above * _ROW_PITCH,
        below=below * _ROW_PITCH,
        weight=np.clip(width_ratio * level / usual, 0.0, 4.0),
        position_px=_positions(track, straight, index_of),
        polarity=polarity,
        scatter=scatter,
        width=float(np.median(width[present])) if present.any() else 0.0,
        texture=_texture(straight),
        rows_pitch=straight.rows,
        band=(float(straight.rows[first]), float(straight.rows[last])),
    )


def smooth(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    weight: NDArray[np.float64],
    degree: int,
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Fit a polynomial robustly (Cauchy weights at twice the median scatter)."""
    middle, half = (x.max() + x.min()) / 2, max(np.ptp(x) / 2, 1e-9)
    design = np.polynomial.polynomial.polyvander((x - middle) / half, degree)
    robust = weight
    solution = np.zeros(degree + 1)
    for _ in range(8):
        root = np.sqrt(robust)
        solution = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        residual = y - design @ solution
        scale = max(1.48 * float(np.median(np.abs(residual))), 1e-6)
        robust = weight / (1 + (residual / (2 * scale)) ** 2)

    def evaluate(at: NDArray[np.float64]) -> NDArray[np.float64]:
        value = np.polynomial.polynomial.polyval((at - middle) / half, solution)
        return np.asarray(value)

    return evaluate


def running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Median over ``width`` (odd) neighbours, mirrored at the ends."""
    half = width // 2
    padded = np.pad(values, half, mode="reflect" if len(values) > half else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.median(windows, axis=1))


def _straighten(track: Track) -> _Straight:
    count = len(track.index)
    degree = 4 if count > 40 else 3 if count > 20 else 2
    along = smooth(track.index, track.along, track.lock, degree)
    across = smooth(track.index, track.across, track.lock, 2 if count > 30 else 1)
    lean = smooth(track.index, track.lean, track.lock, 1)
    index = np.arange(
        int(track.index.min()) - _MARGIN_MARKS,
        int(track.index.max()) + _MARGIN_MARKS + 1,
    )
    fine = index[0] - 0.5 + (np.arange(len(index) * _PHASES) + 0.5) / _PHASES
    pitch = np.abs(np.gradient(along(fine), fine))
    rows = np.arange(-_REACH_PITCH, _REACH_PITCH + 1e-6, _ROW_PITCH)
    offset = rows[:, None] * pitch
    raw = sample(
        track.level,
        track.origin,
        track.direction,
        along(fine) + lean(fine) * offset,
        across(fine) + offset,
    )
    return _Straight(
        cells=raw.reshape(len(rows), len(index), _PHASES),
        index=index,
        rows=rows,
        along=along,
        across=across,
        lean=lean,
    )


def _positions(
    track: Track, straight: _Straight, index: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Where marks lie on the middle of the common rows, in full-size pixels."""
    along, across = straight.along(index), straight.across(index)
    normal = np.array([-track.direction[1], track.direction[0]])
    points = track.origin + along[:, None] * track.direction + across[:, None] * normal
    return track.level.to_full_px(points)


def _common_rows(straight: _Straight) -> tuple[int, int]:
    """Rows in which the strokes repeat coherently: those that all strokes share."""
    turns = (np.arange(_PHASES) - (_PHASES - 1) / 2) / _PHASES
    cells = straight.cells
    known = np.isfinite(cells).all(axis=2, keepdims=True)
    seen = np.where(known, cells, 0.0)
    waves = np.column_stack([np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)])
    amplitude = np.hypot(*np.median(seen @ waves, axis=1).T)
    top = int(np.argmax(amplitude * np.exp(-((straight.rows / 6) ** 2))))
    enough = amplitude > 0.55 * amplitude[top]
    first = last = top
    while first > 0 and enough[first - 1]:
        first -= 1
    while last < len(enough) - 1 and enough[last + 1]:
        last += 1
    return first, last


def _polarity_and_phase(
    series: NDArray[np.float64], whole: NDArray[np.bool_]
) -> tuple[int, float]:
    """Strokes are narrower than gaps: the skewness of the mean profile tells which."""
    row = series[None].astype(np.float32)
    difference = row - cv2.blur(row, (3 * _PHASES + 1, 1))
    spread = np.sqrt(cv2.blur(difference**2, (5 * _PHASES + 1, 1))) + 1e-3
    cells = (difference / spread).reshape(-1, _PHASES)[whole]
    mean = np.median(cells, axis=0)
    mean = mean - mean.mean()
    polarity = 1 if (mean**3).mean() > 0 else -1
    turns = (np.arange(_PHASES) - (_PHASES - 1) / 2) / _PHASES
    wave = (polarity * mean) @ np.exp(-2j * np.pi * turns)
    return polarity, -float(np.angle(wave)) / (2 * np.pi)


def _centroids(
    series: NDArray[np.float64], expected: NDArray[np.float64], half: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centroid and width of what rises above a third of each stroke's height."""
    place = (np.arange(len(series)) + 0.5) / _PHASES - 0.5
    at = expected[:, None] + np.linspace(-0.5, 0.5, 33)
    value = np.interp(at, place, series)
    base = np.percentile(value, 25, axis=1)
    inside = np.abs(at - expected[:, None]) <= half
    peak = np.where(inside, value, -np.inf).max(axis=1)
    floor = base + 0.35 * (peak - base)
    excess = np.where(inside, np.maximum(value - floor[:, None], 0), 0)
    centre = (excess * at).sum(axis=1) / np.maximum(excess.sum(axis=1), 1e-6)
    return centre, (excess > 0).sum(axis=1) / 33.0


def _contrast(
    straight: _Straight, polarity: int, expected: NDArray[np.float64], width: float
) -> NDArray[np.float64]:
    """Stroke minus gaps beside it, (v, n), smoothed over three rows."""
    count = len(expected)
    flat = straight.cells.reshape(len(straight.rows), -1)
    offsets = np.arange(-_PHASES // 2, _PHASES // 2 + 1) / _PHASES
    place = (expected[:, None] + offsets + 0.5) * _PHASES - 0.5
    near = np.clip(np.rint(place).astype(int), 0, count * _PHASES - 1)
    half = float(np.clip(width / 2, 0.08, 0.2))
    stroke = near[:, np.abs(offsets) <= half]
    gap = near[:, np.abs(offsets) >= half + 0.14]
    difference = polarity * (flat[:, stroke].mean(axis=2) - flat[:, gap].mean(axis=2))
    known = np.isfinite(difference)
    share = cv2.blur(known.astype(np.float32), (1, 3))
    summed = cv2.blur(np.where(known, difference, 0).astype(np.float32), (1, 3))
    return np.asarray(np.where(share > 0.3, summed / np.maximum(share, 1e-3), np.nan))


def _texture(straight: _Straight) -> NDArray[np.float64]:
    spread = np.nan_to_num(straight.cells.std(axis=2))
    return np.asarray(spread, dtype=np.float64)
