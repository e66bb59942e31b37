"""Lay the outlines of tiles over a photo: where they are, before they are read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.candidates import shrunk
from analysis.half_discs import HalfDisc, arcs_of_radius, whole_discs
from analysis.register import apply, register, support
from analysis.tile_outline import outline_mm, tile_template

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.template import Template
    from patterns.rim_manifest import RimTile

Floats = NDArray[np.float64]

GUESS_LONGEST_PX = 1000
SEARCH_LONGEST_PX = 1400
SEEN_PX_PER_MM = 7.0
"""Below this nothing is taken for a tile."""

_LEAST_RADIUS_PX = 14.0
_COARSE_WINDOWS_MM = (1.6, 0.9, 0.5)
_FOUND = 0.55
_ONE_PLANE = 0.2
_PIECE = 0.42
_SAME_FACE = 20.0
_APART_MM = 8.5
"""Middles of two tiles back to back are 10 mm apart."""

_MOST_TRIED = 60
_MOST_SQUASH = 1.25
_MOST_KEYSTONE = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Something with a half disc's outline; ``seen`` is the share of it that shows.

    ``homography`` (3, 3) takes a tile's design mm to px.
    """

    homography: Floats
    seen: float

    @property
    def middle_px(self) -> Floats:
        """A point in the middle of the face (2,)."""
        return np.asarray(apply(self.homography, np.array([[5.0, 0.0]]))[0])

    @property
    def scale(self) -> float:
        """Pixels per design mm in the middle of the face."""
        return px_per_mm(self.homography)


def place_tiles(photo: Photo, layout: RimTile) -> tuple[list[Placed], list[Placed]]:
    """Lay outlines of tiles over a photo, searching at reduced size.

    Returns
    -------
    What looks like a tile, and arcs of the tiles' size and colour that don't; in pixels
    of ``photo.rgb8``.
    """
    small = shrunk(photo.rgb8, min(1.0, SEARCH_LONGEST_PX / max(photo.rgb8.shape)))
    tiny = shrunk(small, min(1.0, GUESS_LONGEST_PX / max(small.shape)))
    template = tile_template(layout, with_notches=False)
    up = _rescaling(tiny.shape[1] / small.shape[1])
    least = max(
        _LEAST_RADIUS_PX,
        SEEN_PX_PER_MM * layout.radius_mm * tiny.shape[1] / photo.width_px,
    )
    discs = whole_discs(tiny, least)[:_MOST_TRIED]
    placed = _of_one_plane(
        [p for disc in discs if (p := _laid(small, disc, up, template, layout))]
    )
    pieces: list[Placed] = []
    if placed:
        radius = float(np.median([p.scale for p in placed])) * layout.radius_mm
        radius *= tiny.shape[1] / small.shape[1]
        down = np.asarray(np.linalg.inv(up))
        known = [apply(down @ p.homography, outline_mm(layout)) for p in placed]
        for disc in arcs_of_radius(tiny, radius, known):
            one = _laid(small, disc, up, template, layout)
            if one is not None:
                placed.append(one)
            elif disc.coverage > _PIECE:
                pieces.append(_as_piece(disc, up, layout))
        pieces = _coloured_like(small, pieces, placed, layout)
    full = _rescaling(small.shape[1] / photo.width_px)
    return (
        [_moved(p, full) for p in _once(placed)],
        [_moved(p, full) for p in pieces],
    )


def _laid(
    small: NDArray[np.uint8],
    disc: HalfDisc,
    up: Floats,
    template: Template,
    layout: RimTile,
) -> Placed | None:
    homography = up @ disc.homography(layout.radius_mm)
    homography = register(small, homography, template, _COARSE_WINDOWS_MM)
    if not _sane(homography, layout):
        return None
    seen = support(small, homography, template)
    if not seen.overall > _FOUND:
        return None
    return Placed(homography=homography, seen=seen.overall)


def _sane(homography: Floats, layout: RimTile) -> bool:
    corners = outline_mm(layout)
    weight = np.column_stack([corners, np.ones(len(corners))]) @ homography[2]
    if weight.min() <= 0 or weight.max() > _MOST_KEYSTONE * weight.min():
        return False
    stretch = np.linalg.svd(_slope(homography), compute_uv=False)
    return bool(stretch[0] < _MOST_SQUASH * stretch[1])


def _of_one_plane(placed: list[Placed]) -> list[Placed]:
    """Leave out what has another size than most: the tiles lie in one plane."""
    if not placed:
        return []
    scales = np.array([p.scale for p in placed])
    alike = np.abs(np.log(scales[:, None] / scales)) < _ONE_PLANE / 2
    weight = alike @ np.array([p.seen for p in placed])
    common = scales[int(np.argmax(weight))]
    return [p for p in placed if abs(np.log(p.scale / common)) < _ONE_PLANE]


def _once(placed: list[Placed]) -> list[Placed]:
    kept: list[Placed] = []
    for one in sorted(placed, key=lambda p: -p.seen):
        if all(
            np.linalg.norm(one.middle_px - other.middle_px) > _APART_MM * other.scale
            for other in kept
        ):
            kept.append(one)
    return kept


def _coloured_like(
    small: NDArray[np.uint8],
    pieces: list[Placed],
    tiles: list[Placed],
    layout: RimTile,
) -> list[Placed]:
    """Keep pieces whose face looks like a tile's: arcs of other things are no tiles."""
    faces = np.array([_face(small, tile, layout) for tile in tiles])
    return [
        piece
        for piece in pieces
        if np.abs(faces - _face(small, piece, layout)).max(axis=1).min() < _SAME_FACE
    ]


def _face(small: NDArray[np.uint8], placed: Placed, layout: RimTile) -> Floats:
    """Median colour a fifth of the radius inside the rim, in grey levels."""
    phi = np.linspace(-1.4, 1.4, 57)
    ring = 0.8 * layout.radius_mm * np.column_stack([np.cos(phi), np.sin(phi)])
    at = np.rint(apply(placed.homography, ring)).astype(int)
    limit = np.array([small.shape[1], small.shape[0]])
    at = at[np.all((at >= 0) & (at < limit), axis=1)]
    if not len(at):
        return np.full(3, np.inf)
    return np.asarray(np.median(small[at[:, 1], at[:, 0]], axis=0), dtype=np.float64)


def _as_piece(disc: HalfDisc, up: Floats, layout: RimTile) -> Placed:
    homography = up @ disc.homography(layout.radius_mm)
    return Placed(homography=homography, seen=disc.coverage)


def _moved(placed: Placed, to: Floats) -> Placed:
    return Placed(homography=to @ placed.homography, seen=placed.seen)


def _rescaling(factor: float) -> Floats:
    """Pixels of a picture in those of one that is 1 / ``factor`` times as large."""
    shift = 0.5 / factor - 0.5
    return np.array([[1 / factor, 0, shift], [0, 1 / factor, shift], [0, 0, 1.0]])


def _slope(homography: Floats) -> Floats:
    ends = np.array([[5.5, 0], [4.5, 0], [5, 0.5], [5, -0.5]])
    px = apply(homography, ends)
    return np.column_stack([px[0] - px[1], px[2] - px[3]])


def px_per_mm(homography: Floats) -> float:
    """Scale in the middle of a tile's face, geometric mean of both directions."""
    return float(np.sqrt(abs(np.linalg.det(_slope(homography)))))
