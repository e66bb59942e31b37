"""Photos as users have them: good, odd and broken."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image, ImageCms

from analysis import photo as photo_module
from analysis.icc import tone_curves
from analysis.photo import Photo, read_photo, srgb_lut
from analysis.result import Refusal

if TYPE_CHECKING:
    from pathlib import Path

LANDSCAPE = (240, 320, 3)


def _scene() -> np.ndarray:
    """A picture whose four corners differ: red, green, blue, white on grey."""
    rgb = np.full(LANDSCAPE, 90, np.uint8)
    rgb[:60, :80] = (250, 0, 0)
    rgb[:60, -80:] = (0, 250, 0)
    rgb[-60:, :80] = (0, 0, 250)
    rgb[-60:, -80:] = 250
    return rgb


def _read(path: Path) -> Photo:
    photo = read_photo(path)
    assert isinstance(photo, Photo), photo
    return photo


def _why(path: Path, code: str = "not_a_photo") -> str:
    refusal = read_photo(path)
    assert isinstance(refusal, Refusal)
    assert refusal.code == code
    return refusal.message


@pytest.mark.parametrize("suffix", ["jpg", "png", "heic"])
def test_each_kind_of_file_is_read_upright(tmp_path: Path, suffix: str) -> None:
    if suffix == "heic":
        pytest.importorskip("pillow_heif").register_heif_opener()
    path = tmp_path / f"photo.{suffix}"
    Image.fromarray(_scene()).save(path, quality=95)
    photo = _read(path)
    assert (photo.height_px, photo.width_px) == LANDSCAPE[:2]
    assert photo.reduced == 1.0
    # 20 of 255: what JPEG and HEIC at quality 95 change in the middle of a flat patch
    assert np.abs(photo.rgb8[30, 40].astype(int) - (250, 0, 0)).max() < 20
    assert np.abs(photo.rgb8[-30, 40].astype(int) - (0, 0, 250)).max() < 20


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_orientation_is_applied_once(tmp_path: Path, orientation: int) -> None:
    path = tmp_path / "turned.png"
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(_scene()).save(path, exif=exif)
    corner = {1: (0, 0), 2: (0, -1), 3: (-1, -1), 4: (-1, 0)}
    corner |= {5: (0, 0), 6: (0, -1), 7: (-1, -1), 8: (-1, 0)}
    photo = _read(path)
    assert tuple(photo.rgb8[corner[orientation]]) == (250, 0, 0)
    assert (photo.width_px > photo.height_px) == (orientation < 5)


def test_focal_length_comes_as_a_hint(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    exif = Image.Exif()
    exif.get_ifd(0x8769)[41989] = 26
    Image.fromarray(_scene()).save(path, exif=exif)
    assert _read(path).focal35_mm == 26.0
    Image.fromarray(_scene()).save(path)
    assert _read(path).focal35_mm is None


def test_linear_light_of_a_region(tmp_path: Path) -> None:
    path = tmp_path / "photo.png"
    Image.fromarray(_scene()).save(path)
    region = _read(path).linear(70, 50, 90, 70)
    assert region.shape == (20, 20)
    # grey 90: ((90/255 + 0.055) / 1.055) ** 2.4, IEC 61966-2-1
    assert region[-1, -1] == pytest.approx(0.10224, abs=1e-5)
    assert region[0, 0] == 0.0


def test_an_embedded_profile_gives_the_tone_curve(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    curves = tone_curves(profile)
    assert curves is not None
    # the profile stores the curve's numbers in steps of 1/65536
    np.testing.assert_allclose(curves[:, 1], srgb_lut(), atol=1e-4)
    path = tmp_path / "photo.png"
    Image.fromarray(_scene()).save(path, icc_profile=profile)
    np.testing.assert_array_equal(_read(path).linear_lut, curves)


@pytest.mark.parametrize("cut", [0, 100, 140, 300])
def test_a_damaged_profile_is_ignored(cut: int) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert tone_curves(profile[:cut]) is None


def test_sixteen_bits_and_four_inks(tmp_path: Path) -> None:
    path = tmp_path / "deep.png"
    Image.fromarray(np.full((200, 200), 90 * 257, np.uint16)).save(path)
    assert (_read(path).rgb8 == 90).all()
    path = tmp_path / "inks.jpg"
    Image.fromarray(_scene()).convert("CMYK").save(path, quality=95)
    assert np.abs(_read(path).rgb8[120, 160].astype(int) - 90).max() < 10


def test_a_picture_of_too_many_pixels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photo_module, "MAX_PX", 240 * 320 // 3)
    Image.fromarray(_scene()).save(tmp_path / "huge.jpg")
    photo = _read(tmp_path / "huge.jpg")
    assert photo.reduced == 0.5
    assert photo.rgb8.shape == (120, 160, 3)
    corner = photo.full_size_px(np.array([[-0.5, -0.5], [0.5, 0.5]]))
    np.testing.assert_allclose(corner, [[-0.5, -0.5], [1.5, 1.5]])
    Image.fromarray(_scene()).save(tmp_path / "huge.png")
    assert "megapixels" in _why(tmp_path / "huge.png", "too_large")


def test_what_is_no_photo(tmp_path: Path) -> None:
    assert "folder" in _why(tmp_path)
    assert "no such file" in _why(tmp_path / "missing.jpg")
    empty = tmp_path / "empty.jpg"
    empty.touch()
    assert "empty" in _why(empty)
    text = tmp_path / "text.jpg"
    text.write_text("these are no pixels" * 20)
    assert "no picture" in _why(text)
    tiny = tmp_path / "tiny.png"
    Image.fromarray(_scene()[:1, :1]).save(tiny)
    assert "1 x 1" in _why(tiny)


@pytest.mark.parametrize("suffix", ["jpg", "png", "heic"])
def test_a_file_cut_short_is_refused(tmp_path: Path, suffix: str) -> None:
    if suffix == "heic":
        pytest.importorskip("pillow_heif").register_heif_opener()
    path = tmp_path / f"photo.{suffix}"
    noise = np.random.default_rng(1).integers(0, 255, LANDSCAPE, np.uint8)
    Image.fromarray(noise).save(path)
    whole = path.read_bytes()
    for part in (0.05, 0.5, 0.9):
        path.write_bytes(whole[: int(len(whole) * part)])
        assert "damaged" in _why(path)


@pytest.mark.parametrize("suffix", ["png", "gif", "webp"])
def test_a_moving_picture_is_refused(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"film.{suffix}"
    first = Image.fromarray(_scene())
    second = Image.fromarray(255 - _scene())
    first.save(path, save_all=True, append_images=[second])
    assert _why(path)
