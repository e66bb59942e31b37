"""The rim of a tile read along its arc, and its back edge, from whole pixels.

Every pixel near the edge enters the profile across it with its own distance, by the
pose; nothing is interpolated.  The rim hangs 3 mm above the table, so what lies just
outside is hardly its own shadow: a step and a *linear* slope, within 0.35 mm of the
edge, under one blur a tile (:mod:`analysis.step_fit`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analysis.profiles import MODEL_DOUBT
from analysis.step_fit import (
    Slices,
    SlopePrior,
    StepFits,
    common_blur_px,
    fit_steps,
    loose_slopes,
)

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.tile_pose import TilePose

Floats = NDArray[np.float64]

STEP_MM = 0.1
"""Distance from sample to sample along an edge."""
LEAST_SLICE_PX = 2.2
"""Each sample averages over 0.1 mm, or this many pixels where that is more."""
WINDOW_MM = 0.35
"""How far from the edge pixels are used, to both sides ..."""
WINDOW_BLURS = 4.0
"""... but no less than this many blurs."""
RIM_MM = (-0.75, 0.4)
"""Where the rim may lie about the nominal circle: chips and sag go far in."""
BACK_MM = (-0.1, 0.12)
"""Where the outline of the back may lie: the pose was taken from it.  From the middle of
a ring its wall shows as a strip inside of it."""
ARC_END_RAD = np.deg2rad(89.1)
"""0.2 mm short of the corners."""
START_BLUR_PX = 1.0
LEAST_PIXELS = 14
MOST_MISFIT = 6.0
MOST_NOISE_MM = 0.05
BIN_MM = 0.03
SLOPE_NEIGHBOURS, SLOPE_SCATTER = 11, 0.02
"""Slopes of the light are those of a millimetre of rim, give or take this much."""
SIDEWAYS, SIDESTEP = 3, 0.12
SHADE_NEIGHBOURS = 31
_BELL = 4
_NEIGHBOURS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A nominal edge in the tile's plane.

    ``at_mm`` (n,) places along it, evenly about ``STEP_MM`` apart; ``along_out`` takes
    points (k, 2) to along, out (k, 2); ``point`` takes along (k,), out (k,) to points
    (k, 2); the edge lies between ``low_mm`` and ``high_mm`` outwards.
    """

    at_mm: Floats
    along_out: Callable[[Floats], Floats]
    point: Callable[[Floats, Floats], Floats]
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeTrace:
    """An edge read along a course: (n,) arrays.

    ``place_mm`` outwards from the course; ``noise_mm`` its standard uncertainty from
    noise and misfit; ``inside``, ``step``: linear light of the part and of the step
    just outside it; ``blur_px`` one for all.  NaN where the edge was not looked for.
    """

    at_mm: Floats
    place_mm: Floats
    noise_mm: Floats
    inside: Floats
    step: Floats
    misfit: Floats
    found: NDArray[np.bool_]
    blur_px: float
    px_per_mm: Floats


def arc_course(pose: TilePose) -> Course:
    """Give the nominal rim; along = radius * phi."""
    radius = pose.tile.radius_mm * pose.design_scale
    count = int(np.floor(ARC_END_RAD * pose.tile.radius_mm / STEP_MM))
    phi = np.arange(-count, count + 1) * (STEP_MM / pose.tile.radius_mm)

    def along_out(points_mm: Floats) -> Floats:
        phi = np.arctan2(-points_mm[:, 1], points_mm[:, 0])
        return np.column_stack([phi * radius, np.hypot(*points_mm.T) - radius])

    def point(along_mm: Floats, out_mm: Floats) -> Floats:
        phi = along_mm / radius
        toward = np.column_stack([np.cos(phi), -np.sin(phi)])
        return np.asarray(toward * (radius + out_mm)[:, None])

    return Course(
        at_mm=phi * radius,
        along_out=along_out,
        point=point,
        low_mm=RIM_MM[0],
        high_mm=RIM_MM[1],
    )


def back_course(y0_mm: float, y1_mm: float) -> Course:
    """Give a straight piece of back edge from y0 to y1, printed mm; along = y."""
    count = max(int(np.floor((y1_mm - y0_mm) / STEP_MM)), 1)
    start = 0.5 * (y0_mm + y1_mm - (count - 1) * STEP_MM)

    def along_out(points_mm: Floats) -> Floats:
        return np.column_stack([points_mm[:, 1], -points_mm[:, 0]])

    def point(along_mm: Floats, out_mm: Floats) -> Floats:
        return np.column_stack([-out_mm, along_mm])

    return Course(
        at_mm=start + np.arange(count) * STEP_MM,
        along_out=along_out,
        point=point,
        low_mm=BACK_MM[0],
        high_mm=BACK_MM[1],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """Pixels of each slice across a course, padded to the same number m.

    ``out_mm``, ``light``, ``live`` (n, m); ``px_per_mm`` (n,) across the edge.
    """

    out_mm: Floats
    light: Floats
    live: NDArray[np.bool_]
    px_per_mm: Floats

    def some(self, rows: NDArray[np.intp]) -> Strip:
        """Only these slices."""
        return Strip(
            out_mm=self.out_mm[rows],
            light=self.light[rows],
            live=self.live[rows],
            px_per_mm=self.px_per_mm[rows],
        )


def gather(
    photo: Photo,
    pose: TilePose,
    course: Course,
    reach_mm: tuple[float, float],
    half_mm: float,
) -> Strip:
    """Collect the pixels of a course's slices.

    Parameters
    ----------
    photo : Photo
    pose : TilePose
    course : Course
    reach_mm : (float, float)
        How far in and out pixels are taken.
    half_mm : float
        Half the width of a slice along the edge; slices may overlap.
    """
    at = course.at_mm
    low, high = at[0] - half_mm, at[-1] + half_mm
    ends = np.linspace(low, high, max(len(at) // 2, 2))
    inner = course.point(ends, np.full(len(ends), -reach_mm[0]))
    outer = course.point(ends, np.full(len(ends), reach_mm[1]))
    pixels, light = _pixels_within(photo, pose, np.concatenate([inner, outer[::-1]]))
    here = course.along_out(pose.back_project(pixels))
    step = (at[-1] - at[0]) / max(len(at) - 1, 1)
    place = (here[:, 0] - at[0]) / step
    reach = int(np.ceil(half_mm / step))
    owner, which = [], []
    for shift in range(-reach, reach + 1):
        nearest = np.rint(place).astype(np.intp) + shift
        mine = np.abs(place - nearest) * step <= half_mm
        mine &= (nearest >= 0) & (nearest < len(at))
        owner.append(nearest[mine])
        which.append(np.flatnonzero(mine))
    out, value, live = _padded(
        np.concatenate(owner), np.concatenate(which), here[:, 1], light, len(at)
    )
    edge = np.column_stack([course.point(at, np.zeros(len(at))), np.zeros(len(at))])
    ahead = np.column_stack([course.point(at, np.full(len(at), 0.1)), edge[:, 2]])
    scale = np.linalg.norm(pose.project(ahead) - pose.project(edge), axis=1) / 0.1
    return Strip(out_mm=out, light=value, live=live, px_per_mm=scale)


def _pixels_within(
    photo: Photo, pose: TilePose, polygon_mm: Floats
) -> tuple[Floats, Floats]:
    """Pixels (k, 2) inside a polygon of the tile's plane, and their linear light."""
    px = pose.project(np.column_stack([polygon_mm, np.zeros(len(polygon_mm))]))
    size = np.array([photo.width_px, photo.height_px])
    low = np.clip(np.floor(px.min(axis=0)).astype(int) - 1, 0, size - 1)
    high = np.clip(np.ceil(px.max(axis=0)).astype(int) + 2, low + 1, size)
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.uint8)
    corners = np.rint(px - low).astype(np.int32)
    cv2.fillPoly(mask, [corners], 1)
    rows, columns = np.nonzero(mask)
    region = photo.linear(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    where = np.column_stack([columns, rows]).astype(np.float64) + low
    return where, region[rows, columns].astype(np.float64)


def _padded(
    owner: NDArray[np.intp],
    which: NDArray[np.intp],
    out_mm: Floats,
    light: Floats,
    count: int,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    order = np.argsort(owner, kind="stable")
    owner, which = owner[order], which[order]
    sizes = np.bincount(owner, minlength=count)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    shape = (count, max(int(sizes.max(initial=0)), 1))
    out, value = np.zeros(shape), np.zeros(shape)
    live = np.zeros(shape, dtype=bool)
    out[owner, rank] = out_mm[which]
    value[owner, rank] = light[which]
    live[owner, rank] = True
    return out, value, live


def trace_edge(
    photo: Photo,
    pose: TilePose,
    course: Course,
    *,
    clear: NDArray[np.bool_] | None = None,
) -> EdgeTrace:
    """Read an edge along a course.

    Parameters
    ----------
    photo : Photo
    pose : TilePose
    course : Course
    clear : (n,) bool array or None
        Where the edge is straight and whole: only there it is read.

    Notes
    -----
    The line of steepest light that runs most evenly along the course (shortest path)
    is the start.  Then steps between slopes are fitted, the pixels within 0.35 mm of
    where each slice's edge was found before; the slopes of neighbours are alike.
    """
    half = 0.5 * max(STEP_MM, LEAST_SLICE_PX / pose.px_per_mm)
    low, high = course.low_mm, course.high_mm
    strip = gather(photo, pose, course, (WINDOW_MM - low, high + WINDOW_MM), half)
    start = steepest_path(strip, low, high) * strip.px_per_mm
    rows = np.arange(len(start)) if clear is None else np.flatnonzero(clear)
    fits, sigma, count = _fit_in_passes(strip.some(rows), start[rows])
    place = fits.offset_px / strip.px_per_mm[rows]
    noise = fits.u_px / strip.px_per_mm[rows]
    found = (count >= LEAST_PIXELS) & (fits.misfit < MOST_MISFIT)
    found &= (noise < MOST_NOISE_MM) & (place > low) & (place < high)
    level = _level(strip.some(rows))

    def spread(values: Floats) -> Floats:
        whole = np.full(len(start), np.nan)
        whole[rows] = values
        return whole

    return EdgeTrace(
        at_mm=course.at_mm,
        place_mm=spread(place),
        noise_mm=spread(noise),
        inside=spread(fits.inside * level),
        step=spread(fits.step * level),
        misfit=spread(fits.misfit),
        found=np.isin(np.arange(len(start)), rows[found]),
        blur_px=sigma,
        px_per_mm=strip.px_per_mm,
    )


def _fit_in_passes(
    strip: Strip, start_px: Floats
) -> tuple[StepFits, float, NDArray[np.intp]]:
    """Fits, their one blur, and the number of pixels in each."""
    loose = loose_slopes(len(start_px))
    slices = _near(strip, start_px, START_BLUR_PX)
    first = fit_steps(slices, start_px, START_BLUR_PX, loose, rounds=3)
    sigma = common_blur_px(slices, first, START_BLUR_PX)
    start = _without_strays(first.offset_px)
    slices = _near(strip, start, sigma)
    second = fit_steps(slices, start, sigma, loose, rounds=4)
    last = fit_steps(slices, second.offset_px, sigma, _alike(second), rounds=4)
    return last, sigma, (slices.weight > 0).sum(axis=1)


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
    sums = np.bincount(index, strip.light[live], size).reshape(-1, bins)
    count = np.bincount(index, minlength=size).reshape(-1, bins)
    count, sums = (_neighbours(v.astype(np.float64)) for v in (count, sums))
    change = _change(sums, count)[:, _BELL:-_BELL]
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


def _level(strip: Strip) -> float:
    """Light by which all slices are divided: the brighter side's."""
    live = strip.light[strip.live]
    return max(float(np.percentile(live, 90.0)), 1e-4) if len(live) else 1.0


def _near(strip: Strip, start_px: Floats, sigma_px: float) -> Slices:
    """Pixels near the edge, weighed by noise and doubt of the model."""
    scale = strip.px_per_mm
    window = np.maximum(WINDOW_MM, WINDOW_BLURS * sigma_px / scale)
    start = start_px / scale
    near = strip.live & (np.abs(strip.out_mm - start[:, None]) <= window[:, None])
    level = _level(strip)
    inside = strip.live & (strip.out_mm < (start - 0.5 * WINDOW_MM)[:, None])
    noise = _noise(strip.light, inside) / level
    most = int(near.sum(axis=1).max(initial=1))
    first = np.argsort(~near, axis=1, kind="stable")[:, :most]

    def packed(values: Floats) -> Floats:
        return np.asarray(np.take_along_axis(values, first, axis=1))

    return Slices(
        x_px=packed(strip.out_mm) * scale[:, None],
        light=packed(strip.light) / level,
        weight=packed(near.astype(np.float64)) / (noise**2 + MODEL_DOUBT**2),
        window_px=window * scale,
    )


def _noise(light: Floats, where: NDArray[np.bool_]) -> float:
    """Typical scatter of the light inside the part."""
    count = where.sum(axis=1)
    full = count >= 6
    if not full.any():
        return 0.01
    mean = np.where(where, light, 0.0).sum(axis=1) / np.maximum(count, 1)
    spread = np.where(where, (light - mean[:, None]) ** 2, 0.0).sum(axis=1)
    return float(np.sqrt(np.median(spread[full] / (count[full] - 1))))


def _without_strays(offset_px: Floats) -> Floats:
    """Offsets, single strays replaced by the median of their neighbours."""
    around = median_filter(offset_px, _NEIGHBOURS, mode="nearest")
    return np.where(np.abs(offset_px - around) > 4.0, around, offset_px)


def _alike(fits: StepFits) -> SlopePrior:
    """Slopes as the neighbourhood has them."""
    reach = min(SLOPE_NEIGHBOURS, len(fits.slopes))
    around = median_filter(fits.slopes, (reach, 1), mode="nearest")
    return SlopePrior(
        mean=around, sigma=np.full_like(around, SLOPE_SCATTER) + 0.25 * np.abs(around)
    )
