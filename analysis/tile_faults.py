"""Which of the things that look like a bad tile are one, and what an empty photo shows.

Corners of rulers, printed scales and the shade between tiles have arcs, too.  Where
tiles were read, a bad one has a face like theirs and lies apart from them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.candidates import shrunk
from analysis.half_discs import HalfDisc, arcs_of_radius
from analysis.legible import MAX_BLUR_PX, sharpest_blur_px
from analysis.refusals import refuse
from analysis.register import apply
from analysis.tile_outline import outline_mm
from analysis.tile_place import SEEN_PX_PER_MM

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.photo import Photo
    from analysis.result import Refusal
    from patterns.rim_manifest import RimTile

Floats = NDArray[np.float64]

SAME_FACE = 20.0
"""Grey levels between the faces of tiles of one print in one photo."""
LEAST_FACE = 0.6
"""Share of a tile's face that must look like one ..."""
LEAST_PIECE = 0.4
"""... and of a broken or covered tile's."""
APART_MM = 8.5
SOFT = 1.3
"""Blurred by this much more than what is measured, a photo shows nothing."""
_LONE_COVERAGE = 0.75
_LONE_VOTES = 0.7
_LONE_PX = 400
_LONE_EVEN = 12.0
_LONE_FACE = 0.85
_RADII = 1.12
_LARGEST = 0.3


def face_levels(photo: Photo, homography: Floats, layout: RimTile) -> Floats:
    """Colours (k, 3) of a face a fifth of the radius inside the rim, in the picture."""
    phi = np.linspace(-1.4, 1.4, 57)
    ring = 0.8 * layout.radius_mm * np.column_stack([np.cos(phi), np.sin(phi)])
    return _colours(photo.rgb8, apply(homography, ring))


def _colours(picture: NDArray[np.uint8], px: Floats) -> Floats:
    at = np.rint(px).astype(np.intp)
    limit = np.array([picture.shape[1], picture.shape[0]])
    at = at[np.all((at >= 0) & (at < limit), axis=1)]
    return np.asarray(picture[at[:, 1], at[:, 0]], dtype=np.float64)


def is_like(
    photo: Photo,
    homography: Floats,
    read: Sequence[Floats],
    layout: RimTile,
    *,
    share: float = LEAST_PIECE,
) -> bool:
    """Whether something may be a tile, given those that were read.

    Parameters
    ----------
    photo : Photo
    homography : (3, 3) array
        A tile's design mm to px.
    read : sequence of (3, 3) arrays
        Tiles that were read; if none was, anything may be one.
    layout : RimTile
    share : float
        Least part of its face that looks like theirs.
    """
    if not read:
        return True
    middle = np.array([[5.0, 0.0]])
    seen = face_levels(photo, homography, layout)
    here = apply(homography, middle)
    alike = []
    for other in read:
        aside = apply(np.asarray(np.linalg.inv(other)), here) - middle
        if np.linalg.norm(aside) < APART_MM:
            return False
        face = np.median(face_levels(photo, other, layout), axis=0)
        off = np.abs(seen - face).max(axis=1)
        alike.append(float(np.mean(off < SAME_FACE)) if len(off) else 0.0)
    return max(alike) >= share


def why_blurred(photo: Photo) -> Refusal | None:
    """Refuse a photo whose sharpest edges are soft, and that showed no tile."""
    blur_px = sharpest_blur_px(photo)
    if blur_px > SOFT * MAX_BLUR_PX:
        return refuse("blurred", blur_px=blur_px)
    return None


def lone_piece(photo: Photo, layout: RimTile) -> Refusal | None:
    """Name a tile that is cut off, broken or covered where no whole one tells its size.

    An arc of three quarters of a rim or more, of any size, about an even face.
    """
    tiny = shrunk(photo.rgb8, min(1.0, _LONE_PX / max(photo.rgb8.shape)))
    least = SEEN_PX_PER_MM * layout.radius_mm * tiny.shape[1] / photo.width_px
    largest = _LARGEST * min(tiny.shape[:2])
    steps = max(int(np.log(largest / least) / np.log(_RADII)), 0) + 1
    found = [
        disc
        for radius in least * _RADII ** np.arange(steps)
        for disc in arcs_of_radius(tiny, float(radius), [], _LONE_VOTES)
        if disc.coverage >= _LONE_COVERAGE and _is_even(tiny, disc, layout)
    ]
    if not found:
        return None
    best = max(found, key=lambda disc: disc.coverage)
    ring = apply(best.homography(layout.radius_mm), outline_mm(layout))
    limit = np.array([tiny.shape[1] - 2, tiny.shape[0] - 2])
    leaves = bool(np.any(ring < 1) or np.any(ring > limit))
    return refuse("tile_cut_off" if leaves else "tile_broken")


def _is_even(tiny: NDArray[np.uint8], disc: HalfDisc, layout: RimTile) -> bool:
    """Whether the face is of one colour, and another than outside of the arc."""
    phi = np.linspace(-1.2, 1.2, 49)
    ring = layout.radius_mm * np.column_stack([np.cos(phi), np.sin(phi)])
    to_px = disc.homography(layout.radius_mm)
    inner = [_colours(tiny, apply(to_px, share * ring)) for share in (0.85, 0.6)]
    face, outer = np.vstack(inner), _colours(tiny, apply(to_px, 1.15 * ring))
    if min(len(face), len(outer)) < len(phi) // 2:
        return False
    middle = np.median(face, axis=0)
    even = np.abs(face - middle).max(axis=1) < _LONE_EVEN
    apart = np.abs(outer - middle).max(axis=1) > _LONE_EVEN
    return bool(even.mean() > _LONE_FACE and apart.mean() > _LONE_FACE)
