"""How low the bottom exposure may go before prints come off the plate.

Nothing here is a model: only what prints did.  A coupon that held says nothing certain
about a base of another size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

RAISE_AFTER_FAILURE = 1.25
"""How much further to go than the longest exposure that failed (common practice)."""

LIKE_AREA_RATIO = 1.5
"""A larger contact area than this times the largest that held is new ground."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a print with given bottom layers stayed on the plate."""

    outcome: Literal["held", "partly", "fell off"]
    bottom_exposure_s: float
    bottom_layers: int
    contact_area_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """The shortest bottom exposure that prints speak for, and the sentence why.

    ``held_area_mm2``: largest contact area that held at or below the floor's exposure;
    None when none is known.
    """

    bottom_exposure_s: float
    held_area_mm2: float | None
    known: bool
    reason: str


def adhesion_floor(present_s: float, outcomes: Sequence[Outcome]) -> Floor:
    """Find the floor from recorded prints.

    Parameters
    ----------
    present_s : float
        Bottom exposure in use.
    outcomes : sequence of Outcome
        All recorded prints of the bottle on this printer; may be empty.
    """
    if not outcomes:
        return Floor(
            bottom_exposure_s=present_s,
            held_area_mm2=None,
            known=False,
            reason=(
                f"No print's outcome is recorded, so the present {present_s:g} s is "
                "taken as the floor and only the inset moves."
            ),
        )
    failed = [o.bottom_exposure_s for o in outcomes if o.outcome != "held"]
    worst = max(failed, default=0.0)
    held = [o for o in outcomes if o.outcome == "held" and o.bottom_exposure_s > worst]
    if not held:
        floor_s = max(RAISE_AFTER_FAILURE * worst, present_s)
        return Floor(
            bottom_exposure_s=floor_s,
            held_area_mm2=None,
            known=False,
            reason=(
                f"A print did not hold at {worst:g} s and none is known to hold above "
                f"it: try {floor_s:g} s next and record how it goes."
            ),
        )
    least = min(o.bottom_exposure_s for o in held)
    area = max(o.contact_area_mm2 for o in held if o.bottom_exposure_s <= least + 1e-9)
    return Floor(
        bottom_exposure_s=least,
        held_area_mm2=area,
        known=True,
        reason=(
            f"A print with {area:.0f} mm2 on the plate held at {least:g} s; that does "
            "not prove that a base of 60 mm (2800 mm2) or more holds."
        ),
    )
