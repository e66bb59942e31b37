"""What is true of a virtual tile, by the functionals that measurements share.

The virtual printer knows its rim every 0.0125 mm; here it is read as a good camera
would, in means of 0.05 mm, and judged by :mod:`analysis.arc_form`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import (
    ROUGHNESS_CUTOFF_MM,
    arc_functionals,
    lowpass,
    rough_profile,
    straightness,
)
from analysis.edge_spread import true_spread_mm
from calib.virtual.tile_pull import RimChip

if TYPE_CHECKING:
    from calib.virtual.tilted import PrintedTile

Array = NDArray[np.float64]

GROUPED = 4  # samples of the truth in one reading
NEAR_DEG = 3.0  # between a chip and where it is found


@dataclass(frozen=True, slots=True, kw_only=True)
class RimTruth:
    """True values of one tile, in printed mm."""

    radius_mm: float
    form_mm: float
    sag_mm: float
    cos2phi_mm: float
    roughness_sigma_mm: float
    edge_spread_mm: float
    edge_radius_mm: float
    chips: tuple[RimChip, ...]


def rim_truth(printed: PrintedTile, grouped: int = GROUPED) -> RimTruth:
    """Judge a printed tile's own rim, in means of so many samples."""
    radius = printed.part_scale * printed.tile.radius_mm
    phi = _means(printed.phi_rad, grouped)
    rim = _means(printed.rim_mm, grouped)
    arc = arc_functionals(phi, rim, radius)
    along = phi * radius
    return RimTruth(
        radius_mm=arc.radius_mm,
        form_mm=arc.form_mm,
        sag_mm=arc.sag_mm,
        cos2phi_mm=arc.cos2phi_mm,
        roughness_sigma_mm=arc.roughness_sigma_mm,
        edge_spread_mm=true_spread_mm(along, rough_profile(along, rim)),
        edge_radius_mm=printed.edge_radius_mm,
        chips=printed.chips,
    )


def printed_dent_mm(printed: PrintedTile, phi_deg: float, grouped: int) -> float:
    """How deep a printed rim lies, near a place, below its own line."""
    phi, rim = _means(printed.phi_rad, grouped), _means(printed.rim_mm, grouped)
    return dent_mm(phi, rim, printed.tile.radius_mm, phi_deg)


def dent_mm(phi_rad: Array, rim_mm: Array, radius_mm: float, phi_deg: float) -> float:
    """How deep a rim (n,) lies, near a place, below its own line."""
    depth = -rough_profile(phi_rad * radius_mm, rim_mm).profile_mm
    return float(depth[np.abs(np.degrees(phi_rad) - phi_deg) < NEAR_DEG].max())


def back_straightness_mm(printed: PrintedTile) -> float:
    """Peak to valley of the back edge from its least-squares line, low-passed."""
    y, back_mm = _means(printed.back_y_mm, GROUPED), _means(printed.back_mm, GROUPED)
    smooth = lowpass(y, back_mm, ROUGHNESS_CUTOFF_MM)
    return straightness(y, smooth).peak_to_valley_mm


def _means(values: Array, grouped: int) -> Array:
    whole = len(values) // grouped * grouped
    return np.asarray(values[:whole].reshape(-1, grouped).mean(axis=1))
