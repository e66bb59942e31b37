"""Follow a row of strokes from where it was found to where it ends.

A strip of the picture is cut along the candidate's line and followed outward, one mark
at a time, by the phase of the strokes in a window of a few periods (a phase-locked
loop).  Each row of the strip has its own amplitude and phase, learnt on the way, so
strokes may lean and only some of the rows need to show them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.ruler_search import Candidate

_SAMPLES_PER_PITCH = 12
_ROWS_PITCH = 8.0  # strip reaches this many pitches to either side
_ROW_STEP_PITCH = 0.25
_HALF_WINDOW = 2.25  # periods
_LOCKED = 0.3  # amplitude over that of a pure wave with the same power
_COAST_MARKS = 10
_PHASE_GAIN = 0.5
_PITCH_GAIN = 0.12
_ROW_GAIN = 0.1
_MIN_MARKS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """The picture at one size: ``pixels`` (h, w) float32, ``shrink`` full over this."""

    pixels: NDArray[np.float32]
    shrink: float

    def to_full_px(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (..., 2) of this level in full-size pixels."""
        return (points + 0.5) * self.shrink - 0.5

    def from_full_px(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Full-size points (..., 2) in pixels of this level."""
        return (points + 0.5) / self.shrink - 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """Marks in a row as the loop saw them, in pixels of ``level``.

    ``origin`` (2,) and ``direction`` (2,) give the strip's line.  One entry per mark:
    ``index`` (whole numbers as float), ``along`` and ``across`` (the middle of the
    strokes), ``lean`` (along per across), ``lock`` (0 to 1).
    """

    level: Level
    origin: NDArray[np.float64]
    direction: NDArray[np.float64]
    pitch: float
    index: NDArray[np.float64]
    along: NDArray[np.float64]
    across: NDArray[np.float64]
    lean: NDArray[np.float64]
    lock: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strip:
    """Local-contrast strip: ``rows`` (v, u), positions of rows and columns in px."""

    rows: NDArray[np.float32]
    along: NDArray[np.float64]
    across: NDArray[np.float64]


def pyramid(grey: NDArray[np.uint8]) -> list[Level]:
    """Halve the picture until it is small; sizes in between are not needed."""
    levels = [Level(pixels=grey.astype(np.float32), shrink=1.0)]
    while min(levels[-1].pixels.shape) > 200:
        half = cv2.resize(
            levels[-1].pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA
        )
        levels.append(
            Level(
                pixels=np.asarray(half, dtype=np.float32), shrink=levels[-1].shrink * 2
            )
        )
    return levels


def follow(levels: Sequence[Level], candidate: Candidate) -> Track | None:
    """Follow the marks of a candidate both ways.

    Parameters
    ----------
    levels : sequence of Level
        From :func:`pyramid`.
    candidate : Candidate
        Where to start.

    Returns
    -------
    Track, or None where nothing repeats for a dozen marks.
    """
    level = levels[0]
    for smaller in levels[1:]:
        if candidate.pitch_px / smaller.shrink >= _SAMPLES_PER_PITCH:
            level = smaller
    origin = level.from_full_px(candidate.centre_px)
    pitch = candidate.pitch_px / level.shrink
    strip = _cut(level, origin, candidate.direction, pitch)
    if strip is None:
        return None
    seed = _seed(strip, pitch)
    if seed is None:
        return None
    start, pitch, template = seed
    ahead = _lock_on(strip, start - pitch, pitch, template, 1)
    behind = _lock_on(strip, start + pitch, pitch, template, -1)
    marks = {round(mark[0]): mark for mark in [*behind, *ahead]}
    if len(marks) < _MIN_MARKS:
        return None
    table = np.array([marks[key] for key in sorted(marks)])
    index, along, across, lean, lock = table.T
    return Track(
        level=level,
        origin=origin,
        direction=candidate.direction,
        pitch=pitch,
        index=index,
        along=along,
        across=across,
        lean=lean,
        lock=lock,
    )


def sample(
    level: Level,
    origin: NDArray[np.float64],
    direction: NDArray[np.float64],
    along: NDArray[np.float64],
    across: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Read the picture at positions along and across a line; NaN outside of it.

    ``along`` and ``across`` broadcast to the shape (v, u) of the result.
    """
    x = origin[0] + along * direction[0] - across * direction[1]
    y = origin[1] + along * direction[1] + across * direction[0]
    read = cv2.remap(
        level.pixels,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    return np.asarray(read, dtype=np.float32)


def _cut(
    level: Level,
    origin: NDArray[np.float64],
    direction: NDArray[np.float64],
    pitch: float,
) -> _Strip | None:
    """Cut the strip from border to border and even out its contrast."""
    first, last = _inside(level, origin, direction)
    if last - first < _MIN_MARKS * pitch:
        return None
    step = max(pitch / _SAMPLES_PER_PITCH, 0.5)
    along = np.arange(first, last, step)
    across = np.arange(-_ROWS_PITCH, _ROWS_PITCH + 1e-6, _ROW_STEP_PITCH) * pitch
    raw = sample(level, origin, direction, along[None, :], across[:, None])
    rows = even_contrast(raw, round(3 * pitch / step) | 1)
    return _Strip(rows=rows, along=along, across=across)


def _inside(
    level: Level, origin: NDArray[np.float64], direction: NDArray[np.float64]
) -> tuple[float, float]:
    first, last = -np.inf, np.inf
    for axis, size in ((0, level.pixels.shape[1]), (1, level.pixels.shape[0])):
        if abs(direction[axis]) > 1e-9:
            ends = (np.array([0, size - 1]) - origin[axis]) / direction[axis]
            first, last = max(first, ends.min()), min(last, ends.max())
    return first, last


def even_contrast(raw: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """Subtract the running mean along each row, divide by the running spread."""
    known = np.isfinite(raw)
    share = np.maximum(cv2.blur(known.astype(np.float32), (width, 1)), 1e-3)
    mean = cv2.blur(np.where(known, raw, 0), (width, 1)) / share
    difference = np.where(known, raw - mean, 0)
    variance = cv2.blur(difference * difference, (width, 1)) / share
    return np.asarray(difference / np.sqrt(variance + 9.0), dtype=np.float32)


def _wave(
    strip: _Strip, at: float, pitch: float, half: float
) -> tuple[NDArray[np.float32], NDArray[np.complex128]] | None:
    """Columns of a window and the windowed wave to compare them with."""
    step = strip.along[1] - strip.along[0]
    first = int(np.ceil((at - half * pitch - strip.along[0]) / step))
    last = int(np.floor((at + half * pitch - strip.along[0]) / step)) + 1
    if first < 0 or last > len(strip.along):
        return None
    periods = (strip.along[first:last] - at) / pitch
    window = 0.5 + 0.5 * np.cos(np.pi * periods / half)
    return strip.rows[:, first:last], np.exp(-2j * np.pi * periods) * window


def _pure(
    columns: NDArray[np.float32], wave: NDArray[np.complex128]
) -> NDArray[np.float64]:
    """Amplitude of each row if all of its power were in the wave."""
    weight = np.abs(wave)
    power = np.einsum("vu,vu,u->v", columns, columns, weight)
    return np.asarray(np.sqrt(power * (weight.sum() / 2)))


def _seen(
    columns: NDArray[np.float32], wave: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Compare each row with the wave (small products: threads would only cost)."""
    return np.asarray(np.einsum("vu,u->v", columns, wave))


def _seed(
    strip: _Strip, pitch: float
) -> tuple[float, float, NDArray[np.complex128]] | None:
    """Best starting point and pitch near the candidate's, with its row template."""
    nearby = np.exp(-((strip.across / (2.5 * pitch)) ** 2))
    best, best_share = None, 0.0
    for shift in range(-3, 4):
        for stretch in np.linspace(0.94, 1.06, 9):
            at, trial = shift * 2 * pitch, pitch * stretch
            cut = _wave(strip, at, trial, 3.0)
            if cut is None:
                continue
            seen = _seen(*cut)
            power = (_pure(*cut) ** 2 * nearby).sum()
            share = (np.abs(seen) ** 2 * nearby).sum() / max(power, 1e-9)
            if share > best_share:
                best, best_share = (at, trial, seen * nearby), share
    return best


def _lock_on(
    strip: _Strip,
    start: float,
    pitch: float,
    template: NDArray[np.complex128],
    step: int,
) -> list[tuple[float, float, float, float, float]]:
    """Walk mark by mark; rows of index, along, across, lean, lock."""
    marks = []
    at, index, coasting = start, -step, 0
    row_step = strip.across[1] - strip.across[0]
    while coasting <= _COAST_MARKS:
        at += step * pitch
        index += step
        cut = _wave(strip, at, pitch, _HALF_WINDOW)
        if cut is None:
            break
        seen = _seen(*cut)
        weight = np.abs(template)
        match = np.vdot(template, seen)
        lock = abs(match) / max(float(weight @ _pure(*cut)), 1e-9)
        if lock < _LOCKED:
            coasting += 1
            continue
        coasting = 0
        phase = float(np.angle(match))
        turn = phase / (2 * np.pi)
        at -= _PHASE_GAIN * turn * pitch
        pitch *= 1 - step * _PITCH_GAIN * turn
        aligned = seen * np.exp(-1j * phase)
        template = (1 - _ROW_GAIN) * template + _ROW_GAIN * aligned
        strong = weight > 0.35 * weight.max()
        power = np.abs(seen) ** 2 * strong
        across = float(power @ strip.across / max(power.sum(), 1e-9))
        pairs = (aligned[1:] * aligned[:-1].conj())[strong[1:]]
        lean = -float(np.angle(pairs.sum())) / (2 * np.pi) * pitch / row_step
        marks.append((float(index), float(at), across, lean, float(lock)))
    return marks
