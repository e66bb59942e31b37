"""Dents, chips and stubs of supports along a rim.

The rim's line is the 2.5 mm Gaussian low-pass of what is no dent.  A dent is a run of
the deviation, averaged over three samples, below the limit; its depth is that average
at its deepest, from the local line; its width is taken at half of that.  An ellipse
of 0.5 mm by 0.12 mm reads some 20 um too shallow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import rough_profile
from analysis.rim_result import Chip

Floats = NDArray[np.float64]

LEAST_DEPTH_MM = 0.06
SIGMAS = 4.5
"""A chip stands out by this many sigma of what is seen, roughness and noise together,
or of its own noise where that is more: at 72 pieces of rim of half a millimetre, a
false one in some thousand tiles, were they Gaussian."""
LEAST_WIDTH_MM = 0.2
WIDEST_STUB_MM, LEAST_STUB_MM = 1.0, 0.1
"""Contacts are at most 0.8 mm wide and tear off unevenly: what is wider or lower is
taken for the rim, which counts it as a departure; leaving it out would hide one."""
APART_MM = 0.35
LEAST_STRENGTH = 0.35
U_DEPTH_MODEL_MM = 0.010
HALF_MM_SHARE = 0.85
"""What is left of an ellipse 0.5 mm wide after blur and averaging."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What stands out of the rim, and the depth from which 0.5 mm chips are found."""

    chips: tuple[Chip, ...]
    stubs: tuple[Chip, ...]
    limit_mm: float


def find_marks(
    along_mm: Floats,
    place_mm: Floats,
    noise_mm: Floats,
    strength: Floats,
    radius_mm: float,
) -> Marks:
    """Find dents and stubs.

    Parameters
    ----------
    along_mm, place_mm, noise_mm : (n,) arrays
        Growing places along the arc, zero at its lowest point; deviation outwards;
        noise of each.
    strength : (n,) array
        Step over the full step; nothing is called a chip where it is weak.
    radius_mm : float
    """
    rough = rough_profile(along_mm, place_mm)
    sigma = rough.sigma_mm if rough.kept.any() else float(np.std(rough.profile_mm))
    limit = np.maximum(LEAST_DEPTH_MM, SIGMAS * np.maximum(sigma, noise_mm))
    limit = np.where(strength < LEAST_STRENGTH, np.inf, limit)
    mean = _mean_of_three(rough.profile_mm)
    typical = float(np.median(limit[np.isfinite(limit)])) if len(limit) else 0.0
    return Marks(
        chips=_runs(along_mm, -mean, limit, noise_mm, sigma, radius_mm),
        stubs=tuple(
            bump
            for bump in _runs(along_mm, mean, limit, noise_mm, sigma, radius_mm)
            if bump.width_mm < WIDEST_STUB_MM and bump.depth_mm > LEAST_STUB_MM
        ),
        limit_mm=typical / HALF_MM_SHARE,
    )


def _mean_of_three(values: Floats) -> Floats:
    padded = np.pad(values, 1, mode="edge")
    return np.asarray((padded[:-2] + padded[1:-1] + padded[2:]) / 3)


def _runs(
    along_mm: Floats,
    depth_mm: Floats,
    limit_mm: Floats,
    noise_mm: Floats,
    sigma_mm: float,
    radius_mm: float,
) -> tuple[Chip, ...]:
    found = []
    for first, last in _beyond(along_mm, depth_mm > limit_mm):
        deepest = first + int(np.argmax(depth_mm[first : last + 1]))
        start, end = _half_depth(depth_mm, deepest)
        width = _crossing(along_mm, depth_mm, start, end)
        if width < LEAST_WIDTH_MM:
            continue
        noise = float(np.hypot(noise_mm[deepest] / np.sqrt(3), sigma_mm / np.sqrt(3)))
        found.append(
            Chip(
                phi_deg=float(np.rad2deg(along_mm[deepest] / radius_mm)),
                width_mm=width,
                depth_mm=float(depth_mm[deepest]),
                u_depth_mm=float(np.hypot(noise, U_DEPTH_MODEL_MM)),
            )
        )
    return tuple(found)


def _beyond(along_mm: Floats, deep: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last sample of each run, those less than APART_MM apart as one."""
    at = np.flatnonzero(deep)
    if not len(at):
        return []
    cuts = np.flatnonzero(np.diff(along_mm[at]) > APART_MM)
    firsts = np.append(at[0], at[cuts + 1])
    lasts = np.append(at[cuts], at[-1])
    return [(int(i), int(j)) for i, j in zip(firsts, lasts, strict=True)]


def _half_depth(depth_mm: Floats, at: int) -> tuple[int, int]:
    """First and last sample of the run around ``at`` that is half as deep."""
    deep = depth_mm >= 0.5 * depth_mm[at]
    start = end = at
    while start > 0 and deep[start - 1]:
        start -= 1
    while end < len(deep) - 1 and deep[end + 1]:
        end += 1
    return start, end


def _crossing(along_mm: Floats, depth_mm: Floats, start: int, end: int) -> float:
    """Width between the interpolated crossings of half the depth."""
    half = 0.5 * float(depth_mm[start : end + 1].max())
    low, high = float(along_mm[start]), float(along_mm[end])
    if start > 0:
        share = (depth_mm[start] - half) / (depth_mm[start] - depth_mm[start - 1])
        low -= float(share) * float(along_mm[start] - along_mm[start - 1])
    if end < len(along_mm) - 1:
        share = (depth_mm[end] - half) / (depth_mm[end] - depth_mm[end + 1])
        high += float(share) * float(along_mm[end + 1] - along_mm[end])
    return high - low
