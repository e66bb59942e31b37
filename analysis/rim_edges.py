"""The rim of a tile read along its arc, and its back edge.

The rim hangs 3 mm above the table, so what lies just outside is hardly its own shadow:
a step and a *linear* slope, within 0.35 mm of the edge, under one blur a tile
(:mod:`analysis.step_fit`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analysis.profiles import MODEL_DOUBT
from analysis.rim_path import steepest_path
from analysis.rim_pixels import STEP_MM, Course, Strip, gather
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

LEAST_SLICE_PX = 2.2
"""Each sample averages over 0.1 mm, or this many pixels where that is more."""
WINDOW_MM = 0.35
"""How far from the edge pixels are used, to both sides ..."""
WINDOW_BLURS = 4.0
"""... but no less than this many blurs."""
START_BLUR_PX = 1.0
LEAST_PIXELS = 14
MOST_MISFIT = 6.0
MOST_NOISE_MM = 0.05
SLOPE_NEIGHBOURS, SLOPE_SCATTER = 11, 0.02
"""Slopes of the light are those of a millimetre of rim, give or take this much."""
_NEIGHBOURS = 7


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


def smear_mm(trace: EdgeTrace) -> float:
    """Give the standard deviation of the blur along an edge, beyond its samples.

    The camera's own and the width of the slices (uniform: w^2 / 12).
    """
    px_per_mm = float(np.median(trace.px_per_mm))
    wide = max(STEP_MM, LEAST_SLICE_PX / px_per_mm)
    blur_mm = trace.blur_px / px_per_mm
    return float(np.sqrt(blur_mm**2 + (wide**2 - STEP_MM**2) / 12))


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
