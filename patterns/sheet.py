"""The sheet that goes with a coupon: how to print it, how to photograph it."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from patterns import page
from patterns.page import FOOT, PART

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fpdf import FPDF

    from patterns.manifest import Manifest
    from patterns.page import Colour, Paper

PRINTING = (
    (
        "Lay it flat on the build plate at z = 0, plate face down: not raised, no "
        "supports, no raft, no rotation, no mirroring, no scaling."
    ),
    (
        "Switch edge smoothing (anti-aliasing) off, and every bottom, size or "
        "shrinkage compensation off. If one can't be switched off, write it down "
        "with the print: the coupon then measures it too."
    ),
    (
        "Put it where your bases usually stand on the plate, and print it alone or "
        "with the same load each time."
    ),
)
AFTERWARDS = (
    (
        "Free it with a scraper's corner at the recess in the middle of one short "
        "end; bend a flexible plate rather than force a blade."
    ),
    (
        "Wash the gaps between the teeth and the holes out, let it dry, cure it, "
        "and wait the same time each print (a day is good) before you photograph "
        "it."
    ),
    (
        "Press it flat between two flat things while it is dry. More than 1 mm of "
        "bow can't be measured."
    ),
)
PHOTOGRAPHING = (
    "Plate side up: the face that was on the plate looks at the camera.",
    (
        "Put it on a lit white screen, or on matt paper that contrasts with the "
        "resin: white for dark resin, dark for white resin. Never dark on dark."
    ),
    (
        "Light from all round: an overcast window and a white card opposite, no "
        "lamp from one side, no flash."
    ),
    (
        "Lay a ruler with millimetre marks along one long side, 3 to 6 mm away, its "
        "face level with the coupon's plate face (pack the lower one up), both "
        "whole in the picture."
    ),
    (
        "Use the 2x lens from farther away (25 cm or more) rather than the wide "
        "lens from near, straight from above. Let the coupon fill the width. Hold "
        "still, tap the coupon to focus."
    ),
    (
        "A flatbed scanner is the better choice: 1200 dpi, plate side on the glass, "
        "beside the ruler, no correction, a sheet of white paper on top."
    ),
)


def sheet_pdf(manifest: Manifest, paper: Paper) -> bytes:
    """Two pages: settings and cautions, then photographing.

    Parameters
    ----------
    manifest : Manifest
    paper : {"a4", "letter"}

    Returns
    -------
    bytes
        A PDF; the same manifest gives the same bytes.
    """
    pdf = page.document(f"Flare coupon {manifest.coupon_id}", paper)
    _print_page(pdf, manifest)
    _photo_page(pdf, manifest)
    return bytes(pdf.output())


def settings_rows(manifest: Manifest) -> tuple[tuple[str, str], ...]:
    """Name and value of every setting the coupon must be printed with."""
    spec = manifest.spec
    wait = spec["wait_before_exposure_s"]
    transition = spec["transition_exposures_s"]
    return (
        ("Layer height", f"{manifest.layer_mm:g} mm"),
        (
            "Bottom layers",
            _runs(spec["bottom_exposures_s"]),
        ),
        ("Transition layers", _runs(transition) if transition else "none (0)"),
        (
            "Normal layers",
            (
                f"{manifest.layers - _raised(manifest)} of "
                f"{spec['normal_exposure_s']:g} s"
            ),
        ),
        (
            "Wait before exposure",
            f"{wait:g} s" if wait is not None else "as you always do; write it down",
        ),
        (
            "Mask pixel",
            f"{manifest.pixel_x_mm * 1e3:g} x {manifest.pixel_y_mm * 1e3:g} um",
        ),
        (
            "Size",
            " x ".join(f"{mm:.4g}" for mm in manifest.size_mm)
            + f" mm, {manifest.layers} layers, {manifest.volume_mm3 / 1e3:.1f} ml",
        ),
    )


def _raised(manifest: Manifest) -> int:
    spec = manifest.spec
    return len(spec["bottom_exposures_s"]) + len(spec["transition_exposures_s"])


def _runs(seconds: Sequence[float]) -> str:
    """Count runs of equal exposures: '5 of 30 s, 1 of 20 s'."""
    return ", ".join(f"{len(list(run))} of {s:g} s" for s, run in groupby(seconds))


def _print_page(pdf: FPDF, manifest: Manifest) -> None:
    pdf.add_page()
    page.title(pdf, "Flare coupon", manifest.coupon_id)
    _coupon_drawing(pdf, manifest)
    page.heading(pdf, "Print it with exactly these settings")
    page.settings(pdf, settings_rows(manifest))
    pdf.ln(1.5)
    page.points(pdf, PRINTING)
    page.heading(pdf, "Afterwards")
    page.points(pdf, AFTERWARDS)
    page.cautions(pdf)


def _photo_page(pdf: FPDF, manifest: Manifest) -> None:
    pdf.add_page()
    page.title(pdf, "Photograph it", manifest.coupon_id)
    _photo_drawing(pdf, manifest)
    page.points(pdf, PHOTOGRAPHING)
    page.heading(pdf, "Then")
    page.command(
        pdf,
        "rimgauge measure PHOTO --pictures FOLDER",
        "It is read by the program, not by eye: the notches in the short ends say which"
        " coupon it is. Keep this sheet and the .json file with it.",
    )


def _coupon_drawing(pdf: FPDF, manifest: Manifest) -> None:
    """Body and foot seen from the plate, at full size."""
    width, height, _ = manifest.size_mm
    left = (pdf.w - width) / 2
    top = pdf.get_y() + 2
    _rings(pdf, manifest, manifest.foot_layers, left, top, PART)
    _rings(pdf, manifest, 0, left, top, FOOT)
    page.caption(
        pdf,
        top + height + 1.5,
        "Seen from the plate side, full size at 100 %. Dark: what touches the plate.",
    )


def _rings(
    pdf: FPDF,
    manifest: Manifest,
    layer: int,
    left: float,
    top: float,
    colour: Colour,
) -> None:
    """Fill one layer's outline, holes left open; mirrored, as seen from the plate."""
    section = next(
        s for s in manifest.sections if s.first_layer <= layer <= s.last_layer
    )
    corner = np.array([left, top]) + np.array(manifest.size_mm[:2]) / 2
    page.outlines(
        pdf, [(np.asarray(ring) + corner).tolist() for ring in section.rings_mm], colour
    )


def _photo_drawing(pdf: FPDF, manifest: Manifest) -> None:
    """Coupon and ruler side by side inside the picture's frame."""
    width, height, _ = manifest.size_mm
    frame_mm = 84.0
    left, top = page.picture_frame(pdf, frame_mm)
    x0, y0 = left + (page.FRAME_MM - width) / 2, top + 10
    _rings(pdf, manifest, manifest.foot_layers, x0, y0, PART)
    _rings(pdf, manifest, 0, x0, y0, FOOT)
    page.ruler(
        pdf, left, y0 + height + 4.5, 22.0, "ruler, millimetre marks beside the coupon"
    )
    pdf.set_xy(pdf.l_margin, top + frame_mm + 3)
