"""The edge stand: a hub that holds tiles on their ends, so that a camera sees profile.

A camera above the hub looks along each tile's rim at its lowest point.  The tile's own
weight keeps it in its bay: it rests on a fin that follows its wall and carries it
beyond its centre of mass, so all that is left pushes its lower corner against the back
of the slot.  The fin hides under the tile; around the rim and the feet lies bare table.

Print it on its bottom, holes up, without supports: nothing leans out by more than 45
degrees, no cavity is closed to the plate, and the face that is read is the last layer,
which has no foot flare.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from patterns.errors import SpecError
from patterns.rim_manifest import Bay, Stand, StandHole
from patterns.solids import mesh_arrays

if TYPE_CHECKING:
    import manifold3d
    from numpy.typing import NDArray

BACK_MM = 9.8
GRIP_MM = 3.5  # the feet begin at 3.9
# Both slot and tile grow by up to 0.1 mm a side where exposure is generous.
CLEARANCE_MM = 0.25
WALL_MM = 2.0
FLOOR_MM = 2.5
FLOOR_GAP_MM = 0.5
AZIMUTHS_DEG = (0.0, 90.0, 180.0, 270.0)

# Along the tile's radius.  A notched tile's centre of mass lies up to 0.46 R from its
# back edge; with the push of the slot at its corner it then bears on the fin at
# R sin(atan(0.46)) = 0.42 R, and the fin reaches 0.5 R.
FIN_FROM_MM = 0.8
FIN_REACH = 0.5
FIN_SIDES_MM = (0.4, 1.9)  # from the bottom face: hidden up to 5 degrees off the axis
REST_GAP_MM = 0.05

CORNER_MM = 16.5  # from the axis to the cut-off corners of the top face
EDGE_MM = 1.0
CORE_MM = 5.3
HOLE_DIAMETER_MM = 2.8
HOLE_LIP_MM = 0.3
HOLE_WIDENING = 0.8  # radius gained per height below the lip, as in the flare coupon
HOLE_WIDENING_LIMIT_MM = 0.6
# No turn, mirror image or shift lays more than three of these on each other.
HOLE_PLACES_MM = (
    (6.3, 10.5),
    (10.3, 7.7),
    (-8.1, 10.0),
    (-10.4, 5.2),
    (-8.4, -10.5),
    (10.2, -4.8),
    (8.6, -9.1),
)
RADIUS_RANGE_MM = (10.0, 20.0)
THICKNESS_RANGE_MM = (2.0, 3.6)
_SIDES = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class TileSize:
    """What the stand must know of the tiles it holds."""

    radius_mm: float = 12.5
    thickness_mm: float = 3.0
    taper_deg: float = 15.0

    def __post_init__(self) -> None:
        for name, value, (low, high) in (
            ("radius_mm", self.radius_mm, RADIUS_RANGE_MM),
            ("thickness_mm", self.thickness_mm, THICKNESS_RANGE_MM),
            ("taper_deg", self.taper_deg, (0.0, 30.0)),
        ):
            if not low <= value <= high:  # NaN fails too
                raise SpecError(
                    f"The edge stand takes {name} from {low:g} to {high:g}, not "
                    f"{value:g}.",
                    "Choose tiles within that range.",
                )


@lru_cache(maxsize=8)
def stand(size: TileSize = TileSize()) -> Stand:
    """Describe the stand for tiles of a size; the same for every set of that size."""
    solid = stand_solid(size)
    return Stand(
        height_mm=_height(size),
        outline_mm=_outline(),
        holes=tuple(
            StandHole(name=f"h{i}", x_mm=x, y_mm=y, diameter_mm=HOLE_DIAMETER_MM)
            for i, (x, y) in enumerate(HOLE_PLACES_MM, start=1)
        ),
        bays=tuple(
            Bay(name=name, azimuth_deg=azimuth, back_mm=BACK_MM)
            for name, azimuth in zip("ABCD", AZIMUTHS_DEG, strict=True)
        ),
        volume_mm3=round(solid.volume(), 3),
    )


@lru_cache(maxsize=8)
def stand_solid(size: TileSize = TileSize()) -> manifold3d.Manifold:
    """Build the stand as it is printed: x as in the stand frame, y turned over, z up.

    The bottom is z = 0, the face that is read z = ``height_mm``.
    """
    from manifold3d import Manifold, OpType

    height = _height(size)
    bays = [_around(_block(size, height), azimuth) for azimuth in AZIMUTHS_DEG]
    slots = [_around(_slot(size, height), azimuth) for azimuth in AZIMUTHS_DEG]
    fins = [_around(_fin(size, height), azimuth) for azimuth in AZIMUTHS_DEG]
    drills = [_drill(height).translate((x, -y, 0.0)) for x, y in HOLE_PLACES_MM]
    body = Manifold.batch_boolean([*bays, _head(height)], OpType.Add)
    cut = Manifold.batch_boolean([body, *slots, *drills], OpType.Subtract)
    return Manifold.batch_boolean([cut, *fins], OpType.Add)


def stand_mesh(
    size: TileSize = TileSize(),
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Vertices (n, 3) in mm and faces (m, 3) of the stand as it is printed."""
    return mesh_arrays(stand_solid(size))


def tile_in_stand(bay: Bay) -> NDArray[np.float64]:
    """Where a bay holds its tile: (3, 4), from the tile frame to the stand frame.

    Multiply with (x, y, z, 1) of the tile in mm.
    """
    azimuth = math.radians(bay.azimuth_deg)
    outward = np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
    onward = np.array([-math.sin(azimuth), math.cos(azimuth), 0.0])
    up = np.array([0.0, 0.0, -1.0])
    return np.column_stack([outward, up, onward, bay.back_mm * outward])


def stand_to_print(stand: Stand) -> NDArray[np.float64]:
    """Give the (3, 4) map from the stand frame to the frame of the printed mesh."""
    return np.column_stack([np.diag([1.0, -1.0, -1.0]), [0.0, 0.0, stand.height_mm]])


def _height(size: TileSize) -> float:
    return size.radius_mm + FLOOR_GAP_MM + FLOOR_MM


def _outline() -> tuple[tuple[float, float], ...]:
    """Outline of the top face: a square whose corners are cut off."""
    half = BACK_MM + GRIP_MM
    rest = round(math.sqrt(2) * CORNER_MM - half, 6)
    corner = ((half, -rest), (half, rest))
    return tuple(
        (x * c - y * s, x * s + y * c)
        for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))
        for x, y in corner
    )


def _head(height: float) -> manifold3d.Manifold:
    """Build the plate with the holes, carried by a 45 degree vault under its corners.

    It leaves little height below the holes, so that the table is seen through them.
    """
    from manifold3d import Manifold

    rim = np.array(_outline())
    vault = math.sqrt(2) * CORE_MM * np.array([(1, 0), (0, 1), (-1, 0), (0, -1)])
    levels = (
        (rim, height),
        (rim, height - EDGE_MM),
        (vault, height - EDGE_MM - (CORNER_MM - CORE_MM)),
    )
    points = [np.column_stack([xy, np.full(len(xy), z)]) for xy, z in levels]
    return Manifold.hull_points(np.vstack(points))


def _block(size: TileSize, height: float) -> manifold3d.Manifold:
    """Build a bay's walls; from here on x points outward, y against the tile's z."""
    side = CLEARANCE_MM + WALL_MM
    return _box(
        (0.0, BACK_MM + GRIP_MM), (-size.thickness_mm - side, side), (0.0, height)
    )


def _slot(size: TileSize, height: float) -> manifold3d.Manifold:
    return _box(
        (BACK_MM - CLEARANCE_MM, BACK_MM + GRIP_MM + 1.0),
        (-size.thickness_mm - CLEARANCE_MM, CLEARANCE_MM),
        (FLOOR_MM, height + 1.0),
    )


def _fin(size: TileSize, height: float) -> manifold3d.Manifold:
    """Build the rest under a tile: upright, its top cut by the tile's own wall.

    Its slope leans the tile with its bottom face against the wall of the slot.
    """
    from manifold3d import Manifold

    near, far = FIN_SIDES_MM
    reach = FIN_REACH * size.radius_mm
    top = height - 0.8 * size.radius_mm  # above the rim at the fin's end
    fin = _box((BACK_MM + FIN_FROM_MM, BACK_MM + reach), (-far, -near), (0.0, top))
    slope = math.tan(math.radians(size.taper_deg))
    wall = size.radius_mm + REST_GAP_MM
    tile = Manifold.cylinder(
        size.thickness_mm, wall, wall - slope * size.thickness_mm, _SIDES
    )
    return fin - tile.rotate((90.0, 0.0, 0.0)).translate((BACK_MM, 0.0, height))


def _drill(height: float) -> manifold3d.Manifold:
    """Build what a hole takes away: narrow at the top face, wide below it."""
    from manifold3d import CrossSection

    lip = HOLE_DIAMETER_MM / 2
    wide = lip + HOLE_WIDENING_LIMIT_MM
    knee = height - HOLE_LIP_MM
    shoulder = knee - HOLE_WIDENING_LIMIT_MM / HOLE_WIDENING
    profile = [
        (0.0, -1.0),
        (wide, -1.0),
        (wide, shoulder),
        (lip, knee),
        (lip, height + 1.0),
        (0.0, height + 1.0),
    ]
    return CrossSection([np.array(profile)]).revolve(64)


def _box(
    x_mm: tuple[float, float], y_mm: tuple[float, float], z_mm: tuple[float, float]
) -> manifold3d.Manifold:
    from manifold3d import Manifold

    low, high = np.array([x_mm, y_mm, z_mm]).T
    return Manifold.cube((high - low).tolist()).translate(low.tolist())


def _around(part: manifold3d.Manifold, azimuth_deg: float) -> manifold3d.Manifold:
    """Turn a bay's part to its azimuth, which runs the other way in the print frame."""
    return part.rotate((0.0, 0.0, -azimuth_deg))
