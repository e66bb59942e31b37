"""Every reason for giving no number, listed once; the documents' table comes from here.

A refusal is a value, not an exception: it says in one sentence what is wrong with the
photo and in another what to do about it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from string import Formatter

from analysis.result import Refusal


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """One reason for refusing; ``{names}`` in the message are filled in with facts."""

    code: str
    message: str
    remedy: str

    @property
    def facts(self) -> frozenset[str]:
        """Names that the message wants filled in."""
        return frozenset(
            name for _, name, _, _ in Formatter().parse(self.message) if name
        )


_LISTED = (
    Code(
        code="not_a_photo",
        message="{file} can't be used as a photo: {why}.",
        remedy="Give the photo as the camera or scanner saved it: JPEG, PNG or HEIC.",
    ),
    Code(
        code="too_large",
        message="{file} has {megapixels:.0f} megapixels, too many to open safely.",
        remedy="Save it as JPEG, or take the photo with the camera's 12 megapixel "
        "setting.",
    ),
    Code(
        code="no_ruler",
        message="No ruler's graduation was found in the photo.",
        remedy="Lay a ruler with millimetre marks along the coupon's long side, flat "
        "and in focus, and take the photo again; or measure with --scale-from-coupon.",
    ),
    Code(
        code="ruler_inch",
        message="The ruler's edge that can be read is divided in inches ({division}).",
        remedy="Turn the ruler so that its millimetre edge lies beside the coupon.",
    ),
    Code(
        code="ruler_unreadable",
        message="A ruler was found, but its marks can't be read with certainty: {why}.",
        remedy="Take the photo from closer, in focus, without glare or fingers on the "
        "marks; or measure with --scale-from-coupon.",
    ),
    Code(
        code="reading_ambiguous",
        message="The ruler's marks can be read in more than one way: {why}.",
        remedy="Show at least three centimetres of the ruler's millimetre edge with "
        "its long and short marks; or measure with --scale-from-coupon.",
    ),
    Code(
        code="scale_conflict",
        message="By the ruler the coupon was printed at {part_scale:.3f} times its "
        "size, outside 0.97 to 1.03: either the ruler was misread or the part was "
        "printed at another size.",
        remedy="Check that the slicer's scale is 100 % and the ruler is metric, or "
        "measure with --scale-from-coupon.",
    ),
    Code(
        code="no_coupon",
        message="No coupon was found in the photo.",
        remedy="Photograph the coupon from above with its plate side up, whole, at "
        "20 px per millimetre or more, on a background of another brightness.",
    ),
    Code(
        code="cut_off",
        message="The coupon is not wholly in the photo.",
        remedy="Take the photo again with the whole coupon and some background "
        "around it.",
    ),
    Code(
        code="code_unreadable",
        message="The coupon's edge code can't be read: {why}.",
        remedy="Clean resin out of the notches at both short ends, uncover them, and "
        "take the photo again.",
    ),
    Code(
        code="unknown_coupon",
        message="The coupon's code is {number}, and no manifest with that code is "
        "known.",
        remedy="Name its manifest with --manifest.",
    ),
    Code(
        code="ambiguous_coupon",
        message="More than one known coupon has the code {number}.",
        remedy="Name the right manifest with --manifest.",
    ),
    Code(
        code="mirrored_or_wrong_face",
        message="The coupon shows the wrong face or the picture is mirrored.",
        remedy="Lay the coupon with the side that was on the plate up; if it is, "
        "switch off mirroring in the camera or the slicer.",
    ),
    Code(
        code="curled",
        message="The coupon is curled by {height_mm:.1f} mm, more than 1 mm.",
        remedy="Press it flat under a sheet of clean glass or print it again with a "
        "longer wash and cure under a weight.",
    ),
    Code(
        code="see_through",
        message="The coupon is see-through: its edges can't be told from what lies "
        "behind it.",
        remedy="Lay it on a matt dark or brightly lit plain surface, or dust it with "
        "powder.",
    ),
    Code(
        code="blurred",
        message="The photo is blurred: edges are {blur_px:.1f} px wide.",
        remedy="Hold the camera still, let it focus on the coupon, and use more light.",
    ),
    Code(
        code="exposure",
        message="The photo is {what}.",
        remedy="Set the exposure so that neither the coupon nor the background is "
        "black or white.",
    ),
    Code(
        code="too_few_px",
        message="The photo shows {px_per_mm:.1f} px per millimetre, under 10.",
        remedy="Go closer or use the 2x lens, so that the coupon fills most of the "
        "picture's width.",
    ),
    Code(
        code="too_oblique",
        message="The photo was taken {tilt_deg:.0f} degrees away from straight down.",
        remedy="Hold the camera level, straight above the coupon.",
    ),
    Code(
        code="one_sided_light",
        message="Neither long side can be read: light from one side leaves shadows "
        "along the edges.",
        remedy="Light the coupon from all round, or lay it on a lit white screen.",
    ),
    Code(
        code="low_contrast",
        message="The coupon hardly differs in brightness from what it lies on.",
        remedy="Lay it on a lit white screen, or on paper that is much lighter or "
        "darker than the resin.",
    ),
    Code(
        code="no_flare",
        message="The coupon was found, but its flare can't be read: {why}.",
        remedy="Light the coupon evenly from all round and take the photo again.",
    ),
    Code(
        code="no_rim",
        message="Rim tiles were found, but none can be measured: {why}.",
        remedy="Light the tiles evenly from all round and take the photo again.",
    ),
    Code(
        code="no_tiles",
        message="No rim tile and no edge stand was found in the photo.",
        remedy="Photograph the tiles from above, bottom face up, whole, or standing "
        "round the edge stand with its holes in view, at 20 px per millimetre or more, "
        "on a background of another brightness.",
    ),
    Code(
        code="tile_cut_off",
        message="A rim tile is not wholly in the photo.",
        remedy="Take the photo again with the whole tile and some background around "
        "it.",
    ),
    Code(
        code="tiles_touching",
        message="A rim tile touches another one.",
        remedy="Lay the tiles at least 5 mm apart.",
    ),
    Code(
        code="tile_broken",
        message="A rim tile is broken, or something lies over it.",
        remedy="Take away what covers it, or print it again.",
    ),
    Code(
        code="tile_wrong_face",
        message="A rim tile lies with its feet up, or the picture is mirrored.",
        remedy="Lay the tile on its feet; if it is, switch off mirroring in the camera "
        "or the slicer.",
    ),
    Code(
        code="tile_code",
        message="A rim tile's code can't be read: {why}.",
        remedy="Clean resin out of the notches in its back edge and light them from "
        "all round.",
    ),
    Code(
        code="tile_unknown",
        message="A rim tile is of another set: its code says {what}.",
        remedy="Name the manifest of its set with --manifest.",
    ),
    Code(
        code="tile_twice",
        message="More than one tile in the photo has the code of {coupon_id}.",
        remedy="Take away the one that was not meant; a second print of a tile needs "
        "a photo of its own.",
    ),
    Code(
        code="no_hub",
        message="The edge stand's holes were not found in the photo.",
        remedy="Photograph the stand from above with its holes in view, in focus and "
        "evenly lit, at 20 px per millimetre or more.",
    ),
    Code(
        code="hub_mirrored",
        message="The edge stand's holes are mirrored.",
        remedy="Switch off mirroring in the camera or the slicer.",
    ),
    Code(
        code="bay_unread",
        message="The tile in bay {bay} of the edge stand can't be told: {why}.",
        remedy="Push the tile home in its bay, light its feet, and hold the camera "
        "above the middle of the hub.",
    ),
)

CODES: dict[str, Code] = {listed.code: listed for listed in _LISTED}


def refuse(code: str, **facts: object) -> Refusal:
    """Make the refusal ``code``.

    Parameters
    ----------
    code : str
        A key of :data:`CODES`.
    **facts : object
        What the code's message wants filled in, exactly.

    Raises
    ------
    ValueError
        Facts are missing or not asked for: a fault in the program.
    """
    listed = CODES[code]
    if facts.keys() != listed.facts:
        raise ValueError(f"{code} wants the facts {sorted(listed.facts)}")
    return Refusal(
        code=code, message=listed.message.format(**facts), remedy=listed.remedy
    )


def refusal_table() -> str:
    """Write all refusals as a Markdown table, for the documents."""
    rows = ["| code | what is wrong | what to do |", "|---|---|---|"]
    for listed in _LISTED:
        message = re.sub(r"\{(\w+)[^}]*\}", r"*\1*", listed.message).replace("_", " ")
        rows.append(f"| `{listed.code}` | {message} | {listed.remedy} |")
    return "\n".join(rows)
