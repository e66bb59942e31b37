"""One camera model for phones and scanners.

The scale at the coupon and the inverse of its distance are the parameters, so that a
flatbed scanner (orthographic, inverse distance 0) is an ordinary value and not a limit:

    X = R p;  u = c + d(rho) * (o + m X_xy) / (1 + q X_z),  d(rho) = 1 + k1 rho^2

with p a point in the coupon's frame, m in px/mm, q in 1/mm, o the coupon's origin from
the picture's centre c, and rho the undistorted distance from c in half diagonals.  This
is the pinhole model with one radial term (Brown 1971, from memory) written about the
coupon's origin; the focal length is f = m / q.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

VIEW_NAMES = (
    "turn_x_rad",
    "turn_y_rad",
    "turn_z_rad",
    "origin_x_px",
    "origin_y_px",
    "ln_scale",
    "inverse_distance_per_m",
    "k1",
    "bow_per_m",
)
"""What :meth:`View.moved` moves: a small turn about the camera's axes, ..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Camera and pose.

    ``rotation`` (3, 3) coupon to camera; ``origin_px`` (2,) undistorted picture of the
    coupon's origin; ``centre_px`` (2,) of the picture; ``scale_px_per_mm`` at the
    origin, facing the camera; ``inverse_distance_per_mm`` 0 for a scanner; ``k1`` at
    the picture's corner; ``bow_per_mm``: the plate face lies at z = bow * x^2.
    """

    rotation: Floats
    origin_px: Floats
    centre_px: Floats
    half_diagonal_px: float
    scale_px_per_mm: float
    inverse_distance_per_mm: float
    k1: float
    bow_per_mm: float = 0.0

    @property
    def focal_px(self) -> float:
        """Focal length; infinite for a scanner."""
        q = self.inverse_distance_per_mm
        return self.scale_px_per_mm / q if q > 0 else float("inf")

    def project(self, points_mm: Floats) -> Floats:
        """Pixels (n, 2) of points (n, 3)."""
        return self.distort(self._plane_px(self._bowed(points_mm)))

    def distort(self, plane_px: Floats) -> Floats:
        """Pixels of undistorted points (n, 2) about the picture's centre."""
        rho2 = np.sum(plane_px**2, axis=1, keepdims=True) / self.half_diagonal_px**2
        return np.asarray(self.centre_px + plane_px * (1 + self.k1 * rho2))

    def undistort(self, points_px: Floats) -> Floats:
        """Undistorted points (n, 2) about the picture's centre, by fixed point."""
        seen = np.asarray(points_px, dtype=np.float64) - self.centre_px
        plane = seen
        for _ in range(8):  # |k1| < 0.1: each step gains more than a decimal place
            rho2 = np.sum(plane**2, axis=1, keepdims=True) / self.half_diagonal_px**2
            plane = seen / (1 + self.k1 * rho2)
        return np.asarray(plane)

    def back_project(self, points_px: Floats, z_mm: float | Floats = 0.0) -> Floats:
        """Coupon x, y (n, 2) of pixels (n, 2) at height ``z_mm`` over the bow."""
        plane = self.undistort(points_px) / self.scale_px_per_mm
        q, R = self.inverse_distance_per_mm, self.rotation
        height = np.broadcast_to(np.asarray(z_mm, dtype=np.float64), (len(plane),))
        xy = np.zeros_like(plane)
        # plane * (1 + q R_z . p) = o / m + R_xy . p is linear in x, y at a given height
        a = R[:2, :2] - q * plane[:, :, None] * R[2, :2]
        for _ in range(3 if self.bow_per_mm else 1):
            z = height + self.bow_per_mm * xy[:, 0] ** 2
            b = plane * (1 + q * R[2, 2] * z)[:, None] - R[:2, 2] * z[:, None]
            b -= self.origin_px / self.scale_px_per_mm
            xy = np.linalg.solve(a, b[:, :, None])[:, :, 0]
        return xy

    def ray_slope(self, points_mm: Floats) -> Floats:
        """d(x, y) / dz along the line of sight (n, 2)."""
        points = self._bowed(points_mm)
        q, R = self.inverse_distance_per_mm, self.rotation
        X = points @ R.T
        aside = self.origin_px / self.scale_px_per_mm + X[:, :2]
        tangent = q * aside / (1 + q * X[:, 2:])
        ray = np.column_stack([tangent, np.ones(len(points))]) @ R
        return np.asarray(ray[:, :2] / ray[:, 2:])

    def jacobian_xy(self, points_mm: Floats, step_mm: float = 0.01) -> Floats:
        """d(px) / d(x, y) at points (n, 3): (n, 2, 2), rows u, v."""
        points = np.asarray(points_mm, dtype=np.float64)
        columns = []
        for axis in (0, 1):
            step = np.zeros(3)
            step[axis] = step_mm
            ahead, behind = self.project(points + step), self.project(points - step)
            columns.append((ahead - behind) / (2 * step_mm))
        return np.stack(columns, axis=2)

    def moved(self, step: Floats) -> View:
        """Return the view with its parameters (see VIEW_NAMES) changed by ``step``."""
        return replace(
            self,
            rotation=turn(step[:3]) @ self.rotation,
            origin_px=self.origin_px + step[3:5],
            scale_px_per_mm=self.scale_px_per_mm * float(np.exp(step[5])),
            inverse_distance_per_mm=self.inverse_distance_per_mm + step[6] * 1e-3,
            k1=self.k1 + float(step[7]),
            bow_per_mm=self.bow_per_mm + float(step[8]) * 1e-3,
        )

    def placed(self, x_mm: float, y_mm: float, angle_rad: float = 0.0) -> View:
        """Give the same camera in a frame that lies at x, y, turned about z.

        With p = T p' + t the model keeps its form; origin, scale and inverse distance
        are divided by the depth 1 + q (R t)_z of the new origin.
        """
        c, s = np.cos(angle_rad), np.sin(angle_rad)
        spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
        aside = self.rotation @ np.array([x_mm, y_mm, 0.0])
        depth = 1 + self.inverse_distance_per_mm * float(aside[2])
        return replace(
            self,
            rotation=self.rotation @ spin,
            origin_px=(self.origin_px + self.scale_px_per_mm * aside[:2]) / depth,
            scale_px_per_mm=self.scale_px_per_mm / depth,
            inverse_distance_per_mm=self.inverse_distance_per_mm / depth,
        )

    def _bowed(self, points_mm: Floats) -> Floats:
        points = np.asarray(points_mm, dtype=np.float64)
        if not self.bow_per_mm:
            return points
        lift = np.zeros_like(points)
        lift[:, 2] = self.bow_per_mm * points[:, 0] ** 2
        return np.asarray(points + lift)

    def _plane_px(self, points: Floats) -> Floats:
        X = points @ self.rotation.T
        depth = 1 + self.inverse_distance_per_mm * X[:, 2:]
        return np.asarray((self.origin_px + self.scale_px_per_mm * X[:, :2]) / depth)


_FAR_PER_MM = 1e-6


def turn(vector_rad: Floats) -> Floats:
    """Rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector_rad))
    x, y, z = np.asarray(vector_rad, dtype=np.float64) / (angle or 1.0)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    spin = np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)
    return np.asarray(spin)


def view_of_plane(
    homography: Floats,
    size_px: tuple[int, int],
    px_per_mm: float,
    inverse_distance_per_mm: float,
) -> View:
    """Pose of a plane from its homography, the focal length given, no distortion.

    Parameters
    ----------
    homography : (3, 3) array
        Plane's mm to px, not mirrored (Zhang 2000, from memory).
    size_px : tuple of int
        Width and height of the picture.
    px_per_mm : float
        Scale near the plane's origin.
    inverse_distance_per_mm : float
        0 for a scanner, which looks straight down.
    """
    centre = (np.array(size_px, dtype=np.float64) - 1) / 2
    focal = px_per_mm / max(inverse_distance_per_mm, _FAR_PER_MM)
    to_plane = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, focal]]) / focal
    columns = to_plane @ homography
    size = np.linalg.norm(columns[:, :2], axis=0)
    x, y, t = (columns * (np.sign(columns[2, 2]) / np.sqrt(size[0] * size[1]))).T
    if inverse_distance_per_mm == 0:
        x, y = (np.append(axis[:2], 0.0) for axis in (x, y))
    u, _, vt = np.linalg.svd(np.column_stack([x, y, np.cross(x, y)]))
    return View(
        rotation=u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt,
        origin_px=focal * t[:2] / t[2],
        centre_px=centre,
        half_diagonal_px=float(np.hypot(*size_px)) / 2,
        scale_px_per_mm=float(focal / t[2]),
        inverse_distance_per_mm=inverse_distance_per_mm,
        k1=0.0,
    )
