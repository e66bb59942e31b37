"""Recesses that close against the film, the force they may take and the vent."""

from __future__ import annotations

from dataclasses import dataclass


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

    ``area_mm2``: of all of them together there; 0: none closes.  ``force_cap_n``: one
    atmosphere on that area, which suction can't exceed.  ``from_mm`` to ``to_mm``
    above the plate: layers at which something is closed.  ``words``: one sentence.
    """

    area_mm2: float
    force_cap_n: float
    from_mm: float
    to_mm: float
    vent: Vent | None
    words: str
