"""Where a rim's own centre lies, which its pose misses where walls show.

From the middle of a ring of tiles the back wall leans into view, and its foot is easily
taken for the back edge: the pose is then off by some tenths of a millimetre along x,
and angles by up to two degrees.  Likewise the walls of notches along y.  The arc knows
its own middle along y; along x it has a say only, since uneven shrinkage moves it, too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import SAG_HALF_RAD
from analysis.rim_back import land_spans
from analysis.rim_path import steepest_path
from analysis.rim_pixels import RIM_MM, STEP_MM, arc_course, gather

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.tile_pose import TilePose

Floats = NDArray[np.float64]

WIDER_MM = 0.35
"""The rim may lie this much farther off before it is centred."""
DRAFT_MM = 0.268
"""The back wall stands back by this: 15 degrees over its first millimetre."""
LEAST_STRIP_MM = 0.05
ARC_SIGMA_MM = 0.1
"""So far the middle of a real rim may lie off along x."""
_SLICE_HALF_MM = 0.1
_ROUNDS = 5
_OUTLYING, _LEAST_OFF_MM = 3.5, 0.04
_LEAST_KEPT = 0.5
_NOTHING_MM = 0.005
_STEP_HALF_MM = 0.08
_ACROSS_MM = 0.02
_MOST_EVIDENCE = 2.0


def centred(photo: Photo, pose: TilePose) -> TilePose:
    """Move a tile's frame to the centre of its rim.

    Parameters
    ----------
    photo : Photo
    pose : TilePose

    Returns
    -------
    TilePose
        The pose given, if half of the rim does not agree on a centre.
    """
    middle = _arc_middle(photo, pose)
    if middle is None:
        return pose
    x, y = _back_edge(photo, pose, float(middle[0])), float(middle[1])
    if np.hypot(x, y) < _NOTHING_MM:
        return pose
    return replace(pose, view=pose.view.placed(x, y))


def _arc_middle(photo: Photo, pose: TilePose) -> Floats | None:
    """Centre (2,) of the rim beyond 30 degrees, where sag has no say.

    ``c0 + c1 cos phi + c2 sin phi + c3 cos 2 phi`` is fitted to the line of steepest
    light; what lies far off is left out by turns.  phi runs from x to -y.
    """
    course = replace(
        arc_course(pose), low_mm=RIM_MM[0] - WIDER_MM, high_mm=RIM_MM[1] + WIDER_MM
    )
    reach = (-course.low_mm, course.high_mm)
    strip = gather(photo, pose, course, reach, _SLICE_HALF_MM)
    place = steepest_path(strip, course.low_mm, course.high_mm)
    phi = course.at_mm / pose.radius_mm
    design = np.column_stack(
        [np.ones_like(phi), np.cos(phi), np.sin(phi), np.cos(2 * phi)]
    )
    rest = np.abs(phi) > SAG_HALF_RAD
    kept, terms = rest, np.zeros(4)
    for _ in range(_ROUNDS):
        terms = np.linalg.lstsq(design[kept], place[kept], rcond=None)[0]
        off = np.abs(place - design @ terms)
        typical = 1.4826 * float(np.median(off[rest]))
        kept = rest & (off < max(_OUTLYING * typical, _LEAST_OFF_MM))
        if kept.sum() < _LEAST_KEPT * rest.sum():
            return None
    return np.array([terms[1], -terms[2]])


def _back_edge(photo: Photo, pose: TilePose, arc_x_mm: float) -> float:
    """Place of the back edge along x: where the pose has it, or a wall's width inside.

    Two things tell: the weaker step of light, which is the foot outside of the edge or
    the edge inside of the foot, and the arc.  Their log-likelihoods add up.
    """
    slope = float(pose.ray_slope(np.zeros((1, 3)))[0, 0])
    scale = pose.design_scale
    strip = scale * (pose.tile.thickness_mm * slope - DRAFT_MM)
    if strip < LEAST_STRIP_MM:
        return 0.0
    inside, outside = _steps(photo, pose, np.array([strip, -strip]))
    by_light = float(np.clip(np.log(inside / outside), -_MOST_EVIDENCE, _MOST_EVIDENCE))
    by_arc = strip * (2 * arc_x_mm - strip) / (2 * ARC_SIGMA_MM**2)
    return strip if by_light + by_arc > 0 else 0.0


def _steps(photo: Photo, pose: TilePose, at_mm: Floats) -> Floats:
    """Find the steps of light (k,) across the back edge at x, all along it."""
    spans = [np.arange(low, high, STEP_MM) for low, high in land_spans(pose)]
    along = np.concatenate([np.zeros(0), *spans])
    if not len(along):
        return np.ones(len(at_mm))
    away = np.arange(_ACROSS_MM, _STEP_HALF_MM, _ACROSS_MM)
    sides = [_light(photo, pose, at_mm, sign * away, along) for sign in (1, -1)]
    return np.abs(sides[0] - sides[1]) + 1e-3 * np.abs(sides[0] + sides[1])


def _light(
    photo: Photo, pose: TilePose, at_mm: Floats, away_mm: Floats, along_mm: Floats
) -> Floats:
    """Mean over ``away`` of the median along the edge, (k,)."""
    x = (at_mm[:, None] + away_mm)[:, :, None]
    x, y = np.broadcast_arrays(x, along_mm)
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    px = np.rint(pose.project(points)).astype(np.intp)
    column = np.clip(px[:, 0], 0, photo.width_px - 1)
    row = np.clip(px[:, 1], 0, photo.height_px - 1)
    light = photo.linear_lut[photo.rgb8[row, column, 1], 1].reshape(x.shape)
    return np.asarray(np.median(light, axis=2).mean(axis=1), dtype=np.float64)
