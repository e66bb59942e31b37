"""The house style of every sheet: paper, inks, headings, points, cautions, outlines."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal, cast

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from fpdf import FPDF

Paper = Literal["a4", "letter"]
Colour = tuple[int, int, int]

MARGIN_MM = 16.0
FRAME_MM = 146.0
INK = (28, 30, 34)
SOFT = (120, 124, 130)
PART = (214, 220, 224)
FOOT = (150, 168, 176)
WARN = (250, 240, 214)
# One fixed moment, so that the same coupon gives the same bytes.
_EPOCH = datetime(2000, 1, 1, tzinfo=UTC)

CAUTIONS = (
    (
        "Uncured resin harms skin and can make you allergic for life: nitrile or "
        "neoprene gloves, eye protection, fresh air or extraction, no bare skin, no "
        "food near."
    ),
    (
        "Scrapers and blades slip: push away from your hands, wear gloves that "
        "resist cuts."
    ),
    (
        "Washing alcohol burns and its vapour explodes: no flame, spark or heat, "
        "lid on, never cure a part that is still wet with it."
    ),
    (
        "Sand only washed and cured parts, wet, with a dust mask (FFP2, N95 or "
        "better) and eye protection."
    ),
    (
        "Don't look into the exposure light. Resin and used alcohol never go down "
        "the drain."
    ),
    (
        "The resin's own safety data sheet, your local rules and qualified advice "
        "come before this sheet."
    ),
)


def document(name: str, paper: Paper) -> FPDF:
    """Open an empty document in millimetres."""
    from fpdf import FPDF

    pdf = FPDF(unit="mm", format=paper)
    pdf.set_creation_date(_EPOCH)
    pdf.set_title(name)
    pdf.set_lang("en")
    pdf.set_margin(MARGIN_MM)
    pdf.set_auto_page_break(auto=False)
    pdf.set_text_color(*INK)
    return pdf


def latin(text: str) -> str:
    """Put ? for letters that the sheets' fonts haven't."""
    return text.encode("latin-1", "replace").decode("latin-1")


def title(pdf: FPDF, text: str, coupon_id: str) -> None:
    """Head a page: what it is about on the left, which coupon on the right."""
    pdf.set_font("Helvetica", "B", 17)
    pdf.cell(0, 9, text)
    pdf.set_font("Helvetica", size=9)
    pdf.set_text_color(*SOFT)
    pdf.set_x(MARGIN_MM)
    pdf.cell(0, 9, coupon_id, align="R", new_x="LMARGIN", new_y="NEXT")
    pdf.set_text_color(*INK)
    pdf.ln(1)


def heading(pdf: FPDF, text: str) -> None:
    """Head a part of a page."""
    pdf.ln(2.5)
    pdf.set_font("Helvetica", "B", 11.5)
    pdf.cell(0, 6.5, text, new_x="LMARGIN", new_y="NEXT")


def settings(pdf: FPDF, rows: Iterable[tuple[str, str]]) -> None:
    """Set names and values in two columns."""
    for name, value in rows:
        pdf.set_font("Helvetica", size=10)
        pdf.cell(48, 5.6, name)
        pdf.set_font("Helvetica", "B", 10)
        pdf.multi_cell(0, 5.6, value, new_x="LMARGIN", new_y="NEXT", align="L")


def points(pdf: FPDF, points: Sequence[str]) -> None:
    """Set one square point for each sentence."""
    pdf.set_font("Helvetica", size=10)
    for point in points:
        pdf.set_fill_color(*INK)
        pdf.rect(pdf.l_margin + 0.8, pdf.get_y() + 2.1, 1.2, 1.2, style="F")
        pdf.set_x(pdf.l_margin + 4.5)
        pdf.multi_cell(0, 5.0, point, new_x="LMARGIN", new_y="NEXT", align="L")
        pdf.ln(0.6)


def command(pdf: FPDF, text: str, explained: str) -> None:
    """Set what to type next, and what to know about it."""
    pdf.set_font("Courier", size=10)
    pdf.multi_cell(0, 5.4, text, new_x="LMARGIN", new_y="NEXT")
    pdf.set_font("Helvetica", size=10)
    pdf.ln(1)
    pdf.multi_cell(0, 5.2, explained, new_x="LMARGIN", new_y="NEXT")


def caption(pdf: FPDF, y_mm: float, text: str) -> None:
    """Set small soft words across the page, and go on below them."""
    words(pdf, pdf.l_margin, y_mm, pdf.epw, text)
    pdf.set_xy(pdf.l_margin, y_mm + 4)


def cautions(pdf: FPDF) -> None:
    """Set the cautions, the same on every sheet, in a box that stands out."""
    pdf.ln(2.5)
    text = "\n".join(CAUTIONS)
    width = pdf.epw - 8
    pdf.set_font("Helvetica", size=9)
    height = cast(
        "float", pdf.multi_cell(width, 4.4, text, dry_run=True, output="HEIGHT")
    )
    pdf.set_fill_color(*WARN)
    top = pdf.get_y()
    pdf.rect(pdf.l_margin, top, pdf.epw, height + 10.5, style="F")
    pdf.set_xy(pdf.l_margin + 4, top + 2)
    pdf.set_font("Helvetica", "B", 10)
    pdf.cell(0, 5.5, "Take care", new_x="LMARGIN", new_y="NEXT")
    pdf.set_font("Helvetica", size=9)
    pdf.set_x(pdf.l_margin + 4)
    pdf.multi_cell(width, 4.4, text, new_x="LMARGIN", new_y="NEXT", align="L")


def outlines(
    pdf: FPDF, rings: Iterable[Iterable[tuple[float, float]]], colour: Colour
) -> None:
    """Fill closed outlines given in mm on the page; where two overlap stays open."""
    pdf.set_fill_color(*colour)
    pdf.set_draw_color(*SOFT)
    pdf.set_line_width(0.1)
    with pdf.new_path() as path:
        path.style.fill_color = "#{:02x}{:02x}{:02x}".format(*colour)
        path.style.stroke_color = "#{:02x}{:02x}{:02x}".format(*SOFT)
        path.style.stroke_width = 0.1
        path.style.intersection_rule = "evenodd"
        for ring in rings:
            first, *others = ring
            path.move_to(*first)
            for point in others:
                path.line_to(*point)
            path.close()


def picture_frame(pdf: FPDF, height_mm: float) -> tuple[float, float]:
    """Draw the frame of a photo across the page; gives its left and top."""
    left, top = (pdf.w - FRAME_MM) / 2, pdf.get_y() + 1
    pdf.set_draw_color(*INK)
    pdf.set_line_width(0.4)
    pdf.rect(left, top, FRAME_MM, height_mm)
    words(pdf, left, top + 2, FRAME_MM, "the whole picture")
    return left, top


def ruler(
    pdf: FPDF, left_mm: float, top_mm: float, height_mm: float, said: str
) -> None:
    """Draw a ruler across the frame of a photo, its marks upward."""
    pdf.set_fill_color(247, 245, 238)
    pdf.rect(left_mm, top_mm, FRAME_MM, height_mm, style="DF")
    pdf.set_line_width(0.12)
    for mm in range(2, int(FRAME_MM) - 1):
        long = 6.0 if mm % 10 == 0 else 4.6 if mm % 5 == 0 else 3.2
        pdf.line(left_mm + mm, top_mm, left_mm + mm, top_mm + long)
    words(pdf, left_mm, top_mm + 0.55 * height_mm, FRAME_MM, said)


def words(pdf: FPDF, x_mm: float, y_mm: float, width_mm: float, text: str) -> None:
    """Set small soft words in the middle of a width."""
    pdf.set_font("Helvetica", size=8)
    pdf.set_text_color(*SOFT)
    pdf.set_xy(x_mm, y_mm)
    pdf.cell(width_mm, 4, text, align="C")
    pdf.set_text_color(*INK)
