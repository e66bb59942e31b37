"""Dose in the resin: masks on the pixel grid, blurred, summed over the later layers.

Light comes from the film.  A point at distance u from the film side of layer j sees
layer k >= j from the distance z = u + (k - j) h, so its dose is the sum over k of
``a_k exp(-z / depth) blur_z(mask_k)`` with a_k the exposure over the gel time
(Beer-Lambert and superposition; Gong et al. 2015, RSC Adv. 5:106621).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.virtual.coverage import coverage

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from calib.virtual.resin import InventedResin

Image = NDArray[np.float32]
TAIL = 4.5  # Gaussians are cut at this many standard deviations
CHUNK = 512  # columns worked on at a time, to bound the memory
LEVEL_RATIO = 2.0  # variances between which the spread of the beam is interpolated


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelGrid:
    """The printer's pixels under a part: pixel (row 0, column 0) is centred on x0, y0.

    Rows run along +y.
    """

    x0_mm: float
    y0_mm: float
    pixel_x_mm: float
    pixel_y_mm: float
    shape: tuple[int, int]

    def to_mm(self, rows_columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn (n, 2) row, column into x, y in mm."""
        return np.column_stack(
            (
                self.x0_mm + self.pixel_x_mm * rows_columns[:, 1],
                self.y0_mm + self.pixel_y_mm * rows_columns[:, 0],
            )
        )


def grid_around(
    rings_mm: Sequence[NDArray[np.float64]],
    pixel_x_mm: float,
    pixel_y_mm: float,
    margin_mm: float,
) -> PixelGrid:
    """Grid over some rings; pixel borders lie on whole multiples of the pitch."""
    points = np.concatenate(rings_mm)
    pitch = np.array([pixel_x_mm, pixel_y_mm])
    low = np.floor((points.min(axis=0) - margin_mm) / pitch)
    high = np.ceil((points.max(axis=0) + margin_mm) / pitch)
    cols, rows = (high - low).astype(int)
    x0, y0 = (low + 0.5) * pitch
    return PixelGrid(
        x0_mm=float(x0),
        y0_mm=float(y0),
        pixel_x_mm=pixel_x_mm,
        pixel_y_mm=pixel_y_mm,
        shape=(int(rows), int(cols)),
    )


def rasterise(
    rings_mm: Sequence[NDArray[np.float64]], grid: PixelGrid
) -> NDArray[np.uint8]:
    """Mask of a section: a pixel is lit where more than half of it is covered."""
    origin = np.array([grid.x0_mm, grid.y0_mm])
    pitch = np.array([grid.pixel_x_mm, grid.pixel_y_mm])
    rings_px = [(ring - origin) / pitch for ring in rings_mm]
    return (coverage(rings_px, grid.shape) > 0.5).astype(np.uint8)


def doses(
    masks: Sequence[NDArray[np.uint8]],
    mask_of_layer: Sequence[int],
    exposures_s: Sequence[float],
    resin: InventedResin,
    *,
    layer_mm: float,
    pixel_mm: tuple[float, float],
    where: Sequence[tuple[int, float]],
) -> NDArray[np.float32]:
    """Dose over gel dose in some planes of the print.

    Parameters
    ----------
    masks : sequence of (rows, columns) arrays
        The different masks, 1 where lit.  The border is carried on outwards.
    mask_of_layer : sequence of int
        Which mask each layer shows.
    exposures_s : sequence of float
        Exposure of each layer.
    resin : InventedResin
        Blur, depth and gel time.
    layer_mm : float
        Layer height.
    pixel_mm : (float, float)
        Pixel pitch along x and y.
    where : sequence of (layer, depth_mm)
        The planes: a layer, and the distance from that layer's film side (0 to the
        layer height).

    Returns
    -------
    (len(where), rows, columns) array
        Dose at the pixel centres; the outline is where it is 1.
    """
    blur = _Blur.of(resin, len(exposures_s) * layer_mm)
    weights = _weights(
        mask_of_layer, exposures_s, resin, layer_mm=layer_mm, blur=blur, where=where
    )
    halos = [_halo(mask, resin, pixel_mm) for mask in masks]
    shape = masks[0].shape
    out = np.empty((len(where), *shape), np.float32)
    for columns, inner, outer in _chunks(shape[1], blur.reach_mm / pixel_mm[0]):
        stack = [
            image[:, inner]
            for mask, halo in zip(masks, halos, strict=True)
            for image in (
                *blur.cores(mask[:, outer].astype(np.float32), pixel_mm),
                halo[:, outer],
            )
        ]
        flat = np.stack(stack).reshape(len(stack), -1)
        out[:, :, columns] = (weights @ flat).reshape(len(where), shape[0], -1)
    return out


@dataclass(frozen=True, slots=True)
class _Blur:
    """The core's variances that are computed; depths between are interpolated."""

    variances_mm2: tuple[float, ...]

    @classmethod
    def of(cls, resin: InventedResin, deepest_mm: float) -> _Blur:
        first = resin.core_mm**2
        seen_mm = min(deepest_mm, 6 * resin.depth_mm)  # 1/400 of the light is left
        last = first + (seen_mm * resin.spread) ** 2
        count = 1 + int(np.ceil(np.log(last / first) / np.log(LEVEL_RATIO)))
        return cls(tuple(np.geomspace(first, last, count).tolist()))

    @property
    def reach_mm(self) -> float:
        return TAIL * float(np.sqrt(self.variances_mm2[-1]))

    def cores(self, image: Image, pixel_mm: tuple[float, float]) -> list[Image]:
        """Blur the image with each variance of the core."""
        return [
            _gauss(image, float(np.sqrt(variance)), pixel_mm)
            for variance in self.variances_mm2
        ]

    def shares(self, variance_mm2: float) -> NDArray[np.float64]:
        """Weights of the computed variances that stand for another one."""
        known = np.array(self.variances_mm2)
        if len(known) == 1:
            return np.ones(1)
        at = float(np.interp(variance_mm2, known, np.arange(len(known))))
        return np.asarray(np.maximum(1 - np.abs(np.arange(len(known)) - at), 0.0))


def _weights(
    mask_of_layer: Sequence[int],
    exposures_s: Sequence[float],
    resin: InventedResin,
    *,
    layer_mm: float,
    blur: _Blur,
    where: Sequence[tuple[int, float]],
) -> NDArray[np.float32]:
    """(planes, masks x blurs): how much of each blurred mask goes into each plane."""
    halo = sum(share for share, _ in resin.halo)
    levels = len(blur.variances_mm2)
    out = np.zeros((len(where), max(mask_of_layer) + 1, levels + 1))
    for row, (layer, depth_mm) in enumerate(where):
        for later in range(layer, len(exposures_s)):
            z_mm = depth_mm + (later - layer) * layer_mm
            light = exposures_s[later] / resin.gel_s * np.exp(-z_mm / resin.depth_mm)
            core = blur.shares(resin.core_mm**2 + (z_mm * resin.spread) ** 2)
            out[row, mask_of_layer[later], :levels] += (1 - halo) * light * core
            out[row, mask_of_layer[later], levels] += light
    return out.reshape(len(where), -1).astype(np.float32)


def _halo(
    mask: NDArray[np.uint8], resin: InventedResin, pixel_mm: tuple[float, float]
) -> Image:
    """All halo Gaussians of a mask; wide ones on a coarser grid, where they fit."""
    image = mask.astype(np.float32)
    total = np.zeros(image.shape, np.float32)
    for share, sigma_mm in resin.halo:
        step = max(int(sigma_mm / (5 * max(pixel_mm))), 1)
        if step == 1:
            total += share * _gauss(image, sigma_mm, pixel_mm)
            continue
        rows, cols = -(-image.shape[0] // step), -(-image.shape[1] // step)
        padded = cv2.copyMakeBorder(
            image,
            0,
            rows * step - image.shape[0],
            0,
            cols * step - image.shape[1],
            cv2.BORDER_REPLICATE,
        )
        small = cv2.resize(padded, (cols, rows), interpolation=cv2.INTER_AREA)
        # with sigma over 5 such cells, averaging over one changes it by 0.2 % at most
        pitch = (pixel_mm[0] * step, pixel_mm[1] * step)
        blurred = _gauss(np.asarray(small, np.float32), sigma_mm, pitch)
        full = cv2.resize(
            blurred, (cols * step, rows * step), interpolation=cv2.INTER_LANCZOS4
        )
        total += share * np.asarray(full, np.float32)[: mask.shape[0], : mask.shape[1]]
    return total


def _gauss(image: Image, sigma_mm: float, pixel_mm: tuple[float, float]) -> Image:
    """Convolve a picture of square cells with a Gaussian, exact at the cell centres."""
    kernel_x, kernel_y = (_cell_kernel(sigma_mm / pitch) for pitch in pixel_mm)
    out = cv2.sepFilter2D(
        image, cv2.CV_32F, kernel_x, kernel_y, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, np.float32)


def _cell_kernel(sigma_px: float) -> NDArray[np.float64]:
    """Share of a Gaussian that falls into each cell around its centre."""
    reach = int(np.ceil(TAIL * sigma_px))
    borders = (np.arange(-reach, reach + 2) - 0.5) / sigma_px
    kernel = np.diff(ndtr(borders))
    return np.asarray(kernel / kernel.sum())


def _chunks(columns: int, reach_px: float) -> Iterator[tuple[slice, slice, slice]]:
    """Columns to fill, the same within their surroundings, and the surroundings."""
    reach = int(np.ceil(reach_px)) + 2
    for first in range(0, columns, CHUNK):
        last = min(first + CHUNK, columns)
        left, right = max(first - reach, 0), min(last + reach, columns)
        yield (
            slice(first, last),
            slice(first - left, last - left),
            slice(left, right),
        )
