"""Pixels across an edge of a tile: where the edge should be, and what lies about it.

Every pixel near the edge keeps its own distance from it, by the pose; nothing is
interpolated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.tile_pose import TilePose

Floats = NDArray[np.float64]

STEP_MM = 0.1
"""Distance from sample to sample along an edge."""
RIM_MM = (-0.75, 0.4)
"""Where the rim may lie about the nominal circle: chips and sag go far in."""
BACK_MM = (-0.1, 0.12)
"""Where the outline of the back may lie: the pose was taken from it.  Seen from the
middle of a ring its wall shows as a strip inside of it."""
ARC_END_RAD = np.deg2rad(89.1)
"""0.2 mm short of the corners."""


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
        at_mm=np.asarray(phi * radius, dtype=np.float64),
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
        at_mm=np.asarray(start + np.arange(count) * STEP_MM, dtype=np.float64),
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
