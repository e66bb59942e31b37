"""How well the light shows a rim, and which tiles are not measured for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import FORM_CUTOFF_MM, lowpass
from analysis.rim_pixels import STEP_MM

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.rim_edges import EdgeTrace
    from analysis.rim_pixels import Course
    from analysis.rim_result import RimArc
    from analysis.tile_pose import TilePose

Floats = NDArray[np.float64]

OPEN_MM = np.linspace(1.2, 3.0, 8)
"""The open table, to tell the full step by, is looked at this far outside the rim."""
LEAST_COVERED = 0.97
WEAK, MOST_WEAK = 0.45, 0.20
"""At most this share of the arc may have a step below this share of the full one."""
MOST_GAP = 6
"""Samples in a row that may be missing."""
LEAST_CONTRAST = 0.25
MOST_LINED = 0.12
UNREADABLE = 0.12
"""Below this share of the full step a sample is not used."""

NOT_COVERED = (
    "Only {covered:.0%} of the rim can be read, 97 % are needed: uncover it, clean it, "
    "and take the photo again with other light."
)
GAP = (
    "Half a millimetre of the rim or more can't be read in one place, which may hide a "
    "deep chip: clean the rim, and take the photo again with other light."
)
HALF_SHADE = (
    "The rim lies in half shade along {weak:.0%} of its length, 20 % are allowed: "
    "light the tiles from all round, or add a photo with the sheet turned by 180 "
    "degrees."
)
LOW_CONTRAST = (
    "The tile hardly differs in brightness from the table beside its rim: lay it on "
    "paper that is much lighter or darker than the resin, or on a lit white screen."
)
LINED_MAT = (
    "The table beside the rim is lined or patterned, which moves edges: lay the tiles "
    "on plain white paper."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RimLight:
    """Light along a rim.

    ``strength`` (n,): step just outside the edge over the full step, negative where it
    goes the other way; ``contrast``: full step over the brighter level; ``lined``:
    scatter of the table beside the rim, shorter than 8 mm, over the full step.
    """

    strength: Floats
    contrast: float
    lined: float


def rim_light(
    photo: Photo, pose: TilePose, course: Course, trace: EdgeTrace
) -> RimLight:
    """Compare the step along a rim with that between the part and the open table."""
    beside = _open_table(photo, pose, course)
    table = np.asarray(np.median(beside, axis=0))
    away = table - trace.inside
    sign = 1.0 if np.median(away) >= 0 else -1.0
    full = max(
        float(np.percentile(sign * trace.step, 90.0)),
        float(np.percentile(sign * away, 75.0)),
        1e-5,
    )
    brighter = max(float(np.median(np.maximum(table, trace.inside))), 1e-4)
    return RimLight(
        strength=np.minimum(sign * trace.step / full, 1.0),
        contrast=full / brighter,
        lined=_unevenness(beside) / full,
    )


def _open_table(photo: Photo, pose: TilePose, course: Course) -> Floats:
    """Light (k, n) of a few places outside each sample."""
    n = len(course.at_mm)
    rows = []
    for out in OPEN_MM:
        flat = course.point(course.at_mm, np.full(n, out))
        px = np.rint(pose.project(np.column_stack([flat, np.zeros(n)])))
        x = np.clip(px[:, 0], 0, photo.width_px - 1).astype(np.intp)
        y = np.clip(px[:, 1], 0, photo.height_px - 1).astype(np.intp)
        rows.append(photo.linear_lut[photo.rgb8[y, x, 1], 1].astype(np.float64))
    return np.array(rows)


def _unevenness(beside: Floats) -> float:
    """Root mean square of what is shorter than 8 mm along the rows (k, n)."""
    along = np.arange(beside.shape[1], dtype=np.float64) * STEP_MM
    slow = lowpass(along, beside.T, FORM_CUTOFF_MM).T
    return float(np.sqrt(np.mean((beside - slow) ** 2)))


def why_not(arc: RimArc, contrast: float, lined: float) -> str | None:
    """Say why a tile's rim is not measured, or None."""
    covered = float(np.mean(arc.used))
    weak = float(np.mean(arc.strength < WEAK))
    if contrast < LEAST_CONTRAST:
        return LOW_CONTRAST
    if lined > MOST_LINED:
        return LINED_MAT
    if weak > MOST_WEAK:
        return HALF_SHADE.format(weak=weak)
    if covered < LEAST_COVERED:
        return NOT_COVERED.format(covered=covered)
    if _longest_gap(arc) > MOST_GAP:
        return GAP
    return None


def _longest_gap(arc: RimArc) -> int:
    """Most samples in a row that could not be read."""
    read = np.flatnonzero(np.concatenate([[True], arc.used, [True]]))
    return int(np.diff(read).max()) - 1
