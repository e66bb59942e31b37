"""The files of a set of tiles: what others read in them, all or none written."""

from __future__ import annotations

from typing import TYPE_CHECKING

import lib3mf
import numpy as np
import pytest

from patterns.errors import FileError
from patterns.rim_export import rim_files, tile_file, write_rims
from patterns.rim_manifest import rim_manifest_from_json
from patterns.rim_set import RimSet, build_rims
from patterns.rim_sheet import rim_sheet_pdf, settings_rows
from patterns.rim_spec import RimSpec

if TYPE_CHECKING:
    from pathlib import Path

# Two plates of one tile each: small, and every kind of file is there.
SPEC = RimSpec(
    pixel_x_mm=0.05,
    pixel_y_mm=0.05,
    layer_mm=0.05,
    normal_exposure_s=2.5,
    tilts_deg=(25.0,),
    plate_x_mm=36.0,
    plate_y_mm=25.0,
    set_code=7,
)
NAMES = {
    "rim-s07-plate-1.stl",
    "rim-s07-plate-1.3mf",
    "rim-s07-plate-2.stl",
    "rim-s07-plate-2.3mf",
    "rim-s07-tile-t25-bare.stl",
    "rim-s07-tile-t25-lipped.stl",
    "rim-s07-stand.stl",
    "rim-s07-stand.3mf",
    "rim-s07.json",
    "rim-s07-sheet-a4.pdf",
    "rim-s07-sheet-letter.pdf",
}


@pytest.fixture(scope="module")
def rims() -> RimSet:
    return build_rims(SPEC)


@pytest.fixture(scope="module")
def files(rims: RimSet) -> dict[str, bytes]:
    return rim_files(rims)


def _objects(package: bytes) -> dict[str, lib3mf.MeshObject]:
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)  # noqa: FBT003 its signature
    reader.ReadFromBuffer(package)
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    meshes, found = model.GetMeshObjects(), {}
    while meshes.MoveNext():
        mesh = meshes.GetCurrentMeshObject()
        found[mesh.GetName()] = mesh
    items, built = model.GetBuildItems(), 0
    while items.MoveNext():
        built += 1
    assert built == len(found)
    return found


def test_every_kind_of_file_is_there(files: dict[str, bytes]) -> None:
    assert set(files) == NAMES


def test_same_set_same_bytes(files: dict[str, bytes]) -> None:
    assert rim_files(build_rims(SPEC)) == files


def test_manifest_reads_back_as_it_was(rims: RimSet, files: dict[str, bytes]) -> None:
    text = files["rim-s07.json"].decode()
    assert rim_manifest_from_json(text) == rims.manifest


def test_single_tiles_lie_bottom_up_on_their_feet(
    rims: RimSet, files: dict[str, bytes], tmp_path: Path
) -> None:
    import trimesh
    from manifold3d import Manifold, Mesh64

    for tile in rims.manifest.tiles:
        path = tmp_path / tile_file(rims.manifest, tile)
        path.write_bytes(files[path.name])
        mesh = trimesh.load_mesh(path)
        mesh.merge_vertices()
        assert mesh.is_watertight
        assert mesh.body_count == 1
        # 0.1 mm chords leave 0.4 % of a foot, far less of the disc
        assert mesh.volume == pytest.approx(tile.volume_mm3, rel=0.005)
        height = tile.thickness_mm + tile.feet[0].height_mm
        low, high = mesh.bounds
        np.testing.assert_allclose(low, (0.0, -tile.radius_mm, 0.0), atol=1e-3)
        np.testing.assert_allclose(
            high, (tile.radius_mm, tile.radius_mm, height), atol=1e-3
        )
        # the bottom face, the widest, is on top: place 0 of the code at the far side
        top = mesh.vertices[mesh.vertices[:, 2] > height - 1e-4]
        assert np.hypot(*top[:, :2].T).max() == pytest.approx(tile.radius_mm, abs=1e-3)
        first, last = tile.notches[0], tile.notches[-1]
        solid = Manifold(Mesh64(mesh.vertices, mesh.faces.astype(np.uint64)))
        held = [
            (solid ^ Manifold.cube((0.2,) * 3).translate((0.4, y - 0.1, height - 0.3)))
            for y in (-(n.y0_mm + n.y1_mm) / 2 for n in (first, last))
        ]
        assert [cube.volume() for cube in held] == pytest.approx([0.0, 0.008])


def test_plates_name_one_object_for_each_tile(
    rims: RimSet, files: dict[str, bytes]
) -> None:
    """Outside check: lib3mf, the 3MF Consortium's reference implementation."""
    for number in (1, 2):
        found = _objects(files[f"rim-s07-plate-{number}.3mf"])
        placed = [p for p in rims.manifest.placements if p.plate == number]
        assert set(found) == {place.coupon_id for place in placed}
        assert all(mesh.IsManifoldAndOriented() for mesh in found.values())
        faces = sum(mesh.GetTriangleCount() for mesh in found.values())
        assert faces == len(rims.plates[number - 1].faces)


def test_several_tiles_of_a_plate_keep_their_own_names() -> None:
    rims = build_rims(
        RimSpec(
            pixel_x_mm=0.05,
            pixel_y_mm=0.05,
            layer_mm=0.05,
            normal_exposure_s=2.5,
            tilts_deg=(40.0, 60.0),
            treatments=("bare",),
        )
    )
    found = _objects(rim_files(rims)[f"{rims.manifest.set_id}-plate-1.3mf"])
    assert set(found) == {tile.coupon_id for tile in rims.manifest.tiles}
    for place in rims.manifest.placements:
        mesh = found[place.coupon_id]
        corners = np.array([tuple(v.Coordinates) for v in mesh.GetVertices()])
        assert corners[:, 0].min() < place.x_mm < corners[:, 0].max()
        assert np.linalg.norm(
            corners - (place.x_mm, place.y_mm, place.z_mm), axis=1
        ).min() == pytest.approx(0.0, abs=0.5)


def test_the_stand_is_read_by_lib3mf(files: dict[str, bytes]) -> None:
    (stand,) = _objects(files["rim-s07-stand.3mf"]).values()
    assert stand.IsManifoldAndOriented()


def test_another_file_in_the_way_is_kept_and_nothing_written(
    rims: RimSet, tmp_path: Path
) -> None:
    mine = tmp_path / "rim-s07-stand.stl"
    mine.write_text("mine")
    with pytest.raises(FileError, match="there already"):
        write_rims(rims, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == [mine.name]
    assert mine.read_text() == "mine"


def test_writing_twice_changes_nothing(rims: RimSet, tmp_path: Path) -> None:
    first = write_rims(rims, tmp_path / "set")
    assert {path.name for path in first} == NAMES
    stamps = [path.stat().st_mtime_ns for path in first]
    again = write_rims(rims, tmp_path / "set")
    assert [path.stat().st_mtime_ns for path in again] == stamps


def test_sheet_says_the_settings_to_print_with(rims: RimSet) -> None:
    rows = dict(settings_rows(rims.manifest))
    assert rows["Layer height"] == "0.05 mm"
    assert rows["Exposure of normal layers"] == "2.5 s"
    assert rows["Size"] == "2 tiles on 2 plates"


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_sheet_has_three_pages_of_its_paper(rims: RimSet, paper: str) -> None:
    sheet = rim_sheet_pdf(rims.manifest, "a4" if paper == "a4" else "letter")
    size = b"595.28 841.89" if paper == "a4" else b"612 792"
    assert sheet.count(b"/Type /Page\n") == 3
    assert size in sheet.replace(b".00", b"")
