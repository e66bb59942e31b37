"""From the file to the flare, on virtual photos (invented data) of known truth."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from analysis import measure
from analysis.annotate import annotate
from analysis.result import Measurement, Refusal
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec
from tests.analysis.virtual_photos import write_photos

if TYPE_CHECKING:
    from patterns.manifest import Manifest

SEED, NUMBERS = 640, (4,)


@pytest.fixture(scope="module")
def manifest() -> Manifest:
    return build_manifest(default_flare_spec())


@pytest.fixture(scope="module")
def photos(
    manifest: Manifest, tmp_path_factory: pytest.TempPathFactory
) -> list[tuple[Path, dict[str, Any]]]:
    folder = tmp_path_factory.mktemp("virtual")
    return list(write_photos(manifest, SEED, NUMBERS, folder))


@pytest.fixture(scope="module")
def outcomes(
    photos: list[tuple[Path, dict[str, Any]]], manifest: Manifest
) -> list[Measurement | Refusal]:
    return [measure(path, [manifest]) for path, _ in photos]


def test_flare_is_within_its_uncertainty(
    photos: list[tuple[Path, dict[str, Any]]], outcomes: list[Measurement | Refusal]
) -> None:
    for (_, truth), outcome in zip(photos, outcomes, strict=True):
        assert isinstance(outcome, Measurement), outcome
        coupon, part = outcome.flare_coupons[0], truth["part"]
        if coupon.flare is None:
            assert coupon.flare_upper_mm is not None
            assert coupon.flare_upper_mm > part["flare_mm"] - 0.003
            continue
        error = coupon.flare.value_mm - part["flare_mm"]
        assert abs(error) < 3 * coupon.flare.u_mm
        assert abs(error) < 0.025
        assert outcome.scale is not None
        assert outcome.scale.source == "ruler"
        scale = outcome.scale.px_per_mm / truth["px_per_mm"]
        assert scale == pytest.approx(1.0, abs=0.02)


def test_every_tooth_is_told_of(
    outcomes: list[Measurement | Refusal], manifest: Manifest
) -> None:
    for outcome in outcomes:
        assert isinstance(outcome, Measurement)
        coupon = outcome.flare_coupons[0]
        assert len(coupon.teeth) == len(manifest.teeth)
        assert all(t.used or t.reason for t in coupon.teeth)
        assert coupon.coupon_id == manifest.coupon_id


def test_annotated_picture_is_a_png_of_what_was_found(
    photos: list[tuple[Path, dict[str, Any]]],
    outcomes: list[Measurement | Refusal],
    manifest: Manifest,
) -> None:
    content = annotate(photos[0][0], outcomes[0], [manifest])
    assert content is not None
    assert content.startswith(b"\x89PNG")
    assert isinstance(outcomes[0], Measurement)
    drawing = outcomes[0].drawing
    assert drawing is not None
    teeth = np.array([t.px for t in outcomes[0].flare_coupons[0].teeth])
    low, high = drawing.outline_px.min(axis=0), drawing.outline_px.max(axis=0)
    assert (teeth > low - 20).all()
    assert (teeth < high + 20).all()
    assert len(drawing.marks_px) == len(drawing.marks_kept) > 20


def test_scale_from_the_coupon_gives_flare_but_no_size(
    photos: list[tuple[Path, dict[str, Any]]], manifest: Manifest
) -> None:
    path, truth = photos[0]
    outcome = measure(path, [manifest], scale_from_coupon=True)
    assert isinstance(outcome, Measurement)
    coupon = outcome.flare_coupons[0]
    assert coupon.part_scale is None
    assert coupon.u_part_scale is None
    assert "part_scale" in coupon.reasons
    assert outcome.scale is not None
    assert outcome.scale.source == "coupon"
    assert outcome.scale.u_px_per_mm >= 0.0099 * outcome.scale.px_per_mm
    if coupon.flare is not None:
        ruler = next(c.u_mm for c in coupon.flare.budget if c.name == "ruler")
        assert ruler >= 0.0099 * coupon.flare.value_mm
        error = coupon.flare.value_mm - truth["part"]["flare_mm"]
        assert abs(error) < 3 * coupon.flare.u_mm


def test_a_picture_without_a_coupon_is_refused(
    tmp_path: Path, manifest: Manifest
) -> None:
    from PIL import Image

    rng = np.random.default_rng(3)
    grey = rng.integers(120, 140, (900, 1200, 1), dtype=np.uint8)
    path = tmp_path / "table.png"
    Image.fromarray(np.repeat(grey, 3, axis=2)).save(path)
    outcome = measure(path, [manifest])
    assert isinstance(outcome, Refusal)
    assert outcome.code == "no_coupon"
    assert annotate(path, outcome, [manifest]) is None


def test_a_text_file_is_refused(tmp_path: Path, manifest: Manifest) -> None:
    path = tmp_path / "letter.jpg"
    path.write_text("no picture")
    outcome = measure(path, [manifest])
    assert isinstance(outcome, Refusal)
    assert outcome.code == "not_a_photo"


def test_importing_the_package_is_light() -> None:
    code = "import sys, analysis; print('cv2' in sys.modules, 'scipy' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert done.stdout.split() == ["False", "False"]


def test_a_ruler_alone_is_read_in_pixels_of_the_stored_size(shared_dir: Path) -> None:
    from dataclasses import replace

    from analysis import pipeline
    from analysis.photo import Photo, read_photo
    from analysis.result import RulerReading
    from analysis.ruler import read_ruler

    path = shared_dir / "rulers" / "chun.jpg"
    photo = read_photo(path)
    assert isinstance(photo, Photo)
    half = replace(photo, reduced=0.5)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "read_photo", lambda _: half)
        stored = pipeline.read_scale(path)
    plain = read_ruler(photo)
    assert isinstance(stored, RulerReading)
    assert isinstance(plain, RulerReading)
    assert stored.px_per_mm == pytest.approx(2 * plain.px_per_mm)
    span = np.ptp(stored.marks_px, axis=0) / np.ptp(plain.marks_px, axis=0)
    np.testing.assert_allclose(span, 2.0)
