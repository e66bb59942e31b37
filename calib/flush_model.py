"""All that one bottle, setting and raster say about insets, worked out when asked for.

A base's rim is made of few kinds of places: long walls by draft and lattice direction,
curves, corners by their angle, small openings.  Each kind is solved once, over all
draws where that is cheap, in the plane for the draw that is most like all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.cure import flush_level
from calib.flush_closing import Closing, Sight, opened_further
from calib.flush_corner import corner_profile
from calib.flush_opening import (
    OpeningStack,
    is_round,
    layers_above,
    most_opened_mm,
    opening_insets_mm,
)
from calib.flush_opening_choice import opened_for_all
from calib.flush_plane import Plane, circle_insets_mm
from calib.flush_rounding import phase_rms_mm, whole_quanta
from calib.flush_wall import Edges, Flush, tabulate
from calib.flush_width import few_of
from calib.lattice import FREE_QUANTUM_MM, Stairs, held_mm, stairs
from calib.squeeze_insets import EXTRA_MM, best_of, is_squeezed, opinions, relieved
from calib.stack import Resins

if TYPE_CHECKING:
    from calib.flush_outline import RingShape
    from calib.wall import Draws, Setting

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

_ANGLE_STEP_DEG = 3.0
_RUN_STEP_MM = 0.002
_SHOWING = 0.5
_PHASES = 16
_SHARES = 4
_TINY_MM = 1e-9
_FINEST_MM = 0.010
_RADII_MM = (1.5, 3.0, 8.0, 30.0)
_SHARPEST_DEG = 30.0


@dataclass(frozen=True, kw_only=True)
class FlatModel:
    """Insets of one bottle at one setting on one raster; see :func:`build_model`.

    ``few``: some equally likely resins, for what is worked out one by one.
    """

    edges: Edges
    plane: Plane
    opening: OpeningStack
    pixel_x_mm: float
    pixel_y_mm: float
    few: tuple[Resins, ...]
    _walls: dict[float, Flush] = field(default_factory=dict)
    _rounded: dict[tuple[float, float, float], Ints] = field(default_factory=dict)
    _smooth: dict[float, Array] = field(default_factory=dict)
    _showing: dict[tuple[float, float], float] = field(default_factory=dict)
    _corners: dict[tuple[float, float], Array] = field(default_factory=dict)
    _openings: dict[bytes, Array] = field(default_factory=dict)
    _curves: dict[tuple[int, float], tuple[Array, Array]] = field(default_factory=dict)

    @property
    def setting(self) -> Setting:
        """Exposures of the layers."""
        return self.edges.setting

    @property
    def pixel_mm(self) -> float:
        """The coarser pitch."""
        return max(self.pixel_x_mm, self.pixel_y_mm)

    @property
    def tolerance_mm(self) -> float:
        """Steps up to this are taken for straight."""
        return max(_FINEST_MM, 0.5 * self.pixel_mm)

    @property
    def layers(self) -> int:
        """How many layers are raised."""
        return len(self.setting.raised_s)

    def stairs_of(self, shape: RingShape) -> Stairs:
        """Give the stairs that pixels make of each side of a ring (the first one)."""
        core_mm = float(self.plane.resin.core_mm[0])
        along = shape.along.reshape(-1, *shape.along.shape[-2:])[0]
        return stairs(along, self.pixel_x_mm, self.pixel_y_mm, core_mm)

    def quanta_of(self, shape: RingShape) -> Array:
        """Quantum (n,) of each side of a small opening; none on a curve."""
        found = self.stairs_of(shape)
        showing = shape.straight & (found.shown > _SHOWING)
        return np.where(showing, np.round(found.quantum_mm, 6), FREE_QUANTUM_MM)

    def wall(self, run_mm: float) -> Flush:
        """Give a long wall that recedes by so much a layer."""
        run = round(run_mm / _RUN_STEP_MM) * _RUN_STEP_MM
        if run not in self._walls:
            self._walls[run] = Flush(
                edges=self.edges, run_mm=run, tolerance_mm=self.tolerance_mm
            )
        return self._walls[run]

    def quanta(
        self, run_mm: float, quantum_mm: float, bend_per_mm: float = 0.0
    ) -> Ints:
        """Insets (J,) of a wall in whole quanta, on a straight or a bent side."""
        wall = self.wall(run_mm)
        quantum = round(quantum_mm, 6)
        key = (wall.run_mm, quantum, bend_per_mm)
        if key not in self._rounded:
            curve = self.curve_mm(np.array([bend_per_mm]), run_mm)[:, 0]
            rounded = _squeezed_quanta if is_squeezed(wall) else whole_quanta
            self._rounded[key] = rounded(wall, quantum, curve)
        return self._rounded[key]

    def smooth_mm(self, run_mm: float) -> Array:
        """Insets (J,) of a wall whose stairs the blur smooths: to the micrometre."""
        wall = self.wall(run_mm)
        if wall.run_mm not in self._smooth:
            found = wall.likely_mm
            if is_squeezed(wall):
                step = EXTRA_MM / _SHARES
                choices = [relieved(wall, light, step) for light in opinions(wall)]
                found = best_of(wall, choices)
            whole = np.round(found / FREE_QUANTUM_MM)
            self._smooth[wall.run_mm] = whole * FREE_QUANTUM_MM
        return self._smooth[wall.run_mm]

    def showing(self, run_mm: float, quantum_mm: float) -> float:
        """Share of its stairs that must show for whole quanta to be the better insets.

        Whole quanta leave some step wherever the wall lies on the raster; any others
        leave what pixels make of them, as far as the blur does not smooth it.  Both are
        the typical draw's largest step, rms over the raster's phases.
        """
        wall = self.wall(run_mm)
        quantum = round(quantum_mm, 6)
        key = (wall.run_mm, quantum)
        if key not in self._showing:
            alone = wall.only(wall.typical)
            whole = phase_rms_mm(alone, whole_quanta(wall, quantum), quantum)
            others = np.abs(self._on_pixels_mm(wall, quantum)).max(axis=1)
            rms = float(np.sqrt(np.mean(others**2)))
            self._showing[key] = whole / max(rms, _TINY_MM)
        return self._showing[key]

    @cached_property
    def stairs_in_holes_mm(self) -> tuple[float, float]:
        """How much narrower than on the mean a round hole's largest circle is, and u.

        Where a circle runs along the pixels, four times, they hold its mask inside or
        outside of what is planned; of two across, the narrower counts.
        """
        steps = self._on_pixels_mm(self.wall(0.0), self.pixel_mm)
        worst = steps[:, int(np.argmax(np.mean(steps**2, axis=0)))]
        across = np.sort((worst[:, None] + worst).ravel())
        count = len(across)
        chance = (2.0 * np.arange(count) + 1.0) / count**2  # of the larger of two
        mean = float(chance @ across)
        return mean, float(np.sqrt(chance @ (across - mean) ** 2))

    def _on_pixels_mm(self, wall: Flush, quantum_mm: float) -> Array:
        """Give steps (phases, J) of the typical draw's insets as pixels hold them."""
        phase = (np.arange(_PHASES)[:, None] + 0.5) / _PHASES
        held = held_mm(wall.exact_mm[wall.typical], quantum_mm, phase)
        return wall.only(wall.typical, _PHASES).steps_mm(held)

    def corner_mm(self, inside_deg: float, run_mm: float) -> Array:
        """Profiles (J, places) along the arms of a corner whose sides recede."""
        angle = round(inside_deg / _ANGLE_STEP_DEG) * _ANGLE_STEP_DEG
        angle = min(max(angle, _SHARPEST_DEG), 360.0 - _SHARPEST_DEG)
        wall = self.wall(run_mm)
        key = (angle, wall.run_mm)
        if key not in self._corners:
            alone = wall.only(self.wall(0.0).typical)
            self._corners[key] = corner_profile(self.plane, angle, alone)
        return self._corners[key]

    def curve_mm(self, curvature_per_mm: Array, run_mm: float) -> Array:
        """Give what a curve's insets (J, n) are beside a straight edge's."""
        total = np.zeros((self.layers, len(curvature_per_mm)))
        for sign in (1, -1):
            ours = curvature_per_mm * sign > 0.0
            if not ours.any():
                continue
            known, extra = self._curve(sign, self.wall(run_mm))
            bend = np.minimum(np.abs(curvature_per_mm[ours]), known[-1])
            knot = np.searchsorted(known, bend, "right")
            knot = np.minimum(knot, len(known) - 1) - 1
            share = (bend - known[knot]) / np.diff(known)[knot]
            more = share[:, None] * np.diff(extra, axis=0)[knot]
            total[:, ours] = (extra[knot] + more).T
        return total

    def opening_mm(self, ring_mm: Array) -> Array:
        """Insets (layers, sides) of a small opening, a few normal layers included."""
        key = np.round(ring_mm - ring_mm[0], 6).tobytes()
        if key not in self._openings:
            sight = Sight.of(ring_mm)
            quantum = self.quanta_of(sight.shape)
            wider = self.stairs_in_holes_mm[0]
            insets = opening_insets_mm(self.opening, ring_mm, quantum, wider)
            closings = [
                Closing(sight=sight, resin=resin, setting=self.setting)
                for resin in self.few
            ]
            if len(closings) > 1:
                wider = wider if is_round(ring_mm) else 0.0
                insets = opened_for_all(
                    closings, insets, quantum, wider, most_opened_mm(self.opening)
                )
            if is_squeezed(self.wall(0.0)):
                insets = opened_further(closings, insets, quantum)
            self._openings[key] = insets
        return self._openings[key]

    def _curve(self, sign: int, wall: Flush) -> tuple[Array, Array]:
        """Curvatures (k,) and extra insets (k, J), for the plane's resin.

        On a drafted wall a mask's level is that which it has on a long one.
        """
        key = (sign, wall.run_mm)
        if key not in self._curves:
            draw = self.wall(0.0).typical
            straight = wall.exact_mm[draw]
            plane = self.plane.at_mm(float(wall.body_mm[draw]), straight)
            extra = [circle_insets_mm(plane, sign * r) - straight for r in _RADII_MM]
            rows = np.array([*extra, np.zeros(len(straight))])[::-1]
            known = np.array([0.0, *(1.0 / r for r in reversed(_RADII_MM))])
            self._curves[key] = known, rows
        return self._curves[key]


def build_model(
    draws: Draws, setting: Setting, pixel_x_mm: float, pixel_y_mm: float
) -> FlatModel:
    """Set the model up; nothing is solved yet.

    Parameters
    ----------
    draws : Draws
        Equally likely resins of the bottle.
    setting : Setting
        Exposures that the base is printed with.
    pixel_x_mm, pixel_y_mm : float
        The mask's pixels.
    """
    edges = tabulate(draws, setting)
    typical = _of_draws(draws, Flush(edges=edges, run_mm=0.0).typical)
    q = float(typical.transmission(setting.layer_mm)[0])
    tc_s = float(typical.tc_s[0])
    raised = np.array(setting.raised_s) / tc_s
    normal = setting.normal_s / tc_s
    plane = Plane(
        resin=typical,
        body_level=float(flush_level(normal, q)),
        levels=flush_level(raised, q),
    )
    bare = OpeningStack(plane=plane, dose_ratio=raised, normal_ratio=normal, passed=q)
    above = np.full(layers_above(bare), normal)
    return FlatModel(
        edges=edges,
        plane=plane,
        opening=OpeningStack(
            plane=plane,
            dose_ratio=np.concatenate([raised, above]),
            normal_ratio=normal,
            passed=q,
        ),
        pixel_x_mm=pixel_x_mm,
        pixel_y_mm=pixel_y_mm,
        few=few_of(draws),
    )


def _squeezed_quanta(wall: Flush, quantum_mm: float, curve_mm: Array) -> Ints:
    """Whole quanta (J,) of a wall with squeezed-out resin, as far as that is known."""
    choices = []
    for light in opinions(wall):
        alone = wall.only(wall.nearest(light))
        insets = whole_quanta(alone, quantum_mm, curve_mm) * quantum_mm - curve_mm
        choices.append(relieved(wall, insets, quantum_mm))
    whole = (best_of(wall, choices) + curve_mm) / quantum_mm
    return np.asarray(np.round(whole).astype(np.intp))


def _of_draws(draws: Draws, number: int) -> Resins:
    """Pick one draw, counted over all batches."""
    sizes = np.cumsum([len(resins) for resins in draws.batches])
    batch = int(np.searchsorted(sizes, number, side="right"))
    before = int(sizes[batch - 1]) if batch else 0
    return draws.batches[batch].take([number - before])
