"""Where the coupon lies under the camera.

Coupon frame: millimetres of the *printed* part (design times ``part_scale``); plate
face z = 0, z grows away from the plate and so away from the camera; x, y as in the
manifest.  The right face up has x right and y down in the picture, turned in plane.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.camera import View

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Camera and coupon together, with what is not known about them.

    ``view`` holds the camera model; ``parameters`` (p,) its free values in the order
    of ``names`` and ``covariance`` (p, p) theirs.  ``part_scale`` is None when the
    scale was taken from the coupon (then 1 is used).  ``bow_mm`` is how far the
    coupon's middle stands towards the camera from the line through its ends.
    ``scale_source`` says where lengths come from; ``u_scale_ratio`` is the relative
    standard uncertainty of every length, ruler and its height included.
    """

    view: View
    names: tuple[str, ...]
    parameters: Floats
    covariance: Floats
    part_scale: float | None
    u_part_scale: float | None
    scale_source: Literal["ruler", "coupon"]
    u_scale_ratio: float
    px_per_mm: float
    u_px_per_mm: float
    tilt_rad: float
    u_view_rad: float
    bow_mm: float
    u_bow_mm: float
    residual_px: float
    warnings: tuple[str, ...] = ()

    @property
    def design_scale(self) -> float:
        """Printed over design length: ``part_scale``, or 1 if that is not known."""
        return 1.0 if self.part_scale is None else self.part_scale

    def printed(self, design_mm: Floats) -> Floats:
        """Design lengths or points in printed millimetres."""
        return np.asarray(design_mm, dtype=np.float64) * self.design_scale

    def project(self, points_mm: Floats) -> Floats:
        """Pixels (n, 2) of points (n, 3), printed mm; the coupon's bow is added."""
        return self.view.project(points_mm)

    def back_project(self, points_px: Floats, z_mm: float | Floats = 0.0) -> Floats:
        """Find printed mm (n, 2) of pixels (n, 2) at height ``z_mm``, one or (n,)."""
        return self.view.back_project(points_px, z_mm)

    def ray_slope(self, points_mm: Floats) -> Floats:
        """d(x, y) / dz (n, 2) along the line of sight, going away from the camera.

        Something dz deeper is seen at the place of a plate-face point that lies
        ``-slope * dz`` aside.
        """
        return self.view.ray_slope(points_mm)

    def px_per_mm_at(self, points_mm: Floats) -> Floats:
        """d(px) / d(x, y) (n, 2, 2): rows u, v; columns x, y."""
        return self.view.jacobian_xy(points_mm)

    def jacobian(self, points_mm: Floats) -> Floats:
        """d(px) / d(parameters) (n, 2, p), to go with ``covariance``."""
        return self.view.jacobian_parameters(points_mm)
