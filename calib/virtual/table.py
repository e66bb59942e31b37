"""Table tops: drawn textures whose mean is 1."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, rfft2

Image = NDArray[np.float32]
Kind = Literal["screen", "paper", "card", "wood", "mat"]

TILE = 1024  # cells; the tile repeats without a seam
CELL_MM = 0.1

# kind: (strength, grain along x in cells, along y in cells) of each layer of noise
GRAINS: dict[Kind, tuple[tuple[float, float, float], ...]] = {
    "screen": (),
    "paper": ((0.008, 0.8, 0.8), (0.006, 8.0, 8.0)),
    "card": ((0.020, 1.2, 1.2), (0.015, 5.0, 5.0), (0.01, 40.0, 40.0)),
    "wood": ((0.03, 60.0, 1.5), (0.05, 150.0, 8.0), (0.01, 6.0, 0.8)),
    "mat": ((0.035, 2.0, 2.0), (0.03, 0.8, 3.0), (0.03, 3.0, 0.8)),
}


def texture(kind: Kind, rng: np.random.Generator) -> Image:
    """Draw a (TILE, TILE) tile of a table top."""
    out = np.ones((TILE, TILE), np.float32)
    for strength, along_x, along_y in GRAINS[kind]:
        out += strength * _grain(rng, along_x, along_y)
    return np.maximum(out, 0.2)


def _grain(rng: np.random.Generator, sigma_x: float, sigma_y: float) -> Image:
    """Noise of unit variance, smoothed so that it wraps round."""
    fy = np.fft.fftfreq(TILE)[:, None]
    fx = np.fft.rfftfreq(TILE)
    low = np.exp(-2 * np.pi**2 * ((fx * sigma_x) ** 2 + (fy * sigma_y) ** 2))
    white = rng.standard_normal((TILE, TILE), dtype=np.float32)
    smooth = np.asarray(
        irfft2(rfft2(white) * low.astype(np.float32), (TILE, TILE)), np.float32
    )
    return smooth / float(smooth.std())
