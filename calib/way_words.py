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


def length_words(told: Told) -> str:
    """Give a length with its 95 % interval, or say that there is none."""
    if told.interval is None:
        return NOT_MEASURED
    i = told.interval
    if i.low_mm == i.high_mm == 0.0:
        return NONE
    return f"{i.value_mm:.3f} mm ({i.low_mm:.3f} to {i.high_mm:.3f})"


def sanding_words(sanding: Sanding) -> str:
    """Give the depth of what is sanded off."""
    if sanding.depth_mm is None:
        return NOT_MEASURED
    return f"{sanding.depth_mm:.2f} mm" if sanding.depth_mm else NONE


def time_words(time: PrintTime | None) -> str:
    """Give hours and minutes, and say what they don't hold."""
    if time is None:
        return "no exposures known"
    minutes = math.ceil(time.counted_s / 60.0)
    told = f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{told}, without {' and '.join(time.unknown)}" if time.unknown else told


def resin_words(resin: Resin) -> str:
    """Give the resin of a print, and how much of it is thrown away."""
    if math.isnan(resin.total_ml):
        return "-"
    return f"{resin.total_ml:.1f} ml, {resin.extra_ml:.1f} of it not the base"


def suction_words(suction: Suction) -> str:
    """Give the force in short."""
    if not suction.area_mm2:
        return NONE
    return f"up to {suction.force_cap_n:.0f} N on {suction.area_mm2:.0f} mm2"


def way_lines(way: Way) -> tuple[tuple[str, str], ...]:
    """Name and words of everything a row says, what the person came for first."""
    return (
        ("rim departs", length_words(way.departure)),
        ("flare", length_words(way.flare)),
        ("sanding", sanding_words(way.sanding)),
        ("layers", str(way.time.layers) if way.time else "-"),
        ("time", time_words(way.time)),
        ("resin", resin_words(way.resin)),
        ("on a plate", str(way.fits) if way.fits else "none fits"),
        ("suction", suction_words(way.suction)),
    )
