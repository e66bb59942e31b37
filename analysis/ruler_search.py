"""Find where in a picture a graduation may lie: rows of evenly spaced strokes.

The picture is looked at at a few sizes.  Round each point of a coarse grid a small tile
is sampled along and across the local direction of the gradients; a tile of graduation
has nearly all of its power at one spatial frequency and its multiples.  Tiles that
agree in direction and pitch and lie on a common line make one candidate.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

LONGEST_PX = 2000
"""Longest side of the largest picture searched; marks need 4 px or more of it."""

_LEVELS = 4
_TILE_PX = 96  # along the supposed ruler: 8 to 29 periods
_ROWS = 5  # rows of a tile, each the mean over _ROW_PX lines
_ROW_PX = 5
_HOP_PX = 24
_PERIODS = np.arange(8, 30)  # per tile: 3.3 to 12 px a mark, an octave and a half
_WINDOW = np.hanning(_TILE_PX + 2)[1:-1].astype(np.float32)
_MIN_VARIANCE = 6.0  # of grey levels; below it even a clean graduation drowns
_MIN_SHARE = 0.5  # of a tile's power at the pitch and its multiples
_SEEDS = 50
_DIRECTION_DEG = 25.0  # how far a ruler may lie off the direction expected


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiles:
    """Places that look like graduation, in full-size pixels, all arrays (n,).

    ``dx``, ``dy`` is the unit vector along the ruler, ``share`` the share of power at
    the pitch and its multiples.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    dx: NDArray[np.float64]
    dy: NDArray[np.float64]
    pitch_px: NDArray[np.float64]
    share: NDArray[np.float64]

    def pick(self, which: NDArray[np.bool_]) -> Tiles:
        """Give the tiles chosen by a boolean or index array."""
        return Tiles(
            x=self.x[which],
            y=self.y[which],
            dx=self.dx[which],
            dy=self.dy[which],
            pitch_px=self.pitch_px[which],
            share=self.share[which],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A line along which strokes repeat, in full-size pixels.

    ``centre_px`` (2,) a point on it where strokes were seen, ``direction`` (2,) unit
    vector, ``pitch_px`` the spacing there; ``log_pitch_slope`` its relative change per
    pixel along the line; ``score`` grows with the length that is covered.
    """

    centre_px: NDArray[np.float64]
    direction: NDArray[np.float64]
    pitch_px: float
    log_pitch_slope: float
    score: float


def find_tiles(grey: NDArray[np.uint8], direction_deg: float | None = None) -> Tiles:
    """Look for graduation everywhere, at several sizes.

    Parameters
    ----------
    grey : (h, w) uint8 array
        One channel of the upright picture.
    direction_deg : float, optional
        Direction of the ruler where it is roughly known; without it all are tried.

    Returns
    -------
    Tiles
        In pixels of ``grey``; may be empty.
    """
    width = grey.shape[1]
    shrink = min(1.0, LONGEST_PX / max(grey.shape))
    level = _shrunk(grey, shrink)
    found = []
    for _ in range(_LEVELS):
        if min(level.shape) < _TILE_PX // 2:
            break
        ratio = level.shape[1] / width
        rows = _tiles_of_level(level, direction_deg)
        rows[:, :2] = (rows[:, :2] + 0.5) / ratio - 0.5
        rows[:, 4] /= ratio
        found.append(rows)
        level = _shrunk(level, 0.5)
    x, y, dx, dy, pitch, share = np.concatenate([*found, np.zeros((0, 6))]).T
    return Tiles(x=x, y=y, dx=dx, dy=dy, pitch_px=pitch, share=share)


def _shrunk(
    picture: NDArray[np.uint8] | NDArray[np.float32], ratio: float
) -> NDArray[np.float32]:
    smaller = cv2.resize(
        picture, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA
    )
    return np.asarray(smaller, dtype=np.float32)


def _tiles_of_level(
    level: NDArray[np.float32], direction_deg: float | None
) -> NDArray[np.float64]:
    """Rows of x, y, dx, dy, pitch, share in this level's pixels."""
    mean = cv2.blur(level, (31, 31))
    difference = level - mean
    variance = cv2.blur(difference * difference, (31, 31))
    contrast = difference / np.sqrt(variance + 9.0)
    gx = cv2.Sobel(contrast, cv2.CV_32F, 1, 0, ksize=3)
    gy = cv2.Sobel(contrast, cv2.CV_32F, 0, 1, ksize=3)
    cell = (33, 33)
    cos2 = cv2.blur(gx * gx - gy * gy, cell)
    sin2 = cv2.blur(2 * gx * gy, cell)
    height, width = level.shape
    ys, xs = (
        grid.ravel()
        for grid in np.mgrid[
            _HOP_PX // 2 : height : _HOP_PX, _HOP_PX // 2 : width : _HOP_PX
        ]
    )
    busy = cv2.blur(variance, cell)[ys, xs] > _MIN_VARIANCE
    ys, xs = ys[busy], xs[busy]
    # The ruler's own edge can outweigh its strokes: both principal axes are tried.
    angle = 0.5 * np.arctan2(sin2[ys, xs], cos2[ys, xs])
    angle = np.concatenate([angle, angle + np.pi / 2])
    angle = (angle + np.pi / 2) % np.pi - np.pi / 2
    xs, ys = np.tile(xs, 2), np.tile(ys, 2)
    if direction_deg is not None:
        off = np.abs(np.sin(angle - np.radians(direction_deg)))
        near = off < np.sin(np.radians(_DIRECTION_DEG))
        xs, ys, angle = xs[near], ys[near], angle[near]
    chunks = [
        _score(contrast, xs[i : i + 1000], ys[i : i + 1000], angle[i : i + 1000])
        for i in range(0, len(xs), 1000)
    ]
    return np.concatenate([*chunks, np.zeros((0, 6))])


def _score(
    contrast: NDArray[np.float32],
    xs: NDArray[np.int_],
    ys: NDArray[np.int_],
    angle: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Sample one tile per point and keep those with one dominant period."""
    along = np.arange(_TILE_PX, dtype=np.float32) - (_TILE_PX - 1) / 2
    lines = _ROWS * _ROW_PX
    across = (np.arange(lines, dtype=np.float32) - (lines - 1) / 2)[:, None]
    cos = np.cos(angle).astype(np.float32)[:, None, None]
    sin = np.sin(angle).astype(np.float32)[:, None, None]
    map_x = xs.astype(np.float32)[:, None, None] + along * cos - across * sin
    map_y = ys.astype(np.float32)[:, None, None] + along * sin + across * cos
    sampled = cv2.remap(
        contrast,
        map_x.reshape(-1, _TILE_PX),
        map_y.reshape(-1, _TILE_PX),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
    )
    rows = sampled.reshape(-1, _ROWS, _ROW_PX, _TILE_PX).mean(2)
    rows -= rows.mean(2, keepdims=True)
    spectrum = scipy.fft.rfft(rows * _WINDOW, axis=2)
    power = spectrum.real**2 + spectrum.imag**2
    pooled = power.copy()
    pooled[..., 1:] += power[..., :-1]
    pooled[..., :-1] += power[..., 1:]
    total = power[..., 3:].sum(2, keepdims=True) + 0.02 * _TILE_PX
    last = pooled.shape[2] - 1
    first = pooled[..., _PERIODS]
    second = np.where(
        last > 2 * _PERIODS, pooled[..., np.minimum(2 * _PERIODS, last)], 0.0
    )
    third = np.where(
        last > 3 * _PERIODS, pooled[..., np.minimum(3 * _PERIODS, last)], 0.0
    )
    harmonic = first + second + 0.5 * third
    share = np.where(first > 0.3 * harmonic, harmonic / total, 0.0)
    best = share.reshape(len(xs), -1).argmax(1)
    row, column = np.unravel_index(best, (_ROWS, len(_PERIODS)))
    tile = np.arange(len(xs))
    k = _PERIODS[column]
    low, mid, high = (np.sqrt(power[tile, row, k + step]) for step in (-1, 0, 1))
    periods = k + (high - low) / (low + mid + high + 1e-9)
    offset = (row - (_ROWS - 1) / 2) * _ROW_PX
    out = np.column_stack(
        [
            xs - offset * np.sin(angle),
            ys + offset * np.cos(angle),
            np.cos(angle),
            np.sin(angle),
            _TILE_PX / periods,
            share[tile, row, column],
        ]
    )
    return np.asarray(out[out[:, 5] > _MIN_SHARE])


def link_tiles(tiles: Tiles, count: int) -> list[Candidate]:
    """Join tiles that lie on one line with one direction and a smooth pitch.

    Parameters
    ----------
    tiles : Tiles
        From :func:`find_tiles`.
    count : int
        How many candidates at most.

    Returns
    -------
    list of Candidate, best first.
    """
    alive = np.ones(len(tiles.x), bool)
    candidates = []
    for _ in range(count):
        order = np.argsort(-np.where(alive, tiles.share, 0.0))[:_SEEDS]
        supports = [
            (*_support(tiles, seed, alive), seed) for seed in order if alive[seed]
        ]
        if not supports:
            break
        score, members, seed = max(supports, key=lambda s: s[0])
        candidates.append(_candidate(tiles, seed, members, score))
        alive &= ~_same_line(tiles, seed)
    return candidates


def _relative(
    tiles: Tiles, seed: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Along and across the seed's line, and the logarithm of the pitch ratio."""
    dx, dy = tiles.dx[seed], tiles.dy[seed]
    x, y = tiles.x - tiles.x[seed], tiles.y - tiles.y[seed]
    ratio = np.abs(np.log(tiles.pitch_px / tiles.pitch_px[seed]))
    return x * dx + y * dy, y * dx - x * dy, ratio


def _parallel(tiles: Tiles, seed: int, within_deg: float) -> NDArray[np.bool_]:
    cosine = np.abs(tiles.dx * tiles.dx[seed] + tiles.dy * tiles.dy[seed])
    return np.asarray(cosine > np.cos(np.radians(within_deg)))


def _support(
    tiles: Tiles, seed: int, alive: NDArray[np.bool_]
) -> tuple[float, NDArray[np.bool_]]:
    """Length covered by tiles that agree with the seed, weighted by their share."""
    pitch = tiles.pitch_px[seed]
    along, across, ratio = _relative(tiles, seed)
    allowed = 0.06 + 0.15 * np.minimum(np.abs(along) / (60 * pitch), 1)
    members = (
        alive
        & (np.abs(across) < 2.5 * pitch + 0.06 * np.abs(along))
        & _parallel(tiles, seed, 7.0)
        & (ratio < allowed)
    )
    place = np.rint(along[members] / (6 * pitch)).astype(int)
    covered = np.zeros(np.ptp(place) + 1)
    np.maximum.at(covered, place - place.min(), tiles.share[members] - 0.4)
    return float(covered.sum()), members


def _same_line(tiles: Tiles, seed: int) -> NDArray[np.bool_]:
    pitch = tiles.pitch_px[seed]
    along, across, ratio = _relative(tiles, seed)
    same = (
        (np.abs(across) < 3 * pitch + 0.08 * np.abs(along))
        & _parallel(tiles, seed, 9.0)
        & (ratio < 0.3)
    )
    same[seed] = True
    return np.asarray(same)


def _candidate(
    tiles: Tiles, seed: int, members: NDArray[np.bool_], score: float
) -> Candidate:
    """Fit the line and the pitch along it robustly to the tiles."""
    support = tiles.pick(members)
    start = np.array([tiles.x[seed], tiles.y[seed]])
    direction = np.array([tiles.dx[seed], tiles.dy[seed]])
    pitch = float(tiles.pitch_px[seed])
    points = np.column_stack([support.x, support.y])
    centre = start.copy()
    for _ in range(3):
        normal = np.array([-direction[1], direction[0]])
        along, across = (points - centre) @ direction, (points - centre) @ normal
        if np.ptp(along) < 12 * pitch:
            break
        weight = support.share**2 / (1 + (across / pitch) ** 2)
        offset, slope = _weighted_line(along, across, weight)
        if abs(slope) > 0.2:
            break
        centre = centre + offset * normal
        direction = direction + slope * normal
        direction = direction / np.linalg.norm(direction)
    centre = centre + ((start - centre) @ direction) * direction
    along = (points - centre) @ direction
    log_pitch = np.log(support.pitch_px)
    level, slope = float(np.median(log_pitch)), 0.0
    for _ in range(5):
        weight = support.share**2 / (
            1 + ((log_pitch - level - slope * along) / 0.03) ** 2
        )
        if np.ptp(along) > 20 * pitch:
            level, slope = _weighted_line(along, log_pitch, weight)
        else:
            level = float(np.average(log_pitch, weights=weight))
    return Candidate(
        centre_px=centre,
        direction=direction,
        pitch_px=float(np.exp(level)),
        log_pitch_slope=slope,
        score=score,
    )


def _weighted_line(
    x: NDArray[np.float64], y: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[float, float]:
    root = np.sqrt(weight)
    design = np.column_stack([root, root * x])
    offset, slope = np.linalg.lstsq(design, root * y, rcond=None)[0]
    return float(offset), float(slope)
