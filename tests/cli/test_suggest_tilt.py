"""From filed tiles to a tilt, through the commands."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from calib.records import Print, StoredMeasurement
from calib.rim_readings import rim_to_dict
from calib.store import Store
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from tests.calib.rim_samples import a_set
from tests.calib.samples import NOW
from tests.cli.test_records import BOTTLE, PRINT, PRINTER
from tests.cli.test_suggest import file_measurement

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.rim_result import RimMeasurement
    from tests.cli.conftest import Run

SET = rim_manifest(default_rim_spec())
PRINT_SET = (
    *("record", "print", "--bottle", "grey", "--printer", "bench"),
    *("--coupon", SET.set_id, "--as-on-sheet", "--layers", "700"),
    *("--bottom-layers", "5", "--bottom-exposure-s", "30"),
    *("--transition-exposures-s", "none", "--wait-before-exposure-s", "1"),
    *("--temperature-c", "23", "--outcome", "held", "--contact-area-mm2", "300"),
)


def file_tiles(
    data_dir: Path, tiles: list[RimMeasurement], print_number: int, photo: str = "1"
) -> None:
    with Store.open(data_dir, NOW) as store:
        made = store.get(Print, print_number)
        for tile in tiles:
            store.add(
                StoredMeasurement(
                    print_uid=made.uid,
                    coupon_id=tile.coupon_id,
                    photo="tiles.jpg",
                    photo_sha256=photo * 64,
                    reading=rim_to_dict(tile),
                ),
                at=NOW,
            )


@pytest.fixture
def printed(rimgauge: Run) -> Run:
    """A set's print is recorded."""
    for words in (PRINTER, BOTTLE, PRINT_SET):
        assert rimgauge(*words).status == 0
    return rimgauge


def test_tiles_alone_give_tilt_and_lip(printed: Run, data_dir: Path) -> None:
    file_tiles(data_dir, a_set(SET), 1)
    answer = printed("suggest", "--json")
    assert answer.status == 0, answer.err
    document = answer.document
    assert document["layers"] is None, "no flare coupon was measured"
    assert document["prints"] == []
    rim = document["rim"]
    assert (rim["prints"], rim["tiles"]) == ([1], 16)
    # the invented best: 48 degrees, and the lip takes 0.06 mm off before its sanding
    assert rim["lipped"]
    assert abs(rim["tilt_deg"] - 48.0) <= 4.0
    assert rim["tilt_low_deg"] <= 48.0 <= rim["tilt_high_deg"]
    gain = rim["lip_gain"]
    assert gain["low_mm"] <= 0.04 <= gain["high_mm"]
    assert gain["value_mm"] == pytest.approx(0.04, abs=0.02)
    assert set(rim["quantities"]) >= {"sag", "form", "roughness_sigma"}
    text = document["text"]
    for words in (
        *("Suggestion 1 for grey on bench", "with the lip", "degrees", "sanding"),
        *("largest departure of the finished rim", "19 of 20 tiles", "gloves"),
    ):
        assert words in text
    assert printed("accept", "1", "--note", "tilt only").status == 0
    told = printed("history").out
    assert "with the lip: it gains" in told
    assert f"{SET.tiles[0].coupon_id}, sag" in told


def test_flat_and_tilted_stand_side_by_side(
    printed: Run, data_dir: Path, tmp_path: Path
) -> None:
    assert printed(*PRINT).status == 0
    file_measurement(data_dir, print_number=2)
    file_tiles(data_dir, a_set(SET), 1)
    folder = tmp_path / "pictures"
    document = printed("suggest", "--pictures", folder, "--json").document
    drawn = sorted(folder.iterdir())
    assert [path.name for path in drawn] == [
        "suggestion-1-flat.png",
        "suggestion-1-tilted.png",
    ]
    assert document["pictures"] == [str(path) for path in drawn]
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in drawn)
    assert document["bottom_exposure_s"] == 30.0
    assert document["prints"] == [2]
    flat = document["rim"]["flat"]
    worst = document["suggested"]["worst"]["value_mm"]
    assert flat["flat"]["value_mm"] == pytest.approx(abs(worst))
    assert "Printed flat" in document["text"]
    assert "bottom exposure" in document["text"]


def test_exported_tiles_are_there_again(
    printed: Run, data_dir: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file_tiles(data_dir, a_set(SET), 1)
    before = printed("suggest", "--json").document
    assert printed("export", tmp_path / "all.json").status == 0
    monkeypatch.setenv("RIMGAUGE_DATA", str(tmp_path / "elsewhere"))
    assert printed("import", tmp_path / "all.json").status == 0
    after = printed("suggest", "--json").document
    assert after["rim"] == before["rim"]
    assert after["number"] == before["number"] + 1


def test_a_drifted_print_is_told(printed: Run, data_dir: Path) -> None:
    assert printed(*PRINT_SET).status == 0
    file_tiles(data_dir, a_set(SET, seed=1), 1)
    drifted = [_thicker(tile, 0.08) for tile in a_set(SET, seed=2)]
    file_tiles(data_dir, drifted, 2, photo="2")
    document = printed("suggest", "--json").document
    assert document["rim"]["tiles"] == 32
    assert "drifted" in " ".join(document["rim"]["cautions"])


def _thicker(tile: RimMeasurement, more_mm: float) -> RimMeasurement:
    form = tile.values["form"]
    moved = replace(form, value_mm=form.value_mm + more_mm)
    return replace(tile, values=tile.values | {"form": moved})


def test_too_few_tilts_are_no_curve(printed: Run, data_dir: Path) -> None:
    file_tiles(data_dir, a_set(SET)[:4], 1)
    answer = printed("suggest")
    assert answer.status == 2
    assert "2 tilts" in answer.err


def test_a_damaged_record_is_told(printed: Run, data_dir: Path) -> None:
    good = a_set(SET)[0]
    with Store.open(data_dir, NOW) as store:
        made = store.get(Print, 1)
        broken = rim_to_dict(good)
        del broken["chips"]
        store.add(
            StoredMeasurement(
                print_uid=made.uid,
                coupon_id=good.coupon_id,
                photo="tiles.jpg",
                photo_sha256="3" * 64,
                reading=broken,
            ),
            at=NOW,
        )
    answer = printed("suggest")
    assert answer.status == 2
    assert "can't be read" in answer.err
