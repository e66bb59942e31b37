"""What can go wrong on each way to print a base, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import shapely

from calib.adhesion import LIKE_AREA_RATIO
from calib.way_words import counted
from calib.ways import FLAT_ENOUGH_MM

if TYPE_CHECKING:
    from calib.advised import FlatAdvice, TiltedAdvice
    from calib.suction import Suction
    from patterns.base import Base
    from patterns.tilted_spec import TiltedBase

_LEAST_MM3 = 0.5
_SMALL_MM3 = 100.0  # less is told in mm3


def on_plate_mm2(base: Base) -> float:
    """Area on the plate of a base printed flat."""
    taken = sum(recess.area_mm2 for recess in base.recesses)
    return float(shapely.Polygon(base.rim.outline).area) - taken


def flat_risks(
    base: Base, suction: Suction, advice: FlatAdvice | None
) -> tuple[str, ...]:
    """Say what can go wrong flat on the plate, a sentence each."""
    area = on_plate_mm2(base)
    known = () if advice is None else _known_of_flat(area, advice)
    return _said(
        _freeing(base, area), _suction(suction), _kept(base, shut=True), *known
    )


def tilted_risks(
    base: Base, made: TiltedBase, suction: Suction, advice: TiltedAdvice | None
) -> tuple[str, ...]:
    """Say what can go wrong tilted, bare or with the lip, a sentence each."""
    known = () if advice is None else advice.advice.suggestion.cautions
    return _said(
        *((_contacts(made),) if made.lip is None else _lip(base, made, advice)),
        "" if made.spec.supports else _left_to_you(told=advice is not None),
        _on_itself(made),
        _on_nothing(made),
        _suction(suction),
        _kept(base, shut=False),
        *known,
    )


def _said(*sentences: str) -> tuple[str, ...]:
    """Leave out what there is nothing to say of."""
    return tuple(filter(None, sentences))


def _freeing(base: Base, area_mm2: float) -> str:
    corners = len(base.rim.corners)
    chips = f"its {corners} corners chip" if corners > 1 else "its edge chips"
    return (
        f"{area_mm2:.0f} mm2 hold to the plate, perhaps too well: free it with a thin "
        f"spatula from the side that is seen least; {chips} first."
    )


def _suction(suction: Suction) -> str:
    return suction.words if suction.area_mm2 else ""


def _contacts(made: TiltedBase) -> str:
    at_rim = sum(contact.place == "rim" for contact in made.contacts)
    if not made.contacts:
        return ""
    return f"{at_rim} contacts sit along the low rim: cutting them off may chip it."


def _lip(base: Base, made: TiltedBase, advice: TiltedAdvice | None) -> tuple[str, ...]:
    """Say what sanding it asks for, that it isn't the tiles' own, or has no hold."""
    return (
        (
            "The lip is cut and sanded off: wet and with a mask; sanded past it, the "
            "base gets lower and its rim is no longer the design's."
        ),
        _not_the_tiles_own(made, advice),
        (
            f"The underside is bent by {base.flatness_mm:.2f} mm, so the lip doesn't "
            "meet the rim everywhere: make it flat in a mesh editor first."
            if base.flatness_mm > FLAT_ENOUGH_MM
            else ""
        ),
    )


def _not_the_tiles_own(made: TiltedBase, advice: TiltedAdvice | None) -> str:
    tiles = None if advice is None else advice.profile.lip_depth_mm(made.spec.tilt_deg)
    depth = made.spec.lip_depth_mm
    if tiles is None or depth is None or math.isclose(tiles, depth):
        return ""
    return (
        f"The tiles' lip was {tiles:g} mm deep: what one of {depth:g} mm leaves was "
        "not measured."
    )


def _left_to_you(*, told: bool) -> str:
    said = ", and the rim is told as with the rim tiles' own" if told else ""
    return (
        "Supports are left to you: what they add to layers, time and resin isn't "
        f"counted{said}."
    )


def _on_itself(made: TiltedBase) -> str:
    standing = sum(island.footing == "base" for island in made.islands)
    if not standing:
        return ""
    return (
        f"{counted(standing, 'place')} of the top can only be held from the base "
        "itself, which is marked where those supports stand."
    )


def _on_nothing(made: TiltedBase) -> str:
    loose = len(made.unsupported)
    if not loose:
        return ""
    return (
        f"Nothing holds {counted(loose, 'place')} where the top begins in mid air: "
        "they may be missing, or stray in the vat."
    )


def _kept(base: Base, *, shut: bool) -> str:
    """Say what liquid resin recesses keep: between plate and roof, or hanging."""
    held = [
        recess.volume_mm3
        for recess in base.recesses
        if math.isfinite(recess.depth_mm) and not (shut and recess.vented)
    ]
    kept = sum(held)
    if kept < _LEAST_MM3:
        return ""
    told = f"{kept:.0f} mm3" if kept < _SMALL_MM3 else f"{kept / 1000.0:.1f} ml"
    if shut:
        return (
            f"{told} of liquid resin stay shut in between plate and roof until the "
            "base is freed: do that over a tray, and rinse what held it."
        )
    looks = (
        "hollow looks up and keeps" if len(held) == 1 else "hollows look up and keep"
    )
    return (
        f"While the base hangs tilted its {looks} up to {told} of liquid resin: tip it "
        "out before washing."
    )


def _known_of_flat(area_mm2: float, advice: FlatAdvice) -> tuple[str, ...]:
    """Say what the bottle's own coupons leave open; of holding, only where it bears."""
    found = advice.suggestion
    held = found.floor.held_area_mm2
    said = tuple(words for words in found.cautions if words != found.floor.reason)
    if held is None:
        return (found.floor.reason, *said)
    if area_mm2 > LIKE_AREA_RATIO * held:
        bare = f"No print of more than {held:.0f} mm2 is known to hold at this exposure"
        return (f"{bare}.", *said)
    return said
