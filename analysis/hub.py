"""Find the edge stand in a photo from above, and where its top plane lies.

The pattern of holes in the hub's top is its identity: no turn or mirror image of it
looks like it.  Their centres give the camera, and the hub's own design is the scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.bundle import Priors, Seen, State, fit
from analysis.camera import View, view_of_plane
from analysis.candidates import shrunk
from analysis.holes import measure_holes
from analysis.hub_edges import side_lights, side_step
from analysis.pose import (
    MAX_TILT_RAD,
    MIN_PX_PER_MM,
    U_COUPON_SCALE,
    camera_priors,
)
from analysis.refusals import refuse
from analysis.register import apply
from patterns.manifest import Hole
from patterns.rim_manifest import Stand

if TYPE_CHECKING:
    from analysis.bundle import Fitted
    from analysis.photo import Photo
    from analysis.result import Refusal
    from patterns.rim_manifest import StandHole

Floats = NDArray[np.float64]

SEARCH_LONGEST_PX = 1400
_NEAR_MM = 0.7
_NEAR_AGAIN_MM = 0.35
_SIZE_RATIO = 1.35
_LEAST_HOLES, _LEAST_MIRRORED = 5, 6
_AROUND_PX, _ENLARGED = 121, 12.0
_HOLE_FLOOR_PX = 0.1
_HOLE_FLOOR_MM = 0.012
"""Table in shade behind a hole's lip shifts its centre by this much."""

_SIDE_FLOOR_PX, _SIDE_FLOOR_MM = 0.1, 0.004
_ALONG_PX = 50.0
_LEAST_SIDES = 10
_ROUNDS = 2
_MOST_BLUR_PX = 4.0
_MOST_MISFIT_MM = 0.15
_FLAT_PER_MM = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Hub:
    """The stand under the camera.

    ``view`` takes the stand's frame (mm by its design) to px; ``blur_px`` is the
    standard deviation of the blur at the holes' rims, which shade can only widen;
    ``px_per_mm`` at its axis; ``u_scale_ratio`` that of every length.
    """

    stand: Stand
    view: View
    px_per_mm: float
    tilt_rad: float
    u_scale_ratio: float
    blur_px: float
    residual_px: float
    holes_px: tuple[Floats, ...]


def find_hub(photo: Photo, stand: Stand) -> Hub | Refusal:
    """Find the stand by its holes.

    Parameters
    ----------
    photo : Photo
    stand : Stand

    Returns
    -------
    Hub, or one of the refusals `no_hub`, `hub_mirrored`, `too_few_px`, `too_oblique`.
    """
    guess = _guess(photo, stand)
    if not isinstance(guess, np.ndarray):
        return guess
    holes = tuple(_as_hole(hole) for hole in stand.holes)
    centres, blur_px = measure_holes(photo, guess, holes, _MOST_BLUR_PX)
    used = [(h, c) for h, c in zip(holes, centres, strict=True) if c.used]
    if len(used) < _LEAST_HOLES:
        return refuse("no_hub")
    floor = _HOLE_FLOOR_PX**2 + (_HOLE_FLOOR_MM * _scale(guess)) ** 2
    seen = Seen(
        holes_mm=np.array([[h.x_mm, h.y_mm] for h, _ in used]),
        holes_px=np.array([c.centre_px for _, c in used]),
        holes_cov_px2=np.array([c.covariance_px2 + floor * np.eye(2) for _, c in used]),
        marks_mm=np.zeros(0),
        marks_px=np.zeros((0, 2)),
        mark_sigma_px=1.0,
    )
    fitted, misfit_px = _view(photo, stand, guess, seen)
    view = fitted.state.view
    hub = Hub(
        stand=stand,
        view=view,
        px_per_mm=view.scale_px_per_mm,
        tilt_rad=float(np.arccos(np.clip(view.rotation[2, 2], -1, 1))),
        u_scale_ratio=U_COUPON_SCALE,
        blur_px=blur_px,
        residual_px=misfit_px,
        holes_px=tuple(c.rim_px for _, c in used),
    )
    return _judged(hub)


def _view(
    photo: Photo, stand: Stand, guess: Floats, holes: Seen
) -> tuple[Fitted, float]:
    """Fit the camera to holes, then to holes and sides; RMS misfit of the holes."""
    px_per_mm = _scale(guess)
    known = camera_priors(photo, px_per_mm)
    priors = Priors(
        inverse_distance_per_mm=known.inverse_distance_per_mm,
        k1=known.k1,
        tilt_rad=known.tilt_rad,
        bow_per_mm=(0.0, _FLAT_PER_MM),
    )
    size = (photo.width_px, photo.height_px)
    start = view_of_plane(guess, size, px_per_mm, priors.inverse_distance_per_mm[0])
    fitted = fit(State(view=start), holes, priors)
    misfit_px = float(np.sqrt(np.mean(fitted.hole_misfit_px**2)))
    for _ in range(_ROUNDS):
        seen = _with_sides(photo, stand, fitted.state.view, holes)
        if seen is None:
            break
        fitted = fit(fitted.state, seen, priors)
    return fitted, misfit_px


def _with_sides(photo: Photo, stand: Stand, view: View, holes: Seen) -> Seen | None:
    """Add the sides' middles, known across only; None if too few can be seen."""
    sides = side_lights(photo, view, stand)
    steps = [step for side in sides if (step := side_step(side, 0.0)) is not None]
    if len(steps) < _LEAST_SIDES:
        return None
    mm = np.array([step.light.middle_mm for step in steps])
    normal = np.array([step.light.normal for step in steps])
    offset_px = np.array([step.offset_px for step in steps])
    out_mm = _outward(stand, mm)
    flat = np.zeros((len(mm), 1))
    out_px = view.project(np.hstack([mm + out_mm, flat]))
    out_px -= view.project(np.hstack([mm, flat]))
    # every side stands out by the same: as the hub's exposure makes it
    grown = np.median(offset_px * np.sign(np.sum(out_px * normal, axis=1)))
    mm = mm + float(grown) / view.scale_px_per_mm * out_mm
    px = np.array([s.light.middle_px + s.offset_px * s.light.normal for s in steps])
    across2 = _SIDE_FLOOR_PX**2 + (_SIDE_FLOOR_MM * view.scale_px_per_mm) ** 2
    across = normal[:, :, None] * normal[:, None, :]
    covariance = across2 * across + _ALONG_PX**2 * (np.eye(2) - across)
    return replace(
        holes,
        holes_mm=np.vstack([holes.holes_mm, mm]),
        holes_px=np.vstack([holes.holes_px, px]),
        holes_cov_px2=np.concatenate([holes.holes_cov_px2, covariance]),
    )


def _outward(stand: Stand, at_mm: Floats) -> Floats:
    """Directions (n, 2) out of the top face at points (n, 2) of its sides."""
    corners = np.array(stand.outline_mm)
    along = np.roll(corners, -1, axis=0) - corners
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    level = np.sum(normal * corners, axis=1)
    normal, level = normal * np.sign(level)[:, None], np.abs(level)
    return np.asarray(normal[np.argmin(np.abs(at_mm @ normal.T - level), axis=1)])


def _judged(hub: Hub) -> Hub | Refusal:
    if hub.residual_px > _MOST_MISFIT_MM * hub.px_per_mm:
        return refuse("no_hub")
    if hub.px_per_mm < MIN_PX_PER_MM:
        return refuse("too_few_px", px_per_mm=hub.px_per_mm)
    if hub.tilt_rad > MAX_TILT_RAD:
        return refuse("too_oblique", tilt_deg=float(np.rad2deg(hub.tilt_rad)))
    return hub


def _guess(photo: Photo, stand: Stand) -> Floats | Refusal:
    """Homography from design mm to px by the pattern of round spots."""
    small = shrunk(photo.rgb8, min(1.0, SEARCH_LONGEST_PX / max(photo.rgb8.shape)))
    places = np.array([[hole.x_mm, hole.y_mm] for hole in stand.holes])
    diameter = stand.holes[0].diameter_mm
    for look in (_plain, _local, _tinted):
        spots = _round_spots(look(small))
        found, count = _matched(spots, places, diameter)
        _, mirrored = _matched(spots, places * (1.0, -1.0), diameter)
        if mirrored >= _LEAST_MIRRORED and mirrored > count:
            return refuse("hub_mirrored")
        if found is not None and count >= _LEAST_HOLES:
            up = photo.width_px / small.shape[1]
            shift = 0.5 * up - 0.5
            return np.array([[up, 0, shift], [0, up, shift], [0, 0, 1.0]]) @ found
    return refuse("no_hub")


def _plain(rgb8: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.ascontiguousarray(rgb8[:, :, 1])


def _local(rgb8: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Green over its surroundings, enlarged: for holes as bright as the hub."""
    return _enlarged(rgb8[:, :, 1].astype(np.float32))


def _tinted(rgb8: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Red less green, enlarged: for a table of another colour."""
    return _enlarged(rgb8[:, :, 0].astype(np.float32) - rgb8[:, :, 1])


def _enlarged(values: NDArray[np.float32]) -> NDArray[np.uint8]:
    soft = cv2.GaussianBlur(values, (0, 0), 1.5)
    around = cv2.blur(soft, (_AROUND_PX, _AROUND_PX))
    spread = np.clip(128 + _ENLARGED * (soft - around), 0, 255)
    return np.asarray(spread, dtype=np.uint8)


def _round_spots(grey: NDArray[np.uint8]) -> Floats:
    """Dark and bright round spots (n, 3): x, y, diameter in px, the roundest first."""
    settings = cv2.SimpleBlobDetector.Params()
    settings.minThreshold, settings.maxThreshold = 10.0, 250.0
    settings.thresholdStep = 6.0
    settings.minRepeatability = 2
    settings.filterByArea = True
    settings.minArea, settings.maxArea = 40.0, 20000.0
    settings.filterByCircularity, settings.minCircularity = True, 0.7
    settings.filterByInertia, settings.minInertiaRatio = True, 0.6
    settings.filterByConvexity, settings.minConvexity = True, 0.85
    settings.minDistBetweenBlobs = 4.0
    spots = []
    for colour in (0, 255):
        settings.blobColor = colour
        detector = cv2.SimpleBlobDetector.create(settings)
        spots += [(*key.pt, key.size) for key in detector.detect(grey)]
    return np.array(spots, dtype=np.float64).reshape(-1, 3)


def _matched(
    spots: Floats, places_mm: Floats, diameter_mm: float
) -> tuple[Floats | None, int]:
    """Best similarity from two spots taken for two holes, then a homography."""
    best, best_count = None, 0
    target = places_mm @ [1, 1j]
    at = spots[:, 0] + 1j * spots[:, 1]
    pairs = list(permutations(range(len(places_mm)), 2))
    spans = np.array([target[j] - target[i] for i, j in pairs])
    first = np.array([target[i] for i, _ in pairs])
    for a in range(len(spots)):
        size = spots[a, 2] / diameter_mm
        for b in range(len(spots)):
            span = at[b] - at[a]
            if a == b or not _alike(spots[b, 2], spots[a, 2]):
                continue
            stretch = span / spans
            good = np.abs(np.log(np.abs(stretch) / size + 1e-12)) < np.log(_SIZE_RATIO)
            for k in np.flatnonzero(good):
                seen = at[a] + stretch[k] * (target - first[k])
                off = np.abs(seen[:, None] - at).min(axis=1)
                count = int(np.sum(off < _NEAR_MM * np.abs(stretch[k])))
                if count > best_count:
                    best_count, best = count, (seen, abs(stretch[k]))
    if best is None or best_count < _LEAST_HOLES:
        return None, best_count
    seen, stretch_px = best
    off = np.abs(seen[:, None] - at)
    nearest = off.argmin(axis=1)
    hit = off.min(axis=1) < _NEAR_MM * stretch_px
    homography, kept = cv2.findHomography(
        places_mm[hit],
        spots[nearest[hit], :2],
        cv2.RANSAC,
        _NEAR_AGAIN_MM * stretch_px,
    )
    if not np.shape(homography):  # none was found
        return None, 0
    return np.asarray(homography, dtype=np.float64), int(np.sum(kept))


def _as_hole(hole: StandHole) -> Hole:
    """Give it the form that the holes' reader knows; layers don't matter there."""
    return Hole(
        name=hole.name,
        x_mm=hole.x_mm,
        y_mm=hole.y_mm,
        diameter_mm=hole.diameter_mm,
        diameter_by_layer_mm=(hole.diameter_mm,),
    )


def _alike(one: float, other: float) -> bool:
    return bool(1 / _SIZE_RATIO < one / other < _SIZE_RATIO)


def _scale(homography: Floats) -> float:
    ends = apply(homography, np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    area = np.linalg.det(np.array([ends[0] - ends[1], ends[2] - ends[3]]))
    return float(np.sqrt(abs(area)))
