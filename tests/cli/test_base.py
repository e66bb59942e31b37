"""A base of the user's own, from its file to what is printed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import lib3mf
import pytest
import trimesh

from patterns.export import stl_bytes
from tests import bases, sheets
from tests.cli.test_records import BOTTLE, PRINT, PRINTER
from tests.cli.test_suggest import file_measurement
from tests.patterns.test_tilted_base import hooked

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run

EXPOSURES = (
    *("--layer-mm", "0.1", "--bottom-layers", "4", "--bottom-exposure-s", "30"),
    *("--transition-exposures-s", "20,10", "--normal-exposure-s", "2.5"),
)


@pytest.fixture
def base_file(tmp_path: Path) -> Path:
    return bases.write_stl(tmp_path / "my base.stl", "disc_20_coarse")


@pytest.fixture
def measured(rimgauge: Run, data_dir: Path) -> Run:
    """A flare coupon is printed and measured."""
    for words in (PRINTER, BOTTLE, PRINT):
        assert rimgauge(*words).status == 0
    file_measurement(data_dir, print_number=1)
    return rimgauge


def _objects(path: Path) -> list[str]:
    """Names in a 3MF, read by lib3mf, the consortium's own reader, strictly."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)  # noqa: FBT003 its signature
    reader.ReadFromFile(str(path))
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    meshes, names = model.GetMeshObjects(), []
    while meshes.MoveNext():
        mesh = meshes.GetCurrentMeshObject()
        assert mesh.IsManifoldAndOriented()
        names.append(mesh.GetName())
    return names


@pytest.mark.slow
def test_a_measured_bottle_gives_a_flat_base_that_is_written(
    measured: Run, base_file: Path, tmp_path: Path
) -> None:
    before = base_file.read_bytes()
    out = tmp_path / "out"
    answer = measured("base", base_file, "--out", out, "--copies", "3", "--json")
    assert answer.status == 0
    document = answer.document
    (told,) = document["bases"]
    assert told["flat"]
    comparison = told["comparison"]
    assert comparison["recommendation"]["way"] == "flat"
    tilted, lipped, flat = comparison["ways"]
    assert tilted["departure"]["interval"] is None
    assert "coupon rims" in lipped["departure"]["words"]
    low, high = (flat["departure"]["interval"][f"{end}_mm"] for end in ("low", "high"))
    assert low < flat["departure"]["interval"]["value_mm"] < high
    names = sorted(path.name for path in out.iterdir())
    assert names == [
        "my base-flat-sheet-a4.pdf",
        "my base-flat-sheet-letter.pdf",
        "my base-flat-ways.png",
        "my base-flat.3mf",
        "my base-flat.stl",
    ]
    mesh = trimesh.load_mesh(out / "my base-flat.stl")
    assert mesh.is_watertight
    assert mesh.body_count == 3
    assert mesh.bounds[0, 2] == 0.0
    # insets take a little off what is counted as drawn: 0.2 mm of five layers' rim
    assert mesh.volume / 3000 == pytest.approx(flat["resin"]["base_ml"], rel=0.01)
    assert _objects(out / "my base-flat.3mf") == [
        "my base-flat",
        "my base-flat-2",
        "my base-flat-3",
    ]
    assert base_file.read_bytes() == before
    text = document["text"]
    for words in ("tilted with the lip", "rim departs", "recommended: flat", "gloves"):
        assert words in text
    guess = measured("base", base_file, "--by-rule-mm", "0.2")
    assert guess.status == 2
    assert "tells more than a rule" in guess.err
    listed = measured("history").out
    assert "3 of my base for bottle 1 on printer 1: flat on the plate" in listed
    exported = tmp_path / "records.json"
    assert measured("export", exported).status == 0
    kinds = [e["kind"] for e in json.loads(exported.read_text())["entries"]]
    assert kinds.count("base") == 1
    assert measured("import", exported, "--data-dir", tmp_path / "new").status == 0
    assert "3 of my base" in measured("history", "--data-dir", tmp_path / "new").out


@pytest.mark.slow
def test_without_measurements_nothing_is_solved_but_a_guess_when_asked_for(
    rimgauge: Run, base_file: Path, tmp_path: Path
) -> None:
    rimgauge(*PRINTER)
    out = tmp_path / "out"
    refused = rimgauge("base", base_file, *EXPOSURES, "--out", out)
    assert refused.status == 2
    assert "Nothing is measured" in refused.err
    assert not out.exists()
    words = ("--by-rule-mm", "0.15", "--way", "flat", *EXPOSURES, "--out", out)
    answer = rimgauge("base", base_file, *words)
    assert answer.status == 0
    assert "rimgauge coupon flare" in answer.out
    assert "not measured" in answer.out
    meshes = [p.name for p in out.iterdir() if p.suffix in (".stl", ".3mf")]
    assert sorted(meshes) == ["my base-flat-guess.3mf", "my base-flat-guess.stl"]
    assert all("guess" in path.name for path in out.iterdir())
    assert "a guess, not measured" in rimgauge("history").out
    low = trimesh.load_mesh(out / "my base-flat-guess.stl").section(
        plane_origin=(0, 0, 0.025), plane_normal=(0, 0, 1)
    )
    assert low is not None
    # 0.15 mm of inset all round, as asked for
    assert float(low.extents[0]) == pytest.approx(20.0 - 0.3, abs=0.01)


@pytest.mark.slow
def test_what_hangs_on_no_measurement_is_told_without_any(
    rimgauge: Run, base_file: Path
) -> None:
    """A layer height alone will do, and the bottle keeps its name."""
    for words in (PRINTER, BOTTLE):
        assert rimgauge(*words).status == 0
    answer = rimgauge("base", base_file, "--layer-mm", "0.1", "--json")
    assert answer.status == 0
    (told,) = answer.document["bases"]
    comparison = told["comparison"]
    *_, flat = comparison["ways"]
    assert flat["time"] is None
    assert flat["layers"] == pytest.approx(told["height_mm"] / 0.1, abs=1)
    assert f"bottle {comparison['bottle']}" in comparison["recommendation"]["reason"]
    text = answer.document["text"]
    for said in ("no exposures known", "of 0.1 mm", "rim departs: how", "none yet"):
        assert said in text


@pytest.mark.slow
def test_tilted_without_supports_and_two_bases_on_one_plate(
    rimgauge: Run, base_file: Path, tmp_path: Path
) -> None:
    rimgauge(*PRINTER)
    other = bases.write_stl(tmp_path / "square.stl", "square_25")
    out = tmp_path / "out"
    answer = rimgauge(
        *("base", base_file, other, "--way", "lipped", "--without-supports"),
        *("--out", out, "--tilt-deg", "50", "--pictures", tmp_path / "pictures"),
        *EXPOSURES,
    )
    assert answer.status == 0
    (plate,) = out.glob("*.stl")
    assert plate.name == "my base-lipped-without-supports-and-1-more.stl"
    mesh = trimesh.load_mesh(plate)
    first, second = mesh.split()
    assert mesh.bounds[0, 2] == pytest.approx(0.0, abs=1e-3)
    apart = (first.bounds[0] - second.bounds[1], second.bounds[0] - first.bounds[1])
    assert max(gap[:2].max() for gap in apart) > 1.9, "two millimetres between them"
    assert len(_objects(plate.with_suffix(".3mf"))) == 2
    assert len(list(out.glob("*-sheet-*.pdf"))) == 4
    assert len(list((tmp_path / "pictures").iterdir())) == 2


@pytest.mark.slow
def test_the_sheet_names_places_that_supports_mark(
    rimgauge: Run, tmp_path: Path
) -> None:
    rimgauge(*PRINTER)
    hook = hooked(3.5, 10.0)
    file = tmp_path / "hook.stl"
    file.write_bytes(stl_bytes(hook))
    answer = rimgauge(
        *("base", file, "--way", "tilted", "--tilt-deg", "45", "--out", tmp_path / "o"),
        *("--lift-s", "6", "--wait-s", "1", "--bottom-lift-s", "20"),
        *(*EXPOSURES, "--json"),
    )
    assert answer.status == 0
    (told,) = answer.document["bases"]
    assert told["thinnest_wall_mm"] is None  # no recess: nothing to be thin
    assert told["thinnest_at_mm"] == [None, None]
    (row, *_) = told["comparison"]["ways"]
    assert any("held from the base" in risk for risk in row["risks"])
    spent, normal = row["time"], row["layers"] - 6  # four bottom, two transition layers
    assert spent["light_s"] == pytest.approx(4 * 30.0 + 20.0 + 10.0 + normal * 2.5)
    assert spent["lift_s"] == pytest.approx(6 * 20.0 + normal * 6.0)
    assert spent["wait_s"] == pytest.approx(6 + normal)
    (sheet,) = (tmp_path / "o").glob("*-a4.pdf")
    text = sheets.text(sheet.read_bytes())
    assert "Held from the base itself" in text
    assert "hook-tilted.stl or .3mf" in text


@pytest.mark.slow
def test_nothing_is_overwritten_and_half_a_set_of_exposures_is_asked_for(
    rimgauge: Run, base_file: Path, tmp_path: Path
) -> None:
    rimgauge(*PRINTER)
    half = rimgauge("base", base_file, "--bottom-layers", "4")
    assert half.status == 2
    assert "--normal-exposure-s" in half.err
    out = tmp_path / "out"
    out.mkdir()
    precious = out / "my base-tilted.stl"
    precious.write_text("precious")
    words = ("--way", "tilted", *EXPOSURES, "--out", out)
    answer = rimgauge("base", base_file, *words)
    assert answer.status == 2
    assert "is there already" in answer.err
    assert [path.name for path in out.iterdir()] == [precious.name]
    assert precious.read_text() == "precious"
    kinds = [r["kind"] for r in rimgauge("history", "--json").document["records"]]
    assert kinds == ["printer"]
