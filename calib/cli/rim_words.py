"""Rim tiles in words, for people: what was measured, and what is suggested."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calib.cli.output import strong
from calib.rim_merit import SANDING_MM

if TYPE_CHECKING:
    from collections.abc import Container

    from calib.prediction import Interval
    from calib.rim_advice import RimSuggestion, TreatmentAdvice
    from calib.rim_profile import RimAdvice

_NAMES = {
    "radius": "radius",
    "form": "form",
    "sag": "sag",
    "cos2phi": "uneven shrinkage",
    "roughness_sigma": "roughness sigma",
    "edge_spread": "edge spread",
    "edge_radius": "edge radius",
    "back_straightness": "back edge",
}
_STRONG = frozenset({"sag", "form"})
_WIDTH = 17


def shared_notes(tiles: list[dict[str, Any]]) -> list[str]:
    """Give the warnings that all tiles of a photo carry: they are the photo's own."""
    if len(tiles) < 2:
        return []
    first, *others = (tile["warnings"] for tile in tiles)
    return [note for note in first if all(note in other for other in others)]


def tile_lines(tile: dict[str, Any], told: Container[str] = ()) -> list[str]:
    """Say what one tile gave, from its object in the report; not what was told."""
    if "merged_into" in tile:
        return [f"  tile {tile['coupon_id']}: see {tile['merged_into']}"]
    what = "lipped" if tile["lipped"] else "bare"
    lines = [f"  tile {tile['coupon_id']}, {tile['tilt_deg']:g} degrees, {what}"]
    for name, word in _NAMES.items():
        value = _told(tile, name)
        value = strong(value) if name in _STRONG else value
        lines.append(f"    {word:{_WIDTH}s}{value}")
    lines += [_chip_line(chip) for chip in tile["chips"]]
    lines += [f"    note: {note}" for note in tile["warnings"] if note not in told]
    return lines


def _chip_line(chip: dict[str, float]) -> str:
    return (
        f"    chip at {chip['phi_deg']:+.0f} degrees, {chip['width_mm']:.2f} mm wide, "
        f"{chip['depth_mm']:.2f} mm deep"
    )


def rim_lines(advice: RimAdvice, tiles: int) -> list[str]:
    """Say what is suggested for tilted printing."""
    said = advice.suggestion
    low, high = said.tested_deg
    whence = f"from {tiles} tiles of {low:g} to {high:g} degrees"
    return [
        f"{strong('Tilted')}, {whence}: {said.reason}",
        *_chosen_lines(said),
        *(_treatment_line(treatment) for treatment in said.treatments),
        *_gain_lines(said),
        *_flat_lines(said),
        *(
            f"    {_NAMES[name]:{_WIDTH}s}{_interval(value)}"
            for name, value in advice.quantities.items()
        ),
        *(f"  - {words}" for words in _cautions(said)),
    ]


def _cautions(said: RimSuggestion) -> tuple[str, ...]:
    flat = () if said.flat is None else (said.flat.words,)
    return (*flat, *said.cautions)


def _chosen_lines(said: RimSuggestion) -> list[str]:
    which = "with the lip" if said.lipped else "without the lip"
    tilt = strong(f"{said.tilt_deg:.0f} degrees, {which}")
    between = f"{said.tilt_low_deg:.0f} and {said.tilt_high_deg:.0f} degrees"
    below = f"19 of 20 tiles stay below {said.departure_95_mm:.3f} mm"
    return [
        f"  tilt {tilt}; the best lies between {between} (95 %)",
        f"  largest departure of the finished rim: {_interval(said.departure)}",
        f"    {below}",
    ]


def _told(tile: dict[str, Any], name: str) -> str:
    value = tile[f"{name}_mm"]
    if value is not None:
        return f"{value:.3f} mm (u {tile[f'u_{name}_mm']:.3f})"
    if f"{name}_upper_mm" in tile:
        return f"at most {tile[f'{name}_upper_mm']:.3f} mm"
    return f"none: {tile['reasons'][f'{name}_mm']}"


def _treatment_line(treatment: TreatmentAdvice) -> str:
    which = "lipped" if treatment.lipped else "bare"
    return (
        f"    {which:6s} best at {treatment.tilt_deg:.0f} degrees "
        f"({treatment.tilt_low_deg:.0f} to {treatment.tilt_high_deg:.0f}): "
        f"{_interval(treatment.departure)}"
    )


def _gain_lines(said: RimSuggestion) -> list[str]:
    if said.lip_gain is None:
        return []
    seen = "" if said.difference_seen else ": no difference seen"
    gain = _interval(said.lip_gain, sign="+")
    return [f"    the lip gains {gain}, {SANDING_MM:g} mm of sanding counted{seen}"]


def _flat_lines(said: RimSuggestion) -> list[str]:
    if said.flat is None:
        return []
    flat, gain = _interval(said.flat.flat), _interval(said.flat.gain, sign="+")
    return [f"    flat, as suggested: {flat}; tilting gains {gain}"]


def _interval(length: Interval, sign: str = "") -> str:
    low, high = (f"{mm:{sign}.3f}" for mm in (length.low_mm, length.high_mm))
    return f"{length.value_mm:{sign}.3f} mm ({low} to {high})"
