"""The virtual printer for tilted tiles: a tile, a resin and chance to a finished rim.

Written for its own sake: it knows neither the model of the tilt that is fitted to its
prints nor the measurement.  Light on real layers and pixels gives steps and
print-through; everything else is an invented model of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.virtual.tile_light import TiltedShape, lit_rim
from calib.virtual.tile_pull import (
    Contacts,
    RimChip,
    correlated_noise,
    draw_chips,
    loss_mm,
    sanding_loss_mm,
)
from patterns.rim_manifest import RimTile

if TYPE_CHECKING:
    from calib.virtual.tile_resin import InventedRimResin

Array = NDArray[np.float64]

SAMPLES = 3143  # of the rim, from -90 to 90 degrees: one in 0.0125 mm
CORRELATION_MM = 0.5  # of the roughness
RAGGED_MM = 0.03  # ... and of what a camera can't resolve
BACK_BOW_MM = 0.006  # standard deviation of the back edge's bow
BACK_ROUGH_MM = 0.002
RADIUS_SPREAD = 0.1  # of the logarithm of the edge's radius
DEFAULT_CONTACTS = Contacts()


@dataclass(frozen=True, slots=True, kw_only=True)
class PrinterGrid:
    """Layer height and pixel pitch that tiles are printed with."""

    layer_mm: float = 0.05
    pixel_x_mm: float = 0.05
    pixel_y_mm: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrintedTile:
    """A finished tile, supports and lip off, and everything that is true about it.

    The outline of the bottom face in plan is ``part_scale * radius + rim_mm`` from the
    arc's centre at the azimuths ``phi_rad`` (n,), which grow from -90 to 90 degrees;
    ``rim_mm`` (n,) is in printed mm and has the chips in it.  ``back_mm`` (m,) is how
    far the back edge stands out at the printed ``back_y_mm`` (m,).
    """

    tile: RimTile
    part_scale: float
    phi_rad: Array
    rim_mm: Array
    edge_radius_mm: float
    chips: tuple[RimChip, ...]
    back_y_mm: Array
    back_mm: Array

    def truth(self) -> dict[str, Any]:
        """Everything as plain values; rim from phi = -90 to 90, back from -y to y."""
        return {
            "coupon_id": self.tile.coupon_id,
            "tilt_deg": self.tile.tilt_deg,
            "lipped": self.tile.lipped,
            "part_scale": self.part_scale,
            "radius_mm": self.part_scale * self.tile.radius_mm,
            "rim_mm": np.round(self.rim_mm, 5).tolist(),
            "edge_radius_mm": self.edge_radius_mm,
            "chips": [
                {
                    "phi_deg": float(np.degrees(chip.phi_rad)),
                    "width_mm": chip.width_mm,
                    "depth_mm": chip.depth_mm,
                }
                for chip in self.chips
            ],
            "back_mm": np.round(self.back_mm, 5).tolist(),
        }


def print_tile(
    tile: RimTile,
    grid: PrinterGrid,
    resin: InventedRimResin,
    rng: np.random.Generator,
    contacts: Contacts = DEFAULT_CONTACTS,
) -> PrintedTile:
    """Print a tile at its tilt, free it, and sand its lip off if it has one.

    Parameters
    ----------
    tile : RimTile
        What is printed.
    grid : PrinterGrid
        Layers and pixels.
    resin : InventedRimResin
        What it is printed in.
    rng : numpy.random.Generator
        Where scatter, chips and roughness come from.
    contacts : Contacts
        Where supports hold the low rim.
    """
    phi = np.linspace(-np.pi / 2, np.pi / 2, SAMPLES)
    steady = steady_rim_mm(tile, grid, resin, contacts, phi)
    scatter = float(np.exp(rng.normal(0.0, resin.scatter)))
    rim = steady.lit_mm - scatter * steady.lost_mm
    if tile.lipped:
        rim -= sanding_loss_mm(phi, resin, rng)
    chips = draw_chips(resin, contacts, tile.radius_mm, rng, lipped=tile.lipped)
    for chip in chips:
        rim -= chip.loss_mm(phi, tile.radius_mm)
    step_mm = float(phi[1] - phi[0]) * tile.radius_mm
    rim += resin.roughness_mm * correlated_noise(SAMPLES, step_mm, CORRELATION_MM, rng)
    rim += resin.ragged_mm * correlated_noise(SAMPLES, step_mm, RAGGED_MM, rng)
    rim += resin.oval_mm * np.cos(2 * phi)
    y = np.linspace(-1, 1, SAMPLES) * tile.radius_mm
    bow = rng.normal(0, BACK_BOW_MM) * (1 / 3 - (y / tile.radius_mm) ** 2)
    back = bow + BACK_ROUGH_MM * correlated_noise(SAMPLES, step_mm, CORRELATION_MM, rng)
    edge = resin.sanded_radius_mm if tile.lipped else resin.edge_radius_mm
    return PrintedTile(
        tile=tile,
        part_scale=resin.part_scale,
        phi_rad=phi,
        rim_mm=rim,
        edge_radius_mm=edge * float(np.exp(rng.normal(0.0, RADIUS_SPREAD))),
        chips=chips,
        back_y_mm=y * resin.part_scale,
        back_mm=back,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteadyRim:
    """What every tile of a kind has in common: outline by light, and what it loses."""

    lit_mm: Array
    lost_mm: Array


def steady_rim_mm(
    tile: RimTile,
    grid: PrinterGrid,
    resin: InventedRimResin,
    contacts: Contacts,
    phi_rad: Array,
) -> SteadyRim:
    """Light, start, peel and lean at some azimuths, without anything of chance."""
    shape = TiltedShape(
        radius_mm=tile.radius_mm,
        thickness_mm=tile.thickness_mm,
        taper_deg=tile.taper_deg,
        tilt_deg=tile.tilt_deg,
        lip_width_mm=tile.lip_width_mm or 0.0,
        lip_depth_mm=tile.lip_depth_mm or 0.0,
        layer_mm=grid.layer_mm,
        pixel_x_mm=grid.pixel_x_mm,
        pixel_y_mm=grid.pixel_y_mm,
    )
    lit = lit_rim(shape, resin.light)
    out = np.interp(np.abs(phi_rad), lit.phi_rad, lit.out_mm)
    return SteadyRim(
        lit_mm=out * resin.part_scale,
        lost_mm=loss_mm(phi_rad, lit, shape, resin, contacts),
    )


def ideal_tile(
    tile: RimTile, *, rim_mm: Array | None = None, edge_radius_mm: float = 0.0
) -> PrintedTile:
    """Tile exactly as designed, or with a given rim deviation; no printer."""
    phi = np.linspace(-np.pi / 2, np.pi / 2, SAMPLES)
    y = np.linspace(-1, 1, SAMPLES) * tile.radius_mm
    return PrintedTile(
        tile=tile,
        part_scale=1.0,
        phi_rad=phi,
        rim_mm=np.zeros(SAMPLES) if rim_mm is None else rim_mm,
        edge_radius_mm=edge_radius_mm,
        chips=(),
        back_y_mm=y,
        back_mm=np.zeros(SAMPLES),
    )
