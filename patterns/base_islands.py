"""Regions that begin in mid air, found on the real slices, and supports for them.

The part is cut without its supports, in those layers in which something may begin
(:mod:`patterns.base_starts`) and on from there while anything is small; what a
support's cut covers counts as printed.  The same rule as for the rim coupon says what
stands on nothing (:mod:`patterns.rim_checks`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base_supports import Support, from_aside, from_base, from_raft
from patterns.pillars import PILLAR_SIDES
from patterns.rim_checks import MIN_FOOTING_MM2, beyond, in_mid_air
from patterns.tilted_spec import Footing, IslandKind, TiltedSpec

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import manifold3d

    from patterns.tilted_part import Part  # noqa: TC004

PHASES = (0.5, 0.3, 0.7)  # where slicers cut a layer
_SAMPLES = 8  # across a region
_SAMPLE_RANGE_MM = (0.02, 0.4)
_EDGE_MM = 1e-6
_NARROW_MM2 = 1e-4  # a hang of less area is the offset's own chords
_SMALL_MM2 = 4 * MIN_FOOTING_MM2  # from there on what grew in one layer rests on it


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

    part: Part
    spec: TiltedSpec
    supports: list[Support] = field(default_factory=list)
    found: list[Found] = field(default_factory=list)
    ends_mm: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 3, 3)))
    radii_mm: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 3)))

    def add(self, supports: list[Support]) -> None:
        """Add supports; the three last discs of each are kept at hand."""
        if not supports:
            return
        self.supports += supports
        ends = [support.along_mm[-3:] for support in supports]
        radii = [support.radii_mm[-3:] for support in supports]
        self.ends_mm = np.vstack([self.ends_mm, ends])
        self.radii_mm = np.vstack([self.radii_mm, radii])


def watch_layers(watch: Watch, phase: float, tell: Callable[[float], None]) -> None:
    """Follow a part from layer to layer, and support what begins in mid air.

    Parameters
    ----------
    watch : Watch
        What is found is added to it.
    phase : float
        Where in a layer it is cut, 0 to 1.
    tell : callable
        Hears the share that is done, layer by layer.
    """
    layer_mm = watch.spec.layer_mm
    for share, z_mm, layer, below in suspects(watch.part, layer_mm, phase):
        tell(share)
        _watch_layer(watch, layer, below, z_mm)


def suspects(
    part: Part, layer_mm: float, phase: float
) -> Iterator[tuple[float, float, manifold3d.CrossSection, manifold3d.CrossSection]]:
    """Cut those layers in which something may begin in mid air, or reach too far.

    Yields
    ------
    share : float
        Of the work, that is done.
    z_mm : float
        Where the layer is cut.
    layer, below : CrossSection
        The layer and the one below it.
    """
    low, high = part.heights_mm
    first = math.floor(low / layer_mm - phase)
    count = math.floor(high / layer_mm - phase) + 1 - first
    heights = np.asarray((first + phase + np.arange(count)) * layer_mm, np.float64)
    begins = part.begins(heights, layer_mm)
    shares = begins.cumsum() / max(begins.sum(), 1)
    below, growing = None, False
    for place in range(1, len(heights)):
        if not (begins[place] or growing):
            below = None
            continue
        if below is None:
            below = part.slice(heights[place - 1])
        layer = part.slice(heights[place])
        yield float(shares[place]), float(heights[place]), layer, below
        growing = any(piece.area() < _SMALL_MM2 for piece in layer.decompose())
        below = layer


def _watch_layer(
    watch: Watch,
    layer: manifold3d.CrossSection,
    below: manifold3d.CrossSection,
    z_mm: float,
) -> None:
    """Support what of one layer begins in mid air, or reaches too far."""
    from manifold3d import CrossSection, OpType

    held = _with_supports(below, watch, z_mm - watch.spec.layer_mm)
    loose = in_mid_air(layer, held)
    for region in loose:
        _support(watch, region, z_mm, "island")
    if loose:  # supported or listed: nothing more is wanted of it
        held = CrossSection.batch_boolean([held, *loose], OpType.Add)
    for region in beyond(layer, held, watch.spec.hang_limit_mm).decompose():
        if region.area() > _NARROW_MM2:
            _support(watch, region, z_mm, "hang")


def _with_supports(
    below: manifold3d.CrossSection, watch: Watch, z_mm: float
) -> manifold3d.CrossSection:
    """Join the cuts of those supports whose contact is near to a layer."""
    from manifold3d import CrossSection, FillRule

    ends, radii = watch.ends_mm, watch.radii_mm
    cut = (ends[:, 0, 2] <= z_mm) & (z_mm <= ends[:, 2, 2])
    if not cut.any():
        return below
    ends, radii = ends[cut], radii[cut]
    every = np.arange(len(ends))
    low = (z_mm > ends[:, 1, 2]).astype(int)  # which of the two last stretches
    first, last = ends[every, low], ends[every, low + 1]
    share = ((z_mm - first[:, 2]) / (last[:, 2] - first[:, 2]))[:, None]
    centre = first[:, :2] + share * (last - first)[:, :2]
    radius = radii[every, low] + share[:, 0] * (
        radii[every, low + 1] - radii[every, low]
    )
    discs = centre[:, None] + radius[:, None, None] * _round()
    return below + CrossSection(list(discs), FillRule.NonZero)


def _round() -> NDArray[np.float64]:
    """Corners of a strut's disc of radius 1, (n, 2)."""
    turn = np.arange(PILLAR_SIDES) * (2 * np.pi / PILLAR_SIDES)
    return np.column_stack([np.cos(turn), np.sin(turn)])


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
        if _listed(watch, point):
            continue
        chosen.append(point)
        support = _reached(watch, point)
        if support is not None:
            watch.add([support])
        watch.found.append(
            Found(
                kind=kind,
                point_mm=point,
                area_mm2=float(region.area()),
                footing="none" if support is None else support.footing,
            )
        )


def _listed(watch: Watch, point: NDArray[np.float64]) -> bool:
    """Whether a point is known to lack a support: from a pass at another phase."""
    reach = watch.spec.rim_spacing_mm / 2
    return any(
        found.footing == "none" and math.dist(found.point_mm, point) < reach
        for found in watch.found
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
        ends = np.array([(x_mm, y_mm, bottom), (x_mm, y_mm, top)])
        points += [h.point_mm for h in watch.part.hits(*ends) if h.normal[2] < 0][:1]
    return np.array(points, np.float64).reshape(-1, 3)
