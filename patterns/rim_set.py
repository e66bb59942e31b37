"""A set of rim tiles: which tiles, where on which plate, and their solids."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from patterns.errors import SpecError
from patterns.rim_manifest import RIM_SCHEMA, Placement, RimManifest, RimTile
from patterns.rim_tile import rim_tile

if TYPE_CHECKING:
    from patterns.rim_spec import RimSpec

GAP_MM = 0.8
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
    from patterns.rim_supports import Room, room

    rooms = [room(spec, tile) for tile in tiles]
    placed: list[Placement] = []
    rows: list[list[int]] = []
    across = max(1, int((spec.plate_x_mm + GAP_MM) // (rooms[0].across_mm + GAP_MM)))
    for first in range(0, len(tiles), across):
        rows.append(list(range(first, min(first + across, len(tiles)))))
    plate, used = 1, 0.0
    shelf: list[tuple[int, float, list[int]]] = []
    for row in rows:
        deep = max(rooms[i].along_mm for i in row)
        _check_fits(spec, rooms[row[0]], deep)
        if used + deep > spec.plate_y_mm:
            plate, used = plate + 1, 0.0
        shelf.append((plate, used, row))
        used += deep + GAP_MM
    for plate_number, start, row in shelf:
        for column, i in enumerate(row):
            spot: Room = rooms[i]
            placed.append(
                Placement(
                    coupon_id=tiles[i].coupon_id,
                    plate=plate_number,
                    x_mm=round(
                        (column - (across - 1) / 2) * (spot.across_mm + GAP_MM), 6
                    ),
                    y_mm=round(start - spec.plate_y_mm / 2 + spot.before_mm, 6),
                    z_mm=spot.rim_z_mm,
                    turn_deg=TURN_DEG,
                )
            )
    return tuple(placed)


def _check_fits(spec: RimSpec, spot: object, deep_mm: float) -> None:
    across_mm = getattr(spot, "across_mm", 0.0)
    if across_mm > spec.plate_x_mm or deep_mm > spec.plate_y_mm:
        raise SpecError(
            f"A tile takes {across_mm:.1f} x {deep_mm:.1f} mm and does not fit the "
            f"plate of {spec.plate_x_mm:g} x {spec.plate_y_mm:g} mm.",
            "Give the plate's long side as plate_x_mm, or a smaller radius.",
        )
