"""Where the coupon lies under the camera.

Coupon frame: millimetres of the *printed* part (design times ``part_scale``); plate
face z = 0, z grows away from the plate and so away from the camera; x, y as in the
manifest.  The right face up has x right and y down in the picture, turned in plane.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.bundle import RULER_NAMES, Fitted, Priors, Seen, State, fit
from analysis.camera import VIEW_NAMES, View, view_of_plane
from analysis.refusals import refuse

if TYPE_CHECKING:
    from analysis.located import Located
    from analysis.photo import Photo
    from analysis.result import Refusal, RulerReading

Floats = NDArray[np.float64]

PART_SCALE_RANGE = (0.97, 1.03)
MAX_BOW_MM = 1.0
MAX_TILT_RAD = np.deg2rad(20.0)
MIN_PX_PER_MM = 10.0
U_RULER_HEIGHT_MM = 0.6
"""How far the ruler's face may lie from the plate face's height (rulers of 0.5 to
1.5 mm beside a part of 1.2 mm): standard uncertainty."""

U_COUPON_SCALE = 0.01
"""Relative u of lengths when the coupon's nominal size is the scale."""

U_CENTRE_DIAGONALS = 0.0012
"""How far a lens may be off the picture's centre, in picture diagonals (from memory:
phones with a moving lens, some ten pixels); it turns all lines of sight alike."""

FULL_FRAME_DIAGONAL_MM = 43.2666
_U_FOCAL_EXIF = 0.03
_FOCAL35_GUESS_MM = 32.0
_U_FOCAL_GUESS = 0.4
_SCAN_TOLERANCE = 0.04
_HOLE_FLOOR_MM = 0.004
_HOLE_FLOOR_PX = 0.1
_MARKS_IN_STEP = 2.0
"""Neighbouring marks are off alike, so their scatter counts for more (rulers/README of
the reference photographs: 0.015 to 0.04 mm in a pattern that repeats)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Camera and coupon together, with what is not known about them.

    ``view`` holds the camera model; ``names`` (p,) and ``covariance`` (p, p) its free
    parameters.  ``part_scale`` is None when the scale was taken from the coupon (then 1
    is used).  ``bow_mm`` is how far the coupon's middle stands towards the camera from
    the line through its ends.  ``scale_source`` says where lengths come from;
    ``u_scale_ratio`` is the relative standard uncertainty of every length, ruler and
    its height included.  ``u_view_rad`` is that of the line of sight across the
    coupon's long sides.
    """

    view: View
    names: tuple[str, ...]
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


def solve(
    photo: Photo, located: Located, reading: RulerReading | None
) -> Pose | Refusal:
    """Find the pose from hole centres and the ruler's marks.

    Parameters
    ----------
    photo : Photo
    located : Located
    reading : RulerReading or None
        None: the coupon's nominal size is the scale.

    Returns
    -------
    Pose, or one of the refusals `scale_conflict`, `curled`, `too_oblique`,
    `too_few_px`.
    """
    seen = _seen(located, reading)
    priors = camera_priors(photo, located.px_per_mm)
    start = _start(photo, located, seen, priors)
    fitted = fit(start, seen, priors)
    return _judge(_pose(fitted, located, reading))


def _seen(located: Located, reading: RulerReading | None) -> Seen:
    used = [
        (design, seen)
        for design, seen in zip(located.manifest.holes, located.holes, strict=True)
        if seen.used
    ]
    floor = _HOLE_FLOOR_PX**2 + (_HOLE_FLOOR_MM * located.px_per_mm) ** 2
    kept = np.zeros(0, dtype=bool) if reading is None else reading.kept
    return Seen(
        holes_mm=np.array([[design.x_mm, design.y_mm] for design, _ in used]),
        holes_px=np.array([seen.centre_px for _, seen in used]),
        holes_cov_px2=np.array([s.covariance_px2 + floor * np.eye(2) for _, s in used]),
        marks_mm=np.zeros(0) if reading is None else reading.marks_mm[kept],
        marks_px=np.zeros((0, 2)) if reading is None else reading.marks_px[kept],
        mark_sigma_px=1.0
        if reading is None
        else _MARKS_IN_STEP * max(reading.residual_px, 0.1),
    )


def camera_priors(photo: Photo, px_per_mm: float) -> Priors:
    """Tell what the file says of its camera, given the scale in the picture."""
    if is_scan(photo, px_per_mm):
        return Priors(
            inverse_distance_per_mm=(0.0, 1e-6), k1=(0.0, 0.002), tilt_rad=(0.0, 0.002)
        )
    focal35, u_ratio = photo.focal35_mm, _U_FOCAL_EXIF
    if focal35 is None:
        focal35, u_ratio = _FOCAL35_GUESS_MM, _U_FOCAL_GUESS
    diagonal = np.hypot(photo.width_px, photo.height_px)
    focal_px = focal35 / FULL_FRAME_DIAGONAL_MM * diagonal
    inverse = px_per_mm / focal_px
    return Priors(inverse_distance_per_mm=(inverse, u_ratio * inverse))


def is_scan(photo: Photo, px_per_mm: float) -> bool:
    """Tell a flatbed's picture: the file's resolution is the true one."""
    if photo.dpi is None or photo.focal35_mm is not None:
        return False
    stored = photo.dpi * photo.reduced / 25.4
    return abs(px_per_mm / stored - 1) < _SCAN_TOLERANCE


def _start(photo: Photo, located: Located, seen: Seen, priors: Priors) -> State:
    view = view_of_plane(
        located.homography,
        (photo.width_px, photo.height_px),
        located.px_per_mm,
        priors.inverse_distance_per_mm[0],
    )
    return _lay_ruler(State(view=view), seen)


def _lay_ruler(state: State, seen: Seen) -> State:
    """Start values of scale and ruler: the marks' line seen on the plate face."""
    if not seen.with_ruler:
        return state
    at = state.view.back_project(seen.marks_px)
    mm = seen.marks_mm
    (dx, x0), (dy, y0) = (np.polyfit(mm, at[:, axis], 1) for axis in (0, 1))
    stretch = float(np.hypot(dx, dy))  # coupon's design mm per ruler's mm
    turn = float(np.arctan2(dy, dx))
    x0, y0 = x0 / stretch, y0 / stretch
    view = state.view.moved(np.array([0, 0, 0, 0, 0, np.log(stretch), 0, 0, 0.0]))
    return State(
        view=view,
        ln_part_scale=-float(np.log(stretch)),
        ruler_along_mm=float(x0 * np.cos(turn) + y0 * np.sin(turn)),
        ruler_aside_mm=float(-x0 * np.sin(turn) + y0 * np.cos(turn)),
        ruler_turn_rad=turn,
    )


def _pose(fitted: Fitted, located: Located, reading: RulerReading | None) -> Pose:
    state, view = fitted.state, fitted.state.view
    q = view.inverse_distance_per_mm
    sigma = np.sqrt(np.diag(fitted.covariance))
    part_scale, u_part_scale, u_scale = None, None, U_COUPON_SCALE
    if reading is not None:
        part_scale = float(np.exp(state.ln_part_scale))
        shared = np.hypot(reading.u_class_ratio, U_RULER_HEIGHT_MM * q)
        u_part_scale = float(part_scale * np.hypot(sigma[len(VIEW_NAMES)], shared))
        u_scale = float(np.hypot(sigma[VIEW_NAMES.index("ln_scale")], shared))
    local = view.jacobian_xy(np.zeros((1, 3)))[0]
    px_per_mm = float(np.sqrt(abs(np.linalg.det(local))))
    half_length = located.manifest.core_half_length_mm
    bow_unit = half_length**2
    return Pose(
        view=view,
        names=VIEW_NAMES + (RULER_NAMES if reading is not None else ()),
        covariance=fitted.covariance,
        part_scale=part_scale,
        u_part_scale=u_part_scale,
        scale_source="coupon" if reading is None else "ruler",
        u_scale_ratio=u_scale,
        px_per_mm=px_per_mm,
        u_px_per_mm=px_per_mm * u_scale,
        tilt_rad=float(np.arccos(min(1.0, view.rotation[2, 2]))),
        u_view_rad=_u_view_rad(fitted, located),
        bow_mm=view.bow_per_mm * bow_unit,
        u_bow_mm=float(sigma[VIEW_NAMES.index("bow_per_m")]) * 1e-3 * bow_unit,
        residual_px=float(np.sqrt(np.mean(fitted.hole_misfit_px**2))),
    )


def _u_view_rad(fitted: Fitted, located: Located) -> float:
    """Give the standard uncertainty of d(y)/dz along the line of sight (RMS)."""
    half = located.manifest.core_half_width_mm
    places = np.array([[0.0, -half, 0.0], [0.0, half, 0.0]])
    columns = []
    for index in range(len(VIEW_NAMES)):
        step = np.zeros(len(VIEW_NAMES))
        step[index] = 1e-4
        ahead = fitted.state.view.moved(step).ray_slope(places)
        behind = fitted.state.view.moved(-step).ray_slope(places)
        columns.append((ahead[:, 1] - behind[:, 1]) / 2e-4)
    slope = np.column_stack(columns)
    count = len(VIEW_NAMES)
    spread = slope @ fitted.covariance[:count, :count] @ slope.T
    aside = U_CENTRE_DIAGONALS * 2 * half_diagonal_per_focal(fitted.state.view)
    return float(np.hypot(np.sqrt(np.mean(np.diag(spread))), aside))


def half_diagonal_per_focal(view: View) -> float:
    """Half diagonal over focal length; 0 for a scanner."""
    q = view.inverse_distance_per_mm
    return view.half_diagonal_px * q / view.scale_px_per_mm


def _judge(pose: Pose) -> Pose | Refusal:
    scale = pose.part_scale
    low, high = PART_SCALE_RANGE
    if scale is not None and not low <= scale <= high:
        return refuse("scale_conflict", part_scale=scale)
    if pose.px_per_mm < MIN_PX_PER_MM:
        return refuse("too_few_px", px_per_mm=pose.px_per_mm)
    if pose.tilt_rad > MAX_TILT_RAD:
        return refuse("too_oblique", tilt_deg=float(np.rad2deg(pose.tilt_rad)))
    if abs(pose.bow_mm) > MAX_BOW_MM + pose.u_bow_mm:
        return refuse("curled", height_mm=abs(pose.bow_mm))
    return pose
