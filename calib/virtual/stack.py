"""Plain walls and discs with an inset for every layer: prints that try a suggestion."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from calib.virtual.dose import PixelGrid, doses
from calib.virtual.part import outline_of
from patterns.errors import SpecError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.virtual.resin import InventedResin

Points = NDArray[np.float64]

WALL_DEPTH_MM = 6.0  # of material behind a wall, and of room before it
DISC_MARGIN_MM = 2.0
SUBSAMPLE = 2  # cells a pixel and side: 0.2 um rms of a wall instead of 1.4


def print_stack(
    exposures_by_layer_s: Sequence[float],
    inset_by_layer_px: Sequence[int],
    resin: InventedResin,
    *,
    layer_mm: float,
    pixel_mm: float,
    shape: Literal["wall", "disc"] = "wall",
    radius_mm: float = 5.0,
) -> Points:
    """Print a straight wall or a disc and measure every layer.

    Parameters
    ----------
    exposures_by_layer_s : sequence of float
        Exposure of every layer, plate layer first; the last ones are the body.
    inset_by_layer_px : sequence of int
        How many pixels each layer's mask is drawn in.
    resin : InventedResin
        What it is printed in; its ``part_scale`` is left out.
    layer_mm, pixel_mm : float
        Layer height and pitch of the square pixels.
    shape : {"wall", "disc"}
        A long straight edge along the pixels, or a disc.
    radius_mm : float
        Of the disc.

    Returns
    -------
    (layers,) array
        How far each layer's outline lies outside the plain edge on its film side, in
        mm; the mean round a disc.

    Raises
    ------
    SpecError
        The number of insets is not the number of exposures.
    """
    if len(exposures_by_layer_s) != len(inset_by_layer_px):
        raise SpecError(
            f"{len(inset_by_layer_px)} insets for {len(exposures_by_layer_s)} layers.",
            "Give one inset for each layer.",
        )
    steps, mask_of_layer = np.unique(inset_by_layer_px, return_inverse=True)
    draw = _wall if shape == "wall" else _disc
    drawn = [draw(int(step), pixel_mm, radius_mm) for step in steps]
    dose = doses(
        [mask for mask, _ in drawn],
        mask_of_layer.tolist(),
        exposures_by_layer_s,
        resin,
        layer_mm=layer_mm,
        pixel_mm=(pixel_mm / SUBSAMPLE, pixel_mm / SUBSAMPLE),
        where=[(j, 0.0) for j in range(len(exposures_by_layer_s))],
    )
    grid = drawn[0][1]
    read = _wall_growth if shape == "wall" else _disc_growth
    light = np.array([read(plane, grid, radius_mm) for plane in dose])
    squeeze = (*resin.squeeze_mm, *[0.0] * len(light))[: len(light)]
    return np.asarray(light + np.array(squeeze))


def _wall(
    inset_px: int, pixel_mm: float, _radius_mm: float
) -> tuple[NDArray[np.uint8], PixelGrid]:
    """Material at negative x, its plain edge on x = 0; the border carries on."""
    half = round(WALL_DEPTH_MM / pixel_mm) * SUBSAMPLE
    mask = np.zeros((4, 2 * half), np.uint8)
    mask[:, : half - inset_px * SUBSAMPLE] = 1
    return mask, _centred(mask.shape, pixel_mm / SUBSAMPLE)


def _disc(
    inset_px: int, pixel_mm: float, radius_mm: float
) -> tuple[NDArray[np.uint8], PixelGrid]:
    """Disc about the origin; a pixel is lit where its centre lies inside."""
    half = round((radius_mm + DISC_MARGIN_MM) / pixel_mm)
    centre = (np.arange(2 * half) + 0.5 - half) * pixel_mm
    lit = np.hypot(centre, centre[:, None]) < radius_mm - inset_px * pixel_mm
    mask = lit.astype(np.uint8).repeat(SUBSAMPLE, axis=0).repeat(SUBSAMPLE, axis=1)
    return mask, _centred(mask.shape, pixel_mm / SUBSAMPLE)


def _centred(shape: tuple[int, int], cell_mm: float) -> PixelGrid:
    """Grid whose middle border is the origin."""
    return PixelGrid(
        x0_mm=(0.5 - shape[1] / 2) * cell_mm,
        y0_mm=(0.5 - shape[0] / 2) * cell_mm,
        pixel_x_mm=cell_mm,
        pixel_y_mm=cell_mm,
        shape=shape,
    )


def _wall_growth(
    dose: NDArray[np.float32], grid: PixelGrid, _radius_mm: float
) -> float:
    ring = np.concatenate(outline_of(_closed(dose), grid))
    return float(ring[:, 0].max())


def _disc_growth(dose: NDArray[np.float32], grid: PixelGrid, radius_mm: float) -> float:
    """Growth of the disc of the same area (the raster's steps average out)."""
    area = sum(_signed_area(ring) for ring in outline_of(dose, grid))
    return float(np.sqrt(area / np.pi) - radius_mm)


def _closed(dose: NDArray[np.float32]) -> NDArray[np.float32]:
    """Darken the first column and the outer rows, so that the outline closes."""
    out = np.concatenate((dose, dose), axis=0)
    out[0], out[-1] = 0.0, 0.0
    out[:, 0] = 0.0
    return out


def _signed_area(ring: Points) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
