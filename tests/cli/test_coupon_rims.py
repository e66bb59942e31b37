"""Making a set of tiles from the command line, and recording its print."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from calib.cli.known import manifest_of, manifests_for
from calib.cli.output import now
from calib.codes import free_set_code
from calib.contact import contact_area_mm2
from calib.store import Store
from patterns.errors import ManifestError, RecordError
from patterns.rim_manifest import RimManifest, rim_manifest_from_json
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from patterns.rimcode import SET_CODES

if TYPE_CHECKING:
    from tests.cli.conftest import Run

SMALL = ("--tilts-deg", "45,50", "--treatments", "bare")
PRINT = (
    *("record", "print", "--bottle", "grey", "--printer", "bench", "--as-on-sheet"),
    *("--wait-before-exposure-s", 1, "--temperature-c", 22, "--outcome", "held"),
    *("--bottom-layers", 5, "--bottom-exposure-s", 30),
    *("--transition-exposures-s", "none"),
)


@pytest.fixture
def bench(rimgauge: Run) -> None:
    rimgauge("record", "bottle", "grey", "--resin", "grey, standard")
    rimgauge(
        *("record", "printer", "bench", "--pixel-x-mm", 0.05, "--pixel-y-mm", 0.05),
        *("--plate-x-mm", 143, "--plate-y-mm", 89, "--surface", "rigid"),
        *("--relevelled-on", "2026-05-31"),
    )


def test_the_folder_holds_one_set_whole(rimgauge: Run, tmp_path: Path) -> None:
    out = tmp_path / "rims"
    answer = rimgauge("coupon", "rims", "--out", out, *SMALL)
    assert answer.status == 0
    (manifest_file,) = out.glob("*.json")
    manifest = rim_manifest_from_json(manifest_file.read_text())
    assert [tile.tilt_deg for tile in manifest.tiles] == [45.0, 50.0]
    assert not any(tile.lipped for tile in manifest.tiles)
    for word in ("gloves", "Prying", "safety data sheets", "plate 1: 2 tiles", "stand"):
        assert word in answer.out
    for path in out.iterdir():
        assert str(path) in answer.out
    again = rimgauge("coupon", "rims", "--out", out, *SMALL, "--json").document
    assert again["set_id"] == manifest.set_id
    assert [Path(name).name for name in again["files"]] == sorted(
        (path.name for path in out.iterdir()),
        key=[Path(name).name for name in again["files"]].index,
    )
    (plate,) = again["plates"]
    assert plate["tiles"] == [tile.coupon_id for tile in manifest.tiles]
    # two tiles of 0.7 ml and what carries them
    assert 1.4 < plate["volume_ml"] < 3.5
    records = rimgauge("history", "--json").document["records"]
    assert [record["kind"] for record in records] == ["coupon"], "made once"


def test_sets_and_coupons_are_told_apart(
    rimgauge: Run, tmp_path: Path, data_dir: Path
) -> None:
    made = rimgauge("coupon", "rims", "--out", tmp_path / "r", *SMALL, "--json")
    flare = rimgauge("coupon", "flare", "--out", tmp_path / "f", "--json")
    files = [*(tmp_path / "r").glob("*.json"), *(tmp_path / "f").glob("*.json")]
    with Store.open(data_dir, now()) as store:
        known = manifests_for(store, ())
        named = manifests_for(store, files)
    sets = [m.set_id for m in known if isinstance(m, RimManifest)]
    coupons = [m.coupon_id for m in known if not isinstance(m, RimManifest)]
    default = rim_manifest(default_rim_spec()).set_id
    assert sets == [made.document["set_id"], default]
    assert coupons == [flare.document["coupon_id"]]
    assert [type(m).__name__ for m in named] == ["RimManifest", "Manifest"]


def test_another_set_needs_a_folder_and_a_code_of_its_own(
    rimgauge: Run, tmp_path: Path
) -> None:
    first = rimgauge("coupon", "rims", "--out", tmp_path / "r", *SMALL, "--json")
    other = ("--tilts-deg", "50,55", "--treatments", "bare")
    crowd = rimgauge("coupon", "rims", "--out", tmp_path / "r", *other)
    assert crowd.status == 2
    assert "folder of its own" in crowd.err
    code = first.document["set_code"]
    taken = (*other, "--set-code", code)
    refused = rimgauge("coupon", "rims", "--out", tmp_path / "s", *taken)
    assert refused.status == 2
    assert f"Code {code} belongs to another set" in refused.err
    assert not (tmp_path / "s").exists()


@pytest.mark.usefixtures("bench")
def test_a_print_of_a_set_is_recorded(rimgauge: Run) -> None:
    default = rim_manifest(default_rim_spec())
    answer = rimgauge(*PRINT, "--coupon", default.set_id)
    assert answer.status == 0, answer.err
    told = rimgauge("history").out
    assert f"{default.set_id} from bottle 1 on printer 1" in told
    other_layer = rimgauge(*PRINT, "--coupon", default.set_id, "--layer-mm", 0.03)
    assert other_layer.status == 2
    assert f"set {default.set_id} is made for 0.05 mm" in other_layer.err
    unknown = rimgauge(*PRINT, "--coupon", "rim-s99")
    assert unknown.status == 2
    assert default.set_id in unknown.err
    corrected = rimgauge("record", "print", "--corrects", 1, "--outcome", "partly")
    assert corrected.status == 0, corrected.err


def test_each_raft_holds_on_its_own() -> None:
    """A raft lies under its tile: less than the tile's length by its whole depth."""
    manifest = rim_manifest(replace(default_rim_spec(), tilts_deg=(45.0,)))
    tile = manifest.tiles[0]
    area_mm2 = contact_area_mm2(manifest)
    assert 100 < area_mm2 < (2 * tile.radius_mm + 4) * (tile.radius_mm + 4)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--layer-mm", "5"), "layer_mm = 5.0 is outside"),
        (("--tilts-deg", "steep"), "'steep' is not a list such as 30,40,50"),
        (("--tilts-deg", ""), "is not a list"),
        (("--tilts-deg", "45,40"), "must grow"),
        (("--tilts-deg", "5"), "between 20 and 75"),
        (("--tilts-deg", "nan"), "not a list"),
        (("--treatments", "shiny"), "'shiny' is not one of"),
        (("--lip-depths-mm", "0.1"), "lip_depths_mm"),
        (("--plate-x-mm", "10"), "plate_x_mm"),
        (("--radius-mm", "20", "--plate-x-mm", "36"), "not fit the plate"),
        (("--contact-mm", "nan"), "contact_mm"),
        (("--set-code", "32"), "set_code 32 is not in use"),
    ],
)
def test_a_set_that_cannot_be_made_leaves_nothing(
    rimgauge: Run, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    answer = rimgauge("coupon", "rims", "--out", tmp_path / "c", *words)
    assert answer.status == 2
    assert said in answer.err
    assert not (tmp_path / "c").exists()
    assert rimgauge("history", "--json").document["records"] == []


def test_a_damaged_manifest_of_a_set_is_named(tmp_path: Path) -> None:
    text = rim_manifest(default_rim_spec()).to_json()
    with pytest.raises(ManifestError, match=r"mine\.json is damaged: tiles"):
        manifest_of(text.replace('"tiles":', '"piles":', 1), "mine.json")
    with pytest.raises(ManifestError, match="schema 99"):
        manifest_of(text.replace('"schema":1', '"schema":99', 1), "mine.json")
    with pytest.raises(ManifestError, match="not JSON"):
        manifest_of("{", str(tmp_path))


def test_no_set_code_is_given_twice() -> None:
    default = default_rim_spec()
    made = [rim_manifest(default)]
    for seconds in range(3, 3 + SET_CODES - 1):
        spec = replace(default, normal_exposure_s=float(seconds))
        code = free_set_code(spec, made)
        numbered = replace(
            made[0], set_code=code, spec_sha256=spec.sha256(), set_id=f"rim-s{code:02d}"
        )
        made.append(numbered)
        assert free_set_code(spec, made) == code, "the same spec keeps its code"
    assert {manifest.set_code for manifest in made} == set(range(SET_CODES))
    with pytest.raises(RecordError, match="Start another data folder"):
        free_set_code(replace(default, normal_exposure_s=99.0), made)
