"""From light to a picture file: noise, tone curve, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PilImage

if TYPE_CHECKING:
    from pathlib import Path

Image = NDArray[np.float32]

NOTE = "Invented: rendered by a virtual camera, not a photograph."
EXIF_IFD, FOCAL_35MM, DESCRIPTION = 0x8769, 0xA405, 0x010E


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """What the lens and the camera do to the light.

    ``blur_px`` is the standard deviation of the lens's blur, ``full_well`` the
    electrons of white, ``read_noise`` electrons; ``sharpen`` the strength of an
    unsharp mask of ``sharpen_px`` in the developed picture.
    """

    blur_px: float = 1.0
    full_well: float = 6000.0
    read_noise: float = 4.0
    sharpen: float = 0.0
    sharpen_px: float = 1.0
    jpeg_quality: int = 92


def blurred(linear: Image, sigma_px: float) -> Image:
    """Gaussian blur; the picture's border is carried on."""
    out = cv2.GaussianBlur(linear, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def noisy(linear: Image, finish: Finish, rng: np.random.Generator) -> Image:
    """Add photon and read noise (Gaussian, which is close above 20 electrons)."""
    spread = np.sqrt(
        np.maximum(linear, 0) / finish.full_well
        + (finish.read_noise / finish.full_well) ** 2
    )
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    return np.asarray(linear + spread * noise, np.float32)


def developed(linear: Image, finish: Finish) -> NDArray[np.uint8]:
    """Linear light to an 8-bit sRGB picture, sharpened as cameras do."""
    steps = np.linspace(0, 1, 65536)
    curve = np.where(
        steps <= 0.0031308, 12.92 * steps, 1.055 * steps ** (1 / 2.4) - 0.055
    )
    index = (np.clip(linear, 0, 1) * 65535 + 0.5).astype(np.uint16)
    tone = (255 * curve).astype(np.float32)[index]
    if finish.sharpen > 0:
        tone += finish.sharpen * (tone - blurred(tone, finish.sharpen_px))
    return np.asarray(np.clip(tone + 0.5, 0, 255), np.uint8)


def linear_light(rgb8: NDArray[np.uint8]) -> Image:
    """Undo the sRGB curve (IEC 61966-2-1, from memory)."""
    level = np.arange(256) / 255
    curve = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return curve.astype(np.float32)[rgb8]


def save(
    path: Path, rgb8: NDArray[np.uint8], quality: int, focal35_mm: float | None = None
) -> None:
    """Write a JPEG (or whatever the name's ending says) that says it is invented."""
    exif = PilImage.Exif()
    exif[DESCRIPTION] = NOTE
    if focal35_mm is not None:
        exif.get_ifd(EXIF_IFD)[FOCAL_35MM] = round(focal35_mm)
    picture = PilImage.fromarray(rgb8)
    if path.suffix.lower() == ".png":
        picture.save(path, compress_level=1)
        return
    picture.save(path, quality=quality, subsampling=0, exif=exif)
