"""Where the tiles of a photo lie under its camera: one plane, one camera, many tiles.

Plane frame: printed millimetres in the plane of the bottom faces, origin under the
middle of the picture, z away from the camera.  What is fitted are pieces of the back
edges, whose places are known by design but for growth of the body, which moves all of
them outwards alike; the two walls of a notch then move apart and their middle stays.
The rim takes part with little weight, since it is what will be measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.camera import View
from analysis.pose import (
    MAX_TILT_RAD,
    PART_SCALE_RANGE,
    U_CENTRE_DIAGONALS,
    U_COUPON_SCALE,
    camera_priors,
    half_diagonal_per_focal,
    is_scan,
)
from analysis.refusals import refuse
from analysis.register import apply, look
from analysis.tile_fit import PlaneFit, PlaneSeen, PlaneState, fit_plane
from analysis.tile_outline import edges
from patterns.rim_manifest import RimTile

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.result import Refusal, RulerReading
    from analysis.tiles import FoundTile, FoundTiles

Floats = NDArray[np.float64]

RULER_FACE_MM = 1.0
"""Height of a ruler's face above the table: 0.5 to 1.5 mm, taken as rectangular."""

U_RULER_FACE_MM = 0.5 / np.sqrt(3)
U_PART_SCALE_LIMIT = 0.005
"""Above this relative uncertainty no part scale is given."""

_SIGMA_MM = {"wall": 0.02, "back": 0.03, "floor": 0.05, "arc": 0.3}
_SIGMA_PX = 0.2
_WINDOW_MM = 0.45
_POINTS = 5
_LEAST_WEIGHT = 0.15
_LEAST_SEEN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class TilePose:
    """One tile under the photo's camera.

    ``view`` takes the tile's frame (printed mm: design times ``design_scale``) to px.
    ``part_scale`` is from this tile's own notches, None without a ruler or when it is
    not known to 0.5 %.  ``u_scale_ratio`` is the relative standard uncertainty of every
    length; ``u_view_rad`` that of the line of sight, in any direction of the plane.
    """

    tile: RimTile
    view: View
    design_scale: float
    part_scale: float | None
    u_part_scale: float | None
    scale_source: Literal["ruler", "coupon"]
    u_scale_ratio: float
    px_per_mm: float
    tilt_rad: float
    u_view_rad: float
    outline_px: Floats

    @property
    def radius_mm(self) -> float:
        """Nominal radius of the rim in printed mm."""
        return self.tile.radius_mm * self.design_scale

    def printed(self, design_mm: Floats) -> Floats:
        """Design lengths or points in printed millimetres."""
        return np.asarray(design_mm, dtype=np.float64) * self.design_scale

    def project(self, points_mm: Floats) -> Floats:
        """Pixels (n, 2) of points (n, 3), printed mm in the tile's frame."""
        return self.view.project(points_mm)

    def back_project(self, points_px: Floats, z_mm: float | Floats = 0.0) -> Floats:
        """Find printed mm (n, 2) of pixels (n, 2) at ``z_mm``, one or (n,)."""
        return self.view.back_project(points_px, z_mm)

    def ray_slope(self, points_mm: Floats) -> Floats:
        """d(x, y) / dz (n, 2) along the line of sight, going away from the camera."""
        return self.view.ray_slope(points_mm)

    def px_per_mm_at(self, points_mm: Floats) -> Floats:
        """d(px) / d(x, y) (n, 2, 2): rows u, v; columns x, y."""
        return self.view.jacobian_xy(points_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class TilePoses:
    """All tiles of a photo.

    ``view`` is the plane's; ``px_per_mm`` (printed mm) at the middle of the picture.
    """

    tiles: tuple[TilePose, ...]
    view: View
    scale_source: Literal["ruler", "coupon"]
    px_per_mm: float
    u_px_per_mm: float
    growth_mm: float
    residual_px: float


def solve_tiles(
    photo: Photo, found: FoundTiles, reading: RulerReading | None
) -> TilePoses | Refusal:
    """Find the camera and every tile's place.

    Parameters
    ----------
    photo : Photo
    found : FoundTiles
    reading : RulerReading or None
        None: the tiles' design sizes are the scale.

    Returns
    -------
    TilePoses in the order of ``found.tiles``, or one of the refusals `no_tiles`,
    `scale_conflict`, `too_oblique`.
    """
    if not found.tiles:
        return refuse("no_tiles")
    scale = float(np.median([tile.px_per_mm for tile in found.tiles]))
    seen = _seen(photo, found, reading, scan=is_scan(photo, scale))
    priors = camera_priors(photo, scale)
    fitted = fit_plane(
        _start(photo, found, seen, priors.inverse_distance_per_mm[0]), seen, priors
    )
    state = fitted.state
    part_scale = float(np.exp(state.ln_part_scale))
    low, high = PART_SCALE_RANGE
    if not low <= part_scale <= high:
        return refuse("scale_conflict", part_scale=part_scale)
    tilt = float(np.arccos(min(1.0, state.view.rotation[2, 2])))
    if tilt > MAX_TILT_RAD:
        return refuse("too_oblique", tilt_deg=float(np.rad2deg(tilt)))
    u_scale = _u_scale(fitted, reading)
    return TilePoses(
        tiles=tuple(
            _tile_pose(one, index, fitted, reading)
            for index, one in enumerate(found.tiles)
        ),
        view=state.view,
        scale_source="coupon" if reading is None else "ruler",
        px_per_mm=state.view.scale_px_per_mm,
        u_px_per_mm=state.view.scale_px_per_mm * u_scale,
        growth_mm=state.growth_mm,
        residual_px=fitted.residual_px,
    )


def _seen(
    photo: Photo, found: FoundTiles, reading: RulerReading | None, *, scan: bool
) -> PlaneSeen:
    parts = [_edges_seen(photo, tile) for tile in found.tiles]
    design, normal, px, normal_px, sigma_px = (
        np.concatenate([part[k] for part in parts]) for k in range(5)
    )
    owner = np.repeat(np.arange(len(parts)), [len(part[0]) for part in parts])
    kept = np.zeros(0, dtype=bool) if reading is None else reading.kept
    tile = found.tiles[0].tile
    above_table = tile.thickness_mm + max(foot.height_mm for foot in tile.feet)
    return PlaneSeen(
        design_mm=design,
        normal=normal,
        px=px,
        normal_px=normal_px,
        sigma_px=sigma_px,
        owner=owner,
        marks_mm=np.zeros(0) if reading is None else reading.marks_mm[kept],
        marks_px=np.zeros((0, 2)) if reading is None else reading.marks_px[kept],
        mark_sigma_px=1.0 if reading is None else 2 * max(reading.residual_px, 0.1),
        marks_z_mm=0.0 if scan else above_table - RULER_FACE_MM,
    )


def _edges_seen(photo: Photo, found: FoundTile) -> tuple[Floats, ...]:
    """Pieces that show: design, normal, px, normal in px, sigma."""
    pieces = edges(found.tile)
    middle = np.array([piece.middle_mm for piece in pieces])
    normal = np.array([piece.normal for piece in pieces])
    half = np.array([piece.half_mm for piece in pieces])
    along = np.column_stack([-normal[:, 1], normal[:, 0]])
    spread = np.linspace(-1, 1, _POINTS)[None, :, None]
    points = middle[:, None] + spread * (half[:, None] * along)[:, None]
    normals = np.repeat(normal[:, None], _POINTS, axis=1)
    offset, weight = look(
        photo.rgb8,
        found.homography,
        points.reshape(-1, 2),
        normals.reshape(-1, 2),
        _WINDOW_MM,
    )
    offset = offset.reshape(-1, _POINTS)
    good = weight.reshape(-1, _POINTS) > _LEAST_WEIGHT
    kept = good.sum(axis=1) >= _LEAST_SEEN
    middling = np.zeros(len(offset))
    middling[kept] = np.nanmedian(np.where(good, offset, np.nan)[kept], axis=1)
    at = middle + middling[:, None] * normal
    px = apply(found.homography, at)
    ahead = apply(found.homography, at + 0.05 * normal) - px
    sigma_mm = np.array([_SIGMA_MM[piece.kind] for piece in pieces])
    sigma_px = np.hypot(_SIGMA_PX, sigma_mm * found.px_per_mm)
    direction = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
    return (
        middle[kept],
        normal[kept],
        px[kept],
        direction[kept],
        sigma_px[kept],
    )


def _start(
    photo: Photo, found: FoundTiles, seen: PlaneSeen, inverse_distance_per_mm: float
) -> PlaneState:
    """Straight down, tiles where they are seen then, the ruler along its marks."""
    scale = float(np.median([tile.px_per_mm for tile in found.tiles]))
    size = (photo.width_px, photo.height_px)
    view = View(
        rotation=np.eye(3),
        origin_px=np.zeros(2),
        centre_px=(np.array(size, dtype=np.float64) - 1) / 2,
        half_diagonal_px=float(np.hypot(*size)) / 2,
        scale_px_per_mm=scale,
        inverse_distance_per_mm=inverse_distance_per_mm,
        k1=0.0,
    )
    places = []
    for one in found.tiles:
        ends = apply(one.homography, np.array([[0.0, 0.0], [one.tile.radius_mm, 0.0]]))
        centre, low = view.back_project(ends)
        axis = low - centre
        places.append([*centre, np.arctan2(axis[1], axis[0]), 0.0])
    state = PlaneState(view=view, places=np.array(places))
    return state.with_ruler_laid(seen)


def _tile_pose(
    found: FoundTile,
    index: int,
    fitted: PlaneFit,
    reading: RulerReading | None,
) -> TilePose:
    state = fitted.state
    view = state.tile_view(index)
    design_scale = state.scale_of(index)
    u_scale = _u_scale(fitted, reading)
    part_scale = u_part = None
    if reading is not None:
        u_part = design_scale * float(
            np.hypot(fitted.u_own_scale[index], _u_ruler(fitted, reading))
        )
        part_scale = design_scale
        if u_part > U_PART_SCALE_LIMIT * design_scale:
            part_scale = u_part = None
    middle = np.array([[0.42 * found.tile.radius_mm, 0.0, 0.0]])
    local = view.jacobian_xy(middle)[0]
    return TilePose(
        tile=found.tile,
        view=view,
        design_scale=design_scale,
        part_scale=part_scale,
        u_part_scale=u_part,
        scale_source="coupon" if reading is None else "ruler",
        u_scale_ratio=u_scale,
        px_per_mm=float(np.sqrt(abs(np.linalg.det(local)))),
        tilt_rad=float(np.arccos(np.clip(view.rotation[2, 2], -1, 1))),
        u_view_rad=_u_view_rad(fitted),
        outline_px=found.outline_px,
    )


def _u_scale(fitted: PlaneFit, reading: RulerReading | None) -> float:
    """Relative u of lengths: fit, ruler's class, and the height of its face."""
    if reading is None:
        return U_COUPON_SCALE
    return float(np.hypot(fitted.u("ln_scale"), _u_ruler(fitted, reading)))


def _u_ruler(fitted: PlaneFit, reading: RulerReading) -> float:
    by_height = U_RULER_FACE_MM * fitted.state.view.inverse_distance_per_mm
    return float(np.hypot(reading.u_class_ratio, by_height))


def _u_view_rad(fitted: PlaneFit) -> float:
    aside = U_CENTRE_DIAGONALS * 2 * half_diagonal_per_focal(fitted.state.view)
    spread = (fitted.u("turn_x_rad") ** 2 + fitted.u("turn_y_rad") ** 2) / 2
    return float(np.hypot(np.sqrt(spread), aside))
