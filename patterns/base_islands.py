"""Regions that begin in mid air, found on the real slices, and supports for them.

The part is followed layer by layer without its supports; what a support's cut covers
counts as printed.  The same rule as for the rim coupon says what stands on nothing
(:mod:`patterns.rim_checks`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import manifold3d
import numpy as np
from numpy.typing import NDArray

from patterns.base_supports import Support, from_aside, from_base, from_raft
from patterns.rim_checks import MIN_FOOTING_MM2
from patterns.tilted_spec import Footing, IslandKind, TiltedSpec

if TYPE_CHECKING:
    from collections.abc import Iterator


PHASES = (0.5, 0.3, 0.7)  # where slicers cut a layer
_SAMPLES = 8  # across a region
_SAMPLE_RANGE_MM = (0.02, 0.4)
_EDGE_MM = 1e-6
_NARROW_MM2 = 1e-4  # a hang of less area is the offset's own chords
_DISC_SIDES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A point (3,) at which something begins in mid air, and what holds it now."""

    kind: IslandKind
    point_mm: NDArray[np.float64]
    area_mm2: float
    footing: Footing


@dataclass(slots=True, kw_only=True)
class Watch:
    """A part, its supports so far, and what was found to lack one."""

    part: manifold3d.Manifold
    spec: TiltedSpec
    supports: list[Support]
    found: list[Found] = field(default_factory=list)


def watch_layers(watch: Watch, phase: float) -> None:
    """Follow a part from layer to layer, and support what begins in mid air.

    Parameters
    ----------
    watch : Watch
        What is found is added to it.
    phase : float
        Where in a layer it is cut, 0 to 1.
    """
    from manifold3d import CrossSection

    part, step = watch.part, watch.spec.layer_mm
    _, _, low, _, _, high = part.bounding_box()
    first = math.floor(low / step - phase)
    heights = (np.arange(first, math.floor(high / step - phase) + 1) + phase) * step
    below = CrossSection()
    for z_mm in heights[1:]:
        layer = part.slice(z_mm)
        held = _with_supports(below, watch.supports, z_mm - step)
        for region in _in_mid_air(layer, held):
            _support(watch, region, z_mm, "island")
        held = _with_supports(below, watch.supports, z_mm - step)
        for region in _hanging(layer, held, watch.spec.hang_limit_mm):
            _support(watch, region, z_mm, "hang")
        below = layer


def _with_supports(
    below: manifold3d.CrossSection, supports: list[Support], z_mm: float
) -> manifold3d.CrossSection:
    """Join the cuts of those supports whose contact is near to a layer."""
    from manifold3d import CrossSection, OpType

    discs = []
    for support in supports:
        if not support.along_mm[-3, 2] <= z_mm <= support.along_mm[-1, 2]:
            continue
        found = support.disc_at(z_mm)
        if found is not None:
            centre, radius = found
            disc = CrossSection.circle(radius, _DISC_SIDES)
            discs.append(disc.translate(tuple(centre)))
    if not discs:
        return below
    return CrossSection.batch_boolean([below, *discs], OpType.Add)


def _in_mid_air(
    layer: manifold3d.CrossSection, held: manifold3d.CrossSection
) -> Iterator[manifold3d.CrossSection]:
    """Parts of a layer that are large enough to be lit and rest on nothing."""
    for part in layer.decompose():
        area = part.area()
        footing = min(MIN_FOOTING_MM2, area / 2)
        if area > MIN_FOOTING_MM2 and (part ^ held).area() < footing:
            yield part


def _hanging(
    layer: manifold3d.CrossSection, held: manifold3d.CrossSection, limit_mm: float
) -> list[manifold3d.CrossSection]:
    """Parts of a layer farther than a limit from all that is below."""
    from manifold3d import JoinType

    if held.is_empty():
        return []
    new = layer - held
    if new.is_empty():
        return []
    grown = held.offset(limit_mm, JoinType.Round, circular_segments=32)
    return [part for part in (new - grown).decompose() if part.area() > _NARROW_MM2]


def _support(
    watch: Watch, region: manifold3d.CrossSection, z_mm: float, kind: IslandKind
) -> None:
    """Support a region at its lowest point, and wherever it reaches on far from it."""
    points = _from_below(watch, region, z_mm)
    chosen: list[NDArray[np.float64]] = []
    for point in points[np.argsort(points[:, 2], kind="stable")]:
        apart = [math.dist(point, other) for other in chosen]
        if min(apart, default=math.inf) < watch.spec.rim_spacing_mm:
            continue
        chosen.append(point)
        support = _reached(watch, point)
        if support is not None:
            watch.supports.append(support)
        watch.found.append(
            Found(
                kind=kind,
                point_mm=point,
                area_mm2=float(region.area()),
                footing="none" if support is None else support.footing,
            )
        )


def _reached(watch: Watch, point: NDArray[np.float64]) -> Support | None:
    """Support under a point, from where it marks the base least."""
    part, contact = watch.part, watch.spec.contact_mm
    down = np.array([0.0, 0.0, -1.0])
    support = from_raft(part, point, down, contact, "island")
    if support is None:
        support = from_aside(part, point, contact, "island")
    if support is None and watch.spec.stand_on_base:
        support = from_base(part, point, contact, "island")
    return support


def _from_below(
    watch: Watch, region: manifold3d.CrossSection, z_mm: float
) -> NDArray[np.float64]:
    """Points of the part's surface under a region, no lower than one layer, (n, 3)."""
    import shapely

    rings = [shapely.Polygon(ring) for ring in region.to_polygons()]
    plan = max(rings, key=lambda polygon: polygon.area)
    left, low, right, high = plan.bounds
    step = np.clip(max(right - left, high - low) / _SAMPLES, *_SAMPLE_RANGE_MM)
    x, y = np.meshgrid(np.arange(left, right, step), np.arange(low, high, step))
    inside = shapely.contains_xy(plan, x, y)
    centre = plan.representative_point()
    level = np.vstack([np.column_stack([x[inside], y[inside]]), (centre.x, centre.y)])
    bottom, top = z_mm - watch.spec.layer_mm, z_mm + _EDGE_MM
    points = []
    for x_mm, y_mm in level:
        hits = watch.part.ray_cast((x_mm, y_mm, bottom), (x_mm, y_mm, top))
        points += [hit.position for hit in hits if hit.normal[2] < 0][:1]
    return np.array(points, np.float64).reshape(-1, 3)
