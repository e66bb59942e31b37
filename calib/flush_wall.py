"""Insets that bring a long wall, upright or drafted, out flush with the body's own.

From the top down, one layer after the other: the dose that the layers above leave at
the place where the body's own outline would be is known, so the layer owes the rest.
On an upright wall that has a closed form (:func:`calib.cure.flush_level`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.cure import stack_gain
from calib.wall import Draws, Setting

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

LARGEST_INSET_MM = 1.0

_LOW_MM, _HIGH_MM, _STEP_MM = -2.5, 4.5, 0.001
_LIGHT_LEFT = 1e-6  # of the body's layers that are summed
_MOST_BODY_LAYERS = 400
_TINY_DOSE = 1e-12
_POWER = 4
_BISECTIONS = 11  # of 2 mm; then the logarithm of the dose is a line


@dataclass(frozen=True, kw_only=True)
class Edges:
    """Edge profiles of all draws of a bottle, tabulated, and their exposures.

    ``values`` (p, g) at ``x_mm`` (g,); ``dose_ratio`` (p, J + 1): of each raised layer
    and of a normal one; ``passed`` (p,): share of light that passes a layer;
    ``squeeze_mm`` (p, J).
    """

    setting: Setting
    x_mm: Array
    values: Array
    dose_ratio: Array
    passed: Array
    squeeze_mm: Array

    def at(self, x_mm: Array) -> Array:
        """Edge profile at places (p, ...)."""
        place = (np.clip(x_mm, _LOW_MM, _HIGH_MM - _STEP_MM) - _LOW_MM) / _STEP_MM
        index = np.minimum(place.astype(np.intp), len(self.x_mm) - 2)
        share = place - index
        flat = self.values.ravel()
        index += self._rows(index.ndim)
        below = flat[index]
        return np.asarray(below + share * (flat[index + 1] - below))

    def where(self, level: Array) -> Array:
        """Place (p,) at which the profile has a level (p,); the table's ends beyond."""
        return np.array(
            [
                np.interp(one, values[::-1], self.x_mm[::-1])
                for one, values in zip(level, self.values, strict=True)
            ]
        )

    def only(self, draw: int, times: int) -> Edges:
        """One draw alone, as many times, without its squeeze."""

        def again(values: Array) -> Array:
            return np.repeat(values[draw : draw + 1], times, axis=0)

        return Edges(
            setting=self.setting,
            x_mm=self.x_mm,
            values=again(self.values),
            dose_ratio=again(self.dose_ratio),
            passed=again(self.passed),
            squeeze_mm=0.0 * again(self.squeeze_mm),
        )

    def _rows(self, dimensions: int) -> Ints:
        count, width = self.values.shape
        shape = (count,) + (1,) * (dimensions - 1)
        return np.asarray((np.arange(count) * width).reshape(shape))


def tabulate(draws: Draws, setting: Setting) -> Edges:
    """Tabulate the edge profiles of some draws."""
    x = np.arange(_LOW_MM, _HIGH_MM + _STEP_MM / 2, _STEP_MM)
    exposures = np.array([*setting.raised_s, setting.normal_s])
    values, ratio, passed, squeeze = [], [], [], []
    for resins in draws.batches:
        values.append(resins.edge(np.tile(x, (len(resins), 1)))[0])
        ratio.append(exposures / resins.tc_s[:, None])
        passed.append(resins.transmission(setting.layer_mm))
        moved = np.zeros((len(resins), max(len(exposures), 2)))
        moved[:, 0], moved[:, 1] = resins.squeeze_mm, resins.squeeze_second_mm
        squeeze.append(moved[:, : len(setting.raised_s)])
    return Edges(
        setting=setting,
        x_mm=x,
        values=np.vstack(values),
        dose_ratio=np.vstack(ratio),
        passed=np.concatenate(passed),
        squeeze_mm=np.vstack(squeeze),
    )


@dataclass(frozen=True, kw_only=True)
class Flush:
    """A long wall that recedes by ``run_mm`` from each layer to the next.

    Places are counted outwards from each layer's own outline in the design.
    ``tolerance_mm``: steps up to about this are as good as none.
    """

    edges: Edges
    run_mm: float
    tolerance_mm: float = 0.025

    @cached_property
    def body(self) -> Array:
        """Dose (p, g) on the film side of a normal layer, at the edges' places."""
        edges = self.edges
        q = edges.passed[:, None]
        if self.run_mm == 0.0:
            return np.asarray(
                edges.dose_ratio[:, -1:] * stack_gain(np.inf, q) * edges.values
            )
        dose, count = edges.values, 1
        while edges.passed.max() ** count > _LIGHT_LEFT and count < _MOST_BODY_LAYERS:
            place = np.tile(edges.x_mm + count * self.run_mm, (len(dose), 1))
            dose = dose + q**count * replace(edges, values=dose).at(place)
            count *= 2
        return edges.dose_ratio[:, -1:] * dose

    @cached_property
    def body_mm(self) -> Array:
        """Where the body's outline stands, (p,)."""
        rows = zip(self.body, strict=True)
        return np.array([np.interp(-1.0, -dose, self.edges.x_mm) for (dose,) in rows])

    @property
    def layers(self) -> int:
        """How many layers are raised."""
        return len(self.edges.setting.raised_s)

    @cached_property
    def exact_mm(self) -> Array:
        """Insets (p, J) of endlessly fine masks."""
        insets = np.zeros((len(self.body_mm), self.layers))
        for layer in range(self.layers - 1, -1, -1):
            place = self.body_mm[:, None]
            above = self._above(place, insets[..., None], layer)[:, 0]
            owed = (1.0 - self.edges.passed * above) / self.edges.dose_ratio[:, layer]
            found = self.edges.where(np.maximum(owed, 0.0)) - self.body_mm
            insets[:, layer] = np.clip(found, -LARGEST_INSET_MM, LARGEST_INSET_MM)
        return insets

    def steps_mm(self, insets_mm: NDArray[np.floating]) -> Array:
        """How far each layer's outline stands outside the body's, (p, J), squeezed."""
        insets = np.broadcast_to(insets_mm, self.exact_mm.shape)
        steps = self._steps(insets[..., None])[..., 0]
        return np.asarray(steps + self.edges.squeeze_mm)

    def contours_mm(self, insets_mm: Array, layer: int, own_mm: Array) -> Array:
        """One layer's step (p, k) for some insets of its own (k,), squeezed.

        ``insets_mm`` (p, J) of the layers above count.
        """
        own = np.tile(own_mm, (len(insets_mm), 1))
        out = self._contour(insets_mm[..., None], layer, own) - self.body_mm[:, None]
        return np.asarray(out + self.edges.squeeze_mm[:, layer, None])

    def unevenness(self, insets_mm: Array) -> Array:
        """How uneven (k,) some insets (k, J) leave the wall by light alone, 0 to 1.

        Expected, over the draws, of :func:`uneven`.
        """
        insets = np.tile(insets_mm.T, (len(self.body_mm), 1, 1))
        worst = np.abs(self._steps(insets)).max(axis=1)
        return np.asarray(uneven(worst, self.tolerance_mm).mean(axis=0))

    @cached_property
    def typical(self) -> int:
        """Number of the draw whose insets leave the wall the least uneven."""
        return int(np.argmin(self.unevenness(self.exact_mm)))

    def nearest(self, insets_mm: Array) -> int:
        """Give the number of the draw whose insets are the nearest to some (J,)."""
        return int(np.argmin(np.abs(self.exact_mm - insets_mm).sum(axis=1)))

    @cached_property
    def likely_mm(self) -> Array:
        """Insets (J,) of endlessly fine masks that suit the most draws.

        The median of all, or of those alone that agree with the typical draw.
        """
        alike = np.abs(self.exact_mm - self.exact_mm[self.typical]).max(axis=1)
        near = self.exact_mm[alike <= 2.0 * self.tolerance_mm]
        medians = np.array([np.median(some, axis=0) for some in (self.exact_mm, near)])
        choices = np.vstack([medians, self.exact_mm[self.typical]])
        return np.asarray(choices[np.argmin(self.unevenness(choices))])

    def only(self, draw: int, times: int = 1) -> Flush:
        """One draw alone, as many times, without its squeeze."""
        edges = self.edges.only(draw, times)
        return Flush(edges=edges, run_mm=self.run_mm, tolerance_mm=self.tolerance_mm)

    def body_at(self, place_mm: Array) -> Array:
        """Dose (p, ...) on the film side of a normal layer at places (p, ...)."""
        table = replace(self.edges, values=self.body)
        return np.asarray(table.at(place_mm))

    def _steps(self, insets: Array) -> Array:
        """Give steps (p, J, k) by light alone, for insets (p, J, k)."""
        out = np.empty(insets.shape)
        for layer in range(self.layers):
            out[:, layer] = self._contour(insets, layer, insets[:, layer])
        return np.asarray(out - self.body_mm[:, None, None])

    def _above(self, place_mm: Array, insets: Array, layer: int) -> Array:
        """Dose (p, k) on the film side of the next layer at places (p, k) of a layer.

        ``insets`` (p, J, k or 1) of the layers above count.
        """
        edges = self.edges
        q = edges.passed[:, None]
        dose = np.zeros_like(place_mm)
        for later in range(layer + 1, self.layers):
            away = place_mm + (later - layer) * self.run_mm + insets[:, later]
            own = edges.dose_ratio[:, later, None] * edges.at(away)
            dose += q ** (later - layer - 1) * own
        place = place_mm + (self.layers - layer) * self.run_mm
        return dose + q ** (self.layers - layer - 1) * self.body_at(place)

    def _contour(self, insets: Array, layer: int, own_mm: Array) -> Array:
        """Outline (p, k) of a layer for some insets of its own (p, k).

        ``insets`` (p, J, k or 1) of the layers above count.
        """
        ratio = self.edges.dose_ratio[:, layer, None]
        q = self.edges.passed[:, None]

        def excess(place: Array) -> Array:
            own = ratio * self.edges.at(place + own_mm)
            dose = own + q * self._above(place, insets, layer)
            return np.log(np.maximum(dose, _TINY_DOSE))

        start = np.broadcast_to(self.body_mm[:, None], own_mm.shape)
        low, high = start - 0.8, start + 1.2
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            lit = excess(middle) > 0.0
            low, high = np.where(lit, middle, low), np.where(lit, high, middle)
        low_value, high_value = excess(low), excess(high)
        slope = np.maximum(low_value - high_value, _TINY_DOSE)
        return low + np.clip(low_value / slope, 0.0, 1.0) * (high - low)


def uneven(worst_mm: Array, tolerance_mm: float) -> Array:
    """How bad walls are whose largest steps (...) are these: from 0 to 1.

    A half at the tolerance; bounded, so that unlikely resins don't decide.
    """
    ratio = (np.abs(worst_mm) / tolerance_mm) ** _POWER
    return np.asarray(ratio / (1.0 + ratio))
