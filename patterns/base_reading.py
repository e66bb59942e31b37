"""A base's file, read, checked and understood."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from patterns.base import Base, Rim
from patterns.base_edges import volumes_mm3
from patterns.base_faults import Findings
from patterns.base_file import load
from patterns.base_mend import mend
from patterns.base_raw import MM, RawMesh, Told, Unit
from patterns.base_recess import recess_of
from patterns.base_rim import EXACT_MM, even_ring, trace
from patterns.base_sections import cut_mesh, polygons
from patterns.base_underside import find_underside, set_down
from patterns.errors import FileError

if TYPE_CHECKING:
    from pathlib import Path

    import shapely

    from patterns.base import Ring

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_Array = TypeVar("_Array", Floats, Ints)

SMALLEST_MM = 15.0
LARGEST_MM = 200.0
"""What a base measures across; other sizes are taken for another unit."""
_JUST_ABOVE_MM = 1e-3
_RIM_HEIGHT_MM = 1.0
_SAMPLE_MM = 0.25
_SMALLEST_OPENING_MM2 = 1e-3


def read_base(
    path: Path,
    *,
    units: str | None = None,
    underside: str | None = None,
    progress: Told | None = None,
) -> Base:
    """Read the one base of a file.

    Parameters
    ----------
    path : Path
        STL (binary or ASCII), 3MF or OBJ.
    units : str or None
        ``um``, ``mm``, ``cm``, ``inch``, ``ft`` or ``m``, where the file has none.
    underside : str or None
        Where the underside looks in the file (``-z``, ``+x``, ...); found if None.
    progress : callable or None
        Hears what is being done, and how far it is (0 to 1).

    Returns
    -------
    Base

    Raises
    ------
    FileError
        No mesh, damaged, too large, of unknown unit, or not one sound body with a flat
        underside; or the file holds several bases.
    """
    bases = read_bases(path, units=units, underside=underside, progress=progress)
    if len(bases) > 1:
        raise FileError(
            f"{path.name} holds {len(bases)} bases.", "Export them one by one."
        )
    return bases[0]


def read_bases(
    path: Path,
    *,
    units: str | None = None,
    underside: str | None = None,
    progress: Told | None = None,
) -> tuple[Base, ...]:
    """Read every base of a file: a 3MF's build may hold several.

    Parameters and errors as for `read_base`.
    """
    told = progress or _silent
    meshes = load(path, told)
    return tuple(
        understand(
            *_in_mm(path, mesh, units),
            name=mesh.name,
            source=path.name,
            underside=underside,
            progress=told,
        )
        for mesh in meshes
    )


def understand(
    vertices_mm: NDArray[np.floating],
    faces: Ints,
    *,
    name: str,
    source: str = "",
    underside: str | None = None,
    progress: Told | None = None,
) -> Base:
    """Make a base of triangles: mended, turned underside down, its rim described.

    Parameters
    ----------
    vertices_mm : ndarray, shape (n, 3)
        Points may be there several times.
    faces : ndarray of int64, shape (m, 3)
    name, source : str
        What to call it, and the file it is from.
    underside, progress
        As for `read_base`.

    Raises
    ------
    FileError
        Not one sound body with a flat underside in one piece.
    """
    told = progress or _silent
    source = source or name
    findings = Findings(source)
    vertices, faces = mend(vertices_mm, faces, findings, told)
    told("finding the underside", 0.8)
    side = find_underside(vertices, faces, source, underside)
    vertices = set_down(vertices, side)
    told("following the rim", 0.9)
    bottom = _bottom(vertices, faces, side.flatness_mm, source)
    rings = [even_ring(np.asarray(r.coords)[:-1], EXACT_MM) for r in bottom.interiors]
    recesses = tuple(
        recess_of(vertices, faces, ring)
        for ring in sorted(rings, key=lambda ring: tuple(ring.min(axis=0)))
    )
    one_shell = np.zeros(len(faces), np.int64)
    told("done", 1.0)
    return Base(
        name=name,
        source=source,
        vertices_mm=_fixed(vertices),
        faces=_fixed(faces),
        height_mm=float(vertices[:, 2].max()),
        volume_mm3=float(volumes_mm3(vertices, faces, one_shell, 1)[0]),
        flatness_mm=side.flatness_mm,
        rim=_rim(vertices, faces, bottom),
        recesses=recesses,
        faults=tuple(findings.faults),
    )


def _silent(_text: str, _share: float) -> None:
    """Tell nobody."""


def _in_mm(
    path: Path, mesh: RawMesh, units: str | None
) -> tuple[NDArray[np.floating], Ints]:
    """Points in mm: by the file's unit, the one given, or as they are if they fit."""
    unit = mesh.unit or _unit(units) or "mm"
    if units is not None and _unit(units) != unit:
        raise FileError(
            f"{path.name} is in {unit}, as it says itself.", "Leave out --units."
        )
    size = float(np.ptp(mesh.vertices[mesh.faces.ravel()], axis=0).max()) * MM[unit]
    if not size:
        raise FileError(
            f"All points of {path.name} are in one place.", "Export the base again."
        )
    if SMALLEST_MM <= size <= LARGEST_MM:
        scale = MM[unit]
        return (mesh.vertices if scale == 1 else mesh.vertices * scale), mesh.faces
    across = f"{path.name} would be {size:.3g} mm across if it is in {unit}"
    if mesh.unit or units:
        raise FileError(
            f"{across}: no base of {SMALLEST_MM:.0f} to {LARGEST_MM:.0f} mm.",
            "Scale it in the program it comes from.",
        )
    raise FileError(f"{across}.", "Say its unit with --units mm|cm|inch|m.")


def _unit(name: str | None) -> Unit | None:
    if name is None:
        return None
    if name not in MM:
        raise FileError(f"{name} is no unit.", f"Name one of {', '.join(MM)}.")
    return name


def _fixed(array: _Array) -> _Array:
    array.flags.writeable = False
    return array


def _bottom(
    vertices: Floats, faces: Ints, flatness_mm: float, source: str
) -> shapely.Polygon:
    """Outline of the underside with its openings."""
    from shapely import Polygon

    parts = polygons(cut_mesh(vertices, faces, flatness_mm + _JUST_ABOVE_MM))
    parts = [part for part in parts if part.area > _SMALLEST_OPENING_MM2]
    if not parts:
        raise FileError(
            f"The underside of {source} has no outline.",
            "Name another side with --underside.",
        )
    largest = max(parts, key=lambda part: Polygon(part.exterior).area)
    whole = Polygon(largest.exterior)
    outside = [part for part in parts if not whole.contains(part)]
    if len(outside) > 1:
        raise FileError(
            f"The underside of {source} is in {len(outside)} parts.",
            "A base stands on one; name another side with --underside.",
        )
    openings = [
        ring for ring in largest.interiors if Polygon(ring).area > _SMALLEST_OPENING_MM2
    ]
    return Polygon(largest.exterior, openings)


def _rim(vertices: Floats, faces: Ints, bottom: shapely.Polygon) -> Rim:
    outline, corners, runs = trace(np.asarray(bottom.exterior.coords)[:-1])
    thinnest, at = _thinnest_wall(bottom)
    return Rim(
        outline=outline,
        corners=corners,
        runs=runs,
        draft_deg=_draft_deg(vertices, faces, outline),
        thinnest_wall_mm=thinnest,
        thinnest_at_mm=at,
    )


def _thinnest_wall(bottom: shapely.Polygon) -> tuple[float, tuple[float, float]]:
    """Least distance of the rim from an opening, and the middle of it."""
    from shapely import LineString, MultiLineString, shortest_line

    if not bottom.interiors:
        return math.inf, (math.nan, math.nan)
    openings = MultiLineString([LineString(ring.coords) for ring in bottom.interiors])
    across = shortest_line(LineString(bottom.exterior.coords), openings)
    x, y = across.interpolate(0.5, normalized=True).coords[0]
    return float(across.length), (float(x), float(y))


def _draft_deg(vertices: Floats, faces: Ints, outline: Ring) -> float:
    """Mean lean of the wall between the underside and a millimetre above it."""
    from shapely import (
        LinearRing,
        Polygon,
        contains_xy,
        distance,
        get_coordinates,
        line_interpolate_point,
        union_all,
    )

    height = min(_RIM_HEIGHT_MM, float(vertices[:, 2].max()) / 2)
    cut = polygons(cut_mesh(vertices, faces, height))
    above = union_all([Polygon(part.exterior) for part in cut])
    ring = LinearRing(outline)
    steps = np.arange(0.0, ring.length, _SAMPLE_MM)
    places = line_interpolate_point(ring, steps)
    x, y = get_coordinates(places).T
    away = distance(above.boundary, places)
    inwards = np.where(contains_xy(above, x, y), -away, away)
    return math.degrees(math.atan2(float(inwards.mean()), height))
