"""What must hold for a set to print: bodies, spans, and layer upon layer of slices."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from patterns.errors import SpecError
from patterns.rim_supports import contacts_mm, print_pose, supports_solid
from patterns.rim_tile import tile_solid

if TYPE_CHECKING:
    import manifold3d
    from numpy.typing import NDArray

    from patterns.rim_manifest import RimTile
    from patterns.rim_spec import RimSpec

HANG_STEP_MM = 0.05
# What stands on less than this of the layer below counts as standing on nothing: the
# area of a pixel of 50 um.
MIN_FOOTING_MM2 = 0.0025
_SAMPLE_MM = 0.4
_SLIVER_MM2 = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerFindings:
    """What slicing a printed body shows.

    ``islands_mm`` are heights of layers with a region that stands on nothing, or no
    region at all; ``hang_mm`` is how far a layer reaches at most past the layer below
    it (rounded up to 0.05 mm), ``hang_z_mm`` the height where it does.
    """

    layers: int
    islands_mm: tuple[float, ...]
    hang_mm: float
    hang_z_mm: float


def check_body(solid: manifold3d.Manifold, tile: RimTile) -> None:
    """Check that a tile with its supports is one closed body.

    Raises
    ------
    SpecError
        It is open, empty or in pieces.
    """
    from manifold3d import Error

    if solid.status() != Error.NoError or solid.is_empty():
        raise SpecError(f"The solid of {tile.coupon_id} is not closed.", _REPORT)
    pieces = len(solid.decompose())
    if pieces != 1:
        raise SpecError(f"{tile.coupon_id} falls into {pieces} pieces.", _REPORT)


def check_spans(spec: RimSpec, tile: RimTile) -> None:
    """Check the gaps between the contacts on the underside.

    Raises
    ------
    SpecError
        A gap is too wide.
    """
    span = contact_span_mm(spec, tile)
    if span > spec.span_limit_mm:
        raise SpecError(
            f"The contacts under {tile.coupon_id} leave gaps of {span:.1f} mm.",
            "Space them closer, or allow a larger span_limit_mm.",
        )


def inspect_layers(
    solid: manifold3d.Manifold, layer_mm: float, phase: float = 0.5
) -> LayerFindings:
    """Slice a printed body and follow it from layer to layer.

    Parameters
    ----------
    solid : Manifold
        As printed, the plate at z = 0.
    layer_mm : float
    phase : float
        Where in a layer it is cut, 0 to 1.
    """
    x0, y0, _, x1, y1, top = solid.bounding_box()
    widest = math.hypot(x1 - x0, y1 - y0)  # what hangs from nothing at all
    heights = (np.arange(math.floor(top / layer_mm - phase) + 1) + phase) * layer_mm
    below = solid.slice(heights[0])
    islands = [float(heights[0])] if below.is_empty() else []
    hang, hang_z = 0.0, 0.0
    for z_mm in heights[1:]:
        layer = solid.slice(z_mm)
        if layer.is_empty() or in_mid_air(layer, below):
            islands.append(float(z_mm))
        while hang < widest and beyond(layer, below, hang).area() > _SLIVER_MM2:
            hang, hang_z = hang + HANG_STEP_MM, float(z_mm)
        below = layer
    return LayerFindings(
        layers=len(heights),
        islands_mm=tuple(islands),
        hang_mm=round(hang, 6),
        hang_z_mm=hang_z,
    )


def contact_span_mm(spec: RimSpec, tile: RimTile) -> float:
    """Twice the distance from the underside's farthest point to its nearest contact.

    Level distances, as for a bridge.  The underside is all that looks down flatter than
    45 degrees, the common practice for what wants supports, and the bottom face at any
    tilt; sampled at 0.4 mm.
    """
    level = print_pose(tile)[:2, :3].T
    contacts = contacts_mm(spec, tile) @ level
    apart = (_underside_mm(tile) @ level)[:, None] - contacts[None]
    return float(2 * np.hypot(*apart.T).min(axis=0).max())


def support_touch_mm(spec: RimSpec, tile: RimTile) -> float:
    """How near to the back edge (x in the tile's frame) a support touches the tile."""
    touch = supports_solid(spec, tile) ^ tile_solid(tile).transform(print_pose(tile))
    pose = print_pose(tile)
    vertices = np.asarray(touch.to_mesh64().vert_properties)[:, :3]
    return float(((vertices - pose[:, 3]) @ pose[:, :3])[:, 0].min())


def in_mid_air(
    layer: manifold3d.CrossSection, below: manifold3d.CrossSection
) -> list[manifold3d.CrossSection]:
    """Parts of a layer that are large enough to be lit and rest on nothing below.

    Only what has enough of the layer's overhang near it is compared with the layer
    below: the same answer, for a part of the work.
    """
    new = (layer - below).decompose()
    if not new:
        return []
    boxes, areas = _boxes(new), np.array([part.area() for part in new])
    found = []
    for part in layer.decompose():
        area = part.area()
        footing = min(MIN_FOOTING_MM2, area / 2)
        near = areas[_meet(boxes, _boxes([part]), 0.0)].sum()
        if area <= MIN_FOOTING_MM2 or near < area - footing - _SLIVER_MM2:
            continue
        if (part ^ below).area() < footing:
            found.append(part)
    return found


def beyond(
    layer: manifold3d.CrossSection, below: manifold3d.CrossSection, reach_mm: float
) -> manifold3d.CrossSection:
    """Find what of a layer lies farther than a distance from the layer below it."""
    from manifold3d import CrossSection, JoinType

    new = layer - below
    if new.is_empty():
        return new
    boxes = _boxes(new.decompose())
    under = below.decompose()
    near = _meet(_boxes(under), boxes, reach_mm) if under else ()
    close = [part for part, take in zip(under, near, strict=True) if take]
    if not close:
        return new
    grown = CrossSection.compose(close).offset(
        reach_mm, JoinType.Round, circular_segments=32
    )
    return new - grown


def _boxes(parts: list[manifold3d.CrossSection]) -> NDArray[np.float64]:
    """Left, low, right, high of each part, (n, 4)."""
    return np.array([part.bounds() for part in parts], np.float64)


def _meet(
    boxes: NDArray[np.float64], others: NDArray[np.float64], reach_mm: float
) -> NDArray[np.bool_]:
    """Whether a box is within a distance of any of the others, (n,)."""
    first, last = boxes[:, None], others[None]
    beside = first[..., :2] > last[..., 2:] + reach_mm
    beside |= last[..., :2] > first[..., 2:] + reach_mm
    clear = np.all(np.any(beside, axis=-1), axis=1)
    return np.asarray(~clear, np.bool_)


def _underside_mm(tile: RimTile) -> NDArray[np.float64]:
    """Points of the faces that look down, (n, 3) in the tile's frame."""
    radius = tile.radius_mm
    steps = np.arange(-radius, radius, _SAMPLE_MM)
    x, y = (part.ravel() for part in np.meshgrid(steps, steps))
    face = np.column_stack([x, y, np.zeros_like(x)])
    face = face[(np.hypot(x, y) < radius) & (x > 0)]
    phi = np.linspace(-np.pi / 2, np.pi / 2, 100)
    z = np.linspace(0, tile.thickness_mm, 9)
    phi, z = (part.ravel() for part in np.meshgrid(phi, z))
    taper, tilt = math.radians(tile.taper_deg), math.radians(tile.tilt_deg)
    r = radius - z * math.tan(taper)
    wall = np.column_stack([r * np.cos(phi), -r * np.sin(phi), z])
    up = math.sin(taper) * math.cos(tilt)
    down = math.cos(taper) * np.cos(phi) * math.sin(tilt) - up
    return np.vstack([face, wall[down > math.cos(math.radians(45))]])


_REPORT = "This is a fault of the program: please report it with the settings you used."
