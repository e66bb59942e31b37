"""Small openings brought to the width they were designed with.

A hole of a few millimetres shrinks by what the light cures into it from all around.
Its masks are opened, from the top down, so that each layer's outline lies on the
design's, not on the body's: where the layers above still cure into the hole, the masks
stay open until that light has died away, a few normal layers included.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from calib.cure import stack_gain
from calib.flush_outline import mitred, shape_of
from calib.flush_plane import Plane, circle_dose, circle_inset_mm
from calib.plane_dose import polygon_dose, sides_of

if TYPE_CHECKING:
    from calib.flush_outline import RingShape

Array = NDArray[np.float64]

SMALL_MM = 5.0
"""Openings narrower than this are solved in the plane, for their design width."""

MOST_OPENED_MM = 0.6
"""A mask is opened by no more than this."""

SHORT_MM = 0.15
"""No further than this beyond what a layer would cure without any light from above."""

AT_ONCE_MM = 0.1
"""No side of an opening's mask lies so much further out than in the layer above."""

MOST_LAYERS = 16
"""Normal layers that are opened above the raised ones, at most."""

_ROUND = 0.01
_SHEET_MM = 40.0
_ROUNDS = 10
_SETTLED_MM = 2e-4
_LEVEL = 1e-6


@dataclass(frozen=True, kw_only=True)
class OpeningStack:
    """Exposures of the layers that an opening is solved in, plate layer first.

    ``dose_ratio`` (n,) over the gel dose, normal layers last; ``normal_ratio`` of the
    layers above; ``passed``: share of light that passes a layer.
    """

    plane: Plane
    dose_ratio: Array
    normal_ratio: float
    passed: float


def is_small(ring_mm: Array) -> bool:
    """Whether an opening is narrower than 5 mm (by its smallest box)."""
    box = shapely.minimum_rotated_rectangle(shapely.Polygon(ring_mm))
    corners = shapely.get_coordinates(box)
    if len(corners) < 4:
        return False
    sides = np.hypot(*np.diff(corners[:3], axis=0).T)
    return float(sides.min()) < SMALL_MM


def is_round(ring_mm: Array) -> bool:
    """Whether an opening is a circle."""
    middle = shapely.get_coordinates(shapely.Polygon(ring_mm).centroid)[0]
    radii = np.hypot(*(ring_mm - middle).T)
    return bool(len(ring_mm) > 8 and np.ptp(radii) < _ROUND * radii.mean())


def layers_above(stack: OpeningStack) -> int:
    """Count the normal layers needed until the body's own light has died away."""
    half = float(stack.plane.resin.edge(np.zeros((1, 1)))[0][0, 0])
    dose = stack.normal_ratio * float(stack_gain(np.inf, stack.passed)) * half
    if dose <= 1.0:
        return 0
    return min(int(np.ceil(np.log(dose) / -np.log(stack.passed))), MOST_LAYERS)


def most_opened_mm(stack: OpeningStack) -> Array:
    """How far each layer's mask may be opened, (layers,).

    If no light came from above, a normal layer would be 0.15 mm too wide on each side,
    no more: how deep light goes is what coupons tell least well.
    """
    normal = stack.dose_ratio == stack.normal_ratio
    alone = stack.plane.far_mm(min(1.0 / stack.normal_ratio, 1.0))
    most = min(max(alone + SHORT_MM, 0.0), MOST_OPENED_MM)
    return np.where(normal, most, MOST_OPENED_MM)


def opening_insets_mm(
    stack: OpeningStack, ring_mm: Array, quantum_mm: Array, wider_mm: float = 0.0
) -> Array:
    """Insets (layers, sides) that give an opening its design width.

    Parameters
    ----------
    stack : OpeningStack
    ring_mm : (n, 2) array
        The opening, the material on its left (clockwise).
    quantum_mm : (n,) array
        What the insets of its sides are rounded to, layer by layer, each making up for
        those above; a round one's are not rounded.
    wider_mm : float
        How much wider than designed a round one is to be on the mean, for the largest
        circle that its pixels' stairs leave in it to be the design's.
    """
    if is_round(ring_mm):
        radius = float(np.sqrt(shapely.Polygon(ring_mm).area / np.pi))
        inset = _round_insets(stack, -radius - wider_mm / 2.0) + wider_mm / 2.0
        return np.tile(inset[:, None], (1, len(ring_mm)))
    return _side_insets(stack, shape_of(ring_mm), quantum_mm)


def _round_insets(stack: OpeningStack, radius_mm: float) -> Array:
    """Insets (layers,) of a round opening."""
    plane = stack.plane
    above = stack.normal_ratio * float(stack_gain(np.inf, stack.passed))
    above *= circle_dose(plane, radius_mm, 0.0, 0.0)
    insets = np.zeros(len(stack.dose_ratio))
    most = most_opened_mm(stack)
    known: dict[float, float] = {}
    for layer in range(len(insets) - 1, -1, -1):
        ratio = float(stack.dose_ratio[layer])
        level = round(max(1.0 - stack.passed * above, 0.0) / ratio, 6)
        if level not in known:
            found = MOST_OPENED_MM
            if level > 0.0:
                found = circle_inset_mm(plane, radius_mm, 0.0, level)
            known[level] = found
        insets[layer] = min(known[level], most[layer])
        own = circle_dose(plane, radius_mm, insets[layer], 0.0)
        above = ratio * own + stack.passed * above
    return insets


def _side_insets(stack: OpeningStack, shape: RingShape, quantum_mm: Array) -> Array:
    """Insets (layers, sides) of any other opening, one for each of its sides."""
    plane = stack.plane
    n = len(shape.points_mm)
    places = shape.points_mm + 0.5 * shape.along * shape.length_mm[:, None]

    def dose_of(inset: Array) -> Array:
        sheet = sheet_around(shape.points_mm)
        sides = sides_of([sheet, mitred(shape, inset)])
        return polygon_dose(places, sides, plane.blur)

    above = stack.normal_ratio * stack_gain(np.inf, stack.passed) * dose_of(np.zeros(n))
    insets = np.zeros((len(stack.dose_ratio), n))
    most = most_opened_mm(stack)
    last = np.zeros(n)
    for layer in range(len(insets) - 1, -1, -1):
        ratio = float(stack.dose_ratio[layer])
        wanted = plane.place_mm(np.maximum(1.0 - stack.passed * above, 0.0) / ratio)
        inset = last
        for _ in range(_ROUNDS):
            move = wanted - plane.place_mm(dose_of(inset))
            found = np.clip(
                inset + move,
                -MOST_OPENED_MM,
                np.minimum(most[layer], last + AT_ONCE_MM),
            )
            settled = np.max(np.abs(found - inset)) < _SETTLED_MM
            inset = found
            if settled:
                break
        inset = whole_mm(inset, quantum_mm, shape)
        insets[layer] = last = inset
        above = ratio * dose_of(inset) + stack.passed * above
    return insets


def whole_mm(inset_mm: Array, quantum_mm: Array, shape: RingShape) -> Array:
    """Round insets (..., sides) to whole quanta, opposite sides a half apart.

    So the width of a slot comes in whole quanta, not in twice as many.
    """
    x, y = shape.along[..., 0], shape.along[..., 1]
    first = (x > _LEVEL) | ((np.abs(x) <= _LEVEL) & (y > 0.0))
    lean = np.where(first, 0.25, -0.25)
    return np.asarray(np.round(inset_mm / quantum_mm + lean) * quantum_mm)


def sheet_around(points: Array) -> Array:
    """Ring (4, 2) of a sheet that an opening lies in, wider than any blur."""
    low, high = points.min(axis=0) - _SHEET_MM, points.max(axis=0) + _SHEET_MM
    return np.array([low, (high[0], low[1]), high, (low[0], high[1])])
