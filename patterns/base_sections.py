"""Level cuts through a body: what each height of it looks like from above."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from patterns.base import Section

if TYPE_CHECKING:
    from collections.abc import Iterable

    import manifold3d
    import shapely
    from numpy.typing import ArrayLike

    from patterns.export import Mesh


def solid(mesh: Mesh) -> manifold3d.Manifold:
    """Body of a closed mesh; empty, with a status, when it is not closed."""
    from manifold3d import Manifold, Mesh64

    return Manifold(
        Mesh64(
            np.array(mesh.vertices_mm, np.float64, order="C"),  # may be read-only
            np.ascontiguousarray(mesh.faces, np.uint64),
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
    whole = solid(body) if hasattr(body, "vertices_mm") else body
    return tuple(section(whole.slice(z_mm), z_mm) for z_mm in heights_mm)


def section(cut: manifold3d.CrossSection, z_mm: float) -> Section:
    """Outer rings and openings of a plane region, largest first."""
    rings = sorted(
        (np.asarray(ring, np.float64) for ring in cut.to_polygons()),
        key=lambda ring: -abs(signed_area_mm2(ring)),
    )
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
        inside = [o for o in openings if outer.contains(o.representative_point())]
        for opening in inside:
            outer = outer.difference(opening)
        region = region.union(outer)
    return [orient(part) for part in get_parts(region)]


def signed_area_mm2(ring: ArrayLike) -> float:
    """Area by the shoelace formula, counter-clockwise positive."""
    points = np.asarray(ring, np.float64)
    x, y = (points - points[0]).T  # near zero, so that little is lost to rounding
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
