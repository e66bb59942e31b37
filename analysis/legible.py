"""Why nothing was found: too dark, washed out, blurred, or simply not there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from analysis.refusals import refuse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.photo import Photo
    from analysis.result import Refusal

MAX_BLUR_PX = 3.2
"""Standard deviation of edge blur above which nothing is measured."""

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


def _slope(grey: NDArray[np.float32], blur_px: float) -> NDArray[np.float32]:
    soft = cv2.GaussianBlur(grey, (0, 0), blur_px)
    across, down = (cv2.Sobel(soft, cv2.CV_32F, dx, 1 - dx) for dx in (1, 0))
    return np.asarray(cv2.magnitude(across, down), dtype=np.float32)
