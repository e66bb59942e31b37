"""Find rim tiles in a photo, read which ones they are, and say why others can't be."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.refusals import refuse
from analysis.register import apply, look, register
from analysis.tile_code import MOST_WEAK, WEAK, matching, read_tile_code
from analysis.tile_faults import SAME_FACE, face_levels, is_like
from analysis.tile_outline import edges, outline_mm, tile_template
from analysis.tile_place import Placed, place_tiles, px_per_mm
from patterns.rim_manifest import RimManifest, RimTile
from patterns.rimcode import decode

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.photo import Photo
    from analysis.result import Refusal
    from analysis.tile_code import TileCode

Floats = NDArray[np.float64]

MIN_PX_PER_MM = 10.0
_FINE_WINDOWS_MM = (0.5,)
_ON_EDGE_MM = 0.25
_OPPOSITE = 0.7
_MISSING = 0.75
_GAP = 0.15
"""Share of the arc that is missing in one piece when a tile is broken."""

_TOUCHING_MM = 0.3


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
    placed, pieces = place_tiles(photo, layout)
    doubtful = [(piece, _piece_fault(photo, piece, layout)) for piece in pieces]
    whole = []
    for one in placed:
        if _leaves(photo, apply(one.homography, outline_mm(layout))):
            doubtful.append((one, _fault(refuse("tile_cut_off"), one.middle_px)))
        else:
            whole.append(one)
    tiles = []
    for one, touches in zip(whole, _touching(photo, whole, layout), strict=True):
        if touches:
            doubtful.append((one, _fault(refuse("tiles_touching"), one.middle_px)))
            continue
        read = _identify(photo, one, manifests)
        if isinstance(read, FoundTile):
            tiles.append(read)
        else:
            doubtful.append((one, read))
    known = [found.homography for found in tiles]
    faults = [
        fault
        for one, fault in doubtful
        if is_like(photo, one.homography, known, layout)
    ]
    tiles, twice = _without_twins(tiles)
    return FoundTiles(
        tiles=tuple(sorted(tiles, key=lambda t: tuple(_middle(t)[::-1]))),
        faults=tuple(faults + twice),
    )


def _piece_fault(photo: Photo, piece: Placed, layout: RimTile) -> TileFault:
    outline = apply(piece.homography, outline_mm(layout))
    code = "tile_cut_off" if _leaves(photo, outline) else "tile_broken"
    return _fault(refuse(code), piece.middle_px)


def _touching(photo: Photo, placed: list[Placed], layout: RimTile) -> list[bool]:
    """Tell which outlines come nearer than 0.3 mm to another one with a like face."""
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
        faces = [
            np.median(face_levels(photo, p.homography, layout), axis=0)
            for p in (one, other)
        ]
        like = np.abs(faces[0] - faces[1]).max() < SAME_FACE
        if like and np.min(np.maximum(rim, -seen[:, 0])) < _TOUCHING_MM:
            touches[i] = touches[j] = True
    return touches


def _identify(
    photo: Photo, placed: Placed, manifests: Sequence[RimManifest]
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
        px_per_mm=px_per_mm(homography),
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
