"""Recesses that close against the film, the force they may take and the vent.

The part hangs from the plate and grows downwards, towards the film.  While a layer is
at the film, a hollow it encloses is a cup whose mouth lies on the film.  What decides
is the cup's other end, towards the plate:

* Printed flat, a recess of the underside, and a hole right through, is closed there by
  the plate itself: from the first layer to the recess's roof every lift pulls a vacuum.
* Tilted, the underside faces the plate from a distance and its recess is open at that
  end: liquid flows in from behind, and nothing is pulled.
* A hollow in the top has the base behind it whichever way the base is printed.  Tilted,
  its lower side is still open while its upper side is closed, unless it is deep.  A
  shallow one, a valley between cobbles, isn't counted: its floor and all that is beside
  it were one full layer just before, which the film let go as well, and no vent would
  fit below its rim (reasoned, no source).

So a level cut's opening counts as closed where nothing above it, towards the plate, is
open: it is worked out cut by cut from the plate on.  That is on the safe side: a vent
that joins two chambers beyond the film isn't followed backwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import shapely

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

ATMOSPHERE_PA = 101325.0
VISCOSITY_PA_S = 0.3
LIFT_MM_PER_S = 1.0
"""Taken where the user gave none: common practice, no source."""

LITTLE_N = 5.0
"""Suction that asks for no vent (common practice, no source)."""

VENT_REST_N = 1.0
LEAST_VENT_MM = 2.0
_VENT_STEP_MM = 0.5
_LARGEST_VENT_MM = 10.0
_SHALLOW_MM = LEAST_VENT_MM
_ROOM = 0.9  # depth that a vent needs, in diameters; cuts miss a recess's very ends
_LEAST_MM2 = 1.0  # less pulls with a tenth of a newton at most
_OPEN_MM2 = 0.05  # less than this in common with the open is no way in


@dataclass(frozen=True, slots=True, kw_only=True)
class Vent:
    """A hole that lets liquid into a recess while the plate lifts.

    ``rest_n`` is the force left with it.  ``assumed`` names what was not given and
    taken as common practice.
    """

    diameter_mm: float
    length_mm: float
    rest_n: float
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Suction:
    """Recesses closed all round against the film, at the layer where they are largest.

    ``area_mm2``: of all of them together there; 0: none closes.  ``recesses``: how
    many.  ``force_cap_n``: one atmosphere on that area, which suction can't exceed.
    ``from_mm`` to ``to_mm`` above the plate: where something is closed.  ``vent``: for
    the largest of them.  ``words``: one sentence.
    """

    area_mm2: float
    recesses: int
    force_cap_n: float
    from_mm: float
    to_mm: float
    vent: Vent | None
    words: str

    @property
    def asks_for_vent(self) -> bool:
        """Whether there is enough of it to be worth a vent, and room for one."""
        return self.force_cap_n >= LITTLE_N and _has_room(self.vent, self.depth_mm)

    @property
    def depth_mm(self) -> float:
        """Height over which something is closed."""
        return self.to_mm - self.from_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Liquid:
    """What decides how easily resin flows; None: not given."""

    viscosity_pa_s: float | None = None
    lift_mm_per_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Material of a cut at a height above the plate: one polygon or several."""

    z_mm: float
    material: shapely.Geometry


def force_cap_n(area_mm2: float) -> float:
    """One atmosphere on an area: what suction can't exceed."""
    return ATMOSPHERE_PA * area_mm2 * 1e-6


def vent_pressure_pa(
    area_mm2: float,
    radius_mm: float,
    length_mm: float,
    viscosity_pa_s: float,
    lift_mm_per_s: float,
) -> float:
    """Pressure that drives liquid through a round vent while a cup lifts.

    8 eta L Q / (pi r^4) with Q = area times speed (Poiseuille; from memory).
    """
    flow_m3_per_s = area_mm2 * lift_mm_per_s * 1e-9
    length_m, radius_m = length_mm * 1e-3, radius_mm * 1e-3
    return 8.0 * viscosity_pa_s * length_m * flow_m3_per_s / (math.pi * radius_m**4)


def vent_for(area_mm2: float, length_mm: float, liquid: Liquid) -> Vent:
    """Find the smallest vent, in half millimetres, that leaves at most 1 N.

    Parameters
    ----------
    area_mm2 : float
        Of the recess.
    length_mm : float
        Of the vent: the wall's thickness.
    liquid : Liquid
    """
    eta, speed = liquid.viscosity_pa_s, liquid.lift_mm_per_s
    assumed = []
    if eta is None:
        eta = VISCOSITY_PA_S
        assumed.append(f"viscosity {eta:g} Pa s")
    if speed is None:
        speed = LIFT_MM_PER_S
        assumed.append(f"lift {speed:g} mm/s")
    diameter = LEAST_VENT_MM
    rest_n = _rest_n(area_mm2, diameter, length_mm, eta, speed)
    while rest_n > VENT_REST_N and diameter < _LARGEST_VENT_MM:
        diameter += _VENT_STEP_MM
        rest_n = _rest_n(area_mm2, diameter, length_mm, eta, speed)
    return Vent(
        diameter_mm=diameter,
        length_mm=length_mm,
        rest_n=rest_n,
        assumed=tuple(assumed),
    )


def find_suction(
    levels: Sequence[Level], *, on_plate: bool, wall_mm: float, liquid: Liquid
) -> Suction:
    """Find what closes against the film, cut by cut from the plate on.

    Parameters
    ----------
    levels : sequence of Level
        From the plate on.
    on_plate : bool
        Whether the first cut lies on the plate, which closes its openings.
    wall_mm : float
        How long a vent would be.
    liquid : Liquid
    """
    closed = closed_openings(levels, on_plate=on_plate)
    areas = [sum(opening.area for opening in found) for found in closed]
    if not areas or max(areas) <= 0.0:
        return Suction(
            area_mm2=0.0,
            recesses=0,
            force_cap_n=0.0,
            from_mm=0.0,
            to_mm=0.0,
            vent=None,
            words="Nothing closes against the film.",
        )
    worst = areas.index(max(areas))
    heights = [level.z_mm for level, area in zip(levels, areas, strict=True) if area]
    cap = force_cap_n(areas[worst])
    vent = vent_for(max(o.area for o in closed[worst]), wall_mm, liquid)
    return Suction(
        area_mm2=areas[worst],
        recesses=len(closed[worst]),
        force_cap_n=cap,
        from_mm=heights[0],
        to_mm=heights[-1],
        vent=vent,
        words=_words(
            areas[worst],
            cap,
            len(closed[worst]),
            vent if _has_room(vent, heights[-1] - heights[0]) else None,
            behind=all(closed[: worst + 1]),
        ),
    )


def closed_openings(
    levels: Iterable[Level], *, on_plate: bool
) -> list[list[shapely.Polygon]]:
    """Give the openings of each level that are closed all round and behind."""
    found: list[list[shapely.Polygon]] = []
    way_in: shapely.Geometry | None = None  # None: all of the plane is open behind
    hollows: list[_Hollow] = []
    floor_mm = -math.inf  # the plate
    for level in levels:
        openings = _openings(level.material)
        if way_in is None:
            closed = openings if on_plate else []
        else:
            shapely.prepare(way_in)
            closed = [o for o in openings if not _meet(o, way_in)]
        hollows = [_Hollow(o, _floor_mm(o, hollows, floor_mm)) for o in closed]
        deepest_mm = level.z_mm - _SHALLOW_MM
        found.append([h.opening for h in hollows if h.floor_mm <= deepest_mm])
        filled = shapely.union_all([level.material, *closed])
        way_in = shapely.box(*_round_about(filled)).difference(filled)
        floor_mm = level.z_mm
    return found


@dataclass(frozen=True, slots=True)
class _Hollow:
    """An opening of one level, and how far up its floor is."""

    opening: shapely.Polygon
    floor_mm: float


def _floor_mm(
    opening: shapely.Polygon, behind: Iterable[_Hollow], else_mm: float
) -> float:
    return min(
        (h.floor_mm for h in behind if _meet(h.opening, opening)), default=else_mm
    )


def _openings(material: shapely.Geometry) -> list[shapely.Polygon]:
    """Hollows of a cut, without what stands in them."""
    rings = [
        shapely.Polygon(ring)
        for part in shapely.get_parts(material)
        for ring in part.interiors
    ]
    hollows = [ring.difference(material) for ring in rings]
    return [hollow for hollow in hollows if hollow.area > _LEAST_MM2]


def _meet(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    return bool(other.intersects(one) and other.intersection(one).area > _OPEN_MM2)


def _round_about(shape: shapely.Geometry) -> tuple[float, float, float, float]:
    if shape.is_empty:
        return -1e4, -1e4, 1e4, 1e4
    low_x, low_y, high_x, high_y = shape.bounds
    return low_x - 1e3, low_y - 1e3, high_x + 1e3, high_y + 1e3


def _rest_n(
    area_mm2: float, diameter_mm: float, length_mm: float, eta: float, speed: float
) -> float:
    pressure = vent_pressure_pa(area_mm2, diameter_mm / 2.0, length_mm, eta, speed)
    return min(pressure * area_mm2 * 1e-6, force_cap_n(area_mm2))


def _has_room(vent: Vent | None, depth_mm: float) -> bool:
    return vent is not None and depth_mm >= _ROOM * vent.diameter_mm


def _words(
    area_mm2: float, cap_n: float, recesses: int, vent: Vent | None, *, behind: bool
) -> str:
    one, more = ("recess", "recesses") if behind else ("hollow", "hollows")
    of = "" if behind else " of the top"
    many = f"A {one}{of} closes" if recesses == 1 else f"{recesses} {more}{of} close"
    by = "between plate and film" if behind else "against the film"
    said = f"{many} {by}: {area_mm2:.0f} mm2, up to {cap_n:.0f} N at every lift"
    if cap_n < LITTLE_N:
        return f"{said}, too little to ask for a vent."
    if vent is None:
        return f"{said}, and too shallow for a vent."
    taken = f" ({', '.join(vent.assumed)} taken)" if vent.assumed else ""
    each = "" if recesses == 1 else " each"
    where = " through the wall, close to the underside" if behind else ""
    return (
        f"{said}; a vent of {vent.diameter_mm:g} mm{each}{where} leaves "
        f"{vent.rest_n:.1f} N{taken}."
    )
