"""The demo: the real commands on invented data, and nothing of the user's touched."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests import sheets

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run


@pytest.mark.slow
def test_the_demo_ends_with_a_suggestion_that_works(
    rimgauge: Run, data_dir: Path, tmp_path: Path
) -> None:
    out = tmp_path / "demo"
    answer = rimgauge("demo", "--out", out, "--json")
    assert answer.status == 0
    document = answer.document
    assert document["invented"] is True
    (coupon,) = document["measured"]["coupons"]
    error_mm = abs(coupon["flare_mm"] - document["true_flare_mm"])
    # the project's own mark for a clean photo: within 25 um and within 3 u
    assert error_mm <= min(0.025, 3 * coupon["u_flare_mm"])
    # the virtual printer's wall, not the fit's, keeps within the tolerance
    assert document["worst_suggested_mm"] <= document["suggestion"]["tolerance_mm"]
    assert document["worst_plain_mm"] > document["suggestion"]["tolerance_mm"]
    tiles = [tile for photo in document["rims"] for tile in photo["coupons"]]
    assert len(tiles) == 16
    assert sum(tile["sag_mm"] is not None for tile in tiles) >= 12
    # the virtual printer's best is inside: peel costs low tilts, lean the high ones
    assert 35.0 <= document["suggestion"]["rim"]["tilt_deg"] <= 60.0
    names = {path.name for path in out.iterdir()}
    assert {"photo.jpg", "photo-measured.png", "walls.png", "report.md"} <= names
    assert {"rims-1.jpg", "rims-2.jpg", "rims"} <= names
    (base,) = document["base"]["bases"]
    assert base["comparison"]["recommendation"]["way"] == "flat"
    assert {"invented-base.stl", "invented-base-ways.png", "base"} <= names
    written = {path.suffix for path in (out / "base").iterdir()}
    assert written == {".stl", ".3mf", ".pdf", ".png"}
    (sheet,) = (out / "base").glob("*-a4.pdf")
    pdf = sheet.read_bytes()
    assert sheets.text(pdf).count("INVENTED DATA") == sheets.pages(pdf)
    report = (out / "report.md").read_text()
    assert "invented data" in report
    assert document["suggestion"]["reason"] in report
    assert not data_dir.exists(), "the user's records are not touched"
    assert "$ rimgauge measure" in answer.err


def test_the_demo_needs_a_folder_of_its_own(rimgauge: Run, tmp_path: Path) -> None:
    (tmp_path / "precious.txt").write_text("precious")
    answer = rimgauge("demo", "--out", tmp_path)
    assert answer.status == 2
    assert "not an empty folder" in answer.err
    assert [path.name for path in tmp_path.iterdir()] == ["precious.txt"]
