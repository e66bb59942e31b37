"""Reading rulers and measuring photos from the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from calib.virtual.draw import Wish, draw_scene
from calib.virtual.finish import save
from calib.virtual.printer import with_uniform_growth
from calib.virtual.ruler import STEEL
from calib.virtual.scene import photograph
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec
from tests.cli.test_records import BOTTLE, PRINT, PRINTER

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run

MANIFEST = build_manifest(default_flare_spec())
FLARE_MM, BODY_MM = 0.18, 0.02


@pytest.fixture(scope="session")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented photo: a flare of 0.18 mm on the foot's five lowest layers."""
    growth = [FLARE_MM + BODY_MM] * 5 + [BODY_MM] * (MANIFEST.layers - 5)
    rng = np.random.default_rng(7)
    wish = Wish(px_per_mm=16.0, tilt_deg=3.0, contrast=0.7, table="paper", ruler=STEEL)
    scene = draw_scene(rng, wish)
    rgb8, _ = photograph(with_uniform_growth(MANIFEST, growth), scene, rng)
    path = tmp_path_factory.mktemp("photo") / "photo.jpg"
    save(path, rgb8, 92, scene.focal35_mm)
    return path


@pytest.fixture
def useless(tmp_path: Path, photo: Path) -> tuple[Path, ...]:
    """Files that are no photos."""
    empty = tmp_path / "empty.jpg"
    empty.write_bytes(b"")
    truncated = tmp_path / "truncated.jpg"
    truncated.write_bytes(photo.read_bytes()[:2000])
    text = tmp_path / "text.jpg"
    text.write_text("not a photo at all")
    folder = tmp_path / "folder.jpg"
    folder.mkdir()
    return empty, truncated, text, folder, tmp_path / "nothing.jpg"


def test_files_that_are_no_photos_are_listed_and_refused(
    rimgauge: Run, useless: tuple[Path, ...]
) -> None:
    answer = rimgauge("measure", "--json", *useless)
    assert answer.status == 2
    assert "Traceback" not in answer.err
    documents = answer.document
    assert [document["photo"] for document in documents] == [str(f) for f in useless]
    for document in documents:
        assert document["status"] == "refused"
        assert document["refusal"]["code"] == "not_a_photo"
        assert document["coupons"] == []


def test_a_scale_of_no_photo_is_refused(
    rimgauge: Run, useless: tuple[Path, ...]
) -> None:
    for file in useless:
        answer = rimgauge("scale", "--json", file)
        assert answer.status == 2
        assert list(answer.document) == ["refusal"]
        assert answer.document["refusal"]["code"] == "not_a_photo"


def test_a_plain_picture_has_no_ruler_and_no_coupon(
    rimgauge: Run, tmp_path: Path
) -> None:
    file = tmp_path / "grey.png"
    Image.new("RGB", (900, 600), (128, 128, 128)).save(file)
    assert rimgauge("scale", file, "--json").document["refusal"]["code"] == "no_ruler"
    answer = rimgauge("measure", file)
    assert answer.status == 2
    assert "No coupon was found" in answer.out
    assert rimgauge("measure", file, "--json").document[0]["refusal"]["code"] in {
        "no_coupon",
        "low_contrast",
    }


def test_the_ruler_of_an_invented_photo(rimgauge: Run, photo: Path) -> None:
    answer = rimgauge("scale", photo, "--json")
    assert answer.status == 0
    document = answer.document
    assert list(document) == ["px_per_mm", "u_px_per_mm", "graduation_mm", "marks"]
    assert document["graduation_mm"] == 1.0
    # the picture's scale is 16 px/mm at the coupon's face; the ruler lies near it
    assert document["px_per_mm"] == pytest.approx(16.0, rel=0.03)
    assert len(document["marks"]) > 40
    assert "px per mm" in rimgauge("scale", photo).out


def test_the_days_work_from_photo_to_record(
    rimgauge: Run, photo: Path, useless: tuple[Path, ...], tmp_path: Path
) -> None:
    for words in (PRINTER, BOTTLE, PRINT):
        assert rimgauge(*words).status == 0
    pictures = tmp_path / "pictures"
    answer = rimgauge("measure", photo, useless[0], "--pictures", pictures, "--json")
    assert answer.status == 0, "one of the photos was measured"
    measured, refused = answer.document
    assert (measured["status"], refused["status"]) == ("measured", "refused")
    (coupon,) = measured["coupons"]
    # the project's own mark: within 25 um, and within 3 u
    assert abs(coupon["flare_mm"] - FLARE_MM) <= min(0.025, 3 * coupon["u_flare_mm"])
    assert coupon["coupon_id"] == MANIFEST.coupon_id
    assert "filed under print 1" in answer.err
    with Image.open(measured["picture"]) as picture:
        assert picture.format == "PNG"

    again = rimgauge("measure", photo, "--print", "1", "--pictures", pictures, "--json")
    assert again.document[0]["picture"] != measured["picture"], "never over a file"
    records = rimgauge("history", "--json").document["records"]
    kinds = [record["kind"] for record in records]
    assert kinds.count("measurement") == 1, "the same photo supersedes its reading"

    third = rimgauge("measure", photo)
    assert third.status == 0, "measured, though it isn't clear where to file it"
    assert "--print" in third.err
    assert "flare" in third.out


def test_a_coupon_without_a_record_is_measured_but_not_filed(
    rimgauge: Run, photo: Path, data_dir: Path
) -> None:
    answer = rimgauge("measure", photo, "--json")
    assert answer.status == 0
    assert answer.document[0]["status"] == "measured"
    assert "not filed: No print of coupon" in answer.err
    assert not data_dir.exists(), "looking makes no records"


def test_a_coupon_that_is_not_known_is_refused(
    rimgauge: Run, photo: Path, tmp_path: Path
) -> None:
    from dataclasses import replace

    spec = replace(default_flare_spec(), bottom_exposures_s=(21.0,) * 5)
    file = tmp_path / "other.json"
    file.write_text(build_manifest(spec).to_json())
    answer = rimgauge("measure", photo, "--manifest", file, "--json")
    assert answer.status == 2
    assert answer.document[0]["refusal"]["code"] == "unknown_coupon"


def test_two_known_coupons_of_one_code_are_ambiguous(
    rimgauge: Run, photo: Path, tmp_path: Path
) -> None:
    from dataclasses import replace

    spec = replace(
        default_flare_spec(), bottom_exposures_s=(21.0,) * 5, code=MANIFEST.code
    )
    files = (tmp_path / "one.json", tmp_path / "two.json")
    for file, manifest in zip(files, (MANIFEST, build_manifest(spec)), strict=True):
        file.write_text(manifest.to_json())
    words = [word for file in files for word in ("--manifest", file)]
    answer = rimgauge("measure", photo, *words, "--json")
    assert answer.status == 2
    assert answer.document[0]["refusal"]["code"] == "ambiguous_coupon"


@pytest.mark.parametrize("content", ["", "{}", '{"schema": 9}', "text"])
def test_a_manifest_that_is_none_is_one_clear_line(
    rimgauge: Run, photo: Path, tmp_path: Path, content: str
) -> None:
    file = tmp_path / "manifest.json"
    file.write_text(content)
    answer = rimgauge("measure", photo, "--manifest", file)
    assert answer.status == 2
    (line,) = answer.err.strip().splitlines()
    assert str(file) in line


def test_a_print_that_is_not_recorded_is_told_before_the_work(
    rimgauge: Run, photo: Path
) -> None:
    answer = rimgauge("measure", photo, "--print", "7")
    assert answer.status == 2
    assert "print 7 is not recorded" in answer.err
    assert "measuring" not in answer.err


def test_a_folder_for_pictures_that_cannot_be_is_told_before_the_work(
    rimgauge: Run, photo: Path
) -> None:
    answer = rimgauge("measure", photo, "--pictures", photo)
    assert answer.status == 2
    assert "can't hold the pictures" in answer.err
    assert "measuring" not in answer.err
