"""Centres of the fiducial holes to a few hundredths of a pixel.

Through a hole one sees the table in the coupon's shade: bright in the middle, darker
towards a rim that may be brighter or darker than the face or vanish.  So each sector of
a rim has its own model, from outside in: face level, a step of either sign, exponential
recoveries from contact shadow, all blurred alike; what is fitted is the circle that all
sectors share (variable projection, Golub and Pereyra 1973), with one radius and one
blur for all holes: they were printed and photographed alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc, erfcx

from analysis.located import HoleCentre
from analysis.register import apply

if TYPE_CHECKING:
    from analysis.photo import Photo
    from patterns.manifest import Hole

Floats = NDArray[np.float64]

SECTORS = 36
_RAYS_IN_SECTOR = 3
_REACH_MM = (0.45, 0.75)
_SPACING_PX = 0.7
_RECOVERIES_MM = (0.35, 1.5)
_BLURS_PX = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6)
_ITERATIONS = 10
_STEP_LIMIT_MM = 0.08
_OFFSET_LIMIT_MM = 0.5
_RADIUS_LIMIT_MM = 0.5
_MAX_U_PX = 1.0
_RIDGE = 1e-4
"""Keeps the amplitudes of a sector apart where its samples can't (relative)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rays:
    """Light (holes, sectors, samples) at ``radius_mm`` (samples,) and ``phi``."""

    light: Floats
    radius_mm: Floats
    phi: Floats
    px_per_mm: float

    @property
    def wave(self) -> Floats:
        """How a centre's shift moves the rim outward (sectors, 2)."""
        return np.column_stack([np.cos(self.phi), np.sin(self.phi)])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Circles:
    """Centres' shifts (holes, 2) and the common radius, mm."""

    shift: Floats
    radius: float


def measure_holes(
    photo: Photo, homography: Floats, holes: tuple[Hole, ...], most_blur_px: float
) -> tuple[tuple[HoleCentre, ...], float]:
    """Fit the rims of all holes.

    Parameters
    ----------
    photo : Photo
    homography : (3, 3) array
        Design mm on the plate face to px, good to 0.3 mm.
    holes : tuple of Hole
        All of one diameter.
    most_blur_px : float
        Blur of other edges: shade in a hole could pass for more.

    Returns
    -------
    centres in the order of ``holes``, and the standard deviation of the edge blur in px
    (NaN if no hole could be measured).
    """
    rays = _rays(photo, homography, holes)
    kept = np.isfinite(rays.light.sum(axis=(1, 2)))
    if not kept.any():
        return tuple(_unused(homography, h, "outside the photo") for h in holes), np.nan
    rays = _Rays(
        light=rays.light[kept],
        radius_mm=rays.radius_mm,
        phi=rays.phi,
        px_per_mm=rays.px_per_mm,
    )
    circles = _coarse(rays, holes[0].diameter_mm / 2)
    sigma, circles = _blur(rays, circles, most_blur_px)
    for _ in range(_ITERATIONS):
        circles, moved = _advance(rays, circles, sigma)
        if moved < 2e-4:
            break
    fits = iter(_covariances(rays, circles, sigma))
    shifts = iter(circles.shift)
    centres = [
        _centre(homography, hole, (next(shifts), circles.radius), next(fits))
        if seen
        else _unused(homography, hole, "outside the photo")
        for hole, seen in zip(holes, kept, strict=True)
    ]
    return tuple(centres), sigma * rays.px_per_mm


def _rays(photo: Photo, homography: Floats, holes: tuple[Hole, ...]) -> _Rays:
    middles = np.array([[hole.x_mm, hole.y_mm] for hole in holes])
    ends = apply(homography, np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    area = np.linalg.det(np.array([ends[0] - ends[1], ends[2] - ends[3]]))
    px_per_mm = float(np.sqrt(abs(area)))
    radius = holes[0].diameter_mm / 2
    count = max(20, round(sum(_REACH_MM) * px_per_mm / _SPACING_PX))
    radii = np.linspace(radius - _REACH_MM[1], radius + _REACH_MM[0], count)
    turns = SECTORS * _RAYS_IN_SECTOR
    angles = 2 * np.pi * (np.arange(turns) + 0.5) / turns
    units = np.column_stack([np.cos(angles), np.sin(angles)])
    around = radii[:, None] * units[:, None, :]
    light = np.stack(
        [
            _light(photo, apply(homography, (middle + around).reshape(-1, 2)))
            for middle in middles
        ]
    )
    shape = (len(holes), SECTORS, _RAYS_IN_SECTOR, count)
    return _Rays(
        light=light.reshape(shape).mean(axis=2),
        radius_mm=radii,
        phi=angles.reshape(SECTORS, _RAYS_IN_SECTOR).mean(axis=1),
        px_per_mm=px_per_mm,
    )


def _light(photo: Photo, px: Floats) -> Floats:
    """Linear light at points (n, 2), NaN if any lies outside the photo."""
    low = np.floor(px.min(axis=0)).astype(int) - 1
    high = np.ceil(px.max(axis=0)).astype(int) + 2
    if np.any(low < 0) or high[0] > photo.width_px or high[1] > photo.height_px:
        return np.full(len(px), np.nan)
    region = photo.linear(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    at = (px - low).astype(np.float32)
    light = cv2.remap(region, at[:, :1], at[:, 1:], cv2.INTER_LINEAR)
    return np.asarray(light[:, 0], dtype=np.float64)


def _coarse(rays: _Rays, radius: float) -> _Circles:
    """Each hole's shift, and the common radius, where most sectors change together."""
    steep = np.abs(np.gradient(rays.light, axis=2))
    steep /= steep.mean(axis=2, keepdims=True) + 1e-9
    spacing = rays.radius_mm[1] - rays.radius_mm[0]
    soft = cv2.GaussianBlur(
        steep.reshape(-1, steep.shape[2]), (0, 0), sigmaX=0.06 / spacing, sigmaY=1e-3
    ).reshape(steep.shape)
    grid = np.linspace(-0.32, 0.32, 9)
    shifts = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
    radii = radius + np.linspace(-0.45, 0.15, 9)
    rim = radii[:, None, None] + (shifts @ rays.wave.T)[None, :, :]
    at = np.rint((rim - rays.radius_mm[0]) / spacing).astype(int)
    at = np.clip(at, 0, steep.shape[2] - 1)
    # (holes, radii, shifts): mean over the sectors
    sectors = np.arange(SECTORS)
    value = soft[:, sectors, at].mean(axis=-1)
    best_radius = int(np.argmax(value.max(axis=2).sum(axis=0)))
    best = np.argmax(value[:, best_radius, :], axis=1)
    return _Circles(shift=shifts[best], radius=float(radii[best_radius]))


def _blur(rays: _Rays, circles: _Circles, most_px: float) -> tuple[float, _Circles]:
    """Blur with the least misfit, and the circles that go with it."""
    best = (np.inf, 1 / rays.px_per_mm, circles)
    for blur_px in _BLURS_PX:
        if blur_px > max(most_px, _BLURS_PX[1]):
            break
        sigma, moved = blur_px / rays.px_per_mm, circles
        for _ in range(2):
            moved, _step = _advance(rays, moved, sigma)
        misfit = _Linear.of(rays, moved, sigma).misfit
        total = float(np.sum(misfit**2))
        if total > 1.3 * best[0]:
            break
        if total < best[0]:
            best = (total, sigma, moved)
    return best[1], best[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Linear:
    """Amplitudes (holes, sectors, k), misfit, and rim offsets with their weights."""

    amplitudes: Floats
    misfit: Floats
    offset: Floats
    weight: Floats

    @classmethod
    def of(cls, rays: _Rays, circles: _Circles, sigma: float) -> _Linear:
        """Solve for the amplitudes; one offset of the rim per sector (Kaufman 1975)."""
        rim = circles.radius + circles.shift @ rays.wave.T
        depth = rim[:, :, None] - rays.radius_mm
        basis, slope = edge_basis(depth, sigma)
        normal = basis.transpose(0, 1, 3, 2) @ basis
        normal += _RIDGE * depth.shape[2] * np.eye(basis.shape[3])
        inverse = np.linalg.inv(normal)
        project = inverse @ basis.transpose(0, 1, 3, 2)
        amplitudes = (project @ rays.light[..., None])[..., 0]
        misfit = rays.light - (basis @ amplitudes[..., None])[..., 0]
        by_rim = (slope @ amplitudes[..., None])[..., 0]
        by_rim -= (basis @ (project @ by_rim[..., None]))[..., 0]
        stiff = np.sum(by_rim**2, axis=2)
        offset = np.sum(by_rim * misfit, axis=2) / np.maximum(stiff, 1e-15)
        noise = np.mean(misfit**2, axis=2)
        noise = np.maximum(noise, 0.3 * np.median(noise) + 1e-12)
        return cls(
            amplitudes=amplitudes, misfit=misfit, offset=offset, weight=stiff / noise
        )


def edge_basis(depth_mm: Floats, sigma_mm: float) -> tuple[Floats, Floats]:
    """Face, blurred step, blurred recoveries 1 - exp(-depth / L).

    Parameters
    ----------
    depth_mm : (...) array
        How far inside the rim.
    sigma_mm : float
        Standard deviation of the blur.

    Returns
    -------
    basis (..., 2 + number of recoveries), and its derivative by depth.  The blurred
    exponential is the exponentially modified Gaussian (from memory).
    """
    z = depth_mm / sigma_mm
    gauss = np.exp(-0.5 * z**2)
    step = 0.5 * erfc(-z / np.sqrt(2))
    basis = [np.ones_like(z), step]
    slope = [np.zeros_like(z), gauss / (sigma_mm * np.sqrt(2 * np.pi))]
    for length in _RECOVERIES_MM:
        ratio = sigma_mm / length
        lag = (ratio - z) / np.sqrt(2)
        tail = np.where(
            lag > 0,
            0.5 * gauss * erfcx(np.maximum(lag, 0)),
            0.5 * np.exp(np.minimum(0.5 * ratio**2 - ratio * z, 50)) * erfc(lag),
        )
        basis.append(step - tail)
        slope.append(tail / length)
    return np.stack(basis, axis=-1), np.stack(slope, axis=-1)


def _advance(rays: _Rays, circles: _Circles, sigma: float) -> tuple[_Circles, float]:
    """One robust Gauss-Newton step of all circles; also the largest move."""
    linear = _Linear.of(rays, circles, sigma)
    step, _ = _joint(rays, linear)
    step = np.clip(step, -_STEP_LIMIT_MM, _STEP_LIMIT_MM)
    moved = _Circles(
        shift=circles.shift + step[:-1].reshape(-1, 2),
        radius=circles.radius + float(step[-1]),
    )
    return moved, float(np.max(np.abs(step)))


def _joint(rays: _Rays, linear: _Linear) -> tuple[Floats, Floats]:
    """Shifts and radius that fit the sectors' offsets; the weights that were used."""
    count = len(linear.offset)
    blocks = np.zeros((count, SECTORS, 2 * count + 1))
    for hole in range(count):
        blocks[hole, :, 2 * hole : 2 * hole + 2] = rays.wave
    blocks[:, :, -1] = 1.0
    design = blocks.reshape(-1, 2 * count + 1)
    offset = linear.offset.ravel()
    base = np.minimum(linear.weight, 4 * np.median(linear.weight)).ravel()
    floor = 0.05 / rays.px_per_mm
    weight = np.asarray(base)
    step: Floats = np.zeros(2 * count + 1)
    for _ in range(5):
        normal = design.T @ (weight[:, None] * design)
        normal += 1e-6 * float(base.mean()) * np.eye(len(normal))
        step = np.asarray(
            np.linalg.solve(normal, design.T @ (weight * offset)), dtype=np.float64
        )
        left = np.abs(offset - design @ step)
        spread = 1.4826 * float(np.median(left))
        cut = 4 * max(spread, floor)
        weight = base * np.clip(1 - (left / cut) ** 2, 0, None) ** 2
    return step, weight.reshape(count, SECTORS)


def _covariances(
    rays: _Rays, circles: _Circles, sigma: float
) -> list[tuple[Floats, Floats]]:
    """Covariance (2, 2) mm^2 of each centre, and its sectors' steps."""
    linear = _Linear.of(rays, circles, sigma)
    _, weight = _joint(rays, linear)
    fits = []
    for hole in range(len(weight)):
        w, left = weight[hole], linear.offset[hole]
        free = max(float(np.count_nonzero(w)) - 3, 1.0)
        chi2 = max(float(np.sum(w * left**2)) / free, 1.0)
        normal = rays.wave.T @ (w[:, None] * rays.wave) + 1e-9 * np.eye(2)
        fits.append((chi2 * np.linalg.inv(normal), linear.amplitudes[hole, :, 1]))
    return fits


def _centre(
    homography: Floats,
    hole: Hole,
    circle: tuple[Floats, float],
    fit: tuple[Floats, Floats],
) -> HoleCentre:
    (shift, radius), (covariance, step) = circle, fit
    middle = np.array([[hole.x_mm, hole.y_mm]]) + shift
    nearby = middle + np.array([[0.01, 0], [-0.01, 0], [0, 0.01], [0, -0.01]])
    px = apply(homography, nearby)
    slope = np.column_stack([px[0] - px[1], px[2] - px[3]]) / 0.02
    covariance_px2 = slope @ covariance @ slope.T
    reason = None
    if np.linalg.norm(shift) > _OFFSET_LIMIT_MM:
        reason = "its rim is not where it should be"
    elif abs(radius - hole.diameter_mm / 2) > _RADIUS_LIMIT_MM:
        reason = "its rim has another size"
    elif np.trace(covariance_px2) > 2 * _MAX_U_PX**2:
        reason = "its rim hardly shows"
    around = np.linspace(0, 2 * np.pi, 49)
    rim = middle + radius * np.column_stack([np.cos(around), np.sin(around)])
    return HoleCentre(
        name=hole.name,
        centre_px=apply(homography, middle)[0],
        covariance_px2=covariance_px2,
        radius_mm=radius,
        rim_px=apply(homography, rim),
        step=step,
        used=reason is None,
        reason=reason,
    )


def _unused(homography: Floats, hole: Hole, reason: str) -> HoleCentre:
    middle = np.array([[hole.x_mm, hole.y_mm]])
    return HoleCentre(
        name=hole.name,
        centre_px=apply(homography, middle)[0],
        covariance_px2=np.full((2, 2), np.inf),
        radius_mm=float("nan"),
        rim_px=np.zeros((0, 2)),
        step=np.zeros(0),
        used=False,
        reason=reason,
    )
