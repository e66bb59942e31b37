"""Centres of the fiducial holes to a few hundredths of a pixel.

Through a hole one sees the table in the coupon's shade: bright in the middle, darker
towards a rim that may be brighter or darker than the face or vanish.  So each sector of
a rim has its own model, from outside in: face level, a step of either sign, an
exponential recovery from contact shadow, all blurred alike; the circle, which all
sectors share, is what is fitted (variable projection, Golub and Pereyra 1973).
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
_REACH_MM = 0.55
_RECOVERY_MM = 0.35
_ITERATIONS = 8
_MIN_STEP_RATIO = 0.15
_OFFSET_LIMIT_MM = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rays:
    """Light (sectors, samples) along radii, at ``radius_mm`` (samples,)."""

    light: Floats
    radius_mm: Floats
    phi: Floats
    px_per_mm: float


def measure_holes(
    photo: Photo, homography: Floats, holes: tuple[Hole, ...]
) -> tuple[tuple[HoleCentre, ...], float]:
    """Fit every hole's rim.

    Parameters
    ----------
    photo : Photo
    homography : (3, 3) array
        Design mm on the plate face to px, good to 0.4 mm.
    holes : tuple of Hole

    Returns
    -------
    centres, and the standard deviation of the edge blur in px (median of the holes).
    """
    fits = [_measure(photo, homography, hole) for hole in holes]
    blurs = [blur for centre, blur in fits if centre.used]
    return tuple(centre for centre, _ in fits), float(np.median(blurs or [np.nan]))


def _measure(photo: Photo, homography: Floats, hole: Hole) -> tuple[HoleCentre, float]:
    rays = _rays(photo, homography, hole)
    if rays is None:
        return _unused(homography, hole, "outside the picture"), np.nan
    pixel = 1 / rays.px_per_mm
    circle = np.array([0.0, 0.0, hole.diameter_mm / 2])
    circle, _ = _coarse(rays, circle)
    sigma, circle = _blur(rays, circle, pixel)
    for _ in range(_ITERATIONS):
        step, _, _ = _gauss_newton(rays, circle, sigma)
        circle = circle + np.clip(step, -0.1, 0.1)
        if np.max(np.abs(step)) < 1e-4:
            break
    _, covariance, amplitudes = _gauss_newton(rays, circle, sigma)
    off = np.max(np.abs(circle - [0.0, 0.0, hole.diameter_mm / 2]))
    if not np.isfinite(off) or off > _OFFSET_LIMIT_MM:
        return _unused(homography, hole, "its rim is not where it should be"), np.nan
    return _centre(homography, hole, circle, covariance, amplitudes), sigma / pixel


def _rays(photo: Photo, homography: Floats, hole: Hole) -> _Rays | None:
    middle = np.array([hole.x_mm, hole.y_mm])
    ends = apply(
        homography, middle + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
    )
    px_per_mm = float(
        np.sqrt(np.linalg.norm(ends[0] - ends[1]) * np.linalg.norm(ends[2] - ends[3]))
    )
    radius = hole.diameter_mm / 2
    count = max(16, round(4 * _REACH_MM * px_per_mm))
    radii = radius + np.linspace(-_REACH_MM, _REACH_MM, count)
    fine = 4  # rays averaged into one sector
    angles = 2 * np.pi * (np.arange(SECTORS * fine) + 0.5) / (SECTORS * fine)
    units = np.column_stack([np.cos(angles), np.sin(angles)])
    places = middle + radii[None, :, None] * units[:, None, :]
    px = apply(homography, places.reshape(-1, 2))
    low = np.floor(px.min(axis=0)).astype(int) - 2
    high = np.ceil(px.max(axis=0)).astype(int) + 3
    if np.any(low < 0) or high[0] > photo.width_px or high[1] > photo.height_px:
        return None
    region = photo.linear(*low, *high)
    at = (px - low).astype(np.float32).reshape(*places.shape)
    light = cv2.remap(region, at[:, :, 0], at[:, :, 1], cv2.INTER_LINEAR)
    return _Rays(
        light=light.reshape(SECTORS, fine, count).mean(axis=1).astype(np.float64),
        radius_mm=radii,
        phi=angles.reshape(SECTORS, fine).mean(axis=1),
        px_per_mm=px_per_mm,
    )


def _coarse(rays: _Rays, circle: Floats) -> tuple[Floats, float]:
    """Shift (and grow) the circle to where all sectors together change most."""
    steep = np.abs(np.gradient(rays.light, axis=1))
    steep /= np.mean(steep, axis=1, keepdims=True) + 1e-9
    step = rays.radius_mm[1] - rays.radius_mm[0]
    kernel = np.hanning(2 * round(0.12 / step) + 3)
    soft = np.apply_along_axis(np.convolve, 1, steep, kernel / kernel.sum(), "same")
    rows = np.arange(SECTORS)
    best, most = circle, -1.0
    grid = np.linspace(-0.3, 0.3, 7)
    for dx in grid:
        for dy in grid:
            wave = dx * np.cos(rays.phi) + dy * np.sin(rays.phi)
            for dr in np.linspace(-0.2, 0.2, 5):
                rho = circle[2] + dr + wave
                at = np.rint((rho - rays.radius_mm[0]) / step).astype(int)
                value = float(np.mean(soft[rows, np.clip(at, 0, soft.shape[1] - 1)]))
                if value > most:
                    best, most = np.array([dx, dy, circle[2] + dr]), value
    return best, most


def _blur(rays: _Rays, circle: Floats, pixel: float) -> tuple[float, Floats]:
    """Blur and circle with the least misfit."""
    best = (np.inf, pixel, circle)
    for blur_px in (0.5, 0.8, 1.2, 1.8, 2.7, 4.0, 6.0):
        sigma, moved = blur_px * pixel, circle
        for _ in range(3):
            step, _, _ = _gauss_newton(rays, moved, sigma)
            moved = moved + np.clip(step, -0.1, 0.1)
        misfit = _project(rays, moved, sigma)[1]
        total = float(np.sum(misfit**2))
        if total < best[0]:
            best = (total, sigma, moved)
    return best[1], best[2]


def _project(
    rays: _Rays, circle: Floats, sigma: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Linear part: amplitudes (sectors, 3), misfit, basis and basis slope by rho."""
    rho = circle[2] + circle[0] * np.cos(rays.phi) + circle[1] * np.sin(rays.phi)
    depth = rho[:, None] - rays.radius_mm  # positive inside the hole
    basis, slope = _edge_basis(depth, sigma)
    normal = np.einsum("sik,sil->skl", basis, basis)
    normal += 1e-6 * basis.shape[1] * np.eye(3)
    right = np.einsum("sik,si->sk", basis, rays.light)
    amplitudes = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    misfit = rays.light - np.einsum("sik,sk->si", basis, amplitudes)
    return amplitudes, misfit, basis, slope


def _edge_basis(depth_mm: Floats, sigma_mm: float) -> tuple[Floats, Floats]:
    """Face, blurred step, blurred exponential recovery (1 - exp(-depth / L)).

    Returns
    -------
    basis (..., 3), and its derivative by depth.
    """
    z = depth_mm / sigma_mm
    step = 0.5 * erfc(-z / np.sqrt(2))
    bell = np.exp(-0.5 * z**2) / (sigma_mm * np.sqrt(2 * np.pi))
    ratio = sigma_mm / _RECOVERY_MM
    # exp(-d/L) for d > 0, blurred by a Gaussian (exponentially modified Gaussian)
    lag = (ratio - z) / np.sqrt(2)
    tail = 0.5 * np.where(
        lag > 0,
        np.exp(-0.5 * z**2) * erfcx(np.maximum(lag, 0)),
        np.exp(np.minimum(0.5 * ratio**2 - ratio * z, 50)) * erfc(np.minimum(lag, 0)),
    )
    basis = np.stack([np.ones_like(z), step, step - tail], axis=-1)
    slope = np.stack([np.zeros_like(z), bell, tail / _RECOVERY_MM], axis=-1)
    return basis, slope


def _gauss_newton(
    rays: _Rays, circle: Floats, sigma: float
) -> tuple[Floats, Floats, Floats]:
    """Step and covariance of the circle, amplitudes of the sectors (Kaufman 1975)."""
    amplitudes, misfit, basis, slope = _project(rays, circle, sigma)
    by_rho = np.einsum("sik,sk->si", slope, amplitudes)
    normal = np.einsum("sik,sil->skl", basis, basis)
    normal += 1e-6 * basis.shape[1] * np.eye(3)
    inner = np.linalg.solve(normal, np.einsum("sik,si->sk", basis, by_rho)[:, :, None])
    by_rho = by_rho - np.einsum("sik,sk->si", basis, inner[:, :, 0])
    # one offset and its weight per sector, then the circle through the offsets
    stiff = np.sum(by_rho**2, axis=1)
    offset = np.sum(by_rho * misfit, axis=1) / np.maximum(stiff, 1e-12)
    noise2 = np.sum(misfit**2, axis=1) / (misfit.shape[1] - 4)
    noise2 = np.maximum(noise2, 0.25 * np.median(noise2) + 1e-12)
    weight = stiff / noise2
    weight = np.minimum(weight, 4 * np.median(weight) + 1e-9)
    wave = np.column_stack([np.cos(rays.phi), np.sin(rays.phi), np.ones(SECTORS)])
    robust = weight
    step = np.zeros(3)
    left = offset
    for _ in range(4):
        normal = wave.T @ (robust[:, None] * wave) + 1e-9 * np.eye(3)
        step = np.linalg.solve(normal, wave.T @ (robust * offset))
        left = offset - wave @ step
        spread = 1.4826 * float(np.median(np.abs(left)))
        cut = 4 * max(spread, 0.05 / rays.px_per_mm)
        robust = weight * np.clip(1 - (left / cut) ** 2, 0, None) ** 2
    chi2 = float(np.sum(robust * left**2)) / max(np.count_nonzero(robust) - 3, 1)
    normal = wave.T @ (robust[:, None] * wave) + 1e-9 * np.eye(3)
    return step, max(chi2, 1.0) * np.linalg.inv(normal), amplitudes


def _centre(
    homography: Floats,
    hole: Hole,
    circle: Floats,
    covariance: Floats,
    amplitudes: Floats,
) -> HoleCentre:
    middle = np.array([[hole.x_mm + circle[0], hole.y_mm + circle[1]]])
    nearby = middle + np.array([[0.01, 0], [-0.01, 0], [0, 0.01], [0, -0.01]])
    px = apply(homography, nearby)
    slope = np.column_stack([px[0] - px[1], px[2] - px[3]]) / 0.02
    around = np.linspace(0, 2 * np.pi, 49)
    rim = middle + circle[2] * np.column_stack([np.cos(around), np.sin(around)])
    return HoleCentre(
        name=hole.name,
        centre_px=apply(homography, middle)[0],
        covariance_px2=slope @ covariance[:2, :2] @ slope.T,
        radius_mm=float(circle[2]),
        rim_px=apply(homography, rim),
        step=amplitudes[:, 1],
        used=True,
        reason=None,
    )


def _unused(homography: Floats, hole: Hole, reason: str) -> HoleCentre:
    middle = np.array([[hole.x_mm, hole.y_mm]])
    return HoleCentre(
        name=hole.name,
        centre_px=apply(homography, middle)[0],
        covariance_px2=np.full((2, 2), np.inf),
        radius_mm=np.nan,
        rim_px=np.zeros((0, 2)),
        step=np.zeros(0),
        used=False,
        reason=reason,
    )
