"""Recording bottles, printers and prints, as a user does it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from patterns.flare import build_manifest
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run

DEFAULT = build_manifest(default_flare_spec())
PRINTER = (
    *("record", "printer", "bench", "--pixel-x-mm", "0.05", "--pixel-y-mm", "0.05"),
    *("--plate-x-mm", "143", "--plate-y-mm", "89", "--surface", "rigid"),
    *("--relevelled-on", "2026-05-30"),
)
BOTTLE = ("record", "bottle", "grey", "--resin", "invented grey")
PRINT = (
    *("record", "print", "--bottle", "grey", "--printer", "bench"),
    *("--coupon", DEFAULT.coupon_id, "--as-on-sheet", "--outcome", "held"),
    *("--wait-before-exposure-s", "1", "--temperature-c", "23"),
)


@pytest.fixture
def ready(rimgauge: Run) -> Run:
    """A bottle and a printer are recorded."""
    for words in (PRINTER, BOTTLE):
        assert rimgauge(*words).status == 0
    return rimgauge


def test_the_days_records_are_made_and_listed(ready: Run) -> None:
    answer = ready(*PRINT)
    assert (answer.status, answer.out) == (0, "Recorded print 1.\n")
    listed = ready("history")
    assert listed.status == 0
    assert "5 x 30 s, then 2.5 s; held" in listed.out
    records = ready("history", "--json").document["records"]
    assert [record["kind"] for record in records] == ["printer", "bottle", "print"]


def test_what_is_missing_is_asked_for_by_name_all_at_once(ready: Run) -> None:
    answer = ready(
        "record",
        "print",
        "--bottle",
        "grey",
        "--printer",
        "bench",
        "--coupon",
        DEFAULT.coupon_id,
    )
    assert answer.status == 2
    for option in (
        *("--layer-mm", "--layers", "--bottom-layers", "--bottom-exposure-s"),
        *("--transition-exposures-s", "--normal-exposure-s", "--outcome"),
        *("--wait-before-exposure-s", "--temperature-c"),
    ):
        assert option in answer.err
    assert "--contact-area-mm2" not in answer.err, "the coupon's own is known"
    assert ready("history", "--json").document["records"][-1]["kind"] != "print"


def test_missing_options_are_an_error_document_with_json(ready: Run) -> None:
    answer = ready("record", "bottle", "white", "--json")
    assert answer.status == 2
    error = answer.document["error"]
    assert (answer.document["ok"], error["code"]) == (False, "usage")
    assert "--resin" in error["message"]
    assert error["remedy"] == "See `rimgauge record bottle --help`."


def test_a_correction_keeps_what_it_does_not_name(ready: Run) -> None:
    ready(*PRINT)
    corrected = ready("record", "print", "--corrects", "1", "--outcome", "partly")
    assert corrected.out == "Recorded print 2, which corrects print 1.\n"
    listed = ready("history").out
    assert "partly" in listed
    assert "held" not in listed
    everything = ready("history", "--all").out
    assert "held; no longer counts)" in everything
    again = ready("record", "print", "--corrects", "1", "--outcome", "held")
    assert again.status == 2
    assert "print 1 was corrected or withdrawn" in again.err


def test_a_note_and_a_bottle_keep_their_words_when_corrected(ready: Run) -> None:
    ready("record", "bottle", "grey", "--corrects", "1", "--batch", "0517")
    assert "grey, invented grey, 0517" in ready("history").out


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (("--layer-mm", "0.04"), "layer height is 0.04 mm"),
        (("--layers", "30"), "layer count is 30 layers"),
        (("--bottom-layers", "7"), "too many for coupon"),
        (("--bottom-layers", "0"), "0 bottom"),
        (("--bottom-exposure-s", "nan"), "not a positive number"),
        (("--temperature-c", "warm"), "neither a number nor the word unknown"),
        (("--temperature-c", "400"), "outside 0 to 80"),
        (("--wait-before-exposure-s", "-1"), "outside 0 to 3600"),
        (("--transition-exposures-s", "20;10"), "not a list such as"),
        (("--coupon", "flare-0000-00000000"), "No coupon flare-0000-00000000"),
        (("--bottle", "white"), "No bottle is called white"),
        (("--outcome", "floated"), "floated"),
    ],
)
def test_a_print_that_cannot_be_is_refused(
    ready: Run, changes: tuple[str, ...], said: str
) -> None:
    answer = ready(*PRINT, *changes)
    assert answer.status == 2
    assert said in answer.err
    assert "Traceback" not in answer.err
    assert "print" not in {
        record["kind"] for record in ready("history", "--json").document["records"]
    }


def test_a_printer_of_another_pixel_cannot_have_printed_the_coupon(ready: Run) -> None:
    ready("record", "printer", "bench", "--corrects", "1", "--pixel-y-mm", "0.034")
    answer = ready(*PRINT)
    assert answer.status == 2
    assert "pixel along y is 0.034 mm" in answer.err


def test_exposures_may_differ_from_the_coupons(ready: Run) -> None:
    words = (*PRINT, "--bottom-exposure-s", "20", "--transition-exposures-s", "10")
    assert ready(*words).status == 0
    assert "5 x 20 s" in ready("history").out


def test_a_part_that_is_no_coupon_tells_about_adhesion(ready: Run) -> None:
    words = (
        *("record", "print", "--bottle", "grey", "--printer", "bench"),
        *("--coupon", "none", "--layer-mm", "0.05", "--bottom-layers", "4"),
        *("--bottom-exposure-s", "12", "--transition-exposures-s", "none"),
        *("--normal-exposure-s", "2.5", "--wait-before-exposure-s", "0"),
        *("--temperature-c", "unknown", "--outcome", "fell off"),
    )
    missing = ready(*words)
    assert missing.status == 2
    assert "--contact-area-mm2" in missing.err
    assert ready(*words, "--contact-area-mm2", "2827").status == 0
    assert "a part of 2827 mm2" in ready("history").out


def test_two_bottles_of_one_name_are_refused(ready: Run) -> None:
    answer = ready(*BOTTLE)
    assert answer.status == 2
    assert "--corrects 1" in answer.err


def test_withdrawing_needs_a_reason_and_keeps_the_record(ready: Run) -> None:
    ready(*PRINT)
    assert ready("withdraw", "print", "1").status == 2
    assert ready("withdraw", "print", "1", "--because", "entered twice").status == 0
    assert "held" not in ready("history").out.split("withdrawal")[0]
    assert "entered twice" in ready("history").out
    assert ready("withdraw", "print", "1", "--because", "again").status == 2


def test_records_move_to_another_folder(ready: Run, tmp_path: Path) -> None:
    ready(*PRINT)
    file = tmp_path / "may.json"
    assert ready("export", file).status == 0
    elsewhere = ("--data-dir", tmp_path / "elsewhere")
    first = ready("import", file, *elsewhere, "--json").document
    assert (first["added"], first["known"]) == (3, 0)
    second = ready("import", file, *elsewhere, "--json").document
    assert (second["added"], second["known"]) == (0, 3)
    assert ready("history", *elsewhere).out == ready("history").out


def test_an_export_never_goes_over_a_file(ready: Run, tmp_path: Path) -> None:
    file = tmp_path / "precious.json"
    file.write_text("precious")
    answer = ready("export", file)
    assert answer.status == 2
    assert "is there already" in answer.err
    assert file.read_text() == "precious"
