"""The demo's invented rims: a set printed tilted, and photos of its tiles.

Everything here is invented data; measuring and advice are the real commands'.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.demo import stamped
from calib.virtual.finish import save
from calib.virtual.ruler import STEEL
from calib.virtual.tile_resin import InventedRimResin, LayerLight
from calib.virtual.tile_scene import (
    RingWish,
    draw_ring_scene,
    lay_ring,
    photograph_tiles,
)
from calib.virtual.tilted import PrinterGrid, print_tile

if TYPE_CHECKING:
    from pathlib import Path

    from calib.virtual.tilted import PrintedTile
    from patterns.rim_manifest import RimManifest

SEED = 5
TILES_A_PHOTO = 8
WISH = RingWish(
    px_per_mm=15.0, tilt_deg=2.0, contrast=0.8, table="paper", screen=False, ruler=STEEL
)
RESIN = InventedRimResin(
    name="invented grey",
    light=LayerLight(dose=2.5 / 0.9, depth_mm=0.11, core_mm=0.04, halo=(0.10, 0.18)),
    start_mm=0.06,
    peel_mm=0.12,
    lean_mm=0.05,
    lip_share=0.6,
    chip_chance=0.01,
    part_scale=0.997,
)


def print_set(manifest: RimManifest) -> tuple[PrintedTile, ...]:
    """Print every tile of a set, and free and sand it."""
    rng = np.random.default_rng(SEED)
    grid = PrinterGrid(
        layer_mm=manifest.layer_mm,
        pixel_x_mm=manifest.pixel_x_mm,
        pixel_y_mm=manifest.pixel_y_mm,
    )
    return tuple(print_tile(tile, grid, RESIN, rng) for tile in manifest.tiles)


def photograph_set(manifest: RimManifest, folder: Path) -> tuple[Path, ...]:
    """Print a set and photograph its tiles in rings beside a ruler.

    Parameters
    ----------
    manifest : RimManifest
        The set.
    folder : Path
        Where the JPEGs go.

    Returns
    -------
    tuple of Path
        The photos, eight tiles in each.
    """
    tiles = print_set(manifest)
    rng = np.random.default_rng(SEED)
    photos: list[Path] = []
    for first in range(0, len(tiles), TILES_A_PHOTO):
        shown = tiles[first : first + TILES_A_PHOTO]
        radius_mm = manifest.tiles[0].radius_mm
        places = lay_ring(len(shown), radius_mm, rng)
        scene = draw_ring_scene(len(shown), radius_mm, rng, WISH)
        rgb8, _ = photograph_tiles(shown, places, scene, rng)
        photos.append(folder / f"rims-{len(photos) + 1}.jpg")
        save(photos[-1], stamped(rgb8), scene.finish.jpeg_quality, scene.focal35_mm)
    return tuple(photos)
