"""From the records to a suggestion."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from calib.readings import coupon_to_dict
from calib.records import Print, StoredMeasurement
from calib.store import Store
from calib.virtual.printer import with_uniform_growth
from tests.calib.samples import NOW, a_whole_reading
from tests.cli.test_records import BOTTLE, DEFAULT, PRINT, PRINTER

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run

# growth of each layer of a coupon printed with 5 x 30 s in an invented resin
GROWTH_MM = (0.21, 0.205, 0.19, 0.17, 0.12, *[0.05] * (DEFAULT.layers - 5))


@pytest.fixture
def measured(rimgauge: Run, data_dir: Path) -> Run:
    """A coupon's print is recorded and its measurement filed."""
    for words in (PRINTER, BOTTLE, PRINT):
        assert rimgauge(*words).status == 0
    file_measurement(data_dir, print_number=1)
    return rimgauge


def file_measurement(data_dir: Path, print_number: int, photo: str = "0") -> None:
    growth = with_uniform_growth(DEFAULT, GROWTH_MM).tooth_growth_mm
    with Store.open(data_dir, NOW) as store:
        made = store.get(Print, print_number)
        store.add(
            StoredMeasurement(
                print_uid=made.uid,
                coupon_id=DEFAULT.coupon_id,
                photo="invented.jpg",
                photo_sha256=photo * 64,
                reading=coupon_to_dict(a_whole_reading(DEFAULT, growth)),
            ),
            at=NOW,
        )


def test_a_suggestion_says_what_to_set_and_why(measured: Run) -> None:
    answer = measured("suggest", "--json")
    assert answer.status == 0
    document = answer.document
    assert document["prints"] == [1]
    assert document["bottom_exposure_s"] == 30.0
    assert [layer["layer"] for layer in document["layers"]] == [0, 1, 2, 3, 4]
    for layer in document["layers"]:
        assert layer["inset_mm"] == pytest.approx(layer["inset_px"] * 0.05)
    present = document["present"]["first_layer"]
    # the plate layer stands 0.16 mm outside the body in the readings; the fit adds the
    # rounding of one family of curves to another
    assert present["value_mm"] == pytest.approx(0.16, abs=0.03)
    assert present["low_mm"] < present["value_mm"] < present["high_mm"]
    left = document["suggested"]["worst"]["value_mm"]
    assert abs(left) < present["value_mm"]
    assert "2483" in " ".join(document["cautions"]), "the coupon's own contact area"
    kinds = [r["kind"] for r in measured("history", "--json").document["records"]]
    assert kinds[-2:] == ["fit", "suggestion"]

    text = document["text"]
    for words in (
        *("Suggestion 1 for grey on bench", "bottom exposure 30 s", "inset"),
        *("if you can set one inset only", "95 % interval", "gloves"),
    ):
        assert words in text
    assert measured("accept", "1", "--note", "insets only").status == 0
    assert "suggestion 1 taken over; insets only" in measured("history").out
    assert measured("accept", "9").status == 2


def test_a_corrected_print_keeps_its_measurement(measured: Run) -> None:
    measured("record", "print", "--corrects", "1", "--bottom-exposure-s", "40")
    after = measured("suggest", "--json").document
    assert after["present"]["bottom_exposure_s"] == 40.0
    assert after["prints"] == [2]


def test_a_failed_print_raises_the_floor(measured: Run) -> None:
    words = (
        *("record", "print", "--bottle", "grey", "--printer", "bench"),
        *("--coupon", "none", "--layer-mm", "0.05", "--bottom-layers", "5"),
        *("--bottom-exposure-s", "30", "--transition-exposures-s", "none"),
        *("--normal-exposure-s", "2.5", "--wait-before-exposure-s", "0"),
        *("--temperature-c", "unknown", "--outcome", "fell off"),
        *("--contact-area-mm2", "2827"),
    )
    assert measured(*words).status == 0
    document = measured("suggest", "--json").document
    assert document["floor"]["bottom_exposure_s"] > 30.0
    assert document["bottom_exposure_s"] > 30.0
    assert "did not hold at 30 s" in document["floor"]["reason"]


def test_what_is_missing_is_named(rimgauge: Run) -> None:
    answer = rimgauge("suggest")
    assert answer.status == 2
    assert "No bottle is recorded" in answer.err
    rimgauge(*BOTTLE)
    assert "No print from bottle grey" in rimgauge("suggest").err
    rimgauge(*PRINTER)
    rimgauge(*PRINT)
    assert "No coupon from bottle grey is measured" in rimgauge("suggest").err
    rimgauge("record", "bottle", "white", "--resin", "invented white")
    assert "--bottle" in rimgauge("suggest").err
    assert "No bottle is called blue" in rimgauge("suggest", "--bottle", "blue").err


def test_two_printers_are_told_apart(measured: Run, data_dir: Path) -> None:
    measured(*("record", "printer", "cellar"), *PRINTER[3:])
    swapped = [("cellar" if word == "bench" else word) for word in PRINT]
    assert measured(*swapped).status == 0
    answer = measured("suggest")
    assert answer.status == 2
    assert "bench, cellar" in answer.err
    answer = measured("suggest", "--printer", "cellar")
    assert "is measured yet" in answer.err
    file_measurement(data_dir, print_number=2)
    document = measured("suggest", "--printer", "cellar", "--json").document
    assert (document["printer"], document["prints"]) == ("cellar", [2])


@pytest.mark.parametrize("tolerance", ["0", "-1", "5", "little"])
def test_a_tolerance_that_makes_no_sense_is_refused(
    rimgauge: Run, tolerance: str
) -> None:
    answer = rimgauge("suggest", "--tolerance-mm", tolerance)
    assert answer.status == 2
    assert "--tolerance-mm" in answer.err
