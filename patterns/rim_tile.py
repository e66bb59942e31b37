"""The rim tile: half a base, with its code, as it is once supports and lip are off."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from patterns.rim_manifest import BackNotch, Foot, RimTile
from patterns.rimcode import PLACES, code_number, encode, encode_feet
from patterns.solids import mesh_arrays

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import manifold3d
    from numpy.typing import NDArray

    from patterns.rim_spec import RimSpec

PLACE_MM = 1.1
NOTCH_DEPTH_MM = 1.5
# The walls of back edge and notches lean away from the bottom face over this height,
# so that none shows beside the edges that are read.
DRAFT_HEIGHT_MM = 1.0
FOOT_HEIGHT_MM = 0.8
FOOT_TOP_RATIO = 0.65
# Seen in profile, the feet every tile has stand clear of the code: those off y = 0
# appear moved outwards by about 0.08 of their height above it.
SIDE_FEET_MM = (4.3, 8.5)
SIDE_FOOT_MM = 0.8
CODE_FOOT_MM = 0.7
FIRST_FOOT_MM = 5.8
FOOT_PITCH_MM = 0.85
CHORD_MM = 0.1
_FOOT_SIDES = 20


def foot_place_mm(place: int) -> float:
    """Distance of a place of the code of feet from the back edge.

    One pitch beyond the last place stands a foot that every tile has.
    """
    return FIRST_FOOT_MM + FOOT_PITCH_MM * place


def rim_tile(spec: RimSpec, tilt_deg: float, *, lipped: bool, index: int) -> RimTile:
    """Describe one tile of a set."""
    bits = encode(tilt_deg, lipped, spec.set_number)
    treatment = "lipped" if lipped else "bare"
    notches = tuple(
        BackNotch(
            place=place,
            y0_mm=round((place - PLACES / 2) * PLACE_MM, 9),
            y1_mm=round((place + 1 - PLACES / 2) * PLACE_MM, 9),
            cut=cut,
        )
        for place, cut in enumerate(bits)
    )
    feet = _feet(index)
    return RimTile(
        coupon_id=f"rim-s{spec.set_number:02d}-t{round(tilt_deg):02d}-{treatment}",
        index=index,
        code=code_number(tilt_deg, lipped, spec.set_number),
        tilt_deg=tilt_deg,
        lipped=lipped,
        radius_mm=spec.radius_mm,
        thickness_mm=spec.thickness_mm,
        taper_deg=spec.taper_deg,
        notch_depth_mm=NOTCH_DEPTH_MM,
        notches=notches,
        feet=feet,
        lip_width_mm=spec.lip_width_mm if lipped else None,
        lip_depth_mm=spec.lip_depth_mm(tilt_deg) if lipped else None,
        volume_mm3=round(
            _volume_mm3(
                spec.radius_mm, spec.thickness_mm, spec.taper_deg, notches, feet
            ),
            6,
        ),
    )


def tile_solid(
    tile: RimTile,
    rim_mm: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    chord_mm: float = CHORD_MM,
) -> manifold3d.Manifold:
    """Build the finished tile in its own frame.

    Parameters
    ----------
    tile : RimTile
    rim_mm : callable, optional
        From phi (n,) in radians to the outward deviation (n,) in mm, written into the
        bottom rim and the wall above it.
    chord_mm : float
        Length of the arc's straight pieces.
    """
    from manifold3d import Manifold, OpType

    cut = [_back_block(tile), *(_notch(tile, y0, y1) for y0, y1 in cut_runs(tile))]
    disc = Manifold.batch_boolean(
        [_disc(tile, rim_mm, chord_mm), *cut], OpType.Subtract
    )
    feet = [
        Manifold.cylinder(
            foot.height_mm + 0.1,
            foot.diameter_mm / 2,
            foot.diameter_mm / 2 * FOOT_TOP_RATIO,
            _FOOT_SIDES,
        ).translate((foot.x_mm, foot.y_mm, tile.thickness_mm - 0.1))
        for foot in tile.feet
    ]
    return Manifold.batch_boolean([disc, *feet], OpType.Add)


def tile_mesh(
    tile: RimTile,
    rim_mm: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    chord_mm: float = CHORD_MM,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Vertices (n, 3) in mm and faces (m, 3) of the finished tile in its own frame.

    Parameters are those of :func:`tile_solid`.
    """
    return mesh_arrays(tile_solid(tile, rim_mm, chord_mm))


def lying_mesh(
    tile: RimTile,
    rim_mm: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    chord_mm: float = CHORD_MM,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Build the mesh of the tile lying bottom up on its feet, the table at z = 0.

    x is the tile's x, y the tile's -y, the arc's centre at x = y = 0.
    """
    vertices, faces = tile_mesh(tile, rim_mm, chord_mm)
    height = tile.thickness_mm + tile.feet[0].height_mm
    x, y, z = vertices.T
    lying = np.array([x, -y, height - z], np.float64).T
    lying.flags.writeable = False
    return lying, faces


def cut_runs(tile: RimTile) -> tuple[tuple[float, float], ...]:
    """From and to (y, mm) of each notch, neighbouring cut places joined."""
    runs: list[tuple[float, float]] = []
    for notch in tile.notches:
        if not notch.cut:
            continue
        if runs and abs(runs[-1][1] - notch.y0_mm) < 1e-6:
            runs[-1] = (runs[-1][0], notch.y1_mm)
        else:
            runs.append((notch.y0_mm, notch.y1_mm))
    return tuple(runs)


def rim_phi_rad(tile: RimTile, chord_mm: float = CHORD_MM) -> NDArray[np.float64]:
    """Where the arc has its vertices, from -95 to 95 degrees, 0 among them."""
    half = math.ceil(math.radians(95) * tile.radius_mm / chord_mm)
    return np.asarray(
        np.arange(-half, half + 1) * (math.radians(95) / half), np.float64
    )


def loft(rings: NDArray[np.float64]) -> manifold3d.Manifold:
    """Join equal rings (k, n, 3) to a closed solid; the ends are fans.

    Each ring runs counter-clockwise seen from the last one; the ends must be seen
    whole from the middle of their points.
    """
    from manifold3d import Manifold, Mesh64

    count, sides, _ = rings.shape
    middles = rings[[0, -1]].mean(axis=1)
    return Manifold(
        Mesh64(
            np.vstack([rings.reshape(-1, 3), middles]),
            loft_faces(count, sides).astype(np.uint64),
        )
    )


def loft_faces(count: int, sides: int) -> NDArray[np.int64]:
    """Faces (m, 3) of equal rings joined: their points in order, then both middles."""
    start = sides * np.arange(count - 1)[:, None]
    here = np.arange(sides)[None, :]
    there = (here + 1) % sides
    a, b = start + here, start + there
    walls = [
        np.stack([a, b, b + sides], -1).reshape(-1, 3),
        np.stack([a, b + sides, a + sides], -1).reshape(-1, 3),
    ]
    first, last = count * sides, count * sides + 1
    top = sides * (count - 1)
    side = np.arange(sides)
    after = (side + 1) % sides
    ends = [
        np.column_stack([np.full(sides, first), after, side]),
        np.column_stack([np.full(sides, last), top + side, top + after]),
    ]
    return np.vstack([*walls, *ends])


def _disc(
    tile: RimTile,
    rim_mm: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None,
    chord_mm: float,
) -> manifold3d.Manifold:
    """Half a cone frustum and a little more, which the back block takes off."""
    phi = rim_phi_rad(tile, chord_mm)[::-1]  # y = -R sin(phi): this way round is ccw
    outward = np.zeros_like(phi) if rim_mm is None else np.asarray(rim_mm(phi), float)
    lean = math.tan(math.radians(tile.taper_deg))
    rings = []
    for z_mm in (0.0, tile.thickness_mm):
        radius = tile.radius_mm + outward - z_mm * lean
        rings.append(
            np.column_stack(
                [radius * np.cos(phi), -radius * np.sin(phi), np.full(len(phi), z_mm)]
            )
        )
    return loft(np.array(rings))


def draft_mm(z_mm: float) -> float:
    """Say how far back edge and notch walls have leaned away at a height."""
    return min(max(z_mm, 0.0), DRAFT_HEIGHT_MM) * math.tan(math.radians(15))


def _back_block(tile: RimTile) -> manifold3d.Manifold:
    """All that lies behind the drafted back edge."""
    from manifold3d import CrossSection

    top = tile.thickness_mm + 1
    draft = draft_mm(DRAFT_HEIGHT_MM)
    below = -draft / DRAFT_HEIGHT_MM  # one below the bottom face, on the same slope
    profile = [(-3, -1), (below, -1), (draft, DRAFT_HEIGHT_MM), (draft, top), (-3, top)]
    # extruded along z and turned so that the profile's (u, v) becomes (x, z)
    length = 2 * tile.radius_mm + 4
    return (
        CrossSection([np.array(profile, float)])
        .extrude(length)
        .rotate((90.0, 0.0, 0.0))
        .translate((0.0, length / 2, 0.0))
    )


def _notch(tile: RimTile, y0_mm: float, y1_mm: float) -> manifold3d.Manifold:
    """One notch's void: it grows by the draft on three sides, then goes straight up."""
    floor = tile.notch_depth_mm
    slope = draft_mm(DRAFT_HEIGHT_MM) / DRAFT_HEIGHT_MM
    rings = []
    heights = (-0.5, DRAFT_HEIGHT_MM, tile.thickness_mm + 0.5)
    for z_mm in heights:
        grown = slope * min(z_mm, DRAFT_HEIGHT_MM)
        left, right = y0_mm - grown, y1_mm + grown
        deep = floor + grown
        rings.append(
            [
                (-1, left, z_mm),
                (deep, left, z_mm),
                (deep, right, z_mm),
                (-1, right, z_mm),
            ]
        )
    return loft(np.array(rings, float))


def _feet(index: int) -> tuple[Foot, ...]:
    side_x, side_y = SIDE_FEET_MM
    last = foot_place_mm(len(encode_feet(index)))
    always = (
        (side_x, side_y, SIDE_FOOT_MM, None),
        (side_x, -side_y, SIDE_FOOT_MM, None),
        (last, 0.0, CODE_FOOT_MM, None),
    )
    coded = (
        (foot_place_mm(place), 0.0, CODE_FOOT_MM, place)
        for place, there in enumerate(encode_feet(index))
        if there
    )
    return tuple(
        Foot(
            x_mm=round(x, 9),
            y_mm=y,
            diameter_mm=diameter,
            height_mm=FOOT_HEIGHT_MM,
            bit=bit,
        )
        for x, y, diameter, bit in (*always, *coded)
    )


def _volume_mm3(
    radius_mm: float,
    thickness_mm: float,
    taper_deg: float,
    notches: Sequence[BackNotch],
    feet: Sequence[Foot],
) -> float:
    """Add up circular segments over z (Simpson is exact enough), less the notches.

    A segment's area beyond the chord at x is r^2 acos(x / r) - x sqrt(r^2 - x^2).  The
    notches' depth stays the same while back edge and floor lean together.
    """
    lean = math.tan(math.radians(taper_deg))

    def area(z: float, draft: float) -> float:
        r = radius_mm - z * lean
        return r * r * math.acos(draft / r) - draft * math.sqrt(r * r - draft * draft)

    def simpson(z0: float, z1: float) -> float:
        middle = (z0 + z1) / 2
        ends = area(z0, draft_mm(z0)) + area(z1, draft_mm(z1))
        return (z1 - z0) / 6 * (ends + 4 * area(middle, draft_mm(middle)))

    disc = simpson(0, DRAFT_HEIGHT_MM) + simpson(DRAFT_HEIGHT_MM, thickness_mm)
    cut = [n.y1_mm - n.y0_mm for n in notches if n.cut]
    runs = sum(
        1
        for a, b in zip((None, *notches), notches, strict=False)
        if b.cut and not (a and a.cut)
    )
    draft = draft_mm(DRAFT_HEIGHT_MM)
    mean_draft = draft * (1 - DRAFT_HEIGHT_MM / 2 / thickness_mm)
    notched = NOTCH_DEPTH_MM * thickness_mm * (sum(cut) + 2 * runs * mean_draft)
    return disc - notched + sum(_foot_volume_mm3(foot) for foot in feet)


def _foot_volume_mm3(foot: Foot) -> float:
    base = foot.diameter_mm / 2
    top = base * FOOT_TOP_RATIO
    return math.pi * foot.height_mm / 3 * (base * base + base * top + top * top)
