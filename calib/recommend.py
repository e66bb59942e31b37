"""One way recommended of the three, with its reason and what to measure next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.prediction import Interval
from calib.rim_advice import WORTH_SANDING_MM, WORTH_TILTING_MM
from calib.ways import WAY_WORDS, Recommendation, Way, WayName

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.suction import Suction

SUCTION_LIMIT_N = 20.0
"""Suction that flat printing should not meet unvented (common practice, no source)."""

MENDABLE_MM = 0.1
"""Flare left by insets that sanding still evens out (common practice, no source)."""

FLARE_COUPON = "print and measure the flare coupon (`rimgauge coupon flare`)"
RIM_COUPON = "print and measure the rim tiles (`rimgauge coupon rims`)"

_COVERAGE_95 = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pick:
    """A way with what its rim is expected to depart by.

    A flare that insets don't mend counts whole: how such a one comes out when it is
    sanded off was measured on no coupon.
    """

    way: Way
    departure: Interval

    @classmethod
    def of(cls, way: Way) -> _Pick | None:
        """Take what is known of a way; None: nothing is."""
        flare = way.flare.interval
        if flare is not None and flare.value_mm > MENDABLE_MM:
            return cls(way=way, departure=flare)
        known = way.departure.interval
        return None if known is None else cls(way=way, departure=known)

    @property
    def name(self) -> WayName:
        return self.way.name

    @property
    def told(self) -> str:
        """The departure in words."""
        d = self.departure
        return f"{d.value_mm:.3f} mm ({max(d.low_mm, 0.0):.3f} to {d.high_mm:.3f})"

    def left(self, more: str = "") -> str:
        """Say what insets leave flat; ``more``: how it compares, if it does."""
        if self.departure is self.way.departure.interval:
            return f"flat, {self.told} would be left that no inset takes away{more}."
        return (
            f"flat, a flare of {self.told} would be left that no inset takes away, and "
            "how it sands off is not measured."
        )


def recommend(
    ways: Sequence[Way],
    *,
    bottle: str | None,
    tolerance_mm: float,
    second_print_s: float | None = None,
) -> Recommendation:
    """Take the way whose rim departs least, an easier one where it is nearly as good.

    Flat asks for no supports, so tilted must be better by
    :data:`~calib.rim_advice.WORTH_TILTING_MM` beyond doubt, or flat be out of
    tolerance; the lip must gain :data:`~calib.rim_advice.WORTH_SANDING_MM`.

    Parameters
    ----------
    ways : sequence of Way
        All three.
    bottle : str or None
        Its name; None: no bottle was named.
    tolerance_mm : float
        How far the wall of a flat print may stand from straight.
    second_print_s : float or None
        Bottom exposure of a second flare coupon, where its own advice asks for one.
    """
    by_name = {way.name: way for way in ways}
    flat, lipped = by_name["flat"], by_name["lipped"]
    picks = [pick for way in ways if (pick := _Pick.of(way)) is not None]
    if not any(way.offered for way in ways):
        return _nothing_offered(ways)
    if not picks:
        return _nothing_known(flat, bottle)
    against_flat = _against_flat(flat)
    usable = {
        pick.name: pick
        for pick in picks
        if pick.way.offered and not (pick.name == "flat" and against_flat)
    }
    tilted = _of_tilted(usable)
    if tilted is None:
        return _without_tiles(usable.get("flat"), lipped, flat, tolerance_mm)
    if against_flat:
        return Recommendation(
            way=tilted.name,
            reason=f"{_told_of(tilted, usable)}; {against_flat}",
            measure_next=_other_treatment(tilted, by_name),
        )
    if "flat" not in usable:
        return Recommendation(
            way=tilted.name,
            reason=f"{_told_of(tilted, usable)}; how flat comes out is not measured.",
            measure_next=f"To know how flat would compare, {FLARE_COUPON}.",
        )
    return _flat_or_tilted(
        usable["flat"],
        tilted,
        usable,
        tolerance_mm,
        second_s=second_print_s,
        untold=_other_treatment(tilted, by_name),
    )


def _nothing_offered(ways: Sequence[Way]) -> Recommendation:
    why = dict.fromkeys(way.refused for way in ways)
    return Recommendation(
        way=None,
        reason=f"It can't be printed here any way. {' '.join(why)}",
        measure_next=None,
    )


def _nothing_known(flat: Way, bottle: str | None) -> Recommendation:
    of = f"bottle {bottle}" if bottle else "a bottle of yours"
    beside = (
        ""
        if flat.offered
        else f" Whatever it tells, flat is not offered: {_within(flat.refused)}"
    )
    return Recommendation(
        way=None,
        reason=(
            f"Nothing is measured from {of}, so no way can be told from another."
            f"{beside}"
        ),
        measure_next=(
            f"First {FLARE_COUPON}, which tells flat, and {RIM_COUPON}, which tell "
            "tilt and lip."
        ),
    )


def _against_flat(flat: Way) -> str:
    """Why the base's form forbids flat, with the force; empty: it doesn't."""
    suction = flat.suction
    force = (
        f"its hollow would close between plate and film, {suction.area_mm2:.0f} mm2 "
        f"and up to {suction.force_cap_n:.0f} N at every lift"
        if suction.force_cap_n > SUCTION_LIMIT_N
        else ""
    )
    if flat.offered:
        return f"flat, {force}: {_remedy(suction)}." if force else ""
    if force:
        return f"flat, {force}, and it is not offered: {_within(flat.refused)}"
    return f"flat is not offered: {_within(flat.refused)}"


def _remedy(suction: Suction) -> str:
    if suction.vent is None or not suction.asks_for_vent:
        return "fill it first"
    return f"vent it first, with a hole of {suction.vent.diameter_mm:g} mm"


def _within(sentence: str) -> str:
    """Put a sentence within another: a small letter first, but for a name's."""
    first, _, rest = sentence.partition(" ")
    return f"{first.lower()} {rest}" if first in {"It", "Its", "The"} else sentence


def _of_tilted(usable: dict[WayName, _Pick]) -> _Pick | None:
    """Bare, but for a lip that gains enough to be worth its sanding."""
    bare, lipped = usable.get("tilted"), usable.get("lipped")
    if bare is None or lipped is None:
        return bare or lipped
    gain = bare.departure.value_mm - lipped.departure.value_mm
    return lipped if gain > WORTH_SANDING_MM else bare


def _told_of(pick: _Pick, usable: dict[WayName, _Pick]) -> str:
    """Say what the better of bare and lipped gives, beside the other."""
    told = f"{WAY_WORDS[pick.name].capitalize()} at {pick.way.tilt_deg:.0f} degrees "
    told += f"the rim departs by {pick.told}"
    other = usable.get("tilted" if pick.name == "lipped" else "lipped")
    if other is None:
        return told
    if pick.name == "lipped":
        return f"{told}, without the lip by {other.told}"
    return f"{told}, and the lip would gain too little to be sanded off"


def _other_treatment(pick: _Pick, by_name: dict[WayName, Way]) -> str | None:
    other = by_name["tilted" if pick.name == "lipped" else "lipped"]
    if other.departure.interval is not None:
        return None
    which = "lipped" if other.name == "lipped" else "bare"
    return f"No {which} tile was measured: {RIM_COUPON} of both kinds."


def _without_tiles(
    flat: _Pick | None, lipped: Way, flat_way: Way, tolerance_mm: float
) -> Recommendation:
    """Flat alone is known; the lip is what keeps any flare off the rim."""
    if flat is not None and abs(flat.departure.value_mm) <= tolerance_mm:
        return Recommendation(
            way="flat",
            reason=(
                f"Flat with its insets the rim departs by {flat.told}, within the "
                f"{tolerance_mm:g} mm allowed, with {_work(flat.way)}."
            ),
            measure_next=None,
        )
    why = _against_flat(flat_way) if flat is None else flat.left()
    return Recommendation(
        way="lipped" if lipped.offered else None,
        reason=(
            "Tilted with the lip, no flare reaches the rim, but how clean it comes "
            f"out is not measured; {why}"
        ),
        measure_next=f"To know tilt and lip, {RIM_COUPON}.",
    )


def _flat_or_tilted(
    flat: _Pick,
    tilted: _Pick,
    usable: dict[WayName, _Pick],
    tolerance_mm: float,
    *,
    second_s: float | None,
    untold: str | None,
) -> Recommendation:
    gain = flat.departure.value_mm - tilted.departure.value_mm
    u = float(np.hypot(flat.departure.u_mm, tilted.departure.u_mm))
    sure = abs(gain) > _COVERAGE_95 * u
    within = flat.departure.value_mm <= tolerance_mm
    next_one = (
        f"Flat hangs on one exposure: {FLARE_COUPON} again, with bottom layers of "
        f"{second_s:g} s."
        if second_s is not None
        else None
    )
    if gain > WORTH_TILTING_MM and (sure or not within):
        beyond = "" if sure else ", though not beyond doubt"
        return Recommendation(
            way=tilted.name,
            reason=(
                f"{_told_of(tilted, usable)}; "
                f"{flat.left(f', {gain:.3f} mm more{beyond}')}"
            ),
            measure_next=untold or (None if sure else next_one or _again()),
        )
    against = f"{WAY_WORDS[tilted.name]}, it would be {abs(gain):.3f} mm "
    if gain > WORTH_TILTING_MM:
        against += "less, but no difference is seen beyond doubt"
    elif gain > 0.0:
        against += "less, not worth the work"
    else:
        against += "more"
    return Recommendation(
        way="flat",
        reason=(
            f"Flat with its insets the rim departs by {flat.told}, with "
            f"{_work(flat.way)}; {against}."
        ),
        measure_next=next_one
        or (None if sure or gain < WORTH_TILTING_MM else _again()),
    )


def _work(flat: Way) -> str:
    if flat.sanding.depth_mm:
        return f"{flat.sanding.depth_mm:.2f} mm to sand off and nothing to support"
    return "nothing to support or to sand off"


def _again() -> str:
    return f"Flat and tilted lie within each other's doubt: {RIM_COUPON} once more."
