"""Reading a base: what a person's file gives, or the one line when it gives none."""

from __future__ import annotations

import math
import struct
import zipfile
from typing import TYPE_CHECKING

import numpy as np
import pytest

from patterns.base_reading import read_base, read_bases, understand
from patterns.errors import FileError
from patterns.export import stl_bytes, threemf_bytes
from tests import bases, package_meshes
from tests.bases import Faces, Mesh, Points

if TYPE_CHECKING:
    from pathlib import Path

# What single precision does to 50 mm: 2e-6 mm a coordinate.
SINGLE_MM = 1e-5
QUICK = [name for name in bases.NAMES if bases.MADE[name].rings < 100]


def write_ascii(path: Path, vertices: Points, faces: Faces) -> None:
    rows = ["solid base 32 mm, 3.5 high"]
    for corners in vertices[faces]:
        rows += ["facet normal 0 0 1e0", "  outer loop"]
        rows += [f"    vertex {x:.9e} {y:.9E} {z!r}" for x, y, z in corners.tolist()]
        rows += ["  endloop", "endfacet"]
    path.write_text("\n".join([*rows, "endsolid base 32 mm, 3.5 high\n"]))


def write_obj(path: Path, vertices: Points, faces: Faces) -> None:
    points = [f"v {x!r} {y!r} {z!r} 0.5 0.5 0.5" for x, y, z in vertices.tolist()]
    sides = [f"f {a + 1}/1/2 {b + 1}//3 {c + 1}" for a, b, c in faces.tolist()]
    text = ["# drawn", "o base", *points, "vn 0 0 1", "vt 0 0", "s off", *sides, ""]
    path.write_text("\n".join(text))


def written(folder: Path, kind: str, name: str) -> Path:
    vertices, faces = bases.mesh(name)
    path = folder / f"{name}.{kind.removeprefix('ascii.')}"
    if kind == "stl":
        path.write_bytes(stl_bytes(Mesh(vertices, faces)))
    elif kind == "ascii.stl":
        write_ascii(path, vertices, faces)
    elif kind == "obj":
        write_obj(path, vertices, faces)
    else:
        path.write_bytes(threemf_bytes({name: Mesh(vertices, faces)}))
    return path


@pytest.mark.parametrize("kind", ["stl", "ascii.stl", "obj", "3mf"])
def test_every_format_gives_the_same_base(tmp_path: Path, kind: str) -> None:
    base = read_base(written(tmp_path, kind, "hollow_hexagon_60"))
    drawn = bases.ready("hollow_hexagon_60")
    assert base.name == "hollow_hexagon_60"
    assert base.source == f"hollow_hexagon_60.{kind.removeprefix('ascii.')}"
    assert base.faults == ()
    assert len(base.faces) == len(drawn.faces)
    assert base.volume_mm3 == pytest.approx(drawn.volume_mm3, rel=1e-5)
    assert base.height_mm == pytest.approx(5.0, abs=SINGLE_MM)
    assert base.rim.thinnest_wall_mm == pytest.approx(2.0, abs=1e-4)
    (recess,) = base.recesses
    assert recess.depth_mm == pytest.approx(3.0, abs=1e-3)


@pytest.mark.parametrize("name", QUICK)
def test_every_made_base_is_understood_as_it_was_made(name: str) -> None:
    import trimesh

    base, made = bases.ready(name), bases.MADE[name]
    judge = trimesh.Trimesh(base.vertices_mm, base.faces, process=False)
    assert judge.is_watertight
    assert base.volume_mm3 == pytest.approx(judge.volume)
    assert base.flatness_mm == 0.0
    assert base.faults == ()
    assert base.vertices_mm[:, 2].min() == 0.0
    low, high = base.rim.outline.min(axis=0), base.rim.outline.max(axis=0)
    drawn = np.ptp(bases.outline(made), axis=0)
    assert high - low == pytest.approx(drawn, abs=2e-3)
    assert low + high == pytest.approx(0.0, abs=2e-3)
    # points on the wall 0.25 mm apart: the corners' share makes some hundredths
    assert base.rim.draft_deg == pytest.approx(made.draft_deg, abs=0.1)
    openings = len(made.pockets) + len(made.holes) + len(made.slots)
    assert len(base.recesses) == openings + (made.shell_mm > 0)
    if made.shell_mm:
        assert base.rim.thinnest_wall_mm == pytest.approx(made.shell_mm, abs=2e-3)


@pytest.mark.parametrize("name", package_meshes.NAMES)
def test_meshes_of_others_are_read(name: str, tmp_path: Path) -> None:
    import trimesh

    vertices, faces = package_meshes.mesh(name)
    path = tmp_path / f"{name}.stl"
    path.write_bytes(stl_bytes(Mesh(vertices, faces)))
    base = read_base(path)
    judge = trimesh.Trimesh(vertices, faces, process=False)
    assert base.volume_mm3 == pytest.approx(judge.volume, rel=1e-5)
    assert base.flatness_mm <= 5e-3  # as drawn: one bottom bends by 3 um
    # its own bottom, not one of its other flats
    assert base.height_mm == pytest.approx(float(np.ptp(vertices[:, 2])), abs=1e-3)


def test_the_underside_is_found_lying_on_its_side(tmp_path: Path) -> None:
    vertices, faces = bases.mesh("rectangle_25x50_drafted")
    turned = vertices[:, [2, 0, 1]]  # the underside looks to -x
    path = tmp_path / "side.stl"
    path.write_bytes(stl_bytes(Mesh(turned, faces)))
    base = read_base(path)
    assert base.height_mm == pytest.approx(4.0, abs=SINGLE_MM)
    assert base.rim.draft_deg == pytest.approx(10.0, abs=0.1)
    other = read_base(path, underside="+x")
    assert other.rim.draft_deg == pytest.approx(-10.0, abs=0.1)


def test_a_side_that_is_not_flat_or_unknown_is_refused() -> None:
    vertices, faces = bases.mesh("disc_32")
    with pytest.raises(FileError, match="no direction"):
        understand(vertices, faces, name="disc", underside="down")
    with pytest.raises(FileError, match="no flat side"):
        understand(*_ball(), name="ball")


def _ball() -> tuple[Points, Faces]:
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=4, radius=20)
    return np.asarray(ball.vertices), np.asarray(ball.faces, np.int64)


@pytest.mark.parametrize("bow_mm", [0.03, 0.2])
def test_an_underside_that_is_not_flat_is_measured(bow_mm: float) -> None:
    vertices, faces = bases.build(bases.Made("disc", 40, 40, 4, relief_mm=0, rings=8))
    # its middle, one point of the bottom fan, stands out
    vertices = vertices.copy()
    vertices[-2, 2] = -bow_mm
    base = understand(vertices, faces, name="bowed")
    # the one point out of 181 draws the mean plane by 1/181
    assert base.flatness_mm == pytest.approx(bow_mm, rel=0.01)
    assert np.ptp(base.rim.outline[:, 0]) == pytest.approx(40.0, abs=0.01)


@pytest.mark.parametrize(
    ("unit", "scale"), [("inch", 25.4), ("m", 1000.0), ("cm", 10.0)]
)
def test_units_are_asked_for_never_guessed(
    tmp_path: Path, unit: str, scale: float
) -> None:
    vertices, faces = bases.mesh("disc_32")
    path = tmp_path / "disc.stl"
    path.write_bytes(stl_bytes(Mesh(vertices / scale, faces)))
    with pytest.raises(FileError, match=r"--units mm\|cm\|inch\|m"):
        read_base(path)
    base = read_base(path, units=unit)
    assert base.height_mm == pytest.approx(4.0, abs=SINGLE_MM)
    with pytest.raises(FileError, match="no unit"):
        read_base(path, units="furlong")
    with pytest.raises(FileError, match="no base of 15 to 200 mm"):
        read_base(path, units="um")


def test_3mf_units_places_and_parts_are_obeyed(tmp_path: Path) -> None:
    """Written by lib3mf, the consortium's own: inches, a moved and a mirrored item."""
    import lib3mf

    vertices, faces = bases.mesh("ell_40")
    model = lib3mf.get_wrapper().CreateModel()
    model.SetUnit(lib3mf.ModelUnit.Inch)
    mesh = model.AddMeshObject()
    mesh.SetName("elbow")
    for point in vertices / 25.4:
        mesh.AddVertex(lib3mf.Position(tuple(point.tolist())))
    for corners in faces.tolist():
        mesh.AddTriangle(lib3mf.Triangle(tuple(corners)))
    both = model.AddComponentsObject()
    both.SetName("pair")
    moved, mirrored = lib3mf.Transform(), lib3mf.Transform()
    for pose, x_scale in ((moved, 1.0), (mirrored, -1.0)):
        rows = np.vstack([np.diag([x_scale, 1.0, 1.0]), [2.0, 1.0, 0.0]])
        for i in range(4):
            for j in range(3):
                pose.Fields[i][j] = rows[i, j]
    both.AddComponent(mesh, moved)
    model.AddBuildItem(both, moved)
    model.AddBuildItem(mesh, mirrored)
    path = tmp_path / "bases.3mf"
    model.QueryWriter("3mf").WriteToFile(str(path))
    first, second = read_bases(path)
    assert [first.name, second.name] == ["pair", "elbow"]
    drawn = bases.ready("ell_40")
    for base in (first, second):
        assert base.volume_mm3 == pytest.approx(drawn.volume_mm3, rel=1e-4)
    # mirrored: the cut-out corner is on the left
    hollow = [c for c in second.rim.corners if c.inside_deg > 180]
    assert [(c.x_mm, c.y_mm) for c in hollow] == [pytest.approx((0, 0), abs=1e-3)]
    left = second.rim.outline[:, 0] < 0
    assert second.rim.outline[left][:, 1].max() == pytest.approx(0.0, abs=1e-3)
    with pytest.raises(FileError, match="holds 2 bases"):
        read_base(path)
    with pytest.raises(FileError, match="is in inch, as it says"):
        read_bases(path, units="mm")


def test_3mf_rows_in_any_order_and_with_more_attributes(tmp_path: Path) -> None:
    vertices, faces = bases.mesh("square_25")
    package = written(tmp_path, "3mf", "square_25")
    rows = "".join(
        f"<vertex z='{z!r}' y='{y!r}' x='{x!r}'/>" for x, y, z in vertices.tolist()
    )
    sides = "".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}" pid="1" p1="0"/>\n'
        for a, b, c in faces.tolist()
    )
    text = _model(package)
    begin, end = text.index("<vertices>"), text.index("</triangles>")
    text = f"{text[:begin]}<vertices>{rows}</vertices><triangles>{sides}{text[end:]}"
    odd = _package(tmp_path / "odd.3mf", text.encode())
    assert read_base(odd).volume_mm3 == pytest.approx(25 * 25 * 3.5)


def _model(package: Path) -> str:
    with zipfile.ZipFile(package) as archive:
        return archive.read("3D/3dmodel.model").decode()


def _package(path: Path, model: bytes) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", model)
    return path


def test_obj_with_quads_and_numbers_from_the_end(tmp_path: Path) -> None:
    path = tmp_path / "box.obj"
    path.write_text(
        "v 0 0 0\nv 30 0 0\nv 30 20 0\nv 0 20 0\nv 0 0 5\nv 30 0 5\n"
        "v 30 20 5\nv 0 20 5\nf 4 3 2 1\nf -4 -3 -2 -1\nf 1 2 6 5\n"
        "f 2 3 \\\n7 6\nf 3 4 8 7\nf 4 1 5 8\n"
    )
    base = read_base(path)
    assert base.volume_mm3 == pytest.approx(3000.0)
    assert [corner.inside_deg for corner in base.rim.corners] == pytest.approx([90] * 4)


def test_progress_is_told(tmp_path: Path) -> None:
    said: list[tuple[str, float]] = []
    read_base(
        written(tmp_path, "stl", "disc_32"),
        progress=lambda text, share: said.append((text, share)),
    )
    assert said[0][0] == "reading"
    assert said[-1] == ("done", 1.0)
    assert all(0 <= share <= 1 for _, share in said)


def _stl_of(count: int, facets: bytes = b"") -> bytes:
    return b" " * 80 + struct.pack("<I", count) + facets


def _nan(vertices: Points) -> Points:
    broken = vertices.copy()
    broken[5, 1] = math.nan
    return broken


GOOD, GOOD_FACES = bases.mesh("disc_32")
WHOLE = stl_bytes(Mesh(GOOD, GOOD_FACES))
BOMB = b"<model>" + b" " * 300_000_000
ENTITIES = (
    b'<!DOCTYPE model [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><model>&b;</model>'
)
BAD: dict[str, tuple[str, bytes, str]] = {
    "empty": ("a.stl", b"", "is empty"),
    "empty text": ("a.stl", b"solid a\nendsolid a\n", "no triangles"),
    "no triangles": ("a.stl", _stl_of(0), "no triangles"),
    "truncated": ("a.stl", WHOLE[:-30], "cut off: 719 of 720"),
    "truncated text": (
        "a.stl",
        b"solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1",
        "cut off",
    ),
    "not a mesh": ("a.stl", b"\x89PNG" + bytes(range(256)) * 9, "not a mesh"),
    "prose": ("a.stl", b"solid advice is hard to find\n" * 99, "no mesh|triangles"),
    "nan": ("a.stl", stl_bytes(Mesh(_nan(GOOD), GOOD_FACES)), "not numbers"),
    "zero area": (
        "a.stl",
        stl_bytes(Mesh(GOOD, GOOD_FACES[:, [0, 0, 1]])),
        "No triangle .* has an area",
    ),
    "open": ("a.stl", stl_bytes(Mesh(GOOD, GOOD_FACES[400:])), "is open at .* near x"),
    "obj without faces": ("a.obj", b"v 1 2 3\n", "no faces"),
    "obj words": ("a.obj", b"v 1 two 3\nf 1 1 1\n", "words where numbers"),
    "obj stray index": ("a.obj", b"v 1 2 3\nf 1 2 3\n", "isn't there"),
    "not a zip": ("a.3mf", b"PK no", "no 3MF package"),
    "no ending known": ("a.blend", b"x", "no STL, 3MF or OBJ"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_files_are_refused_in_one_line(tmp_path: Path, case: str) -> None:
    name, content, message = BAD[case]
    path = tmp_path / name
    path.write_bytes(content)
    _refused(path, message)


def _refused(path: Path, message: str) -> None:
    before = path.read_bytes() if path.stat().st_size < 10**7 else b""
    with pytest.raises(FileError, match=message) as error:
        read_base(path)
    assert "\n" not in str(error.value)
    assert path.name in str(error.value)
    assert not before or path.read_bytes() == before


def test_20_million_triangles_are_refused_by_their_header(tmp_path: Path) -> None:
    path = tmp_path / "huge.stl"
    with path.open("wb") as file:
        file.write(_stl_of(20_000_000))
        file.truncate(84 + 50 * 20_000_000)  # a sparse file: no disk, no memory
    _refused(path, "has 20,000,000 triangles; 2,000,000 are read at most")


@pytest.mark.parametrize(
    ("model", "message"),
    [
        (BOMB, "would unpack to 300 MB"),
        (ENTITIES, "defines entities"),
        (b"<model>" + b"<a>" * 500, "nested without end"),
        (b"<model", "can't be read"),
        (b"<model></model>", "its build holds nothing"),
    ],
    ids=["bomb", "entities", "nested", "cut", "nothing"],
)
def test_bad_packages_are_refused_before_memory_is_spent(
    tmp_path: Path, model: bytes, message: str
) -> None:
    _refused(_package(tmp_path / "a.3mf", model), message)


def test_a_3mf_that_holds_itself_is_refused(tmp_path: Path) -> None:
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    model = (
        f'<model xmlns="{core}"><resources><object id="1"><components>'
        '<component objectid="1"/></components></object></resources>'
        '<build><item objectid="1"/></build></model>'
    )
    _refused(_package(tmp_path / "a.3mf", model.encode()), "holds itself")


def test_a_missing_file_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="can't be read"):
        read_base(tmp_path / "none.stl")
