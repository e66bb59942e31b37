"""Results in words, for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.result import Refusal
from calib.cli.output import strong
from calib.cli.rim_words import shared_notes, tile_lines

if TYPE_CHECKING:
    from analysis.result import RulerReading

_NAMES = {
    "flare": "flare",
    "body_growth": "body growth",
    "flush_inset": "flush inset",
}


def scale_words(photo: str, reading: RulerReading | Refusal) -> str:
    """Say what the ruler gave."""
    if isinstance(reading, Refusal):
        return refused_words(photo, reading.message, reading.remedy)
    kept = int(reading.kept.sum())
    return (
        f"{photo}: {strong(f'{reading.px_per_mm:.3f} px per mm')} "
        f"(u {reading.u_px_per_mm:.3f}), from {kept} marks every "
        f"{reading.graduation_mm:g} mm"
    )


def refused_words(photo: str, message: str, remedy: str) -> str:
    """Say why there is no number."""
    return f"{photo}: {strong('not measured.')} {message}\n  {remedy}"


def measured_words(report: dict[str, Any]) -> str:
    """Say what one photo gave, from its report."""
    lines = []
    if report["refusal"]:
        refusal = report["refusal"]
        lines.append(
            refused_words(report["photo"], refusal["message"], refusal["remedy"])
        )
    else:
        lines.append(f"{report['photo']}: measured")
    tiles = [tile for tile in report["coupons"] if tile.get("kind") == "rim"]
    shared = shared_notes(tiles)
    for coupon in report["coupons"]:
        flare = coupon.get("kind") == "flare"
        lines += _coupon_lines(coupon) if flare else tile_lines(coupon, shared)
    lines += [f"  note: {note}" for note in shared]
    if report["picture"]:
        lines.append(f"  picture: {report['picture']}")
    return "\n".join(lines)


def _coupon_lines(coupon: dict[str, Any]) -> list[str]:
    lines = [f"  coupon {coupon['coupon_id']}"]
    for name, word in _NAMES.items():
        value, u = coupon[f"{name}_mm"], coupon[f"u_{name}_mm"]
        if value is not None:
            told = f"{value:.3f} mm (u {u:.3f})"
        elif name == "flare" and coupon["flare_upper_mm"] is not None:
            told = f"at most {coupon['flare_upper_mm']:.3f} mm"
        else:
            told = f"none: {coupon['reasons'][f'{name}_mm']}"
        lines.append(f"    {word:12s} {strong(told) if name == 'flare' else told}")
    if coupon["part_scale"] is not None:
        lines.append(
            f"    {'part scale':12s} {coupon['part_scale']:.4f} "
            f"(u {coupon['u_part_scale']:.4f})"
        )
    teeth = coupon["inset_ladder"] + coupon["start_ladder"]
    used = sum(tooth["used"] for tooth in teeth)
    lines.append(f"    {used} of {len(teeth)} teeth used")
    lines += [f"    note: {warning}" for warning in coupon["warnings"]]
    return lines
