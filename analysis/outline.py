"""The coupon's straight edges, and the outline that the camera sees of each.

All layers of a feature lie behind one another; from a slanted line of sight the
outermost of their outlines is what stands against the table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.camera import VIEW_NAMES
from analysis.profiles import Lines

if TYPE_CHECKING:
    from analysis.pose import Pose
    from patterns.manifest import Manifest, Strip, Tooth

Floats = NDArray[np.float64]
Kind = Literal["end", "flank", "bar", "slot"]

CORNER_MM = 0.5
"""Kept away from corners: flare and blur round them off."""
INNER_MM = 0.45
OUTER_MM = {"end": 1.2, "flank": 0.62, "bar": 1.1, "slot": 1.1}
OUTWARD_MM = 0.45
BODY_OUTWARD_MM = 0.16
INWARD_MM = 0.15
"""Range in which an edge is looked for; an edge farther out is a shadow's."""
NEAREST_RIM_MM = 0.02
RECESS_MM = 0.6
"""A foot set back by more than this shows the body alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """One straight edge of the design, design mm.

    ``point_mm`` (x, y) its middle on the outermost design outline, ``normal`` out of
    the part, ``half_mm`` half the length that is read, ``inset_by_layer_mm`` how far
    each layer lies inside that outline.  ``group`` names the edges that share light
    and baseline.
    """

    owner: str
    kind: Kind
    group: str
    point_mm: tuple[float, float]
    normal: tuple[float, float]
    half_mm: float
    inset_by_layer_mm: tuple[float, ...]
    foot_layers: int

    @property
    def foot_recess_mm(self) -> float:
        """How far the whole foot lies inside the outline."""
        return min(self.inset_by_layer_mm[: self.foot_layers])


def straight_edges(manifest: Manifest) -> tuple[Edge, ...]:
    """List every straight edge that is read: tooth ends, flanks, bar and slot."""
    foot = manifest.foot_layers
    ends = [_end(tooth, foot) for tooth in manifest.teeth]
    flanks = [_flank(tooth, way, foot) for tooth in manifest.teeth for way in (-1, 1)]
    strips = [_long_edge(s, way, foot) for s in manifest.strips for way in (-1, 1)]
    return (*ends, *flanks, *strips)


def _end(tooth: Tooth, foot_layers: int) -> Edge:
    way = 1.0 if tooth.side == "a" else -1.0
    return Edge(
        owner=tooth.name,
        kind="end",
        group=f"end {tooth.side}",
        point_mm=(tooth.x_mm, tooth.y_end_mm),
        normal=(0.0, way),
        half_mm=tooth.width_mm / 2 - CORNER_MM,
        inset_by_layer_mm=tooth.inset_by_layer_mm,
        foot_layers=foot_layers,
    )


def _flank(tooth: Tooth, way: int, foot_layers: int) -> Edge:
    # the root's corner fills up more than the tip's
    root = tooth.y_root_mm + np.sign(tooth.y_end_mm) * 0.2
    return Edge(
        owner=tooth.name,
        kind="flank",
        group=f"flank {tooth.side}{'+' if way > 0 else '-'}",
        point_mm=(tooth.x_mm + way * tooth.width_mm / 2, (root + tooth.y_end_mm) / 2),
        normal=(float(way), 0.0),
        half_mm=abs(tooth.y_end_mm - root) / 2 - CORNER_MM,
        inset_by_layer_mm=tooth.flank_inset_by_layer_mm,
        foot_layers=foot_layers,
    )


def _long_edge(strip: Strip, way: int, foot_layers: int) -> Edge:
    outward = way if strip.kind == "bar" else -way
    return Edge(
        owner=strip.name,
        kind=strip.kind,
        group=strip.kind,
        point_mm=(strip.x_mm, strip.y_mm + way * strip.width_mm / 2),
        normal=(0.0, float(outward)),
        half_mm=strip.length_mm / 2 - 3 * CORNER_MM,
        inset_by_layer_mm=strip.inset_by_layer_mm,
        foot_layers=foot_layers,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """How the camera sees each edge: (n,) arrays.

    ``slope`` is how far the line of sight moves outwards per height; ``px_per_mm``
    across the edge in the plane of the plate face; ``centre_px``, ``normal_px`` (n, 2).
    ``place_by``, ``slope_by`` (n, k): how a place read at an edge and the slope change
    with k independent unit errors that together make up the pose's covariance.
    """

    slope: Floats
    px_per_mm: Floats
    centre_px: Floats
    normal_px: Floats
    half_px: Floats
    place_by: Floats
    slope_by: Floats


def sight(edges: tuple[Edge, ...], pose: Pose) -> Sight:
    """Project the edges' middles, directions and lines of sight."""
    point = pose.printed(np.array([e.point_mm for e in edges]))
    normal = np.array([e.normal for e in edges])
    flat = np.column_stack([point, np.zeros(len(edges))])
    jacobian = pose.px_per_mm_at(flat)
    along = np.einsum(
        "nij,nj->ni", jacobian, np.column_stack([-normal[:, 1], normal[:, 0]])
    )
    outward = np.einsum("nij,nj->ni", jacobian, normal)
    along_length = np.linalg.norm(along, axis=1)
    across = np.column_stack([along[:, 1], -along[:, 0]]) / along_length[:, None]
    px_per_mm = np.sum(across * outward, axis=1)
    across *= np.sign(px_per_mm)[:, None]
    px_per_mm = np.abs(px_per_mm)
    place_by, slope_by = _pose_errors(pose, flat, normal, across / px_per_mm[:, None])
    return Sight(
        slope=np.sum(pose.ray_slope(flat) * normal, axis=1),
        px_per_mm=px_per_mm,
        centre_px=pose.project(flat),
        normal_px=across,
        half_px=pose.printed(np.array([e.half_mm for e in edges])) * along_length,
        place_by=place_by,
        slope_by=slope_by,
    )


def _pose_errors(
    pose: Pose, points_mm: Floats, normal: Floats, mm_per_px: Floats
) -> tuple[Floats, Floats]:
    """Place and slope by unit errors: the pose's covariance, factored.

    The view's parameters come first in it, then ln of the part's scale if a ruler told
    it from the camera's.
    """
    view = len(VIEW_NAMES)
    k = min(view + 1, len(pose.covariance))
    if k == 0:
        return np.zeros((len(points_mm), 0)), np.zeros((len(points_mm), 0))
    place = np.zeros((len(points_mm), k))
    slope = np.zeros_like(place)
    if k > view:
        place[:, view] = -np.sum(points_mm[:, :2] * normal, axis=1)
    here_px, here = pose.project(points_mm), pose.ray_slope(points_mm)
    # a tenth of each parameter's own uncertainty is a step that suits its unit
    steps = 0.1 * np.sqrt(np.diag(pose.covariance)[:view]) + np.finfo(float).tiny
    for i, size in enumerate(steps):
        step = np.zeros(view)
        step[i] = size
        moved = pose.view.moved(step)
        shift_px = moved.project(points_mm) - here_px
        turned = moved.ray_slope(points_mm) - here
        place[:, i] = -np.sum(shift_px * mm_per_px, axis=1) / size
        slope[:, i] = np.sum(turned * normal, axis=1) / size
    values, vectors = np.linalg.eigh(pose.covariance[:k, :k])
    factor = vectors * np.sqrt(np.maximum(values, 0.0))
    return place @ factor, slope @ factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """The outermost projected outline of each edge, (n,) arrays, mm at z = 0.

    ``place_mm`` outside the design outline, ``height_mm`` of what forms it,
    ``rim_mm`` how far inside it the plate face's rim is seen (inf: the plate layer
    forms the outline).
    """

    place_mm: Floats
    height_mm: Floats
    rim_mm: Floats


def projected_outline(
    inset_mm: Floats, growth_mm: Floats, z_mm: Floats, slope: Floats
) -> Outline:
    """Outermost projected outline of stacks of layers.

    Parameters
    ----------
    inset_mm : (n, layers) array
        Printed inset of each layer.
    growth_mm : (layers,) array
        How much each layer grew beyond its mask.
    z_mm : (layers + 1,) array
        Printed heights of the layers' boundaries.
    slope : (n,) array
        Outward slope of the line of sight.

    Notes
    -----
    A layer's outline at height z is seen at growth - inset - slope z in the plane of
    the plate face; both its upper and its lower rim count.
    """
    reach = growth_mm - inset_mm
    near = reach - slope[:, None] * z_mm[:-1]
    far = reach - slope[:, None] * z_mm[1:]
    both = np.concatenate([near, far], axis=1)
    heights = np.concatenate([z_mm[:-1], z_mm[1:]])
    which = np.argmax(both, axis=1)
    place = both.max(axis=1)
    rim = place - near[:, 0]
    return Outline(
        place_mm=place,
        height_mm=heights[which],
        rim_mm=np.where(rim > NEAREST_RIM_MM, rim, np.inf),
    )


def edge_lines(edges: tuple[Edge, ...], seen: Sight, expected: Outline) -> Lines:
    """Where in the picture to look for each edge."""
    ppm = seen.px_per_mm
    base = expected.place_mm
    outer = np.array([OUTER_MM[e.kind] for e in edges])
    recess = np.array([e.foot_recess_mm for e in edges])
    outward = np.where(recess > RECESS_MM, BODY_OUTWARD_MM, OUTWARD_MM)
    return Lines(
        centre_px=seen.centre_px + seen.normal_px * (base * ppm)[:, None],
        normal_px=seen.normal_px,
        half_px=seen.half_px,
        inner_px=INNER_MM * ppm,
        outer_px=outer * ppm,
        lowest_px=-INWARD_MM * ppm,
        highest_px=outward * ppm,
        rim_px=expected.rim_mm * ppm,
    )
