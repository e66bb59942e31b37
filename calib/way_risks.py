"""What can go wrong on each way to print a base, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import shapely

from calib.adhesion import LIKE_AREA_RATIO
from calib.way_words import counted

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
    corners = len(base.rim.corners)
    chips = f"its {corners} corners chip first" if corners else "a thin edge chips"
    free = f"free it with a thin spatula from the side that isn't seen; {chips}."
    said = [f"{area:.0f} mm2 stick to the plate, perhaps too well: {free}"]
    if suction.area_mm2:
        said.append(suction.words)
    shut = _kept_words(base, shut=True)
    if shut:
        said.append(
            f"{shut} of liquid resin stay shut in between plate and roof until the "
            "base is freed: do that over a tray, and rinse the hollow."
        )
    if advice is not None:
        said += _known_of_flat(area, advice)
    return tuple(said)


def tilted_risks(
    base: Base, made: TiltedBase, suction: Suction, advice: TiltedAdvice | None
) -> tuple[str, ...]:
    """Say what can go wrong tilted, bare or with the lip, a sentence each."""
    said = []
    at_rim = sum(contact.place == "rim" for contact in made.contacts)
    if made.contacts and made.lip is None:
        said.append(
            f"{at_rim} contacts sit along the low rim: cutting them off may chip it."
        )
    if made.lip is not None:
        said.append(
            "The lip is cut and sanded off: wet and with a mask; sanded past it, the "
            "base gets lower and its rim is no longer the design's."
        )
        said += _lip_words(made, advice)
    if not made.spec.supports:
        told = ", and the rim is told as with the rim tiles' own" if advice else ""
        said.append(
            "Supports are left to you: what they add to layers, time and resin isn't "
            f"counted{told}."
        )
    said += _island_words(made)
    if suction.area_mm2:
        said.append(suction.words)
    kept = _kept_words(base, shut=False)
    if kept:
        said.append(
            f"The hollow looks up while it hangs and keeps up to {kept} of liquid "
            "resin: tip it out before washing."
        )
    if advice is not None:
        said += advice.advice.suggestion.cautions
    return tuple(said)


def _lip_words(made: TiltedBase, advice: TiltedAdvice | None) -> list[str]:
    """Say that a lip is not the tiles' own."""
    tiles = None if advice is None else advice.profile.lip_depth_mm(made.spec.tilt_deg)
    depth = made.spec.lip_depth_mm
    if tiles is None or depth is None or math.isclose(tiles, depth):
        return []
    said = f"The tiles' lip was {tiles:g} mm deep"
    return [f"{said}: what one of {depth:g} mm leaves was not measured."]


def _known_of_flat(area_mm2: float, advice: FlatAdvice) -> list[str]:
    """Say what the bottle's own coupons leave open; of holding, only where it bears."""
    found = advice.suggestion
    held = found.floor.held_area_mm2
    said = [words for words in found.cautions if words != found.floor.reason]
    if held is None:
        return [found.floor.reason, *said]
    if area_mm2 > LIKE_AREA_RATIO * held:
        bare = f"No print of more than {held:.0f} mm2 is known to hold at this exposure"
        return [f"{bare}.", *said]
    return said


def _island_words(made: TiltedBase) -> list[str]:
    """Count what stands on the base itself, and what nothing holds."""
    said = []
    standing = sum(island.footing == "base" for island in made.islands)
    if standing:
        said.append(
            f"{counted(standing, 'place')} of the top can only be held from the base "
            "itself, which is marked where those supports stand."
        )
    loose = len(made.unsupported)
    if loose:
        said.append(
            f"Nothing holds {counted(loose, 'place')} where the top begins in mid air: "
            "they may be missing, or stray in the vat."
        )
    return said


def _kept_words(base: Base, *, shut: bool) -> str:
    """Say how much resin recesses hold; empty: none.  Shut in, only those unvented."""
    kept = sum(
        recess.volume_mm3
        for recess in base.recesses
        if math.isfinite(recess.depth_mm) and not (shut and recess.vented)
    )
    if kept < _LEAST_MM3:
        return ""
    return f"{kept:.0f} mm3" if kept < _SMALL_MM3 else f"{kept / 1000.0:.1f} ml"
