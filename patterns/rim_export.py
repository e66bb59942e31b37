"""The files of a set of rim tiles: plates, single tiles, stand, manifest, sheets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from patterns.edge_stand import TileSize, stand_mesh
from patterns.export import stl_bytes, threemf_bytes, write_all
from patterns.rim_tile import lying_mesh

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray  # noqa: TC004 names alone

    from patterns.export import Mesh
    from patterns.rim_manifest import Placement, RimManifest, RimTile
    from patterns.rim_set import RimSet


@dataclass(frozen=True, slots=True)
class _Body:
    """A mesh on its own."""

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]


def write_rims(rims: RimSet, folder: Path) -> tuple[Path, ...]:
    """Write all files of a set; all are made before any is written.

    Parameters
    ----------
    rims : RimSet
    folder : Path
        Made if missing.

    Returns
    -------
    tuple of Path
        STL and 3MF of each plate, STL of each finished tile lying bottom up, STL and
        3MF of the stand, manifest, A4 sheet, Letter sheet.

    Raises
    ------
    FileError
        A different file of that name is there, or the folder can't be written.
    """
    return write_all({folder / name: made for name, made in rim_files(rims).items()})


def rim_files(rims: RimSet) -> dict[str, bytes]:
    """Make the files of a set: name and content, the same set the same bytes."""
    from patterns.rim_sheet import rim_sheet_pdf

    manifest, stem = rims.manifest, rims.manifest.set_id
    files: dict[str, bytes] = {}
    for number, plate in enumerate(rims.plates, start=1):
        placed = [p for p in manifest.placements if p.plate == number]
        files[f"{stem}-plate-{number}.stl"] = stl_bytes(plate)
        files[f"{stem}-plate-{number}.3mf"] = threemf_bytes(_by_tile(plate, placed))
    for tile in manifest.tiles:
        files[tile_file(manifest, tile)] = stl_bytes(_Body(*lying_mesh(tile)))
    stand = _Body(*stand_mesh(_size(manifest.tiles[0])))
    files[f"{stem}-stand.stl"] = stl_bytes(stand)
    files[f"{stem}-stand.3mf"] = threemf_bytes({f"{stem}-stand": stand})
    files[f"{stem}.json"] = manifest.to_json().encode()
    files[f"{stem}-sheet-a4.pdf"] = rim_sheet_pdf(manifest, "a4")
    files[f"{stem}-sheet-letter.pdf"] = rim_sheet_pdf(manifest, "letter")
    return files


def tile_file(manifest: RimManifest, tile: RimTile) -> str:
    """Name of a single tile's STL: its tilt and treatment."""
    return f"{manifest.set_id}-tile{tile.coupon_id.removeprefix(manifest.set_id)}.stl"


def _size(tile: RimTile) -> TileSize:
    return TileSize(
        radius_mm=tile.radius_mm,
        thickness_mm=tile.thickness_mm,
        taper_deg=tile.taper_deg,
    )


def _by_tile(plate: Mesh, placed: Sequence[Placement]) -> dict[str, Mesh]:
    """Take a plate apart: each body named after the tile whose lowest point it has."""
    bodies = _bodies(plate)
    named: dict[str, Mesh] = {}
    for place in placed:
        lowest = np.array([place.x_mm, place.y_mm, place.z_mm])
        off = [np.linalg.norm(b.vertices_mm - lowest, axis=1).min() for b in bodies]
        named[place.coupon_id] = bodies[int(np.argmin(off))]
    return named


def _bodies(mesh: Mesh) -> list[_Body]:
    """Split a mesh into what hangs together."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = len(mesh.vertices_mm)
    ends = np.vstack([mesh.faces[:, :2], mesh.faces[:, 1:]]).T
    joined = coo_array((np.ones(ends.shape[1], np.int8), ends), (count, count))
    _, label = connected_components(joined, directed=False)
    bodies = []
    for body in np.unique(label[mesh.faces[:, 0]]):
        faces = mesh.faces[label[mesh.faces[:, 0]] == body]
        used, renumbered = np.unique(faces, return_inverse=True)
        bodies.append(_Body(mesh.vertices_mm[used], renumbered.reshape(-1, 3)))
    return bodies
