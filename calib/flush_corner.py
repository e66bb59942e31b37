"""Insets of a rim's corners: how they differ from those of its long sides.

From the top down, as on a long wall: what the layers above leave along the body's own
outline is known, so each layer's mask owes the rest.  Where the wall is drafted, the
layers above recede from the corner along its bisector.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.flush_plane import ALONG_MM, CORNER_REACH_MM, Plane, neck_mm
from calib.flush_wall import Flush
from calib.plane_dose import polygon_dose, sides_of

Array = NDArray[np.float64]

_ARM_MM = 40.0
_BLEND_MM = 0.85
_KNOTS_MM = (0.0, 0.05, 0.14, 0.28, 0.5, 0.85)
_STIFFNESS = 0.05
_TINY_DOSE = 1e-12
_ROUNDS = 14
_MOST_OUT_MM = 0.4
_MOST_IN_MM = 0.5
_LIGHT_LEFT = 1e-4  # of the body's layers that are summed
_SAME_LEVEL = 1e-3
_STEP_MM = 1e-3


def corner_profile(plane: Plane, inside_deg: float, wall: Flush) -> Array:
    """How much more than a mitre's a corner's insets are, (J, places along an arm).

    Parameters
    ----------
    plane : Plane
        One resin's blur.
    inside_deg : float
        Angle inside the material: 90 for a square outer corner, 270 for an inner one.
    wall : Flush
        The corner's sides, of the same resin alone.

    Returns
    -------
    array, mm
        At :data:`~calib.flush_plane.ALONG_MM`, to add to the inset of each arm; both
        arms alike.
    """
    corner = Corner.of(inside_deg)
    stack = _CornerStack(plane=plane, corner=corner, wall=wall)
    points = stack.outline()
    profiles = np.zeros((wall.layers, len(ALONG_MM)))
    rings: list[Array] = []  # of the layers above, the next one first
    known: list[tuple[float, Array, int]] = []
    for layer in range(wall.layers - 1, -1, -1):
        far = float(wall.exact_mm[0, layer])
        level = stack.owed(points, rings, layer)
        same = [
            number
            for ratio, other, number in known
            if ratio == wall.edges.dose_ratio[0, layer]
            and np.allclose(level, other, rtol=_SAME_LEVEL, atol=0.0)
        ]
        if same:
            profiles[layer] = profiles[same[0]]
        else:
            profiles[layer] = stack.solve(points, level, far) - far
            known.append((float(wall.edges.dose_ratio[0, layer]), level, layer))
        rings.insert(0, corner.ring(far + profiles[layer], far))
    return profiles


@dataclass(frozen=True, kw_only=True)
class Corner:
    """Both arms of a corner at the origin, the material on the left going along them.

    The first arm leads to the corner and the second away from it.  ``slant``: how far
    a mitre moves along an arm, per inset; positive away from the corner.
    """

    half_rad: float
    first: Array
    second: Array
    slant: float

    @classmethod
    def of(cls, inside_deg: float) -> Corner:
        """Place a corner of some angle inside the material."""
        half = np.radians(inside_deg) / 2.0
        return cls(
            half_rad=float(half),
            first=np.array([-np.sin(half), np.cos(half)]),
            second=np.array([np.sin(half), np.cos(half)]),
            slant=float(1.0 / np.tan(half)),
        )

    @property
    def recedes(self) -> Array:
        """Where the corner goes, (2,), as its sides are drawn in, per length."""
        return np.array([0.0, 1.0 / np.sin(self.half_rad)])

    def arm(self, insets: Array) -> Array:
        """Points (k, 2) of the second arm drawn in."""
        return self._points(insets)[1]

    def ring(self, insets: Array, far: float) -> Array:
        """Close the ring of the whole wedge, its arms drawn in by ``far``."""
        first, second = self._points(insets)
        start = _ARM_MM * self.first - far * _left(self.first)
        end = _ARM_MM * self.second + far * _left(self.second)
        back = _ARM_MM * (np.array([0.0, 1.0]))
        behind = [end + 2.0 * back, start + 2.0 * back]
        return np.vstack([start, first[:0:-1], second, end, *behind])

    def _points(self, insets: Array) -> tuple[Array, Array]:
        shift = insets[0] * self.slant * np.maximum(1.0 - ALONG_MM / _BLEND_MM, 0.0)
        bound = neck_mm(ALONG_MM, ALONG_MM + shift, insets[0], self.half_rad)
        insets = np.minimum(insets, bound)
        along = (ALONG_MM + shift)[:, None]
        # inwards of the second arm, with the material on its left
        second = along * self.second + insets[:, None] * _left(self.second)
        first = along * self.first - insets[:, None] * _left(self.first)
        return first, second


def _left(along: Array) -> Array:
    return np.array([-along[1], along[0]])


@dataclass(frozen=True, kw_only=True)
class _CornerStack:
    """The light of all layers near a corner, points counted from each layer's own."""

    plane: Plane
    corner: Corner
    wall: Flush

    @property
    def passed(self) -> float:
        return float(self.wall.edges.passed[0])

    def outline(self) -> Array:
        """Points (k, 2) of the body's outline, along the second arm."""
        wall = self.wall
        body = float(wall.body_mm[0])
        around = np.array([body - _STEP_MM, body + _STEP_MM])
        high, low = np.log(np.interp(around, wall.edges.x_mm, wall.body[0]))
        reach = 2.0 * _STEP_MM / (high - low)  # of a long wall, per e-fold of its dose
        out = np.full(len(ALONG_MM), body)
        for _ in range(_ROUNDS):
            dose = self._body(self.corner.arm(-out))
            out = out + reach * np.log(np.maximum(dose, _TINY_DOSE))
        return self.corner.arm(-out)

    def owed(self, points: Array, rings: list[Array], layer: int) -> Array:
        """Level (k,) that a layer's own mask must have, given those above it."""
        q, ratio = self.passed, self.wall.edges.dose_ratio[0]
        run = self.wall.run_mm
        if run == 0.0:  # every layer above is flush, so that its dose is 1
            return np.full(len(points), (1.0 - q) / ratio[layer])
        above = np.zeros(len(points))
        for up, ring in enumerate(rings, start=1):
            moved = points - up * run * self.corner.recedes
            own = polygon_dose(moved, sides_of([ring]), self.plane.blur)
            above += ratio[layer + up] * q ** (up - 1) * own
        up = len(rings) + 1
        body = self._body(points - up * run * self.corner.recedes)
        above += q ** (up - 1) * body
        return np.asarray(np.maximum(1.0 - q * above, _TINY_DOSE) / ratio[layer])

    def solve(self, points: Array, level: Array, far: float) -> Array:
        """Insets (k,) along an arm whose mask has a level at points (both (k,)).

        Least squares over a few knots, so that nothing finer than a blur is asked for.
        """
        place = np.array([[far + float(self.wall.body_mm[0])]])
        value, slope = (float(v[0, 0]) for v in self.plane.resin.edge(place))
        reach = value / -slope  # of a long edge, per e-fold of its dose

        def left_mm(knots: Array) -> Array:
            ring = self.corner.ring(far + _between(knots), far)
            dose = polygon_dose(points, sides_of([ring]), self.plane.blur)
            short = reach * np.log(np.maximum(dose, _TINY_DOSE) / level)
            return np.concatenate([short, _STIFFNESS * np.diff(knots, n=2)])

        found = least_squares(
            left_mm,
            np.zeros(len(_KNOTS_MM)),
            bounds=(-_MOST_OUT_MM, _MOST_IN_MM),
            diff_step=1e-3,
            x_scale=0.1,
            xtol=1e-3,
            ftol=1e-3,
            max_nfev=_ROUNDS,
        )
        return np.asarray(far + _between(found.x))

    def _body(self, points: Array) -> Array:
        """Dose (k,) of normal layers alone."""
        q, run = self.passed, self.wall.run_mm
        ring = self.corner.ring(np.zeros(len(ALONG_MM)), 0.0)
        count = 1 if run == 0.0 else int(np.ceil(np.log(_LIGHT_LEFT) / np.log(q)))
        up = np.arange(count)
        places = points - (up * run)[:, None, None] * self.corner.recedes
        dose = polygon_dose(places.reshape(-1, 2), sides_of([ring]), self.plane.blur)
        share = q**up / np.sum(q**up) / (1.0 - q)
        normal = float(self.wall.edges.dose_ratio[0, -1])
        return np.asarray(normal * share @ dose.reshape(count, -1))


def _between(knots: Array) -> Array:
    """Profile (k,) at its places from that at the knots; 0 at the end of the arm."""
    ends = [*_KNOTS_MM, CORNER_REACH_MM]
    return np.asarray(np.interp(ALONG_MM, ends, [*knots, 0.0]))
