"""Level cuts through a body: what each height of it looks like from above."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base import Section

if TYPE_CHECKING:
    from collections.abc import Iterable

    import manifold3d
    import shapely
    from numpy.typing import ArrayLike

    from patterns.export import Mesh


def solid(mesh: Mesh) -> manifold3d.Manifold:
    """Body of a closed mesh; empty, with a status, when it is not closed.

    Large ones take seconds, so the last two of meshes that can't change are kept.
    """
    arrays = mesh.vertices_mm, mesh.faces
    if any(array.flags.writeable for array in arrays):
        return _built(*arrays)
    return _kept(_Fixed(*arrays))


@dataclass(frozen=True, slots=True, eq=False)
class _Fixed:
    """Arrays that can't change: the same only if they are the very same ones."""

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]

    def __hash__(self) -> int:
        return hash((id(self.vertices_mm), id(self.faces)))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, _Fixed)
            and self.vertices_mm is other.vertices_mm
            and self.faces is other.faces
        )


@lru_cache(maxsize=2)
def _kept(mesh: _Fixed) -> manifold3d.Manifold:
    return _built(mesh.vertices_mm, mesh.faces)


def _built(
    vertices_mm: NDArray[np.float64], faces: NDArray[np.int64]
) -> manifold3d.Manifold:
    from manifold3d import Manifold, Mesh64

    return Manifold(
        Mesh64(
            np.array(vertices_mm, np.float64, order="C"),  # may be read-only
            np.ascontiguousarray(faces, np.uint64),
        )
    )


def sections(
    body: Mesh | manifold3d.Manifold, heights_mm: Iterable[float]
) -> tuple[Section, ...]:
    """Cut a body at heights.

    Parameters
    ----------
    body : Mesh or Manifold
        A mesh is made a body once; give the body itself to cut it often.
    heights_mm : iterable of float
        Not at a level face of the body: which side is meant would be chance.

    Returns
    -------
    tuple of Section
        In the order asked for; one without rings where nothing is.
    """
    whole: manifold3d.Manifold = solid(body) if hasattr(body, "faces") else body
    return tuple(section(whole.slice(z_mm), z_mm) for z_mm in heights_mm)


def cut_mesh(
    vertices_mm: NDArray[np.float64], faces: NDArray[np.int64], z_mm: float
) -> Section:
    """Cut a sound mesh once, without making a body of it first.

    A triangle's part of the cut goes from its side that leads down to the one that
    leads up, which has the material on its left.
    """
    above = vertices_mm[:, 2] > z_mm
    over = above[faces]
    cut = faces[over.any(axis=1) & ~over.all(axis=1)]
    side = np.stack([cut, np.roll(cut, -1, axis=1)], axis=2)  # (m, 3 sides, 2 ends)
    up = ~above[side[..., 0]] & above[side[..., 1]]
    down = above[side[..., 0]] & ~above[side[..., 1]]
    starts, ends = np.sort(side[down], axis=1), np.sort(side[up], axis=1)
    points = len(vertices_mm)
    after = dict(
        zip(
            (starts[:, 0] * points + starts[:, 1]).tolist(),
            (ends[:, 0] * points + ends[:, 1]).tolist(),
            strict=True,
        )
    )
    rings = []
    while after:
        ring = [next(iter(after))]
        while ring[-1] in after:
            ring.append(after.pop(ring[-1]))
        p, q = np.divmod(np.array(ring[:-1]), points)
        low, high = vertices_mm[p], vertices_mm[q]
        share = (z_mm - low[:, 2]) / (high[:, 2] - low[:, 2])
        rings.append(low[:, :2] + share[:, None] * (high - low)[:, :2])
    return _section([ring for ring in rings if len(ring) > 2], z_mm)


def section(cut: manifold3d.CrossSection, z_mm: float) -> Section:
    """Outer rings and openings of a plane region, largest first."""
    rings = [np.asarray(ring, np.float64) for ring in cut.to_polygons()]
    return _section(rings, z_mm)


def _section(rings: list[NDArray[np.float64]], z_mm: float) -> Section:
    rings = sorted(rings, key=lambda ring: -abs(signed_area_mm2(ring)))
    return Section(
        z_mm=float(z_mm),
        outer=tuple(ring for ring in rings if signed_area_mm2(ring) > 0),
        openings=tuple(ring for ring in rings if signed_area_mm2(ring) < 0),
    )


def polygons(cut: Section) -> list[shapely.Polygon]:
    """One polygon for each outer ring, with its openings; those inside one as well."""
    from shapely import Polygon, get_parts
    from shapely.geometry.polygon import orient

    region = Polygon()
    openings = [Polygon(ring) for ring in cut.openings]
    for ring in cut.outer:
        outer = Polygon(ring)
        # an opening that surrounds an island has its middle there, too
        smaller = [o for o in openings if o.area < outer.area]
        inside = [o for o in smaller if outer.contains(o.representative_point())]
        for opening in inside:
            outer = outer.difference(opening)
        region = region.union(outer)
    return [orient(part) for part in get_parts(region)]


def signed_area_mm2(ring: ArrayLike) -> float:
    """Area by the shoelace formula, counter-clockwise positive."""
    points = np.asarray(ring, np.float64)
    x, y = (points - points[0]).T  # near zero, so that little is lost to rounding
    return float(0.5 * (x[:-1] @ y[1:] - x[1:] @ y[:-1]))  # the first point is 0, 0
