"""Insets where the rim isn't a long straight edge: curves and round openings.

A layer's mask must give ``blur(mask) = level`` all along the outline that its part is
to have (:func:`calib.cure.flush_level`).  The inset is found along the rim by a fixed
point: where the dose is too high, the mask is drawn in by as much as a long straight
edge would have to be.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

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
_TINY_COSINE = 0.01
_SETTLED_MM = 1e-6
_ROUNDS = 14
_CIRCLE_SIDES = 120


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

    def at_mm(self, body_mm: float, insets_mm: Array) -> Plane:
        """Take the levels of a long wall with its body's outline and insets (J,)."""
        places = np.concatenate([[body_mm], body_mm + insets_mm])
        levels = self.resin.edge(places[None])[0][0]
        return replace(self, body_level=float(levels[0]), levels=levels[1:])

    def place_mm(self, level: Array) -> Array:
        """Distance from a long straight edge at which its dose has a level."""
        wanted = np.clip(np.asarray(level, float), 1e-6, 1.0 - 1e-6)
        flat: Array = self.resin.edge_inverse(wanted.reshape(1, -1))
        return flat.reshape(wanted.shape)

    def far_mm(self, level: float) -> float:
        """Like :meth:`place_mm`, for one level."""
        return float(self.place_mm(np.array([level]))[0])


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
