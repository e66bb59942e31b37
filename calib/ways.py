"""The three ways to print a base, side by side: what each gives and what it takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calib.prediction import Interval
from calib.print_time import PrintTime
from calib.suction import Suction

WayName = Literal["tilted", "lipped", "flat"]
"""Tilted on supports, tilted with the lip, flat on the plate; rows in this order."""

WAY_WORDS: dict[WayName, str] = {
    "tilted": "tilted on supports",
    "lipped": "tilted with the lip",
    "flat": "flat on the plate",
}


FLAT_ENOUGH_MM = 0.05
"""How far an underside may depart from its plane to be taken for flat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A length that the bottle's own measurements tell, or nothing.

    ``words``: one sentence: what it is made of, or, where ``interval`` is None, why it
    isn't known and what would tell.
    """

    interval: Interval | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sanding:
    """What is to be sanded off, and how deep; ``depth_mm`` None: not known, 0: none.

    ``interval``: of the depth, where it follows from what was measured.
    """

    depth_mm: float | None
    words: str
    interval: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Resin:
    """Resin of one print of one base, in ml, as drawn: ``extra_ml`` is thrown away.

    ``extra_ml``: supports, raft and lip.
    """

    base_ml: float
    extra_ml: float

    @property
    def total_ml(self) -> float:
        """All of it."""
        return self.base_ml + self.extra_ml


@dataclass(frozen=True, slots=True, kw_only=True)
class WallProfile:
    """How far each raised layer's outline stands outside the body's, typically.

    ``plain_mm``: without insets; ``written_mm``: with them; plate layer first.
    """

    layer_mm: float
    plain_mm: tuple[float, ...]
    written_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One row of the comparison.

    ``refused``: empty, or the sentence why this way isn't offered, with what it would
    need.  ``tilt_deg``: 0 for flat; ``tilt_measured``: the bottle's tiles told it.
    ``departure``: largest departure of the finished rim.  ``flare``: how far the layer
    on the plate stands outside the wall, as this way is written; ``profile``: the same
    layer by layer, flat.  ``layers``: None where the way isn't known.  ``fits``: how
    many of this base go on one plate.  ``risks``: a sentence each.
    """

    name: WayName
    refused: str
    tilt_deg: float
    tilt_measured: bool
    departure: Told
    flare: Told
    profile: WallProfile | None
    sanding: Sanding
    height_mm: float
    layers: int | None
    time: PrintTime | None
    resin: Resin
    fits: int
    suction: Suction
    risks: tuple[str, ...]

    @property
    def offered(self) -> bool:
        """Whether the base can be printed this way as it is."""
        return not self.refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """Which way, and why.

    ``way``: None where nothing is measured that could tell.  ``reason``: one sentence.
    ``measure_next``: what to print and measure next, where the answer hangs on
    something not measured, with the coupon's command; None: it doesn't.
    """

    way: WayName | None
    reason: str
    measure_next: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Three ways to print one base, and the one to take.

    ``ways``: tilted, lipped, flat.  ``gap_mm``: distance kept between bases on the
    plate.  ``notes``: what holds for all ways, a sentence each.
    """

    base: str
    bottle: str | None
    printer: str
    ways: tuple[Way, Way, Way]
    recommendation: Recommendation
    gap_mm: float
    notes: tuple[str, ...]

    def way(self, name: WayName) -> Way:
        """One row by its name."""
        return next(way for way in self.ways if way.name == name)
