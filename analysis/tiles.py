"""Find rim tiles in a photo, read which ones they are, and say why others can't be."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.candidates import shrunk
from analysis.half_discs import HalfDisc, arcs_of_radius, whole_discs
from analysis.refusals import refuse
from analysis.register import apply, look, register, support
from analysis.tile_code import MOST_WEAK, WEAK, matching, read_tile_code
from analysis.tile_outline import edges, outline_mm, tile_template
from patterns.rim_manifest import RimManifest, RimTile
from patterns.rimcode import decode

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.photo import Photo
    from analysis.result import Refusal
    from analysis.template import Template
    from analysis.tile_code import TileCode

Floats = NDArray[np.float64]

GUESS_LONGEST_PX = 1000
SEARCH_LONGEST_PX = 1400
MIN_PX_PER_MM = 10.0
_SEEN_PX_PER_MM = 7.0
"""Below this nothing is taken for a tile; up to MIN_PX_PER_MM it is named too small."""

_LEAST_RADIUS_PX = 14.0
_COARSE_WINDOWS_MM = (1.6, 0.9, 0.5)
_FINE_WINDOWS_MM = (0.5,)
_FOUND = 0.55
_ONE_PLANE = 0.2
_PIECE = 0.42
_ON_EDGE_MM = 0.25
_OPPOSITE = 0.7
_MISSING = 0.75
_GAP = 0.15
"""Share of the arc that is missing in one piece when a tile is broken."""

_SAME_FACE = 20.0
_TOUCHING_MM = 0.3
_MOST_TRIED = 60
_MOST_SQUASH = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTile:
    """A tile found and read.

    ``homography`` (3, 3) takes its design mm to px, good to a few tenths of a pixel;
    ``outline_px`` (n, 2) is closed; ``px_per_mm`` per design mm at the middle of its
    face; ``code_margin`` 0 (a guess) to 1 (clear).
    """

    tile: RimTile
    manifest: RimManifest
    homography: Floats
    outline_px: Floats
    px_per_mm: float
    code_margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TileFault:
    """Why something that looks like a tile is not measured; ``where_px`` (2,)."""

    code: str
    message: str
    remedy: str
    where_px: Floats
    coupon_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTiles:
    """All tiles of a photo, and what stood in the way of others."""

    tiles: tuple[FoundTile, ...]
    faults: tuple[TileFault, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """Something with a half disc's outline; ``seen`` is the share of it that shows."""

    homography: Floats
    seen: float
    inside: float

    @property
    def middle_px(self) -> Floats:
        return np.asarray(apply(self.homography, np.array([[5.0, 0.0]]))[0])

    @property
    def scale(self) -> float:
        return _px_per_mm(self.homography)


def find_tiles(photo: Photo, manifests: Sequence[RimManifest]) -> FoundTiles:
    """Find every tile of the given sets.

    Parameters
    ----------
    photo : Photo
    manifests : sequence of RimManifest
        Sets that the tiles may be of, at least one; all of one layout.

    Returns
    -------
    FoundTiles
        In pixels of ``photo.rgb8``, from top left to bottom right.

    Raises
    ------
    ValueError
        No manifests.
    """
    if not manifests:
        raise ValueError("find_tiles wants at least one manifest")
    layout = manifests[0].tiles[0]
    placed, pieces = _place(photo, layout)
    faults = [_piece_fault(photo, piece, layout) for piece in pieces]
    whole = []
    for one in placed:
        if _leaves(photo, apply(one.homography, outline_mm(layout))):
            faults.append(_fault(refuse("tile_cut_off"), one.middle_px))
        else:
            whole.append(one)
    tiles = []
    for one, touches in zip(whole, _touching(whole, layout), strict=True):
        if touches:
            faults.append(_fault(refuse("tiles_touching"), one.middle_px))
            continue
        read = _identify(photo, one, manifests)
        if isinstance(read, FoundTile):
            tiles.append(read)
        else:
            faults.append(read)
    tiles, twice = _without_twins(tiles)
    return FoundTiles(
        tiles=tuple(sorted(tiles, key=lambda t: tuple(_middle(t)[::-1]))),
        faults=tuple(faults + twice),
    )


def _place(photo: Photo, layout: RimTile) -> tuple[list[_Placed], list[_Placed]]:
    """Lay outlines at reduced size: what fits well, and pieces that don't, full px."""
    small = shrunk(photo.rgb8, min(1.0, SEARCH_LONGEST_PX / max(photo.rgb8.shape)))
    tiny = shrunk(small, min(1.0, GUESS_LONGEST_PX / max(small.shape)))
    template = tile_template(layout, with_notches=False)
    up = _rescaling(tiny.shape[1] / small.shape[1])
    least = max(
        _LEAST_RADIUS_PX,
        _SEEN_PX_PER_MM * layout.radius_mm * tiny.shape[1] / photo.width_px,
    )
    discs = whole_discs(tiny, least)[:_MOST_TRIED]
    placed = _of_one_plane(
        [p for disc in discs if (p := _laid(small, disc, up, template, layout))]
    )
    pieces: list[_Placed] = []
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
) -> _Placed | None:
    homography = up @ disc.homography(layout.radius_mm)
    homography = register(small, homography, template, _COARSE_WINDOWS_MM)
    if not _sane(homography, layout):
        return None
    seen = support(small, homography, template)
    if not seen.overall > _FOUND:
        return None
    return _Placed(homography=homography, seen=seen.overall, inside=seen.inside)


def _sane(homography: Floats, layout: RimTile) -> bool:
    corners = outline_mm(layout)
    weight = np.column_stack([corners, np.ones(len(corners))]) @ homography[2]
    if weight.min() <= 0 or weight.max() > 1.3 * weight.min():
        return False
    stretch = np.linalg.svd(_slope(homography), compute_uv=False)
    return bool(stretch[0] < _MOST_SQUASH * stretch[1])


def _of_one_plane(placed: list[_Placed]) -> list[_Placed]:
    """Leave out what has another size than most: the tiles lie in one plane."""
    if not placed:
        return []
    scales = np.array([p.scale for p in placed])
    alike = np.abs(np.log(scales[:, None] / scales)) < _ONE_PLANE / 2
    weight = alike @ np.array([p.seen for p in placed])
    common = scales[int(np.argmax(weight))]
    return [p for p in placed if abs(np.log(p.scale / common)) < _ONE_PLANE]


def _once(placed: list[_Placed]) -> list[_Placed]:
    kept: list[_Placed] = []
    for one in sorted(placed, key=lambda p: -p.seen):
        if all(
            np.linalg.norm(one.middle_px - other.middle_px) > 5.0 * other.scale
            for other in kept
        ):
            kept.append(one)
    return kept


def _coloured_like(
    small: NDArray[np.uint8],
    pieces: list[_Placed],
    tiles: list[_Placed],
    layout: RimTile,
) -> list[_Placed]:
    """Keep pieces whose face looks like a tile's: arcs of other things are no tiles."""
    faces = np.array([_face(small, tile, layout) for tile in tiles])
    return [
        piece
        for piece in pieces
        if np.abs(faces - _face(small, piece, layout)).max(axis=1).min() < _SAME_FACE
    ]


def _face(small: NDArray[np.uint8], placed: _Placed, layout: RimTile) -> Floats:
    """Median colour a fifth of the radius inside the rim, in grey levels."""
    phi = np.linspace(-1.4, 1.4, 57)
    ring = 0.8 * layout.radius_mm * np.column_stack([np.cos(phi), np.sin(phi)])
    at = np.rint(apply(placed.homography, ring)).astype(int)
    limit = np.array([small.shape[1], small.shape[0]])
    at = at[np.all((at >= 0) & (at < limit), axis=1)]
    if not len(at):
        return np.full(3, np.inf)
    return np.asarray(np.median(small[at[:, 1], at[:, 0]], axis=0), dtype=np.float64)


def _as_piece(disc: HalfDisc, up: Floats, layout: RimTile) -> _Placed:
    homography = up @ disc.homography(layout.radius_mm)
    return _Placed(homography=homography, seen=0.0, inside=disc.coverage)


def _moved(placed: _Placed, to: Floats) -> _Placed:
    return _Placed(
        homography=to @ placed.homography, seen=placed.seen, inside=placed.inside
    )


def _rescaling(factor: float) -> Floats:
    """Pixels of a picture in those of one that is 1 / ``factor`` times as large."""
    shift = 0.5 / factor - 0.5
    return np.array([[1 / factor, 0, shift], [0, 1 / factor, shift], [0, 0, 1.0]])


def _piece_fault(photo: Photo, piece: _Placed, layout: RimTile) -> TileFault:
    outline = apply(piece.homography, outline_mm(layout))
    code = "tile_cut_off" if _leaves(photo, outline) else "tile_broken"
    return _fault(refuse(code), piece.middle_px)


def _touching(placed: list[_Placed], layout: RimTile) -> list[bool]:
    """Tell which outlines come nearer than 0.3 mm to another one."""
    ring = outline_mm(layout)
    touches = [False] * len(placed)
    for i, j in combinations(range(len(placed)), 2):
        one, other = placed[i], placed[j]
        far = np.linalg.norm(one.middle_px - other.middle_px)
        if far > 2.2 * layout.radius_mm * one.scale:
            continue
        back = np.asarray(np.linalg.inv(other.homography))
        seen = apply(back, apply(one.homography, ring))
        rim = np.linalg.norm(seen, axis=1) - layout.radius_mm
        if np.min(np.maximum(rim, -seen[:, 0])) < _TOUCHING_MM:
            touches[i] = touches[j] = True
    return touches


def _identify(
    photo: Photo, placed: _Placed, manifests: Sequence[RimManifest]
) -> FoundTile | TileFault:
    if placed.scale < MIN_PX_PER_MM:
        return _fault(refuse("too_few_px", px_per_mm=placed.scale), placed.middle_px)
    layout = manifests[0].tiles[0]
    plain = tile_template(layout, with_notches=False)
    homography = register(photo.rgb8, placed.homography, plain, _FINE_WINDOWS_MM)
    code = read_tile_code(photo.rgb8, homography, layout)
    if code is None:
        return _fault(refuse("tile_cut_off"), placed.middle_px)
    fitting = [
        (tile, manifest)
        for manifest in manifests
        for tile in matching(code, manifest.tiles)
    ]
    if len(fitting) != 1:
        why = _why_no_tile(photo, homography, layout)
        return _fault(_why_unread(code) if why is None else why, placed.middle_px)
    tile, manifest = fitting[0]
    template = tile_template(tile, with_notches=True)
    homography = register(photo.rgb8, homography, template, _FINE_WINDOWS_MM)
    return FoundTile(
        tile=tile,
        manifest=manifest,
        homography=homography,
        outline_px=apply(homography, outline_mm(tile)),
        px_per_mm=_px_per_mm(homography),
        code_margin=code.margin,
    )


def _why_no_tile(photo: Photo, homography: Floats, layout: RimTile) -> Refusal | None:
    """Tell a piece, and two tiles back to back, from a whole tile with a bad code."""
    arc = [
        (edge.middle_mm, edge.normal) for edge in edges(layout) if edge.kind == "arc"
    ]
    points, normals = (np.array(column) for column in zip(*arc, strict=True))
    there, opposite = (
        _seen_at(photo, homography, points * (side, 1), normals * (side, 1))
        for side in (1, -1)
    )
    if opposite.mean() > _OPPOSITE:
        return refuse("tiles_touching")
    gap = int(_GAP * len(there))
    missing = np.convolve(~there, np.ones(gap), "valid")
    return refuse("tile_broken") if missing.max() > _MISSING * gap else None


def _seen_at(
    photo: Photo, homography: Floats, points: Floats, normals: Floats
) -> NDArray[np.bool_]:
    offset, weight = look(photo.rgb8, homography, points, normals, 1.0)
    return np.asarray((np.abs(offset) < _ON_EDGE_MM) & (weight > 0))


def _why_unread(code: TileCode) -> Refusal:
    if code.backwards:
        return refuse("tile_wrong_face")
    weak = int(np.sum(np.abs(code.score) < WEAK))
    if weak > MOST_WEAK:
        why = f"{weak} of {len(code.score)} places can't be told cut from uncut"
        return refuse("tile_code", why=why)
    said = decode(code.bits)
    if said is None:
        return refuse("tile_code", why="its check does not agree")
    lip = "lipped" if said.lipped else "bare"
    what = f"set {said.set_code}, {said.tilt_code_deg} degrees, {lip}"
    return refuse("tile_unknown", what=what)


def _without_twins(
    tiles: list[FoundTile],
) -> tuple[list[FoundTile], list[TileFault]]:
    count = Counter(found.tile.coupon_id for found in tiles)
    once = [found for found in tiles if count[found.tile.coupon_id] == 1]
    twice = [
        _fault(
            refuse("tile_twice", coupon_id=found.tile.coupon_id),
            _middle(found),
            found.tile.coupon_id,
        )
        for found in tiles
        if count[found.tile.coupon_id] > 1
    ]
    return once, twice


def _middle(found: FoundTile) -> Floats:
    return np.asarray(apply(found.homography, np.array([[5.0, 0.0]]))[0])


def _fault(
    refusal: Refusal, where_px: Floats, coupon_id: str | None = None
) -> TileFault:
    return TileFault(
        code=refusal.code,
        message=refusal.message,
        remedy=refusal.remedy,
        where_px=where_px,
        coupon_id=coupon_id,
    )


def _leaves(photo: Photo, outline_px: Floats) -> bool:
    limit = np.array([photo.width_px - 1.0, photo.height_px - 1.0])
    return bool(np.any(outline_px < 1) or np.any(outline_px > limit - 1))


def _slope(homography: Floats) -> Floats:
    ends = np.array([[5.5, 0], [4.5, 0], [5, 0.5], [5, -0.5]])
    px = apply(homography, ends)
    return np.column_stack([px[0] - px[1], px[2] - px[3]])


def _px_per_mm(homography: Floats) -> float:
    return float(np.sqrt(abs(np.linalg.det(_slope(homography)))))
