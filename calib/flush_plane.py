"""Insets where the rim isn't a long straight edge: corners, curves, small openings.

A layer's mask must give ``blur(mask) = level`` all along the outline that its part is
to have (:func:`calib.cure.flush_level`).  The inset is found along the rim by a fixed
point: where the dose is too high, the mask is drawn in by as much as a long straight
edge would have to be.  After a fixed number of rounds what is left are details finer
than the blur, which no mask can hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.flush_wall import LARGEST_INSET_MM
from calib.plane_dose import Blur, polygon_dose, sides_of
from calib.stack import Resins

Array = NDArray[np.float64]

CORNER_REACH_MM = 1.2
"""Along each arm of a corner its insets differ from those of a long edge."""

ALONG_MM = np.array(
    (0.0, 0.02, 0.05, 0.09, 0.14, 0.2, 0.28, 0.38, 0.5, 0.65, 0.85, CORNER_REACH_MM)
)
"""Places along an arm at which a corner's insets are given."""

NECK_MM = 0.02
"""Half the width that the tip of an outer corner hangs on by, at least."""

_ARM_MM = 40.0
_KNOTS_MM = (0.0, 0.05, 0.14, 0.28, 0.5, 0.85)
_STIFFNESS = 0.05
_TINY_DOSE = 1e-12
_TINY_COSINE = 0.01
_SETTLED_MM = 1e-6
_ROUNDS = 14
_MOST_OUT_MM = 0.4
_MOST_IN_MM = 0.5
_CIRCLE_SIDES = 120
_BLEND_MM = 0.85


@dataclass(frozen=True, kw_only=True)
class Plane:
    """One resin's blur in the plane, and the levels of the layers' masks.

    ``body_level`` of the design's own mask along the body's outline, ``levels`` (J,)
    of the raised layers' masks there.
    """

    resin: Resins
    body_level: float
    levels: Array

    @property
    def blur(self) -> Blur:
        """The blur in the plane."""
        return Blur.of(self.resin, 0)

    def place_mm(self, level: Array) -> Array:
        """Distance from a long straight edge at which its dose has a level."""
        wanted = np.clip(np.asarray(level, float), 1e-6, 1.0 - 1e-6)
        flat: Array = self.resin.edge_inverse(wanted.reshape(1, -1))
        return flat.reshape(wanted.shape)

    def far_mm(self, level: float) -> float:
        """Like :meth:`place_mm`, for one level."""
        return float(self.place_mm(np.array([level]))[0])


def corner_profile(plane: Plane, inside_deg: float) -> Array:
    """How much more than a mitre's a corner's insets are, (J, places along an arm).

    Parameters
    ----------
    plane : Plane
    inside_deg : float
        Angle inside the material: 90 for a square outer corner, 270 for an inner one.

    Returns
    -------
    array, mm
        At :data:`ALONG_MM`, to add to the inset of each arm; both arms alike.
    """
    corner = _Corner.of(inside_deg)
    body = plane.far_mm(plane.body_level)
    out = _along_rays(plane, corner, body)
    profiles = np.zeros((len(plane.levels), len(ALONG_MM)))
    for layer, level in enumerate(plane.levels):
        same = np.flatnonzero(plane.levels[:layer] == level)
        if len(same):
            profiles[layer] = profiles[same[0]]
            continue
        far = plane.far_mm(level) - body
        insets = _solve(plane, corner, out, far, float(level))
        profiles[layer] = insets - far
    return profiles


def neck_mm(
    away_mm: Array, along_mm: Array, tip_mm: Array | float, half_rad: Array | float
) -> Array:
    """Largest inset near an outer corner at which both arms stay apart.

    Parameters
    ----------
    away_mm : array
        Distance from the corner in the design.
    along_mm : array
        The same, with how far the mask's points have slid along the arm.
    tip_mm : float or array
        Inset at the corner itself.
    half_rad : float or array
        Half the angle inside the material.

    Returns
    -------
    array
        No bound at inner corners, nor beyond the reach of a profile.
    """
    cosine = np.cos(half_rad)
    outer = (cosine > _TINY_COSINE) & (away_mm < CORNER_REACH_MM)
    bound = along_mm * np.sin(half_rad) - NECK_MM
    bound = bound / np.where(outer, cosine, 1.0)
    return np.where(outer, np.maximum(bound, tip_mm), np.inf)


def circle_insets_mm(plane: Plane, radius_mm: float) -> Array:
    """Insets (J,) of a round rim flush with the body's own.

    ``radius_mm``: of a disc; negative: of an opening.
    """
    body = _circle_offset(plane, radius_mm, 0.0, plane.body_level)
    found = {
        level: circle_inset_mm(plane, radius_mm, body, level)
        for level in set(plane.levels.tolist())
    }
    return np.array([found[level] for level in plane.levels.tolist()])


def ring_dose(plane: Plane, points: Array, rings: list[Array]) -> Array:
    """Dose of a mask of rings at points."""
    return polygon_dose(points, sides_of(rings), plane.blur)


@dataclass(frozen=True, kw_only=True)
class _Corner:
    """Both arms of a corner at the origin, the material on the left going along them.

    The first arm leads to the corner and the second away from it.  ``slant``: how far
    a mitre moves along an arm, per inset; positive away from the corner.
    """

    half_rad: float
    first: Array
    second: Array
    slant: float

    @classmethod
    def of(cls, inside_deg: float) -> _Corner:
        half = np.radians(inside_deg) / 2.0
        return cls(
            half_rad=float(half),
            first=np.array([-np.sin(half), np.cos(half)]),
            second=np.array([np.sin(half), np.cos(half)]),
            slant=float(1.0 / np.tan(half)),
        )

    def points(self, insets: Array) -> Array:
        """Points (2k - 1, 2) of the rim drawn in, from arm to arm."""
        shift = insets[0] * self.slant * np.maximum(1.0 - ALONG_MM / _BLEND_MM, 0.0)
        bound = neck_mm(ALONG_MM, ALONG_MM + shift, insets[0], self.half_rad)
        insets = np.minimum(insets, bound)
        along = (ALONG_MM + shift)[:, None]
        # inwards of the second arm, with the material on its left
        second = along * self.second + insets[:, None] * _left(self.second)
        first = along * self.first - insets[:, None] * _left(self.first)
        return np.vstack([first[:0:-1], second])

    def ring(self, insets: Array, far: float) -> Array:
        """Close the ring of the whole wedge, its arms drawn in by ``far``."""
        rim = self.points(insets)
        start = _ARM_MM * self.first - far * _left(self.first)
        end = _ARM_MM * self.second + far * _left(self.second)
        back = _ARM_MM * (np.array([0.0, 1.0]))
        behind = [end + 2.0 * back, start + 2.0 * back]
        return np.vstack([start, rim, end, *behind])


def _left(along: Array) -> Array:
    return np.array([-along[1], along[0]])


def _along_rays(plane: Plane, corner: _Corner, body: float) -> Array:
    """Outset (k,) along each ray at which the body's outline lies."""
    ring = corner.ring(np.zeros(len(ALONG_MM)), 0.0)
    out = np.full(len(ALONG_MM), body)
    for _ in range(_ROUNDS):
        points = corner.points(-out)[len(ALONG_MM) - 1 :]
        dose = ring_dose(plane, points, [ring])
        out = out + body - plane.place_mm(dose)
    return out


def _solve(
    plane: Plane, corner: _Corner, out: Array, far: float, level: float
) -> Array:
    """Insets (k,) along an arm whose mask has a level along the body's outline.

    Least squares over a few knots, so that nothing finer than a blur is asked for.
    """
    points = corner.points(-out)[len(ALONG_MM) - 1 :]
    place = np.array([[plane.far_mm(level)]])
    slope = float(plane.resin.edge(place)[1][0, 0])
    reach = level / -slope  # of a long edge, per e-fold of its dose

    def left_mm(knots: Array) -> Array:
        insets = far + _between(knots)
        dose = ring_dose(plane, points, [corner.ring(insets, far)])
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


def _between(knots: Array) -> Array:
    """Profile (k,) at its places from that at the knots; 0 at the end of the arm."""
    ends = [*_KNOTS_MM, CORNER_REACH_MM]
    return np.asarray(np.interp(ALONG_MM, ends, [*knots, 0.0]))


def _circle(radius_mm: float) -> Array:
    """Sides of a disc, or of an opening in a wide sheet, finer near its right end."""
    u = np.linspace(-1.0, 1.0, _CIRCLE_SIDES + 1)[:-1]
    turn = np.pi * (0.02 * u + 0.98 * u**5)
    r = abs(radius_mm)
    ring = r * np.column_stack([np.cos(turn), np.sin(turn)])
    if radius_mm > 0.0:
        return sides_of([ring])
    wide = r + _ARM_MM
    sheet = np.array([(-wide, -wide), (wide, -wide), (wide, wide), (-wide, wide)])
    return sides_of([sheet, ring[::-1]])


def circle_dose(plane: Plane, radius_mm: float, inset_mm: float, at_mm: float) -> float:
    """Dose ``at_mm`` outside a round design, of a mask drawn in by ``inset_mm``."""
    place = np.array([[abs(radius_mm) + np.sign(radius_mm) * at_mm, 0.0]])
    return float(polygon_dose(place, _circle(radius_mm - inset_mm), plane.blur)[0])


def circle_inset_mm(
    plane: Plane, radius_mm: float, at_mm: float, level: float
) -> float:
    """Inset of a round mask whose dose has a level ``at_mm`` outside the design."""
    wanted = plane.far_mm(level)
    inset = wanted - at_mm
    limit = 0.9 * radius_mm if radius_mm > 0.0 else LARGEST_INSET_MM
    for _ in range(_ROUNDS):
        inset = min(max(inset, -0.9 * abs(radius_mm)), limit)
        dose = circle_dose(plane, radius_mm, inset, at_mm)
        move = wanted - plane.far_mm(dose)
        inset += move
        if abs(move) < _SETTLED_MM:
            break
    return min(inset, limit)


def _circle_offset(
    plane: Plane, radius_mm: float, inset_mm: float, level: float
) -> float:
    """Where the outline of a mask of some level lies."""
    wanted = plane.far_mm(level)
    at = wanted - inset_mm
    for _ in range(_ROUNDS):
        move = wanted - plane.far_mm(circle_dose(plane, radius_mm, inset_mm, at))
        at += move
        if abs(move) < _SETTLED_MM:
            break
    return at
