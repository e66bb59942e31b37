"""Read a photo: upright pixels, and the way from them to linear light.

Pixels are ``rgb8[row, column]`` of the upright picture (EXIF orientation applied once);
the centre of the top-left pixel is (0, 0).
"""

from __future__ import annotations

import struct
import warnings
import zlib
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms, ImageOps

from analysis.icc import tone_curves
from analysis.refusals import refuse

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.result import Refusal

MAX_PX = 64_000_000
"""Largest picture measured at full size: keeps a measurement within its memory."""

MIN_SIDE_PX = 160
"""Below this no ruler and no coupon can be resolved."""

_SHRINK_LIMIT_PX = 8 * 8 * MAX_PX
_FORMATS = ("JPEG", "MPO", "PNG", "HEIF")
_MULTI_PICTURE = ("MPO", "HEIF")
_GREEN = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """An upright photo.

    ``rgb8`` (h, w, 3) uint8, read-only; ``linear_lut`` (256, 3) float32 maps stored
    values to linear light 0 to 1, channel by channel; ``focal35_mm`` is the EXIF's
    35 mm equivalent focal length, a hint only; ``reduced`` is the size measured over
    the size stored (1.0: full size); ``dpi`` is the resolution that the file claims
    (true for scanners, mere habit for cameras).
    """

    path: str
    rgb8: NDArray[np.uint8]
    linear_lut: NDArray[np.float32]
    focal35_mm: float | None
    reduced: float
    dpi: float | None = None

    @property
    def width_px(self) -> int:
        """Columns of the upright picture."""
        return int(self.rgb8.shape[1])

    @property
    def height_px(self) -> int:
        """Rows of the upright picture."""
        return int(self.rgb8.shape[0])

    def linear(
        self, x0: int, y0: int, x1: int, y1: int, channel: int = _GREEN
    ) -> NDArray[np.float32]:
        """Linear light of one channel in a region.

        Parameters
        ----------
        x0, y0, x1, y1 : int
            Half-open pixel region; must lie within the picture.
        channel : int
            0 red, 1 green (default), 2 blue.

        Returns
        -------
        (y1 - y0, x1 - x0) float32 array, 0 to 1.
        """
        table: NDArray[np.float32] = self.linear_lut[:, channel]
        return table[self.rgb8[y0:y1, x0:x1, channel]]

    def full_size_px(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (n, 2) of the measured picture in pixels of the stored one."""
        return (points_px + 0.5) / self.reduced - 0.5


def srgb_lut() -> NDArray[np.float32]:
    """Give linear light (256,) for stored values: IEC 61966-2-1 (from memory)."""
    v = np.arange(256) / 255.0
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


def read_photo(path: str | Path) -> Photo | Refusal:
    """Read a JPEG, PNG or HEIC photo.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Photo, or Refusal
        ``not_a_photo`` for anything that is not one whole still picture, ``too_large``
        for one that can't be opened within the memory set aside.  A JPEG of more than
        ``MAX_PX`` is read at a half, a quarter or an eighth of its size; ``reduced``
        says so.
    """
    file = Path(path)
    fault = _file_fault(file)
    if fault is None:
        try:
            with _size_limit(), Image.open(_heif_ready(file)) as picture:
                return _decode(picture, file)
        except Image.DecompressionBombError:
            fault = "it has more pixels than any camera"
        except (OSError, SyntaxError, ValueError, EOFError, struct.error, zlib.error):
            fault = "it is damaged, cut short or no picture at all"
    return refuse("not_a_photo", file=file.name, why=fault)


def _file_fault(file: Path) -> str | None:
    if file.is_dir():
        return "it is a folder"
    if not file.is_file():
        return "there is no such file"
    if file.stat().st_size == 0:
        return "the file is empty"
    return None


def _heif_ready(file: Path) -> Path:
    """Teach Pillow HEIC, but only when a file looks like one: the import is slow."""
    with file.open("rb") as stream:
        if stream.read(12)[4:8] == b"ftyp":
            import pi_heif  # noqa: PLC0415

            pi_heif.register_heif_opener()
    return file


@contextmanager
def _size_limit() -> Iterator[None]:
    """Let Pillow open any phone's picture: the size is judged here, before decoding."""
    before = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = _SHRINK_LIMIT_PX // 2  # twice this is an error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # files with odd metadata are no news
            yield
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _decode(picture: Image.Image, file: Path) -> Photo | Refusal:
    if picture.format not in _FORMATS:
        why = f"{picture.format} is not among the kinds read"
        return refuse("not_a_photo", file=file.name, why=why)
    animated = getattr(picture, "is_animated", False)
    if animated and picture.format not in _MULTI_PICTURE:
        return refuse("not_a_photo", file=file.name, why="it is animated")
    stored_width, stored_height = picture.size
    if min(picture.size) < MIN_SIDE_PX:
        why = f"it has only {stored_width} x {stored_height} px"
        return refuse("not_a_photo", file=file.name, why=why)
    if not _shrink(picture):
        megapixels = stored_width * stored_height / 1e6
        return refuse("too_large", file=file.name, megapixels=megapixels)
    reduced = picture.size[0] / stored_width
    focal35_mm = _focal35_mm(picture)
    profile = picture.info.get("icc_profile")
    ImageOps.exif_transpose(picture, in_place=True)
    rgb8 = np.asarray(_rgb(picture, profile))
    rgb8.flags.writeable = False
    curves = tone_curves(profile) if profile and picture.mode == "RGB" else None
    if curves is None:
        curves = np.repeat(srgb_lut()[:, None], 3, axis=1)
    return Photo(
        path=str(file),
        rgb8=rgb8,
        linear_lut=curves,
        focal35_mm=focal35_mm,
        reduced=reduced,
        dpi=_dpi(picture),
    )


def _shrink(picture: Image.Image) -> bool:
    """Ask the JPEG decoder for fewer pixels if need be; False if it can't."""
    width, height = picture.size
    shrink = 1
    while width * height > MAX_PX * shrink**2:
        shrink *= 2
    if shrink > 1:
        picture.draft("RGB", (width // shrink, height // shrink))
    width, height = picture.size
    return width * height <= MAX_PX


def _dpi(picture: Image.Image) -> float | None:
    """Resolution in the file, if it is one number for both directions."""
    value = picture.info.get("dpi")
    if not isinstance(value, tuple) or len(value) != 2:
        return None
    across, down = float(value[0]), float(value[1])
    return across if across == down and across > 0 else None


def _focal35_mm(picture: Image.Image) -> float | None:
    camera = picture.getexif().get_ifd(ExifTags.IFD.Exif)
    value = camera.get(ExifTags.Base.FocalLengthIn35mmFilm)
    return float(value) if isinstance(value, int | float) and value > 0 else None


def _rgb(picture: Image.Image, profile: bytes | None) -> Image.Image:
    """Convert any mode to 8-bit RGB."""
    if picture.mode.startswith("I"):
        sixteen = np.asarray(picture).astype(np.float32)
        grey = np.clip(np.rint(sixteen / 257), 0, 255).astype(np.uint8)
        return Image.fromarray(np.repeat(grey[:, :, None], 3, axis=2))
    if picture.mode == "CMYK" and profile:
        return _rgb_by_profile(picture, profile)
    return picture if picture.mode == "RGB" else picture.convert("RGB")


def _rgb_by_profile(picture: Image.Image, profile: bytes) -> Image.Image:
    try:
        source = ImageCms.ImageCmsProfile(BytesIO(profile))
        target = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
        rgb = ImageCms.profileToProfile(picture, source, target, outputMode="RGB")
    except ImageCms.PyCMSError:
        rgb = None
    return picture.convert("RGB") if rgb is None else rgb
