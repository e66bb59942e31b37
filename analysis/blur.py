"""How sharp the photo is at the coupon: the blur of its cleanest tooth ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.register import apply

if TYPE_CHECKING:
    from analysis.photo import Photo
    from patterns.manifest import Manifest, Tooth

Floats = NDArray[np.float64]

_REACH_MM = 0.7
_RAYS = 24
_SPACING_PX = 0.5
_CLEAN_SHARE = 25.0
_PEAK_TO_SIGMA = 1 / np.sqrt(2 * np.pi)


def edge_blur_px(photo: Photo, homography: Floats, manifest: Manifest) -> float:
    """Give the standard deviation of a Gaussian edge blur, in px.

    Parameters
    ----------
    photo : Photo
    homography : (3, 3) array
        Design mm on the plate face to px, good to 0.3 mm.
    manifest : Manifest

    Returns
    -------
    The lower quartile over all tooth ends of step / (sqrt(2 pi) * steepest slope):
    shade and ledges can only widen an edge.  NaN if no tooth end can be seen.
    """
    blurs = [_tooth_blur_px(photo, homography, tooth) for tooth in manifest.teeth]
    seen = [blur for blur in blurs if np.isfinite(blur)]
    return float(np.percentile(seen, _CLEAN_SHARE)) if seen else float("nan")


def _tooth_blur_px(photo: Photo, homography: Floats, tooth: Tooth) -> float:
    half = 0.3 * tooth.width_mm
    sign = 1.0 if tooth.y_end_mm > 0 else -1.0
    ends = apply(
        homography,
        np.array(
            [[tooth.x_mm, tooth.y_end_mm - 0.5], [tooth.x_mm, tooth.y_end_mm + 0.5]]
        ),
    )
    px_per_mm = float(np.linalg.norm(ends[1] - ends[0]))
    count = round(2 * _REACH_MM * px_per_mm / _SPACING_PX)
    along = np.linspace(-_REACH_MM, _REACH_MM, count)
    across = np.linspace(-half, half, _RAYS)
    places = np.stack(
        np.broadcast_arrays(
            tooth.x_mm + across[:, None], tooth.y_end_mm + sign * along[None, :]
        ),
        axis=-1,
    )
    px = apply(homography, places.reshape(-1, 2))
    low = np.floor(px.min(axis=0)).astype(int) - 1
    high = np.ceil(px.max(axis=0)).astype(int) + 2
    if np.any(low < 0) or high[0] > photo.width_px or high[1] > photo.height_px:
        return float("nan")
    region = photo.linear(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    at = (px - low).astype(np.float32).reshape(*places.shape)
    profile = cv2.remap(region, at[:, :, 0], at[:, :, 1], cv2.INTER_LINEAR).mean(axis=0)
    slope = np.abs(np.gradient(profile.astype(np.float64), along * px_per_mm))
    step = float(np.ptp(profile))
    return step * _PEAK_TO_SIGMA / float(slope.max()) if step > 0 else float("nan")
