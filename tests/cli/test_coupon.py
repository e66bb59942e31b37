"""Making a coupon from the command line."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from calib.cli.exposures import equal_steps
from calib.codes import free_code
from patterns.edgecode import usable_codes
from patterns.errors import RecordError
from patterns.flare import build_manifest
from patterns.manifest import manifest_from_json
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run


def test_the_folder_holds_one_coupon_whole(rimgauge: Run, tmp_path: Path) -> None:
    out = tmp_path / "coupon"
    answer = rimgauge("coupon", "flare", "--out", out, "--bottom-layers", "4")
    assert answer.status == 0
    suffixes = sorted(path.suffix for path in out.iterdir())
    assert suffixes == [".3mf", ".json", ".pdf", ".pdf", ".stl"]
    (manifest_file,) = out.glob("*.json")
    manifest = manifest_from_json(manifest_file.read_text())
    assert manifest.exposure_by_layer_s[:6] == (30.0,) * 4 + (2.5,) * 2
    assert (manifest.pixel_x_mm, manifest.pixel_y_mm) == (0.05, 0.05)
    assert manifest.layer_mm == 0.05
    for word in ("gloves", "Prying", "solvent", "safety data sheets"):
        assert word in answer.out
    for path in out.iterdir():
        assert str(path) in answer.out


def test_making_it_again_changes_nothing(rimgauge: Run, tmp_path: Path) -> None:
    out = tmp_path / "coupon"
    first = rimgauge("coupon", "flare", "--out", out, "--json").document
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    second = rimgauge("coupon", "flare", "--out", out, "--json").document
    assert second == first
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    records = rimgauge("history", "--json").document["records"]
    assert [record["kind"] for record in records] == ["coupon"]


def test_another_coupon_needs_a_folder_of_its_own(
    rimgauge: Run, tmp_path: Path
) -> None:
    (tmp_path / "flare-0001-0123abcd.stl").write_text("another coupon")
    answer = rimgauge("coupon", "flare", "--out", tmp_path)
    assert answer.status == 2
    assert "folder of its own" in answer.err
    assert not list(tmp_path.glob("*.json"))
    assert rimgauge("history", "--json").document["records"] == []


def test_transition_exposures_lead_down_in_equal_steps() -> None:
    assert equal_steps(20.0, 2.5, 4) == (16.5, 13.0, 9.5, 6.0)
    assert equal_steps(20.0, 2.5, 0) == ()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--layer-mm", "5"), "layer_mm = 5.0 is outside"),
        (("--layer-mm", "thin"), "'thin' is not a valid float"),
        (("--plate-x-mm", "60"), "does not fit the plate"),
        (("--bottom-exposure-s", "nan"), "outside"),
        (("--code", "99999"), "code 99999 is not in use"),
        (
            ("--transition-layers", "3", "--transition-exposures-s", "9,5"),
            "--transition-layers says 3",
        ),
    ],
)
def test_a_coupon_that_cannot_be_made_leaves_nothing(
    rimgauge: Run, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    answer = rimgauge("coupon", "flare", "--out", tmp_path / "c", *words)
    assert answer.status == 2
    assert said in answer.err
    assert not (tmp_path / "c").exists()
    assert rimgauge("history", "--json").document["records"] == []


def test_where_to_write_is_asked_for(rimgauge: Run) -> None:
    answer = rimgauge("coupon", "flare")
    assert answer.status == 2
    assert "--out" in answer.err


def test_a_file_in_the_way_is_left_alone(rimgauge: Run, tmp_path: Path) -> None:
    target = tmp_path / "coupon"
    target.write_text("precious")
    answer = rimgauge("coupon", "flare", "--out", target)
    assert answer.status == 2
    assert len(answer.err.strip().splitlines()) == 2, "progress, then one line"
    assert target.read_text() == "precious"
    assert rimgauge("history", "--json").document["records"] == []


def test_no_code_is_given_twice() -> None:
    spec = default_flare_spec()
    made = [build_manifest(spec)]
    for seconds in (21.0, 22.0, 23.0):
        other = replace(spec, bottom_exposures_s=(seconds,) * 5)
        # as if the hash of every new coupon pointed at the same code
        clash = replace(other, code=made[-1].code)
        with pytest.raises(RecordError, match="belongs to another coupon"):
            free_code(clash, made)
        code = free_code(other, made)
        made.append(build_manifest(replace(other, code=code)))
        assert free_code(other, made) == code, "the same spec keeps its code"
    assert len({manifest.code for manifest in made}) == len(made)


def test_when_all_codes_are_given_it_says_so() -> None:
    first = build_manifest(default_flare_spec())
    made = [replace(first, code=code, spec_sha256=str(code)) for code in usable_codes()]
    other = replace(default_flare_spec(), bottom_exposures_s=(21.0,) * 5)
    with pytest.raises(RecordError, match="Start another data folder"):
        free_code(other, made)
    free = replace(first, code=max(usable_codes()), spec_sha256="free")
    made = [m for m in made if m.code != free.code]
    assert free_code(other, made) == free.code, "the only one left"
