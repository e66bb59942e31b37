"""What an edge on a raster of pixels can be moved by without looking different.

A straight edge along m pixels in x and n in y repeats itself when it is moved by whole
``px py / sqrt((m px)^2 + (n py)^2)``, wherever on the raster it lies.  An edge a little
off that direction has treads of one such quantum; they show as far as the blur of the
light does not smooth them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MOST_STEPS = 2
FREE_QUANTUM_MM = 0.001
"""For edges whose stairs are finer than a blur can show: as good as none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stairs:
    """The stairs that pixels make of some edges, (n,) each.

    ``quantum_mm``: height of the tread that shows most; ``shown``: the share of it that
    is left after the blur, 1 right along a lattice direction; ``move_mm``: how far such
    an edge moves for each tread.
    """

    quantum_mm: Array
    shown: Array
    move_mm: Array


def quantum_mm(m: int, n: int, pixel_x_mm: float, pixel_y_mm: float) -> float:
    """Smallest move of an edge along (m, n) pixels that leaves its stairs as they are.

    ``m`` and ``n`` have no common divisor.
    """
    return pixel_x_mm * pixel_y_mm / math.hypot(m * pixel_x_mm, n * pixel_y_mm)


def stairs(
    along: Array, pixel_x_mm: float, pixel_y_mm: float, blur_mm: float
) -> Stairs:
    """Stairs of edges, by the lattice direction whose treads show most.

    An edge off a direction by an angle d has a tread every ``quantum / tan d``; a
    Gaussian blur of s leaves ``exp(-2 (pi s tan d / quantum)^2)`` of a wave so long.

    Parameters
    ----------
    along : (n, 2) array
        Directions of the edges.
    pixel_x_mm, pixel_y_mm : float
        Pixel pitch.
    blur_mm : float
        Standard deviation of the blur's core.
    """
    quanta, lines = _directions(pixel_x_mm, pixel_y_mm)
    cosine = np.abs(along @ lines.T) / np.hypot(along[:, 0], along[:, 1])[:, None]
    cosine = np.minimum(np.maximum(cosine, 1e-9), 1.0)
    slope2 = cosine**-2 - 1.0
    shown = np.exp(-2.0 * (np.pi * blur_mm / quanta) ** 2 * slope2)
    best = np.argmax(quanta * shown, axis=1)
    rows = np.arange(len(along))
    return Stairs(
        quantum_mm=quanta[best],
        shown=shown[rows, best],
        move_mm=quanta[best] * cosine[rows, best],
    )


@lru_cache(maxsize=8)
def _directions(pixel_x_mm: float, pixel_y_mm: float) -> tuple[Array, Array]:
    """Quanta (k,) and unit vectors (k, 2) of a raster's simple directions."""
    steps = range(-_MOST_STEPS, _MOST_STEPS + 1)
    half = [(m, n) for m, n in product(steps, steps) if math.gcd(m, n) == 1]
    ways = [(m, n) for m, n in half if (m, n) > (0, 0)]  # either sense is one edge
    quanta = np.array([quantum_mm(m, n, pixel_x_mm, pixel_y_mm) for m, n in ways])
    lines = np.array([(m * pixel_x_mm, n * pixel_y_mm) for m, n in ways])
    return quanta, lines / np.hypot(lines[:, 0], lines[:, 1])[:, None]


def held_mm(inset_mm: Array, quantum_mm: Array | float, phase: Array) -> Array:
    """Insets that pixels make of insets, against the design on the same pixels.

    Parameters
    ----------
    inset_mm : array
    quantum_mm : float or array
        Of the edge's lattice direction.
    phase : array
        Where the design's edge lies between two pixels' lines, 0 to 1.

    Returns
    -------
    array
        In the shape that the three broadcast to.
    """
    moved = np.round(phase - inset_mm / quantum_mm)
    return np.asarray(quantum_mm * (np.round(phase) - moved))
