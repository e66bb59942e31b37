"""Shapes that the picture of the ways is drawn from: sections, rims, what departs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from patterns.base_sections import polygons, section

if TYPE_CHECKING:
    import manifold3d

    from patterns.tilted_spec import TiltedBase

Array = NDArray[np.float64]

_CUT_STEP_MM = 0.25
_RIM_STEPS = 720
_SIDE_MM = 0.8  # how far along a corner's sides their direction is taken
_FAR_MM = 50.0


def downhill(pose: Array) -> tuple[Array, Array]:
    """Give the downhill direction in the base's frame and in the print frame, (2,).

    ``pose`` (3, 4) leads from the base's frame to the print frame.
    """
    lean, raised = -pose[2, :2], pose[:2, 2]
    return lean / np.hypot(*lean), raised / np.hypot(*raised)


def beside(
    body: manifold3d.Manifold, along: Array, across_mm: float, within_mm: float
) -> shapely.Geometry:
    """Side view of what lies within a distance of an upright plane.

    x runs along ``along`` (2,), y up; the plane is ``across_mm`` to the left of z.
    ``within_mm`` 0: the cut by the plane itself.
    """
    turn_deg = float(np.degrees(np.arctan2(along[1], along[0])))
    lying = body.rotate((0.0, 0.0, -turn_deg)).rotate((90.0, 0.0, 0.0))
    steps = max(math.ceil(2.0 * within_mm / _CUT_STEP_MM), 1)
    places = np.linspace(-within_mm, within_mm, steps + 1) if within_mm else [0.0]
    cuts = [
        part
        for at in across_mm + np.asarray(places)
        for part in polygons(section(lying.slice(float(at)), float(at)))
    ]
    return affinity.scale(shapely.union_all(cuts), 1.0, -1.0, origin=(0.0, 0.0))


def departed_rim(outline: Array, lean: Array, departure_mm: float) -> shapely.Polygon:
    """Sketch a rim that departs inwards by a length at its lowest place.

    Parameters
    ----------
    outline : (n, 2) array
        The rim, counter-clockwise.
    lean : (2,) array
        Downhill.
    departure_mm : float
        At the lowest place; fading to nothing halfway up, rippled between.
    """
    ring = shapely.LinearRing(outline)
    along = np.linspace(0.0, ring.length, _RIM_STEPS, endpoint=False)
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, along))
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    inwards = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    inwards /= np.maximum(np.hypot(*inwards.T), 1e-12)[:, None]
    height = points @ lean
    share = (height - height.mean()) / max(float(np.ptp(height)) / 2.0, 1e-9)
    fade = np.clip(share, 0.0, 1.0) ** 1.5
    ripple = 0.75 + 0.25 * np.cos(
        2.0 * np.pi * 9.0 * (along - along[np.argmax(height)]) / ring.length
    )
    moved = points + (departure_mm * fade * ripple)[:, None] * inwards
    return shapely.Polygon(moved).buffer(0.0)


def blunted(
    shape: shapely.Geometry, corner: tuple[float, float], lost_mm: float
) -> shapely.Geometry:
    """Round a shape off at a corner until the corner has lost a length.

    The radius is lost / (1 / sin(half the corner) - 1); the corner is taken as the
    wedge between the places where its sides are a little way off.
    """
    point = shapely.Point(corner)
    ring = point.buffer(_SIDE_MM).exterior
    sides = shapely.get_parts(shape.intersection(ring))
    ends = shapely.get_coordinates(sides) - corner
    turn = np.arctan2(ends[:, 1], ends[:, 0])
    middle = np.angle(np.mean(np.exp(1j * turn)))
    spread = np.angle(np.exp(1j * (turn - middle)))
    half = float(np.ptp(spread)) / 2.0
    radius = lost_mm / (1.0 / np.sin(half) - 1.0)
    legs = middle + np.array([spread.min(), spread.max()])
    tips = _FAR_MM * np.column_stack([np.cos(legs), np.sin(legs)]) + corner
    wedge = shapely.Polygon([corner, *tips.tolist()])
    return shape.difference(
        wedge.difference(_rounded(wedge, radius)).intersection(
            point.buffer(radius / np.tan(half) * 1.01)
        )
    )


def lowest_corner(shape: shapely.Geometry) -> tuple[float, float]:
    """Lowest point of a section, the rightmost of equals."""
    points = np.round(shapely.get_coordinates(shape), 6)
    x, y = points[np.lexsort((-points[:, 0], points[:, 1]))[0]].tolist()
    return x, y


def leftwards(along: Array) -> Array:
    """Give the direction (2,) a quarter turn to the left."""
    return np.array([-along[1], along[0]])


def across_in_print(made: TiltedBase, across_mm: float) -> float:
    """Bring the place of an upright plane along downhill to the print frame."""
    _, raised = downhill(made.pose)
    return across_mm + float(made.pose[:2, 3] @ leftwards(raised))


def lip_section(made: TiltedBase, across_mm: float) -> shapely.Geometry:
    """Cut the lip by a plane of the tilt; in the print frame, along downhill."""
    if made.lip is None:
        return shapely.Polygon()
    lean, _ = downhill(made.pose)
    far = 1e3
    middle = across_mm * leftwards(lean)
    line = shapely.LineString([middle - far * lean, middle + far * lean])
    pieces = [
        shapely.box(min(ends), -made.lip.depth_mm, max(ends), 0.0)
        for run in shapely.get_parts(made.lip.plan.intersection(line))
        if len(ends := (shapely.get_coordinates(run) @ lean).tolist()) > 1
    ]
    return shapely.union_all([stood(piece, made.pose) for piece in pieces])


def stood(shape: shapely.Geometry, pose: Array) -> shapely.Geometry:
    """Bring a section in the base's frame, along downhill and up, where it prints."""
    lean, raised = downhill(pose)
    flat, up = pose[:, :3] @ [*lean, 0.0], pose[:, :3] @ [0.0, 0.0, 1.0]
    return affinity.affine_transform(
        shape,
        [
            float(flat[:2] @ raised),
            float(up[:2] @ raised),
            float(flat[2]),
            float(up[2]),
            float(pose[:2, 3] @ raised),
            float(pose[2, 3]),
        ],
    )


def contacts_in_base(made: TiltedBase) -> Array:
    """Give the places of contacts (n, 3) in the base's frame."""
    places = np.array([(c.x_mm, c.y_mm, c.z_mm) for c in made.contacts])
    return np.asarray((places.reshape(-1, 3) - made.pose[:, 3]) @ made.pose[:, :3])


def from_below(shape: shapely.Geometry, lean: Array) -> shapely.Geometry:
    """Turn a plan in the base's frame downhill to the right, seen from underneath."""
    return affinity.affine_transform(
        shape, [lean[0], lean[1], lean[1], -lean[0], 0.0, 0.0]
    )


def _rounded(shape: shapely.Geometry, radius: float) -> shapely.Geometry:
    return shape.buffer(-radius, quad_segs=24).buffer(radius, quad_segs=24)
