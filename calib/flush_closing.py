"""How far a small opening closes: by the light of one resin, and what is squeezed out.

Looked at where it is narrowest, along a line from its rim towards its middle, and from
the opposite side where that is parallel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from calib.cure import stack_gain
from calib.flush_opening import is_round, sheet_around
from calib.flush_outline import RingShape, mitred, shape_of
from calib.plane_dose import Blur, polygon_dose, sides_of
from calib.squeeze_insets import CHOICES, EVENNESS, EXTRA_MM, LAYERS
from calib.stack import Resins
from calib.wall import Setting

if TYPE_CHECKING:
    from collections.abc import Sequence


Array = NDArray[np.float64]

_BEYOND_MM, _WITHIN_MM, _STEP_MM = 0.7, 0.8, 0.02  # masks are opened by 0.6 at most
_TINY_DOSE = 1e-12
_ROOF = 1e-3  # of an inscribed circle
_SAME_MM = 5e-3


@dataclass(frozen=True, kw_only=True)
class Sight:
    """Lines into an opening, one from its rim or two from opposite sides of it.

    ``places_mm`` (lines * k, 2), ``into_mm`` (k,) from the rim; ``radius_mm`` of the
    largest circle in the opening, about ``centre_mm``.
    """

    shape: RingShape
    radius_mm: float
    centre_mm: Array
    places_mm: Array
    into_mm: Array

    @classmethod
    def of(cls, ring_mm: Array) -> Sight:
        """Look into an opening (n, 2), the material on its left.

        From the middle of the longest side that the largest circle can touch, and from
        the side beyond where there is one.
        """
        shape = shape_of(ring_mm)
        opening = shapely.Polygon(ring_mm)
        circle = shapely.maximum_inscribed_circle(opening, tolerance=_ROOF)
        centre = shapely.get_coordinates(circle)[0]
        radius = float(circle.length)
        rim, centre = _narrowest(shape, opening, centre, radius)
        into = np.arange(-_BEYOND_MM, min(_WITHIN_MM, radius), _STEP_MM)
        inwards = (centre - rim) / np.hypot(*(centre - rim))
        lines = [rim + into[:, None] * inwards]
        beyond = centre + radius * inwards
        if not is_round(ring_mm) and _away(opening, beyond) < _SAME_MM:
            lines.append(beyond - into[:, None] * inwards)
        return cls(
            shape=shape,
            radius_mm=radius,
            centre_mm=centre,
            places_mm=np.concatenate(lines),
            into_mm=into,
        )


def _narrowest(
    shape: RingShape, opening: shapely.Polygon, centre: Array, radius: float
) -> tuple[Array, Array]:
    """Where the largest circle touches the longest side, as near its middle as it can.

    And its centre then: along a slot it may be anywhere.
    """
    along = np.sum((centre - shape.points_mm) * shape.along, axis=1)
    along = np.clip(along, 0.0, shape.length_mm)
    feet = shape.points_mm + along[:, None] * shape.along
    touching = np.hypot(*(feet - centre).T) < radius + _SAME_MM
    side = int(np.argmax(np.where(touching, shape.length_mm, 0.0)))
    middle = shape.points_mm[side] + 0.5 * shape.length_mm[side] * shape.along[side]
    x, y = shape.along[side]
    there = middle + radius * np.array([y, -x])
    within = bool(shapely.contains_xy(opening, *there))
    if within and _away(opening, there) > radius - _SAME_MM:
        return middle, there
    return feet[side], centre


def _away(opening: shapely.Polygon, place: Array) -> float:
    return float(shapely.distance(opening.exterior, shapely.Point(place)))


@dataclass(frozen=True, kw_only=True)
class Closing:
    """An opening of one resin (of one draw), printed at a setting."""

    sight: Sight
    resin: Resins
    setting: Setting
    _known: dict[bytes, Array] = field(default_factory=dict)

    @property
    def passed(self) -> float:
        """Share of light that passes a layer."""
        return float(self.resin.transmission(self.setting.layer_mm)[0])

    def ratio(self, layer: int) -> float:
        """Exposure of a layer over the gel time."""
        raised = self.setting.raised_s
        seconds = raised[layer] if layer < len(raised) else self.setting.normal_s
        return float(seconds / self.resin.tc_s[0])

    def own(self, inset_mm: Array) -> Array:
        """Dose (k,) of one mask, 1 far inside, its sides drawn in by (sides,)."""
        key = inset_mm.tobytes()
        if key not in self._known:
            shape = self.sight.shape
            rings = [sheet_around(shape.points_mm), mitred(shape, inset_mm)]
            blur = Blur.of(self.resin, 0)
            dose = polygon_dose(self.sight.places_mm, sides_of(rings), blur)
            self._known[key] = dose
        return self._known[key]

    def above(self, insets_mm: Array, layer: int) -> Array:
        """Dose (k,) on the film side of a layer, of it and all layers above it.

        ``insets_mm`` (layers, sides); those above the last are the design.
        """
        plain = self.own(np.zeros(len(self.sight.shape.points_mm)))
        body = self.ratio(len(insets_mm)) * float(stack_gain(np.inf, self.passed))
        dose = body * plain
        for each in range(len(insets_mm) - 1, layer - 1, -1):
            dose = self.below(dose, insets_mm[each], each)
        return dose

    def below(self, dose: Array, inset_mm: Array, layer: int) -> Array:
        """Dose (k,) on the film side of a layer, from that of the layer above it."""
        return self.ratio(layer) * self.own(inset_mm) + self.passed * dose

    def grown_mm(self, dose: Array, layer: int, *, squeezed: bool = True) -> float:
        """How far the opening has closed in a layer of some dose, squeeze included."""
        into = self.sight.into_mm
        levels = np.log(np.maximum(dose, _TINY_DOSE)).reshape(-1, len(into))
        grown = float(np.mean([np.interp(0.0, -level, into) for level in levels]))
        if not squeezed:
            return grown
        squeezes = (self.resin.squeeze_mm, self.resin.squeeze_second_mm)
        return grown + (float(squeezes[layer][0]) if layer < len(squeezes) else 0.0)

    def all_grown_mm(self, insets_mm: Array) -> Array:
        """How far the opening has closed in each raised layer, (J,)."""
        raised = len(self.setting.raised_s)
        dose = self.above(insets_mm, raised)
        grown = np.zeros(raised)
        for layer in range(raised - 1, -1, -1):
            dose = self.below(dose, insets_mm[layer], layer)
            grown[layer] = self.grown_mm(dose, layer)
        return grown


def opened_further(
    closings: Sequence[Closing],
    insets_mm: Array,
    quantum_mm: Array,
) -> Array:
    """Open the lowest layers further against squeezed-out resin.

    The same minimax as along a rim (:func:`calib.squeeze_insets.relieved`): extras grow
    downwards only, and the largest departure of any layer, on the mean over the
    resins, is as small as can be.

    Parameters
    ----------
    closings : sequence of Closing
        One opening of some equally likely resins.
    insets_mm : (n, sides) array
        For the light alone.
    quantum_mm : (sides,) array
        What each side's extra is cut down to whole ones of.
    """
    top = min(LAYERS, len(closings[0].setting.raised_s)) - 1
    extras_mm = np.linspace(0.0, EXTRA_MM, CHOICES)
    whole = np.floor(extras_mm[:, None] / quantum_mm + 1e-9) * quantum_mm
    ways = _rising(len(extras_mm), top + 1)
    scores = np.zeros(len(ways))
    for closing in closings:
        over = closing.above(insets_mm, top + 1)
        known: dict[tuple[int, ...], tuple[Array, Array]] = {(): (over, np.zeros(0))}
        for place, way in enumerate(ways):
            for depth in range(1, len(way) + 1):
                if way[:depth] in known:
                    continue
                layer = top + 1 - depth
                dose, grown = known[way[: depth - 1]]
                inset = insets_mm[layer] + whole[way[depth - 1]]
                dose = closing.below(dose, inset, layer)
                more = abs(closing.grown_mm(dose, layer))
                known[way[:depth]] = dose, np.append(grown, more)
            scores[place] += known[way][1].max() + EVENNESS * known[way][1].mean()
    best = ways[int(np.argmin(np.round(scores, 9)))]
    out = insets_mm.copy()
    for depth, choice in enumerate(best):
        out[top - depth] += whole[choice]
    return out


def _rising(choices: int, length: int) -> list[tuple[int, ...]]:
    """Every rising way through some choices, the least first."""
    ways: list[tuple[int, ...]] = [()]
    for _ in range(length):
        ways = [(*w, c) for w in ways for c in range(w[-1] if w else 0, choices)]
    return ways
