"""Whole quanta for a long wall, chosen over all that a bottle and a raster may be.

On an upright wall the raster's phase drops out of whole quanta.  A drafted one recedes
by no whole number of them: its layers are held a little outside or inside of where they
should be, each in its own way, and so is the wall that they are compared with; what the
layers above then leave differs with the phase.  So the quanta are chosen by how many of
the resins that a fit allows, at how many phases, come out straight.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.flush_wall import Flush, uneven

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

_PHASES = 8
_PLACES_MM = np.linspace(-0.03, 0.03, 5)  # about the outline that is wanted
_REACH = 2
_CHOICES = np.arange(2 * _REACH + 1)
_WAYS = 12
_EVENNESS = 0.1
_SWEEPS = 6
_WORTH = 1e-6
_LIGHT_LEFT = 1e-3
_TINY_DOSE = 1e-12
_BISECTIONS = 16  # of 0.4 mm


def whole_quanta(wall: Flush, quantum_mm: float, curve_mm: Array | float = 0.0) -> Ints:
    """Whole quanta (J,) near the likely insets, for the most draws and phases.

    ``curve_mm`` (J,): how much more a curve's insets are than a straight wall's.

    From the top down the best few ways are kept, then single layers, and the lowest
    together, are moved while that helps.
    """
    table = _Table(
        wall=wall,
        wanted_mm=wall.likely_mm,
        quantum_mm=quantum_mm,
        curve_mm=np.broadcast_to(curve_mm, wall.layers),
    )
    ways = np.full((1, wall.layers), _REACH, np.intp)
    worst, even = np.zeros((1, 1, 1)), np.zeros(1)
    for layer in range(wall.layers - 1, -1, -1):
        before = np.repeat(np.arange(len(ways)), len(_CHOICES))
        longer = ways[before]
        longer[:, layer] = np.tile(_CHOICES, len(ways))
        step = np.abs(table.steps_mm(longer, layer))
        extreme = np.maximum(worst[before], step)
        sum_even = even[before] + table.score(step)
        score = table.score(extreme) + _EVENNESS * sum_even
        best = np.argsort(score, kind="stable")[:_WAYS]
        ways, worst, even = longer[best], extreme[best], sum_even[best]
    return table.quanta(table.improved(ways[0]))


def phase_rms_mm(wall: Flush, quanta: Ints, quantum_mm: float) -> float:
    """Root mean square of the largest step over resins and phases of the raster."""
    wanted_mm = np.asarray(quanta * quantum_mm, float)
    table = _Table(
        wall=wall,
        wanted_mm=wanted_mm,
        quantum_mm=quantum_mm,
        curve_mm=np.zeros(wall.layers),
    )
    worst = table.worst_mm(np.full((1, len(quanta)), _REACH, np.intp))
    return float(np.sqrt(np.mean(worst**2)))


@dataclass(frozen=True, kw_only=True)
class _Table:
    """Doses of a wall's layers, for a few quanta each, of all draws and phases.

    Choices run from 0 to 4; 2 is the nearest to what is wanted.  A curve is taken for a
    straight wall whose insets are less by ``curve_mm`` (J,).
    """

    wall: Flush
    wanted_mm: Array
    quantum_mm: float
    curve_mm: Array

    @cached_property
    def nearest(self) -> Ints:
        """Whole quanta (J,) nearest to what is wanted."""
        wanted = (self.wanted_mm + self.curve_mm) / self.quantum_mm
        return np.asarray(np.round(wanted).astype(np.intp))

    @cached_property
    def layers(self) -> int:
        """Raised layers, and normal ones that shine into them."""
        if self.wall.run_mm == 0.0:
            return self.wall.layers
        passed = float(self.wall.edges.passed.max())
        return self.wall.layers + int(np.ceil(np.log(_LIGHT_LEFT) / np.log(passed)))

    @cached_property
    def held_mm(self) -> Array:
        """How far outside its place each layer's design is held, (phases, layers)."""
        if self.wall.run_mm == 0.0:
            return np.zeros((1, self.layers))
        phase = (np.arange(_PHASES)[:, None] + 0.5) / _PHASES
        place = phase - np.arange(self.layers) * self.wall.run_mm / self.quantum_mm
        return np.asarray(self.quantum_mm * (np.round(place) - place))

    def quanta(self, choices: Ints) -> Ints:
        """Whole quanta (J,) of some choices (J,)."""
        return np.asarray(self.nearest + choices - _REACH)

    def worst_mm(self, choices: Ints) -> Array:
        """Largest step (n, p, phases) of some ways (n, J)."""
        worst = np.zeros((len(choices), 1, 1))
        for layer in range(self.wall.layers):
            worst = np.maximum(worst, np.abs(self.steps_mm(choices, layer)))
        return worst

    def steps_mm(self, choices: Ints, layer: int) -> Array:
        """Step (n, p, phases) of a layer, given choices (n, J) for it and those above.

        By the logarithm of the dose between two of the places; beyond them on a line.
        """
        own, rest = self._doses[layer]
        dose = np.repeat(rest[None], len(choices), axis=0)
        for later in range(layer, self.wall.layers):
            dose += own[later - layer][choices[:, later]]
        level = np.log(np.maximum(dose, _TINY_DOSE))
        after = np.clip(np.sum(level > 0.0, axis=-1), 1, len(_PLACES_MM) - 1)
        upper = np.take_along_axis(level, after[..., None] - 1, axis=-1)[..., 0]
        lower = np.take_along_axis(level, after[..., None], axis=-1)[..., 0]
        share = upper / np.maximum(upper - lower, _TINY_DOSE)
        pitch = _PLACES_MM[1] - _PLACES_MM[0]
        return np.asarray(_PLACES_MM[after - 1] + share * pitch)

    def score(self, worst_mm: Array) -> Array:
        """How uneven (n,) walls of such largest steps (n, p, phases) are expected."""
        return np.asarray(uneven(worst_mm, self.wall.tolerance_mm).mean(axis=(1, 2)))

    def improved(self, choices: Ints) -> Ints:
        """Move layers by one quantum while more comes out straight."""
        index = np.arange(self.wall.layers)
        sides = [index == layer for layer in index]
        sides += [index <= layer for layer in index[1:]]
        moves = np.array([sign * side for side in sides for sign in (-1, 1)])
        best = choices
        least = float(self.score(self.worst_mm(best[None]))[0])
        for _ in range(_SWEEPS):
            trials = np.clip(best + moves, 0, 2 * _REACH)
            scores = self.score(self.worst_mm(trials))
            first = int(np.argmin(scores))
            if scores[first] > least - _WORTH:
                break
            best, least = trials[first], float(scores[first])
        return np.asarray(best)

    @cached_property
    def _doses(self) -> list[tuple[list[Array], Array]]:
        """For each layer the doses about its wanted outline, (p, phases, places).

        Of each choice, one array (choices, ...), of it and of each raised layer above;
        and of the normal layers.
        """
        found = []
        for layer in range(self.wall.layers):
            place = self._wanted(layer)[..., None] + _PLACES_MM
            own = []
            for later in range(layer, self.wall.layers):
                whole = self.nearest[later] + _CHOICES - _REACH
                insets = self.quantum_mm * whole - self.curve_mm[later]
                doses = [self._of(place, layer, later, i) for i in insets.tolist()]
                own.append(np.array(doses))
            found.append((own, self._body(place, layer)))
        return found

    def _of(self, place: Array, layer: int, later: int, inset_mm: float) -> Array:
        """Dose at places (p, phases, k) of a layer, of the mask of a later one."""
        edges = self.wall.edges
        number = min(later, self.wall.layers)
        light = edges.dose_ratio[:, number] * edges.passed ** (later - layer)
        recess_mm = (later - layer) * self.wall.run_mm + inset_mm
        away = recess_mm - self.held_mm[:, later, None]
        return np.asarray(light[:, None, None] * edges.at(place + away))

    def _body(self, place: Array, layer: int) -> Array:
        """Dose at places (p, phases, k) of a layer, of all normal layers."""
        wall = self.wall
        if wall.run_mm == 0.0:
            q = wall.edges.passed[:, None, None]
            return np.asarray(q ** (wall.layers - layer) * wall.body_at(place))
        dose = np.zeros(place.shape)
        for later in range(wall.layers, self.layers):
            dose += self._of(place, layer, later, 0.0)
        return dose

    def _wanted(self, layer: int) -> Array:
        """Outline (p, phases) of a layer of the body's own exposure."""
        wall = self.wall
        start: Array = np.tile(wall.body_mm[:, None], len(self.held_mm))
        if wall.run_mm == 0.0:
            return start
        edges = wall.edges
        later = np.arange(layer, self.layers)
        light = edges.dose_ratio[:, -1:] * edges.passed[:, None] ** (later - layer)
        away = (later - layer) * wall.run_mm - self.held_mm[:, later]
        low, high = start - 0.2, start + 0.2
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            dose = edges.at(middle[..., None] + away)
            lit = np.einsum("pk,pfk->pf", light, dose) > 1.0
            low, high = np.where(lit, middle, low), np.where(lit, high, middle)
        return np.asarray(0.5 * (low + high))
