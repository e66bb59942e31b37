"""What lifting, supports and freeing do to a rim: an invented model, laws and all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

if TYPE_CHECKING:
    from calib.virtual.tile_light import LitRim, TiltedShape
    from calib.virtual.tile_resin import InventedRimResin

Array = NDArray[np.float64]

PEELED_MM2 = 12.0  # area, tilt and power that the resin's losses are stated at
STATED_DEG = 45.0
AREA_POWER, ACROSS_POWER, LEAN_POWER = 0.8, 2.0, 5.0
CHIP_WIDTHS_MM = (0.5, 1.3)
CHIP_DEPTH_SPREAD = 0.35  # of the logarithm
SANDED_RAD = 0.45
SANDED_CHIP_SHARE = 0.1  # chips of a lipped tile, over those of a bare one


@dataclass(frozen=True, slots=True, kw_only=True)
class Contacts:
    """Contacts of the supports along the low rim, phi = 0 among them."""

    spacing_mm: float = 1.8
    up_to_deg: float = 75.0

    def phi_rad(self, radius_mm: float) -> Array:
        """Azimuths of the contacts."""
        step = self.spacing_mm / radius_mm
        count = int(np.radians(self.up_to_deg) / step)
        return np.asarray(np.arange(-count, count + 1) * step)


@dataclass(frozen=True, slots=True, kw_only=True)
class RimChip:
    """A chip: full width at half depth, along the arc, and its depth."""

    phi_rad: float
    width_mm: float
    depth_mm: float

    def loss_mm(self, phi_rad: Array, radius_mm: float) -> Array:
        """Material missing along the rim: a raised cosine twice as wide at its foot."""
        along = (phi_rad - self.phi_rad) * radius_mm / self.width_mm
        return np.where(
            np.abs(along) < 1, self.depth_mm / 2 * (1 + np.cos(np.pi * along)), 0.0
        )


def loss_mm(
    phi_rad: Array,
    lit: LitRim,
    shape: TiltedShape,
    resin: InventedRimResin,
    contacts: Contacts,
) -> Array:
    """Rim lost to start, peel and lean, for a tile without scatter.

    Parameters
    ----------
    phi_rad : (n,) array
        Azimuths, both signs.
    lit : LitRim
        Heights of the rim and the area peeled there.
    shape, resin, contacts
        Tile, resin and supports.

    Returns
    -------
    (n,) array
        Missing material, positive, mm.
    """
    height = np.interp(np.abs(phi_rad), lit.phi_rad, lit.height_mm)
    peeled = np.interp(np.abs(phi_rad), lit.phi_rad, lit.peeled_mm2)
    tilt, stated = np.radians([shape.tilt_deg, STATED_DEG])
    # only the lift's part across the tile bends it
    peel = resin.peel_mm * (peeled / PEELED_MM2) ** AREA_POWER
    peel *= (np.cos(tilt) / np.cos(stated)) ** ACROSS_POWER
    lean = resin.lean_mm * (np.sin(tilt) / np.sin(stated)) ** LEAN_POWER
    lipped = shape.lip_depth_mm > 0
    carried = 1 - resin.lip_share * lipped
    inward = shape.radius_mm * (1 - np.cos(phi_rad))
    slow = carried * (peel + lean) * np.exp(-inward / resin.reach_mm)
    start = resin.start_mm * np.exp(-height / resin.start_height_mm)
    hang = 1.0 if lipped else _hang(phi_rad, shape.radius_mm, resin.hang, contacts)
    return np.asarray((start + slow) * hang)


def sanding_loss_mm(
    phi_rad: Array, resin: InventedRimResin, rng: np.random.Generator
) -> Array:
    """Rim lost to sanding: most at the low point, which is rubbed from both sides."""
    lean, twist = rng.uniform(0, 2 * np.pi, 2)
    uneven = 1 + 0.25 * np.cos(phi_rad - lean) + 0.15 * np.cos(3 * phi_rad - twist)
    most = np.exp(-((phi_rad / SANDED_RAD) ** 2))
    return np.asarray(resin.sanding_mm * uneven * most)


def draw_chips(
    resin: InventedRimResin,
    contacts: Contacts,
    radius_mm: float,
    rng: np.random.Generator,
    *,
    lipped: bool,
) -> tuple[RimChip, ...]:
    """Chips where supports were freed."""
    chance = resin.chip_chance * (SANDED_CHIP_SHARE if lipped else 1.0)
    places = contacts.phi_rad(radius_mm)
    chipped = places[rng.random(len(places)) < chance]
    depths = resin.chip_depth_mm * np.exp(
        rng.normal(0, CHIP_DEPTH_SPREAD, len(chipped))
    )
    widths = rng.uniform(*CHIP_WIDTHS_MM, len(chipped))
    return tuple(
        RimChip(phi_rad=float(p), width_mm=float(w), depth_mm=float(d))
        for p, w, d in zip(chipped, widths, depths, strict=True)
    )


def correlated_noise(
    length: int, step_mm: float, correlation_mm: float, rng: np.random.Generator
) -> Array:
    """Noise of unit variance whose correlation falls exponentially with distance."""
    keep = np.exp(-step_mm / correlation_mm)
    white = rng.standard_normal(length) * np.sqrt(1 - keep**2)
    white[0] /= np.sqrt(1 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], white))


def _hang(phi_rad: Array, radius_mm: float, share: float, contacts: Contacts) -> Array:
    """More between two contacts, less at one; 1 on average."""
    places = contacts.phi_rad(radius_mm)
    nearest = np.abs(phi_rad[:, None] - places).min(axis=1) * radius_mm
    away = np.minimum(nearest / (contacts.spacing_mm / 2), 2.0)
    return np.asarray(1 + share * (away**2 - 1 / 3))
