"""The virtual printer for tilted tiles: repeatable, and physics where it is physics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.virtual.tile_light import TiltedShape, layer_masks, lit_rim
from calib.virtual.tile_resin import InventedRimResin, LayerLight
from calib.virtual.tilted import PrinterGrid, print_tile
from patterns.rim_manifest import RimTile

SHAPE = TiltedShape(
    radius_mm=12.5,
    thickness_mm=3.0,
    taper_deg=15.0,
    tilt_deg=45.0,
    lip_width_mm=0.0,
    lip_depth_mm=0.0,
    layer_mm=0.05,
    pixel_x_mm=0.05,
    pixel_y_mm=0.05,
)
TILE = RimTile(
    coupon_id="rim-s00-t45-bare",
    index=0,
    code=0,
    tilt_deg=45.0,
    lipped=False,
    radius_mm=12.5,
    thickness_mm=3.0,
    taper_deg=15.0,
    notch_depth_mm=1.5,
    notches=(),
    feet=(),
    lip_width_mm=None,
    lip_depth_mm=None,
    volume_mm3=0.0,
)
LIPPED = replace(TILE, lipped=True, lip_width_mm=1.5, lip_depth_mm=0.5)
EVEN = InventedRimResin(
    name="even", scatter=0.0, chip_chance=0.0, roughness_mm=0.0, ragged_mm=0.0
)


def test_masks_hold_the_volume_of_the_half_cone() -> None:
    """Half a frustum: pi h (R^2 + R r + r^2) / 6."""
    r = 12.5 - 3.0 * np.tan(np.radians(15.0))
    volume = np.pi * 3.0 * (12.5**2 + 12.5 * r + r**2) / 6
    lit = 2 * layer_masks(SHAPE).sum(dtype=float) * 0.05**3
    assert lit == pytest.approx(volume, rel=0.003)  # pixels at the borders


def test_lip_adds_its_ring() -> None:
    """Two circular segments' difference: the ring ends on a line of constant x."""
    # pitches that don't divide each other, or the flat faces fall on the lattice
    bare = replace(SHAPE, layer_mm=0.031, pixel_x_mm=0.043, pixel_y_mm=0.043)
    lipped = replace(bare, lip_width_mm=1.5, lip_depth_mm=0.5)
    more = layer_masks(lipped).sum(dtype=float) - layer_masks(bare).sum(dtype=float)
    end = 12.5 * np.cos(np.radians(80.0))

    def segment(radius: float) -> float:
        half = np.arccos(end / radius)
        return float(radius**2 * (half - np.sin(half) * np.cos(half)))

    ring = (segment(12.5) - segment(11.0)) * 0.5
    assert 2 * more * 0.031 * 0.043**2 == pytest.approx(ring, rel=0.005)  # pixels


def test_print_through_at_the_low_point_is_the_closed_formula() -> None:
    """Depth ln(dose / (exp(h / depth) - 1)) below the face, times sin(tilt) in plan.

    Beer-Lambert summed over all later layers (Gong et al. 2015, RSC Adv. 5:106621);
    the blur of the mask and the layers' steps cost up to a layer's tread.
    """
    light = LayerLight(dose=2.5, depth_mm=0.11, core_mm=0.01, halo=(0.0, 0.1))
    fine = replace(SHAPE, layer_mm=0.02, pixel_x_mm=0.02, pixel_y_mm=0.02)
    rim = lit_rim(fine, light)
    depth = 0.11 * np.log(2.5 / np.expm1(0.02 / 0.11))
    near = rim.out_mm[rim.phi_rad < np.radians(8)].mean()
    assert near == pytest.approx(depth * np.sin(np.radians(45)), abs=0.02)


def test_a_lip_keeps_print_through_off_the_bottom_face_but_not_off_the_wall() -> None:
    """Sanded, the rim is its section at the bottom face."""
    lipped = replace(SHAPE, lip_width_mm=1.5, lip_depth_mm=0.5)
    bare, lip = (lit_rim(s, LayerLight()).out_mm for s in (SHAPE, lipped))
    assert np.abs(bare - lip).max() < 0.03
    assert lip[:-30].min() > 0  # the corner is rounded by blur


def test_same_chance_same_tile_other_chance_another() -> None:
    resin = InventedRimResin(name="any", chip_chance=0.3)
    first, again, other = (
        print_tile(TILE, PrinterGrid(), resin, np.random.default_rng(seed))
        for seed in (1, 1, 2)
    )
    assert np.array_equal(first.rim_mm, again.rim_mm)
    assert first.chips == again.chips
    assert not np.array_equal(first.rim_mm, other.rim_mm)


def test_a_lip_takes_the_start_on_itself() -> None:
    """The low point of a lipped tile lacks less when only the start loses anything."""
    resin = replace(
        EVEN, start_mm=0.2, peel_mm=0.0, lean_mm=0.0, hang=0.0, sanding_mm=0.0
    )
    plain = replace(resin, start_mm=0.0)
    chance = np.random.default_rng

    def lost(tile: RimTile) -> float:
        without, with_ = (
            print_tile(tile, PrinterGrid(), r, chance(0)).rim_mm for r in (plain, resin)
        )
        return float((without - with_).max())

    assert lost(TILE) == pytest.approx(0.2, rel=0.01)
    # the lip's start lies 0.5 cos 45 = 0.354 mm lower: exp(-0.354 / 0.3) is left
    assert lost(LIPPED) == pytest.approx(0.2 * np.exp(-0.3536 / 0.3), rel=0.01)


def test_chips_are_as_deep_and_wide_as_they_say() -> None:
    resin = replace(EVEN, chip_chance=0.2)
    chipped, whole = (
        print_tile(TILE, PrinterGrid(), r, np.random.default_rng(3))
        for r in (resin, EVEN)
    )
    lost = whole.rim_mm - chipped.rim_mm
    alone = [
        chip
        for chip in chipped.chips
        if sum(abs(c.phi_rad - chip.phi_rad) < 0.25 for c in chipped.chips) == 1
    ]
    assert alone
    for chip in alone:
        near = np.abs(chipped.phi_rad - chip.phi_rad) < 0.12
        step = (chipped.phi_rad[1] - chipped.phi_rad[0]) * 12.5
        assert lost[near].max() == pytest.approx(chip.depth_mm, rel=0.02)
        wide = (lost[near] > chip.depth_mm / 2).sum() * step
        assert wide == pytest.approx(chip.width_mm, abs=2 * step)
