"""A set of rim tiles: which tiles, where on which plate, and their solids."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from patterns.errors import SpecError
from patterns.rim_checks import check_body, check_spans
from patterns.rim_manifest import RIM_SCHEMA, Placement, RimManifest, RimTile
from patterns.rim_supports import (
    Room,
    lip_solid,
    print_pose,
    room,
    supports_solid,
)
from patterns.rim_tile import rim_tile, tile_solid
from patterns.solids import mesh_arrays

if TYPE_CHECKING:
    import manifold3d
    import numpy as np  # noqa: TC004 - the manifest loads without numpy
    from numpy.typing import NDArray  # noqa: TC004

    from patterns.rim_spec import RimSpec

GAP_MM = 1.2  # between rafts of a row
ROW_GAP_MM = 2.0
TURN_DEG = 90.0  # the tilt runs along the plate's y


def rim_manifest(spec: RimSpec) -> RimManifest:
    """Lay a set out, without building any solid.

    Raises
    ------
    SpecError
        A tile does not fit the plate.
    """
    from patterns.edge_stand import TileSize, stand

    tiles = rim_tiles(spec)
    placements = _placements(spec, tiles)
    return RimManifest(
        schema=RIM_SCHEMA,
        kind="rim",
        set_id=f"rim-s{spec.set_number:02d}",
        set_code=spec.set_number,
        spec={
            k: list(v) if isinstance(v, tuple) else v for k, v in asdict(spec).items()
        },
        spec_sha256=spec.sha256(),
        frame=(
            "mm; tile: z = 0 the bottom face, z into the tile, x from the back edge to "
            "the lowest point; seen from the bottom face x right, y down; plate: z = 0 "
            "on the plate, z up, its middle the origin; tiles tilt along the plate's y"
        ),
        layer_mm=spec.layer_mm,
        pixel_x_mm=spec.pixel_x_mm,
        pixel_y_mm=spec.pixel_y_mm,
        tiles=tiles,
        placements=placements,
        plates=max(place.plate for place in placements),
        stand=stand(
            TileSize(
                radius_mm=spec.radius_mm,
                thickness_mm=spec.thickness_mm,
                taper_deg=spec.taper_deg,
            )
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateMesh:
    """All that is printed on one plate: ``vertices_mm`` (n, 3), ``faces`` (m, 3).

    The plate's middle is the origin, z = 0 on the plate.
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RimSet:
    """A set ready to print; ``plates`` in the order of the manifest's placements."""

    manifest: RimManifest
    plates: tuple[PlateMesh, ...]


def build_rims(spec: RimSpec) -> RimSet:
    """Build a set with its supports.

    The same spec gives the same bytes.

    Raises
    ------
    SpecError
        A tile does not fit the plate, or its solid is not one closed body.
    """
    from manifold3d import Manifold

    manifest = rim_manifest(spec)
    tiles = {tile.coupon_id: tile for tile in manifest.tiles}
    plates: list[list[manifold3d.Manifold]] = [[] for _ in range(manifest.plates)]
    for place in manifest.placements:
        tile = tiles[place.coupon_id]
        solid = printed_solid(spec, tile)
        check_body(solid, tile)
        check_spans(spec, tile)
        rim_x = tile.radius_mm * math.cos(math.radians(tile.tilt_deg))
        plates[place.plate - 1].append(
            solid.translate((-rim_x, 0.0, 0.0))
            .rotate((0.0, 0.0, place.turn_deg))
            .translate((place.x_mm, place.y_mm, 0.0))
        )
    return RimSet(
        manifest=manifest,
        plates=tuple(
            PlateMesh(vertices_mm=vertices, faces=faces)
            for vertices, faces in (
                mesh_arrays(Manifold.compose(solids)) for solids in plates
            )
        ),
    )


def printed_solid(spec: RimSpec, tile: RimTile) -> manifold3d.Manifold:
    """Build a tile with lip, supports and raft in the print frame, plate at z = 0."""
    solid = tile_solid(tile)
    if tile.lipped:
        solid += lip_solid(tile)
    return solid.transform(print_pose(tile)) + supports_solid(spec, tile)


def rim_tiles(spec: RimSpec) -> tuple[RimTile, ...]:
    """All tiles of a set, by tilt, bare before lipped."""
    kinds = [
        (tilt, treatment == "lipped")
        for tilt in spec.all_tilts_deg
        for treatment in sorted(spec.treatments)
    ]
    return tuple(
        rim_tile(spec, tilt, lipped=lipped, index=index)
        for index, (tilt, lipped) in enumerate(kinds)
    )


def _placements(spec: RimSpec, tiles: tuple[RimTile, ...]) -> tuple[Placement, ...]:
    """Fill plates with rows, tile by tile; a row is as deep as its deepest tile."""
    rooms = [room(spec, tile) for tile in tiles]
    across = max(spot.across_mm for spot in rooms) + GAP_MM
    columns = int((spec.plate_x_mm + GAP_MM) // across)
    if columns < 1:
        raise _too_large(spec, rooms)
    rows = [
        range(i, min(i + columns, len(tiles))) for i in range(0, len(tiles), columns)
    ]
    placed: list[Placement] = []
    for plate, shelf in enumerate(_shelves(spec, rooms, rows), start=1):
        depths = [_depth_mm(rooms, row) for row in shelf]
        start = -(sum(depths) + ROW_GAP_MM * (len(depths) - 1)) / 2
        for row, deep in zip(shelf, depths, strict=True):
            placed += [
                Placement(
                    coupon_id=tiles[i].coupon_id,
                    plate=plate,
                    x_mm=round((column - (len(row) - 1) / 2) * across, 6),
                    y_mm=round(start + rooms[i].before_mm, 6),
                    z_mm=rooms[i].rim_z_mm,
                    turn_deg=TURN_DEG,
                )
                for column, i in enumerate(row)
            ]
            start += deep + ROW_GAP_MM
    return tuple(placed)


def _shelves(spec: RimSpec, rooms: list[Room], rows: list[range]) -> list[list[range]]:
    """Rows of each plate."""
    shelves: list[list[range]] = []
    used = math.inf
    for row in rows:
        deep = _depth_mm(rooms, row)
        if deep > spec.plate_y_mm:
            raise _too_large(spec, rooms)
        if used + ROW_GAP_MM + deep > spec.plate_y_mm:
            shelves.append([])
            used = -ROW_GAP_MM
        shelves[-1].append(row)
        used += ROW_GAP_MM + deep
    return shelves


def _depth_mm(rooms: list[Room], row: range) -> float:
    """Depth of a row whose uphill ends are in line."""
    return max(rooms[i].along_mm for i in row)


def _too_large(spec: RimSpec, rooms: list[Room]) -> SpecError:
    across = max(spot.across_mm for spot in rooms)
    along = max(spot.along_mm for spot in rooms)
    return SpecError(
        f"A tile takes {across:.1f} x {along:.1f} mm and does not fit the plate of "
        f"{spec.plate_x_mm:g} x {spec.plate_y_mm:g} mm.",
        "Give the plate's long side as plate_x_mm, or choose smaller tiles.",
    )
