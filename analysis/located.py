"""What the finder hands on: which coupon, where, and its hole rims in pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.manifest import Manifest

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class HoleCentre:
    """One fiducial hole as measured.

    ``centre_px`` (2,) the picture of the rim's centre (not of its outline's middle);
    ``covariance_px2`` (2, 2); ``radius_mm`` in design mm by the rough homography;
    ``rim_px`` (n, 2) the fitted rim, for drawing; ``step`` (n,) signed step of linear
    light across it; ``used`` False with a ``reason`` when it is not to be trusted.
    """

    name: str
    centre_px: Floats
    covariance_px2: Floats
    radius_mm: float
    rim_px: Floats
    step: Floats
    used: bool
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Located:
    """A coupon found in a photo.

    ``homography`` (3, 3) takes design mm on the plate face to px, good to a few tenths
    of a pixel; ``outline_px`` (n, 2) the coupon's outermost outline as a polygon;
    ``px_per_mm`` per design mm at its centre; ``blur_px`` standard deviation of the
    edge blur at the hole rims; ``code_margin`` 0 (a guess) to 1 (clear).
    ``face_level`` and ``table_level`` are linear light.
    """

    manifest: Manifest
    homography: Floats
    outline_px: Floats
    px_per_mm: float
    holes: tuple[HoleCentre, ...]
    blur_px: float
    face_level: float
    table_level: float
    code_margin: float
