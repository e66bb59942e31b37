"""Lateral sharpness of a rim in plan: the 10-90 width of its edge averaged along 1 mm.

An edge averaged along a window is as wide as the blur of its single slices and the
scatter of its place within the window, in quadrature (variances of a convolution add).
The former is the camera's blur at the same place and drops out; of the latter the
photo's own part is taken off.  Raggedness within a slice of 0.1 mm is not seen, and how
round the edge is in section does not show in plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.roughness import (
    NOISE_LENGTH_MM,
    finite_length_share,
    without_floor,
)

if TYPE_CHECKING:
    from analysis.arc_form import Rough
    from analysis.roughness import Floor

Floats = NDArray[np.float64]

WINDOW_MM = 1.0
WIDTH_10_90 = 2.563103131
"""10-90 width of a Gaussian edge over its standard deviation."""
U_SCATTER_RATIO = 0.15
"""Some thirty windows tell the scatter no better; slices smooth the shortest waves."""


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
    along_mm: Floats, rough: Rough, floor: Floor, smear_mm: float = 0.0
) -> EdgeSpread:
    """Width of the rim's edge without the camera's blur.

    Parameters
    ----------
    along_mm : (n,) array
    rough : Rough
    floor : Floor
        The photo's own scatter of an edge's place; of its variance a window keeps a
        share, the mean of the window taking its part.
    smear_mm : float
        See :func:`analysis.roughness.smoothed_away`.
    """
    share = finite_length_share(WINDOW_MM, NOISE_LENGTH_MM)
    seen = window_variance(along_mm, rough)
    own = without_floor(seen, rough, floor, smear_mm, share)
    upper = WIDTH_10_90 * float(np.sqrt(own.upper))
    if not own.sure:
        return EdgeSpread(width_mm=None, u_mm=None, upper_mm=upper)
    sigma = float(np.sqrt(own.value))
    u_variance = float(np.hypot(own.u, U_SCATTER_RATIO * own.value))
    return EdgeSpread(
        width_mm=WIDTH_10_90 * sigma,
        u_mm=WIDTH_10_90 * u_variance / (2 * sigma),
        upper_mm=upper,
    )
