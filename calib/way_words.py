"""A way's numbers in words, the same on the screen, on the sheet and in the picture."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.print_time import PrintTime
    from calib.suction import Suction
    from calib.ways import Resin, Sanding, Told, Way

NOT_MEASURED = "not measured"
NONE = "none"


def length_words(told: Told, *, size: bool = False) -> str:
    """Give a length with its 95 % interval, or say that there is none.

    ``size``: it can't be below zero, so its interval is told from zero on.
    """
    if told.interval is None:
        return NOT_MEASURED
    i = told.interval
    if i.low_mm == i.high_mm == 0.0:
        return NONE
    low = max(i.low_mm, 0.0) if size else i.low_mm
    return f"{i.value_mm:.3f} mm ({low:.3f} to {i.high_mm:.3f})"


def sanding_words(sanding: Sanding, *, stubs: bool) -> str:
    """Give the depth of what is sanded off; ``stubs``: of supports, they come first."""
    if sanding.depth_mm is None:
        return NOT_MEASURED
    if not sanding.depth_mm and stubs:
        return "stubs of the supports"
    told = f"{sanding.depth_mm:.2f} mm" if sanding.depth_mm else NONE
    needed = sanding.interval
    if needed is not None and needed.low_mm < needed.high_mm:
        told += f" ({needed.low_mm:.2f} to {needed.high_mm:.2f})"
    return f"{told} and the stubs" if stubs else told


def counted(count: int, one: str, more: str = "") -> str:
    """Give a number of things; ``more``: what several are called."""
    return f"{count} {one if count == 1 else more or one + 's'}"


def time_words(time: PrintTime | None) -> str:
    """Give hours and minutes, and say what they don't hold."""
    if time is None:
        return "no exposures known"
    minutes = math.ceil(time.counted_s / 60.0)
    told = f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{told}, without {' and '.join(time.unknown)}" if time.unknown else told


def resin_words(resin: Resin) -> str:
    """Give the resin of a print, and how much of it is thrown away."""
    told = f"{resin.total_ml:.1f} ml"
    extra = f"{resin.extra_ml:.1f}"
    return told if float(extra) <= 0.0 else f"{told}, {extra} of it waste"


def suction_words(suction: Suction) -> str:
    """Give the force in short, and the vent that ends it."""
    if not suction.area_mm2:
        return NONE
    told = f"up to {suction.force_cap_n:.0f} N on {suction.area_mm2:.0f} mm2"
    if suction.vent is None or not suction.asks_for_vent:
        return told
    return f"{told}, vent {suction.vent.diameter_mm:g} mm"


def way_lines(way: Way) -> tuple[tuple[str, str], ...]:
    """Name and words of everything a row says, what the person came for first."""
    rest: tuple[tuple[str, str], ...] = (
        ("flare", length_words(way.flare)),
        ("sanding", sanding_words(way.sanding, stubs=way.name != "flat")),
        ("layers", "-" if way.layers is None else str(way.layers)),
        ("time", time_words(way.time)),
        ("resin", resin_words(way.resin)),
        ("on a plate", str(way.fits)),
        ("suction", suction_words(way.suction)),
    )
    lines = (("rim departs", length_words(way.departure, size=True)), *rest)
    if way.offered:
        return lines
    told = () if math.isnan(way.height_mm) else ("suction",)  # it may be why
    return tuple((name, said if name in told else "-") for name, said in lines)
