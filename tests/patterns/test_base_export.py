"""Plates of bases and their sheets: places kept, names kept, the same bytes."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING

import lib3mf
import numpy as np
import pytest
import trimesh
from PIL import Image

from patterns.base_export import place, plate_files
from patterns.base_sheet import BaseSheet, base_sheet_pdf, order_of_work
from patterns.nesting import Laid
from tests import bases, sheets

if TYPE_CHECKING:
    from patterns.page import Paper

BOX = bases.Mesh(*bases.mesh("rectangle_20x40"))


def laid(piece: int, turn_deg: float, x_mm: float, y_mm: float) -> Laid:
    return Laid(piece=piece, turn_deg=turn_deg, x_mm=x_mm, y_mm=y_mm)


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 180.0, 270.0])
def test_a_quarter_turn_keeps_every_coordinate_to_the_last_bit(turn_deg: float) -> None:
    placed = place(BOX, "a", laid(0, turn_deg, 12.5, -7.25))
    back = placed.vertices_mm[:, :2] - np.array([12.5, -7.25])
    c, s = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}[int(turn_deg)]
    np.testing.assert_array_equal(
        back @ np.array([(c, -s), (s, c)]), BOX.vertices_mm[:, :2]
    )
    np.testing.assert_array_equal(placed.vertices_mm[:, 2], BOX.vertices_mm[:, 2])


def test_points_that_coincide_don_t_open_the_file() -> None:
    """Three edges split right at one end, as the joining of bodies leaves them."""
    vertices, faces = BOX.vertices_mm, BOX.faces.tolist()
    for _ in range(3):
        a, b, _ = faces[0]
        split = [f for f in faces if {a, b} <= set(f)]
        new = len(vertices)
        vertices = np.vstack([vertices, vertices[a] + (0, 0, 1e-7)])
        faces = [f for f in faces if f not in split]
        for face in split:
            faces += [[new if k == a else k for k in face]]
            faces += [[new if k == b else k for k in face]]
    placed = place(bases.Mesh(vertices, np.array(faces)), "a", laid(0, 0.0, 100.0, 0.0))
    mesh = trimesh.load_mesh(
        io.BytesIO(plate_files("a", [placed])["a.stl"]), file_type="stl"
    )
    assert mesh.is_watertight
    moved = placed.vertices_mm - vertices - (100.0, 0.0, 0.0)
    assert np.abs(moved).max() < 1e-3  # 1 um


def test_a_plate_is_one_stl_and_a_3mf_that_names_each_base() -> None:
    names = ('oval "best" <2>', "oval & more")
    placed = [
        place(BOX, name, laid(i, 90.0 * i, 50.0 * i, 0.0))
        for i, name in enumerate(names)
    ]
    files = plate_files("plate", placed)
    assert list(files) == ["plate.stl", "plate.3mf"]
    mesh = trimesh.load_mesh(io.BytesIO(files["plate.stl"]), file_type="stl")
    assert mesh.is_watertight
    assert mesh.body_count == 2
    np.testing.assert_allclose(mesh.bounds[:, 0], [-20.0, 60.0], atol=1e-5)
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)  # noqa: FBT003 its signature
    reader.ReadFromBuffer(files["plate.3mf"])
    meshes, found = model.GetMeshObjects(), []
    while meshes.MoveNext():
        found.append(meshes.GetCurrentMeshObject().GetName())
    assert tuple(found) == names
    assert files == plate_files("plate", placed)


def _sheet() -> BaseSheet:
    picture = io.BytesIO()
    Image.new("RGB", (120, 94), "grey").save(picture, format="PNG")
    return BaseSheet(
        name="oval",
        printed_as="lipped",
        supports=False,
        guess=False,
        cavities=True,
        reason="The lip gains 0.1 mm.",
        settings=(("Layer height", "0.05 mm"),),
        sanding=("Sand the lip off.",),
        notes=(),
        picture=picture.getvalue(),
        picture_words="Each way in section.",
    )


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_sheet_has_two_pages_more_for_many_notes_and_the_same_bytes(
    paper: Paper,
) -> None:
    sheet = _sheet()
    pdf = base_sheet_pdf(sheet, paper)
    assert sheets.pages(pdf) == 2
    assert pdf == base_sheet_pdf(sheet, paper)
    long = replace(sheet, notes=("An island without support. " * 5,) * 30)
    assert sheets.pages(base_sheet_pdf(long, paper)) > 2


def test_supports_come_off_before_curing_and_a_flat_base_has_none() -> None:
    tilted = order_of_work(_sheet())
    (off,) = (i for i, step in enumerate(tilted) if "supports off" in step)
    (cured,) = (i for i, step in enumerate(tilted) if "Cure" in step)
    assert off < cured
    flat = order_of_work(replace(_sheet(), printed_as="flat", supports=True))
    assert not any("supports off" in step for step in flat)
    assert any("spatula" in step for step in flat)


def test_pixels_that_are_not_square_forbid_quarter_turns() -> None:
    flat = replace(_sheet(), printed_as="flat", supports=True)
    assert "quarter turns only" in sheets.text(base_sheet_pdf(flat, "a4"))
    oblong = sheets.text(base_sheet_pdf(replace(flat, square_pixels=False), "a4"))
    assert "half" in oblong
    assert "quarter" not in oblong


def test_a_guess_is_called_one_on_its_sheet() -> None:
    assert "guess" not in sheets.text(base_sheet_pdf(_sheet(), "a4"))
    text = sheets.text(base_sheet_pdf(replace(_sheet(), guess=True), "a4"))
    assert "A guess, not measured" in text
    assert "Layer height" in text


def test_cautions_stand_on_the_sheet_and_of_cavities_where_there_are_any() -> None:
    text = sheets.text(base_sheet_pdf(_sheet(), "a4"))
    for caution in ("spatula", "alcohol", "dust mask", "gloves", "under pressure"):
        assert caution in text
    solid = sheets.text(base_sheet_pdf(replace(_sheet(), cavities=False), "a4"))
    assert "under pressure" not in solid


def test_who_supports_elsewhere_is_told_what_to_switch_off() -> None:
    said = "Where you support it, switch off"
    assert said in sheets.text(base_sheet_pdf(_sheet(), "a4"))
    held = replace(_sheet(), supports=True)
    assert said not in sheets.text(base_sheet_pdf(held, "a4"))


def test_a_name_in_any_script_and_of_any_length_is_set() -> None:
    named = replace(_sheet(), name="основа 座 " * 20, settings=(("Bottle", "серый"),))
    assert "?..." in sheets.text(base_sheet_pdf(named, "a4"))


def test_a_remark_heads_each_page() -> None:
    long = replace(_sheet(), notes=("A note. " * 40,) * 30, remark="INVENTED DATA")
    pdf = base_sheet_pdf(long, "letter")
    assert sheets.pages(pdf) > 2
    assert sheets.text(pdf).count("INVENTED DATA") == sheets.pages(pdf)
    assert "INVENTED" not in sheets.text(base_sheet_pdf(_sheet(), "letter"))
