"""What an edge on a raster of pixels can be moved by without looking different.

A straight edge along m pixels in x and n in y repeats itself when it is moved by whole
``px py / sqrt((m px)^2 + (n py)^2)``, wherever on the raster it lies.
"""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_MOST_STEPS = 2
_NEAR_RAD = math.radians(1.5)
FREE_QUANTUM_MM = 0.001
"""For edges whose stairs are finer than a blur can show: as good as none."""


def quantum_mm(m: int, n: int, pixel_x_mm: float, pixel_y_mm: float) -> float:
    """Smallest move of an edge along (m, n) pixels that leaves its stairs as they are.

    ``m`` and ``n`` have no common divisor.
    """
    return pixel_x_mm * pixel_y_mm / math.hypot(m * pixel_x_mm, n * pixel_y_mm)


def edge_quantum_mm(
    along: NDArray[np.float64], pixel_x_mm: float, pixel_y_mm: float
) -> float:
    """Quantum of a long straight edge, by the simple lattice direction it lies near.

    Parameters
    ----------
    along : (2,) array
        Direction of the edge.
    pixel_x_mm, pixel_y_mm : float
        Pixel pitch.

    Returns
    -------
    float
        :data:`FREE_QUANTUM_MM` for an edge along none of them.
    """
    angle = math.atan2(along[1], along[0])
    steps = range(-_MOST_STEPS, _MOST_STEPS + 1)
    for m, n in product(steps, steps):
        if math.gcd(m, n) != 1:
            continue
        off = angle - math.atan2(n * pixel_y_mm, m * pixel_x_mm)
        if abs(math.remainder(off, math.tau)) < _NEAR_RAD:
            return quantum_mm(m, n, pixel_x_mm, pixel_y_mm)
    return FREE_QUANTUM_MM


def curve_quantum_mm(
    normal: NDArray[np.float64], pixel_x_mm: float, pixel_y_mm: float
) -> NDArray[np.float64]:
    """Quantum on a curve, (k,), by its normals (k, 2): a pixel where it meets an axis.

    Pixels that aren't square: the ellipse between both pitches.
    """
    return np.hypot(normal[:, 0] * pixel_x_mm, normal[:, 1] * pixel_y_mm)
