"""The sheet that goes with a base: settings, order of work, sanding, cautions."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from patterns import page

if TYPE_CHECKING:
    from fpdf import FPDF

    from patterns.page import Paper

PrintedAs = Literal["tilted", "lipped", "flat"]

_TITLES: dict[PrintedAs, str] = {
    "tilted": "Base, tilted on supports",
    "lipped": "Base, tilted with the lip",
    "flat": "Base, flat on the plate",
}
_UNSUPPORTED = _TITLES | {"tilted": "Base, tilted"}
GUESS = (
    "A guess: the insets below are by rule, not measured. Print and measure the flare "
    "coupon to have them solved."
)
_PLATE = {
    "flat": (
        "Print the file as it is, z = 0 on the plate: not raised, no raft, no "
        "supports, no scaling."
    ),
    "supported": (
        "Print the file as it is: tilt, supports and raft are in it. No supports of "
        "the slicer, no turning over, no laying flat, no scaling."
    ),
    "unsupported": (
        "Tilt and lip are in the file, supports are not: keep its tilt when you place "
        "it, raise it as your supports need, and support the low rim closely."
    ),
}
_OFF = (
    "Edge smoothing (anti-aliasing) and every bottom, size or shrinkage compensation "
    "off: what they would do is in the file already, or was measured without them."
)
_OFF_ELSEWHERE = (
    "Where you support it, switch off: turning to another tilt or laying flat, "
    "hollowing, drain holes, mending of the mesh, scaling, and any compensation of "
    "the bottom or of the size. Supports belong on the lip and the underside, not on "
    "the wall above the low rim."
)
_FREEING = {
    "flat": (
        "Free it from the side that is seen least: bend a flexible plate; on a rigid "
        "one set a thin plastic spatula flat on the plate under the edge and push "
        "slowly, away from your hands. The rim chips where metal is levered under it."
    ),
    "supported": (
        "Free it: set a plastic spatula's corner under the raft and peel the raft off "
        "with the base still on it; bend a flexible plate rather than force a blade."
    ),
}
_FREEING["unsupported"] = _FREEING["supported"]
_WASHING = (
    "Wash it, recesses and hollows too: liquid resin stays in cavities and creeps out "
    "later. Hold openings down, rinse each, let it dry wholly, look again."
)
_TAKING_OFF = (
    "Take the supports off before curing, softened in warm water, peeled from one end "
    "of the low rim to the other."
)
_CURING = "Cure it only when it is dry, then wait the same time as for your coupons."
CAVITIES = (
    "Cavities hold liquid resin under pressure: open them over a tray, with eye "
    "protection, and never cure one shut."
)

_WHY = "Why this way"
_NOTE_MM = 11.0  # room for a note of two lines
_PICTURE_SHARE = 0.94
_LONGEST_NAME = 50  # that has room beside a page's title


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseSheet:
    """What is told of one base.

    ``settings`` name and value; ``sanding`` sentences on what to sand to which
    thickness; ``notes`` further ones (risks, islands, what the pixels can't do);
    ``picture`` PNG of the ways, with ``picture_words`` below it; ``remark`` heads each
    page, where what it says must not be taken for more.  ``square_pixels``: how it may
    be turned on the plate, printed flat.
    """

    name: str
    printed_as: PrintedAs
    supports: bool
    guess: bool
    cavities: bool
    reason: str
    settings: tuple[tuple[str, str], ...]
    sanding: tuple[str, ...]
    notes: tuple[str, ...]
    picture: bytes
    picture_words: str
    remark: str = ""
    square_pixels: bool = True


def base_sheet_pdf(sheet: BaseSheet, paper: Paper) -> bytes:
    """Make a page on printing and working, and one with the ways in a picture.

    Parameters
    ----------
    sheet : BaseSheet
    paper : {"a4", "letter"}

    Returns
    -------
    bytes
        A PDF; the same sheet gives the same bytes.
    """
    pdf = page.document(f"Base {sheet.name}", paper)
    sheet = _in_the_font(sheet)
    _print_page(pdf, sheet)
    _ways_page(pdf, sheet)
    return bytes(pdf.output())


def order_of_work(sheet: BaseSheet) -> tuple[str, ...]:
    """Sentences from the plate to the finished base, in order."""
    kind = _kind(sheet)
    steps = [_FREEING[kind], _WASHING]
    if kind != "flat":
        steps.append(_TAKING_OFF)
    return (*steps, _CURING)


def _turns(sheet: BaseSheet) -> str:
    """Say how a base whose insets are whole pixels may be turned."""
    if sheet.printed_as != "flat":
        return ""
    turns = "quarter turns" if sheet.square_pixels else "half a turn"
    return f" Turn it on the plate by {turns} only."


def _in_the_font(sheet: BaseSheet) -> BaseSheet:
    """Put ? for letters of names that the sheet's font hasn't, and cut long names."""
    name = page.latin(sheet.name)
    if len(name) > _LONGEST_NAME:
        name = f"{name[: _LONGEST_NAME - 3]}..."
    return replace(
        sheet,
        name=name,
        reason=page.latin(sheet.reason),
        settings=tuple((what, page.latin(value)) for what, value in sheet.settings),
        notes=tuple(map(page.latin, sheet.notes)),
    )


def _kind(sheet: BaseSheet) -> str:
    if sheet.printed_as == "flat":
        return "flat"
    return "supported" if sheet.supports else "unsupported"


def _new_page(pdf: FPDF, sheet: BaseSheet, title: str) -> None:
    pdf.add_page()
    page.title(pdf, title, sheet.name)
    if sheet.remark:
        page.heading(pdf, sheet.remark)


def _print_page(pdf: FPDF, sheet: BaseSheet) -> None:
    kind = _kind(sheet)
    titles = _TITLES if sheet.supports else _UNSUPPORTED
    _new_page(pdf, sheet, titles[sheet.printed_as])
    if sheet.guess:
        page.heading(pdf, "A guess, not measured")
        page.points(pdf, [GUESS])
    page.heading(pdf, "Print it with exactly these settings")
    page.settings(pdf, sheet.settings)
    pdf.ln(1.5)
    off = (_OFF, _OFF_ELSEWHERE) if kind == "unsupported" else (_OFF,)
    page.points(pdf, (_PLATE[kind] + _turns(sheet), *off))
    page.heading(pdf, "Afterwards, in this order")
    page.points(pdf, order_of_work(sheet))
    page.heading(pdf, "Sanding")
    page.points(pdf, sheet.sanding)
    if sheet.cavities:
        page.points(pdf, [CAVITIES])
    page.cautions(pdf)


def _ways_page(pdf: FPDF, sheet: BaseSheet) -> None:
    _new_page(pdf, sheet, _WHY)
    page.points(pdf, [sheet.reason])
    top = pdf.get_y() + 1
    wide = _PICTURE_SHARE * pdf.epw
    left = (pdf.w - wide) / 2
    image = pdf.image(io.BytesIO(sheet.picture), x=left, y=top, w=wide)
    page.caption(pdf, top + image.rendered_height + 1, sheet.picture_words)
    pdf.ln(1)
    for note in sheet.notes:
        if pdf.get_y() > pdf.h - page.MARGIN_MM - _NOTE_MM:
            _new_page(pdf, sheet, _WHY)
        page.points(pdf, [note])
