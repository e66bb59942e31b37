"""Reading rulers: as a user lays them down, and everything that must be refused."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np
import pytest

from analysis.photo import Photo, read_photo
from analysis.result import Refusal, RulerReading
from analysis.ruler import RulerHint, read_ruler
from tests.analysis.drawn_rulers import (
    HALF_MILLIMETRES,
    INCH_SIXTEENTHS,
    MILLIMETRES,
    cut_out,
    decimal_inch,
    ruler_scene,
    warp,
)
from tests.analysis.ruler_stress import as_photo, photos, scorer

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


UNREAD = {"reading_ambiguous", "ruler_inch", "ruler_unreadable", "no_ruler"}


def _local_px_per_mm(marks: NDArray[np.float64], reading: RulerReading) -> float:
    """True scale at the middle of the reading: slope of the true marks there."""
    middle = reading.marks_px[reading.kept].mean(axis=0)
    nearest = int(np.argmin(((marks[:, 1:] - middle) ** 2).sum(axis=1)))
    at = slice(max(nearest - 2, 0), nearest + 3)
    along = np.linalg.norm(marks[at][-1, 1:] - marks[at][0, 1:])
    return float(along / (marks[at][-1, 0] - marks[at][0, 0]))


def _read(rgb8: NDArray[np.uint8], hint: RulerHint | None = None) -> RulerReading:
    reading = read_ruler(as_photo(rgb8), hint)
    assert isinstance(reading, RulerReading), reading
    return reading


def _code(rgb8: NDArray[np.uint8], hint: RulerHint | None = None) -> str:
    refusal = read_ruler(as_photo(rgb8), hint)
    assert isinstance(refusal, Refusal), refusal
    return refusal.code


@pytest.mark.parametrize("turn_deg", [33.0, 90.0, 171.0])
def test_a_millimetre_scale_is_read_at_any_angle(turn_deg: float) -> None:
    rgb8, marks = ruler_scene(MILLIMETRES, px_per_mm=8.0, length_mm=80.0)
    rgb8, marks = warp(rgb8, marks, scale=1.0, turn_deg=turn_deg, tilt=0.08)
    reading = _read(rgb8)
    assert reading.graduation_mm == 1.0
    truth = _local_px_per_mm(marks, reading)
    assert abs(reading.px_per_mm - truth) < 3 * reading.u_px_per_mm
    # drawn without a ruler's own errors: marks to a twentieth of their spacing
    assert reading.residual_px < 0.05 * reading.px_per_mm


def test_light_strokes_on_a_dark_ruler_beside_an_inch_scale() -> None:
    rgb8, _ = ruler_scene(
        MILLIMETRES, px_per_mm=9.0, paper=60, ink=220, other=INCH_SIXTEENTHS
    )
    reading = _read(rgb8)
    assert reading.px_per_mm == pytest.approx(9.0, rel=1e-3)
    assert np.all(np.diff(reading.marks_mm) > 0)


def test_the_uncertainty_of_the_rulers_class_is_stated() -> None:
    rgb8, _ = ruler_scene(MILLIMETRES, px_per_mm=9.0)
    # class II, 0.5 mm in 150 mm, rectangular: Directive 2014/32/EU, annex X
    assert _read(rgb8).u_class_ratio == pytest.approx(0.5 / 150 / np.sqrt(3))


def test_an_inch_scale_is_refused_as_such() -> None:
    rgb8, _ = ruler_scene(INCH_SIXTEENTHS, px_per_mm=8.0)
    assert _code(rgb8) == "ruler_inch"


@pytest.mark.parametrize(
    ("division", "width_mm"), [(10, 0.15), (10, 0.3), (20, 0.3), (50, 0.15)]
)
def test_decimal_inches_with_long_strokes_are_refused(
    division: int, width_mm: float
) -> None:
    style = decimal_inch(division, (4.5, 6.0, 8.0, 10.0), width_mm, numerals=False)
    rgb8, _ = ruler_scene(style, px_per_mm=8.0, length_mm=105.0)
    assert _code(rgb8) in UNREAD


@pytest.mark.parametrize("count", [1, 3])
def test_marks_that_are_missing_in_the_middle_are_noticed(count: int) -> None:
    rgb8, _ = ruler_scene(MILLIMETRES, px_per_mm=10.0)
    spoilt = cut_out(rgb8, from_px=(12.37 + 55.5) * 10, width_px=count * 10)
    assert _code(spoilt) in UNREAD


def test_a_scale_too_short_to_prove_itself_is_refused() -> None:
    rgb8, _ = ruler_scene(MILLIMETRES, px_per_mm=10.0, length_mm=16.0)
    assert _code(rgb8) in UNREAD


@pytest.mark.parametrize("size", [(160, 160), (300, 900), (900, 300)])
def test_no_ruler_in_a_plain_or_a_noisy_picture(size: tuple[int, int]) -> None:
    plain = np.full((*size, 3), 128, np.uint8)
    assert _code(plain) == "no_ruler"
    noise = np.random.default_rng(3).integers(0, 255, (*size, 3), np.uint8)
    assert _code(noise) == "no_ruler"


def test_evenly_spaced_strokes_alone_are_no_ruler() -> None:
    comb = dataclasses.replace(MILLIMETRES, ranks=(0,), numerals_every=0)
    rgb8, _ = ruler_scene(comb, px_per_mm=10.0)
    assert _code(rgb8) in UNREAD


def test_a_coupon_settles_half_millimetres() -> None:
    rgb8, _ = ruler_scene(HALF_MILLIMETRES, px_per_mm=16.0, length_mm=90.0)
    reading = _read(rgb8, RulerHint(px_per_mm=(15.0, 17.0), direction_deg=3.0))
    # 0.1 %: the scale's standard uncertainty is half of it
    assert reading.px_per_mm == pytest.approx(16.0, rel=1e-3)


def test_a_coupon_unmasks_a_twentieth_of_an_inch() -> None:
    style = decimal_inch(20, (3.0, 4.0, 6.0, 8.0), 0.2, numerals=True)
    rgb8, _ = ruler_scene(style, px_per_mm=12.0, length_mm=110.0)
    assert _code(rgb8, RulerHint(px_per_mm=(11.0, 13.0))) == "ruler_inch"


def test_the_coupon_itself_is_not_searched() -> None:
    rgb8, _ = ruler_scene(MILLIMETRES, px_per_mm=10.0)
    height, width = rgb8.shape[:2]
    whole = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    hint = RulerHint(px_per_mm=(9.0, 11.0), exclude_px=whole)
    assert _code(rgb8, hint) == "no_ruler"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["zifasp", "nezumee", "dohn"])
def test_real_rulers_are_read(shared_dir: Path, name: str) -> None:
    """Metal rulers, held askew or half covered; truth as measured by hand."""
    folder = shared_dir / "rulers"
    [(_, rgb8, marks, _)] = photos(folder, {name})
    reading = _read(rgb8)
    seen = [
        {"mm": mm, "x_px": x, "y_px": y}
        for mm, (x, y) in zip(
            reading.marks_mm[reading.kept],
            reading.marks_px[reading.kept],
            strict=True,
        )
    ]
    errors = scorer(folder).lengths_error(seen, marks[:, 0], marks[:, 1:])
    assert np.sqrt((errors**2).mean()) < 0.003  # the target of the ruler's scorer


@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "code"), [("ard1241_inch.jpg", "ruler_inch"), ("neg_pcbs.jpg", "no_ruler")]
)
def test_real_photos_without_a_metric_ruler(
    shared_dir: Path, file: str, code: str
) -> None:
    photo = read_photo(shared_dir / "rulers" / file)
    assert isinstance(photo, Photo)
    refusal = read_ruler(photo)
    assert isinstance(refusal, Refusal)
    assert refusal.code == code
