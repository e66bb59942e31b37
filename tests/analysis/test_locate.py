"""The coupon is found where it lies, or refused with the right reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from analysis.locate import locate
from analysis.located import Located
from analysis.photo import read_photo
from analysis.result import Refusal
from patterns.flare import build_manifest
from patterns.spec import FlareSpec
from tests.analysis.drawn_coupons import (
    HEIGHT_PX,
    MANIFEST,
    WIDTH_PX,
    Where,
    as_photo,
    draw,
    hole_centres_px,
)

if TYPE_CHECKING:
    from pathlib import Path

# A drawn edge is right to 1/32 px, noise moves a rim's centre by a few hundredths; the
# stairs of the 2 x 2 oversampled drawing allow a tenth.
CENTRE_TOLERANCE_PX = 0.15


def _located(where: Where, **drawing: float) -> Located:
    found = locate(as_photo(draw(where, **drawing)), [MANIFEST])  # type: ignore[arg-type]
    assert isinstance(found, Located), found
    return found


def _code(photo_rgb8: np.ndarray) -> str:
    refusal = locate(as_photo(photo_rgb8), [MANIFEST])
    assert isinstance(refusal, Refusal)
    return refusal.code


def _centre_error_px(found: Located, where: Where) -> float:
    seen = np.array([hole.centre_px for hole in found.holes])
    return float(np.max(np.linalg.norm(seen - hole_centres_px(where), axis=1)))


@pytest.mark.parametrize(
    ("turn_deg", "tilt_deg"),
    [
        (0.0, (0.0, 0.0)),
        (163.0, (8.0, -6.0)),
        (271.0, (-10.0, 4.0)),
        (48.0, (3.0, 9.0)),
    ],
)
def test_it_is_found_at_any_angle(
    turn_deg: float, tilt_deg: tuple[float, float]
) -> None:
    where = Where(turn_deg=turn_deg, tilt_deg=tilt_deg, px_per_mm=12.0)
    found = _located(where)
    assert found.manifest is MANIFEST
    assert _centre_error_px(found, where) < CENTRE_TOLERANCE_PX
    assert found.code_margin > 0.3


@pytest.mark.parametrize(
    ("face", "table"), [(40, 60), (200, 235), (230, 60), (160, 120)]
)
def test_dark_bright_and_pale_ones_are_found(face: float, table: float) -> None:
    where = Where(turn_deg=20.0)
    found = _located(where, face=face, table=table)
    assert _centre_error_px(found, where) < 2 * CENTRE_TOLERANCE_PX


def test_blur_is_measured() -> None:
    # the drawing's own pixels add about 0.3 px in quadrature, the foot's face is crisp
    assert _located(Where(), blur_px=1.6).blur_px == pytest.approx(1.6, rel=0.2)


def test_it_is_found_among_other_things(shared_dir: Path) -> None:
    board = read_photo(shared_dir / "rulers" / "neg_pcb_ruler_back.jpg")
    assert not isinstance(board, Refusal)
    where = Where(turn_deg=75.0, px_per_mm=11.0)
    found = locate(as_photo(draw(where, background=board.rgb8)), [MANIFEST])
    assert isinstance(found, Located), found
    # what shows through a hole may pull it; the pose's robust fit is for those
    seen = np.array([hole.centre_px for hole in found.holes])
    error = np.linalg.norm(seen - hole_centres_px(where), axis=1)
    assert np.median(error) < 2 * CENTRE_TOLERANCE_PX


@pytest.mark.parametrize(
    "name",
    ["rulers/ard1248.jpg", "rulers/nezumee.jpg", "rulers/chessboard/right11.jpg"],
)
def test_nothing_is_found_where_nothing_is(shared_dir: Path, name: str) -> None:
    photo = read_photo(shared_dir / name)
    assert not isinstance(photo, Refusal)
    refusal = locate(photo, [MANIFEST])
    assert isinstance(refusal, Refusal)
    assert refusal.code == "no_coupon"


def test_a_mirrored_coupon_is_refused_with_both_remedies() -> None:
    refusal = locate(as_photo(draw(Where(mirrored=True, turn_deg=40.0))), [MANIFEST])
    assert isinstance(refusal, Refusal)
    assert refusal.code == "mirrored_or_wrong_face"
    assert "plate up" in refusal.remedy
    assert "mirroring" in refusal.remedy


def test_a_coupon_cut_by_the_frame_is_refused() -> None:
    middle = (WIDTH_PX - 450.0, HEIGHT_PX / 2)  # its last 20 mm are outside
    assert _code(draw(Where(middle_px=middle, turn_deg=5.0))) == "cut_off"


@pytest.mark.parametrize(
    ("drawing", "code"),
    [({"blur_px": 5.0}, "blurred"), ({"face": 2.0, "table": 6.0}, "exposure")],
)
def test_hopeless_photos_are_refused(drawing: dict[str, float], code: str) -> None:
    assert _code(draw(Where(), **drawing)) == code  # type: ignore[arg-type]


def test_a_clear_coupon_is_refused() -> None:
    # outline and shade show, but the face is as bright as the paper
    assert _code(draw(Where(), face=200.0, table=200.0)) == "see_through"


def test_too_few_pixels_are_refused() -> None:
    assert _code(draw(Where(px_per_mm=8.0))) == "too_few_px"


def test_an_unknown_coupon_is_named_by_its_code() -> None:
    other = build_manifest(
        FlareSpec(
            pixel_x_mm=0.04,
            pixel_y_mm=0.04,
            layer_mm=0.05,
            bottom_exposures_s=(25.0,) * 4,
            transition_exposures_s=(),
            normal_exposure_s=2.0,
        )
    )
    assert other.code != MANIFEST.code
    refusal = locate(as_photo(draw(Where())), [other])
    assert isinstance(refusal, Refusal)
    assert refusal.code == "unknown_coupon"
    assert str(MANIFEST.code) in refusal.message


def test_two_known_coupons_with_one_code_are_ambiguous() -> None:
    twin = build_manifest(
        FlareSpec(
            pixel_x_mm=0.05,
            pixel_y_mm=0.05,
            layer_mm=0.05,
            bottom_exposures_s=(20.0,) * 5,
            transition_exposures_s=(),
            normal_exposure_s=2.5,
            code=MANIFEST.code,
        )
    )
    refusal = locate(as_photo(draw(Where())), [MANIFEST, twin])
    assert isinstance(refusal, Refusal)
    assert refusal.code == "ambiguous_coupon"


def test_no_manifest_is_a_fault_of_the_caller() -> None:
    with pytest.raises(ValueError, match="manifest"):
        locate(as_photo(draw(Where())), [])
