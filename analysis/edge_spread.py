"""Lateral sharpness of a rim in plan: the 10-90 width of its edge averaged along 1 mm.

An edge averaged along a window is as wide as the camera's blur, the scatter of its
place within the window, and the raggedness within a slice, in quadrature (variances of
a convolution add).  How round the edge is in section does not show in plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.arc_form import Rough
    from analysis.roughness import Floor

Floats = NDArray[np.float64]

WINDOW_MM = 1.0
WIDTH_10_90 = 2.563103131
"""10-90 width of a Gaussian edge over its standard deviation."""
U_BLUR_RATIO = 0.025
"""How well the rim's blur is told by that of other edges: it changes with direction
and shade (empirical)."""
_ONE_SIDED_95 = 1.645


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSpread:
    """Width with its u, or only the 95 % upper limit (``width_mm`` None)."""

    width_mm: float | None
    u_mm: float | None
    upper_mm: float


def window_variance(along_mm: Floats, rough: Rough) -> float:
    """Mean variance of the edge's place within windows of 1 mm about the local line.

    ``rough`` is the deviation less its 2.5 mm low-pass; windows with a dent are left
    out.  NaN if none is left.
    """
    which = np.floor((along_mm - along_mm[0]) / WINDOW_MM).astype(np.intp)
    full = np.bincount(which)
    kept = np.bincount(which, rough.kept)
    whole = kept > 0.9 * np.median(full)
    if not whole.any():
        return float("nan")
    safe = np.maximum(full, 1)
    mean = np.bincount(which, rough.profile_mm) / safe
    square = np.bincount(which, rough.profile_mm**2) / safe
    return float(np.mean((square - mean**2)[whole]))


def true_spread_mm(along_mm: Floats, rough: Rough) -> float:
    """Width of a known rim: what :func:`edge_spread` should find."""
    return WIDTH_10_90 * float(np.sqrt(window_variance(along_mm, rough)))


def edge_spread(
    along_mm: Floats,
    rough: Rough,
    floor: Floor,
    rim_blur_mm: float,
    sharp_blur_mm: float,
) -> EdgeSpread:
    """Width of the rim's edge without the camera's blur.

    Parameters
    ----------
    along_mm : (n,) array
    rough : Rough
    floor : Floor
        The photo's own scatter of an edge's place.
    rim_blur_mm, sharp_blur_mm : float
        Blur of single slices of the rim, and of the sharp edges near it.

    Notes
    -----
    A difference of the blurs that can't be told from zero counts as zero and stays in
    the uncertainty.
    """
    scatter = window_variance(along_mm, rough) - floor.sigma_mm**2
    within = rim_blur_mm**2 - sharp_blur_mm**2
    u_within = 2 * np.sqrt(2) * U_BLUR_RATIO * sharp_blur_mm**2
    within = within if within > 2 * u_within else 0.0
    u_floor = 2 * floor.sigma_mm * np.hypot(floor.u_mm, 0.25 * floor.sigma_mm)
    variance = scatter + within
    u_variance = float(np.hypot(np.hypot(u_within, u_floor), 0.08 * max(variance, 0.0)))
    upper = WIDTH_10_90 * float(
        np.sqrt(max(variance, 0.0) + _ONE_SIDED_95 * u_variance)
    )
    if not variance > 1.5 * u_variance:
        return EdgeSpread(width_mm=None, u_mm=None, upper_mm=upper)
    sigma = float(np.sqrt(variance))
    return EdgeSpread(
        width_mm=WIDTH_10_90 * sigma,
        u_mm=WIDTH_10_90 * u_variance / (2 * sigma),
        upper_mm=upper,
    )
