"""Whether a photo can be read: too dark, washed out, blurred, see-through."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from analysis.refusals import refuse
from analysis.register import apply

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.photo import Photo
    from analysis.result import Refusal
    from patterns.manifest import Manifest

    Floats = NDArray[np.float64]

MAX_BLUR_PX = 3.2
"""Standard deviation of edge blur above which nothing is measured."""

_BEHIND_MM, _BEFORE_MM = 4.0, 2.0
_BLACK, _WHITE = 0.006, 0.97
_ALIKE = 0.08
"""Face as bright and as coloured as the table within this ratio: one looks through."""

_DARK, _BRIGHT = 24, 252
_MOST = 0.97
_NARROW_PX, _WIDE_PX = 1.0, 3.0
_EDGE_SHARE = 99.8
_WHOLE_PHOTO = 1.3  # a picture of soft things only is not a blurred one


def why_nothing(photo: Photo) -> Refusal:
    """Choose the refusal for a photo in which no coupon was found."""
    green = photo.rgb8[::4, ::4, 1]
    if np.mean(green < _DARK) > _MOST:
        return refuse("exposure", what="too dark")
    if np.mean(green > _BRIGHT) > _MOST:
        return refuse("exposure", what="washed out")
    blur_px = sharpest_blur_px(photo)
    if blur_px > _WHOLE_PHOTO * MAX_BLUR_PX:
        return refuse("blurred", blur_px=blur_px)
    return refuse("no_coupon")


def sharpest_blur_px(photo: Photo) -> float:
    """Blur of the photo's sharpest strong edges, standard deviation in px.

    A step edge of blur s, blurred again by a and by b, has slopes in the ratio
    sqrt((s^2 + b^2) / (s^2 + a^2)).
    """
    half = cv2.resize(
        photo.rgb8[:, :, 1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA
    ).astype(np.float32)
    narrow, wide = (_slope(half, blur) for blur in (_NARROW_PX, _WIDE_PX))
    strong = wide >= max(float(np.percentile(wide, _EDGE_SHARE)), 1e-3)
    if not strong.any():
        return 0.0  # a picture without any edge is not a blurred one
    ratio2 = float(np.percentile(narrow[strong] / wide[strong], 75)) ** 2
    ratio2 = float(np.clip(ratio2, 1.02, (_WIDE_PX / _NARROW_PX) ** 2))
    s2 = (_WIDE_PX**2 - ratio2 * _NARROW_PX**2) / (ratio2 - 1)
    return 2.0 * float(np.sqrt(max(s2, 0.0)))


def tooth_levels(photo: Photo, homography: Floats, manifest: Manifest) -> Floats:
    """Linear light of the face behind and the table before every tooth.

    Parameters
    ----------
    photo : Photo
    homography : (3, 3) array
        Design mm on the plate face to px.
    manifest : Manifest

    Returns
    -------
    (2, teeth, 3) array: face and table; red, green, blue.
    """
    across = np.linspace(-0.25, 0.25, 5)
    limit = [photo.width_px - 1, photo.height_px - 1]
    levels = []
    for outward_mm in (-_BEHIND_MM, _BEFORE_MM):
        places = np.array(
            [
                [
                    t.x_mm + dx * t.width_mm,
                    t.y_end_mm + np.sign(t.y_end_mm) * outward_mm,
                ]
                for t in manifest.teeth
                for dx in across
            ]
        )
        at = np.clip(np.rint(apply(homography, places)).astype(int), 0, limit)
        seen = photo.rgb8[at[:, 1], at[:, 0]]
        light = np.stack([photo.linear_lut[seen[:, c], c] for c in range(3)], axis=1)
        levels.append(light.reshape(len(manifest.teeth), len(across), 3).mean(axis=1))
    return np.array(levels, dtype=np.float64)


def levels_fault(levels: Floats) -> Refusal | None:
    """Refuse light levels (see :func:`tooth_levels`) that can't be measured on."""
    face, table = np.median(levels, axis=1)
    if max(face.max(), table.max()) < _BLACK:
        return refuse("exposure", what="too dark")
    if min(face.min(), table.min()) > _WHITE:
        return refuse("exposure", what="washed out")
    if np.all(np.abs(np.log((face + _BLACK / 10) / (table + _BLACK / 10))) < _ALIKE):
        return refuse("see_through")
    return None


def _slope(grey: NDArray[np.float32], blur_px: float) -> NDArray[np.float32]:
    soft = cv2.GaussianBlur(grey, (0, 0), blur_px)
    across, down = (cv2.Sobel(soft, cv2.CV_32F, dx, 1 - dx) for dx in (1, 0))
    return np.asarray(cv2.magnitude(across, down), dtype=np.float32)
