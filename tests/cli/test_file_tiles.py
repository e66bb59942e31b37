"""Tiles that a photo gave are reported and filed under the print of their set.

Photos aren't measured here: what they gave is invented.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from analysis import pipeline
from analysis.result import Measurement, Scale
from analysis.rim_result import Merged
from tests.calib.rim_samples import a_set
from tests.cli.test_suggest_tilt import PRINT_SET, SET, printed

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run

__all__ = ["printed"]  # the fixture

SCALE = Scale(px_per_mm=25.0, u_px_per_mm=0.02, graduation_mm=1.0, source="ruler")


@pytest.fixture
def photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """Two photos: all tiles in the first, two of them again in the second."""
    first, second = tmp_path / "ring.jpg", tmp_path / "turned.jpg"
    first.write_bytes(b"invented ring")
    second.write_bytes(b"invented ring, turned")
    tiles = tuple(a_set(SET))
    again = tuple(
        Merged(coupon_id=tile.coupon_id, merged_into=str(first)) for tile in tiles[:2]
    )
    outcomes = tuple(
        Measurement(photo=str(photo), scale=SCALE, coupons=coupons)
        for photo, coupons in ((first, tiles), (second, again))
    )
    monkeypatch.setattr(pipeline, "measure_photos", lambda *_, **__: outcomes)
    return first, second


def test_tiles_are_filed_and_advise(printed: Run, photos: tuple[Path, Path]) -> None:
    answer = printed("measure", *photos, "--json")
    assert answer.status == 0, answer.err
    ring, turned = answer.document
    assert [tile["kind"] for tile in ring["coupons"]] == ["rim"] * 16
    assert turned["status"] == "measured"
    assert turned["coupons"][0] == {
        "coupon_id": ring["coupons"][0]["coupon_id"],
        "merged_into": str(photos[0]),
    }
    assert answer.err.count("is filed under print 1") == 16
    rows = printed("history", "--json").document["records"]
    assert sum(row["kind"] == "measurement" for row in rows) == 16
    assert printed("suggest", "--json").document["rim"]["tiles"] == 16


def test_the_same_photo_again_supersedes(
    printed: Run, photos: tuple[Path, Path]
) -> None:
    printed("measure", *photos)
    again = printed("measure", *photos, "--print", "1")
    assert again.status == 0
    rows = printed("history", "--json").document["records"]
    assert sum(row["kind"] == "measurement" for row in rows) == 16


def test_words_for_people(printed: Run, photos: tuple[Path, Path]) -> None:
    text = printed("measure", *photos).out
    tile = SET.tiles[0]
    assert f"tile {tile.coupon_id}, {tile.tilt_deg:g} degrees, bare" in text
    assert "sag" in text
    assert f"tile {tile.coupon_id}: see {photos[0]}" in text


def test_a_set_without_a_print_is_told_once(
    rimgauge: Run, photos: tuple[Path, Path]
) -> None:
    answer = rimgauge("measure", *photos)
    assert answer.status == 0, "measured all the same"
    assert answer.err.count("not filed") == 1
    assert f"No print of coupon {SET.set_id}" in answer.err


def test_two_prints_of_a_set_must_be_told_apart(
    printed: Run, photos: tuple[Path, Path]
) -> None:
    assert printed(*PRINT_SET).status == 0
    assert "Name it with --print" in printed("measure", *photos).err
    assert "filed under print 2" in printed("measure", *photos, "--print", "2").err
