"""The sheet that goes with a set of rim tiles: print, free, sand, photograph."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from patterns import page
from patterns.page import FOOT, PART
from patterns.rim_tile import cut_runs

if TYPE_CHECKING:
    from fpdf import FPDF
    from numpy.typing import NDArray

    from patterns.page import Paper
    from patterns.rim_manifest import RimManifest, RimTile, Stand

PRINTING = (
    (
        "Print each plate file as it is: tilt, supports and rafts are in it. No "
        "supports of the slicer, no turning, mirroring, scaling or laying flat; the "
        "tiles lean along the short side of the plate."
    ),
    (
        "Edge smoothing (anti-aliasing) and every size or shrinkage compensation off, "
        "or written down with the print. Lift speeds and waits as for your bases: they "
        "are part of what is measured."
    ),
    (
        "The edge stand is printed once, on its bottom, holes up, without supports, in "
        "a resin that contrasts with your paper."
    ),
)
AFTERWARDS = (
    (
        "Free: set a plastic spatula's corner into the notch of a raft and peel the "
        "raft off; bend a flexible plate rather than force a blade. One raft after "
        "another, with the tile still on it."
    ),
    (
        "Wash tile, supports and raft together, also the notches of the back edge. Let "
        "them dry."
    ),
    (
        "Take the supports off before curing, all tiles the same way: softened in warm "
        "water, peeled from one end of the rim to the other. Leave the marks on bare "
        "tiles as they are: they are what is measured."
    ),
    "Cure all tiles alike, lying on their feet, and wait a day.",
    (
        "Sand lipped tiles only: wet, on a flat sheet of 400 grit, bottom face down, "
        "with a mask. Stop when the lip is just gone and the tile is equally thick all "
        "round (THICKNESS mm without feet, by calliper), then a few strokes of 1000 "
        "grit."
    ),
)
LAYING = (
    (
        "Bottom up, on their feet, in a ring: back edges (the notched side) towards "
        "the middle, arcs outward, at least three directions, never all parallel. Any "
        "order; they don't touch each other or the picture's edge."
    ),
    (
        "Up to four tiles in a photo with the 1x lens; up to eight with the 2x lens "
        "from farther away, or on a scanner (1200 dpi, bottom face on the glass)."
    ),
    (
        "On a lit white screen, or on plain matt paper that contrasts with the resin: "
        "no lines, never dark on dark. Light from all round, no lamp from one side."
    ),
    (
        "A ruler with millimetre marks beside them, packed up until its face is level "
        "with the tiles' (LEVEL mm above the table)."
    ),
    (
        "Then turn the paper with all that lies on it by 180 degrees and take a second "
        "photo: each piece of rim is read where its light is better."
    ),
)
STANDING = (
    (
        "Put up to four tiles into the stand, back edge inward, the corner right down; "
        "they rest by their own weight, the lowest point of the rim level with the top "
        "of the hub. Contrasting plain paper below."
    ),
    (
        "Camera straight above the middle of the hub, 15 cm or more away. Tap the hub "
        "to focus on it, not on the table. No ruler is needed."
    ),
)
_RULER_GAP_MM = 4.0
_COLUMNS = 4
_LINES_MM = 14.5
_HEAD_MM = 18.0
_DRAWN_RADIUS_MM = 12.5


def rim_sheet_pdf(manifest: RimManifest, paper: Paper) -> bytes:
    """Make a page on printing, one on photographing, and those of the single tiles.

    Parameters
    ----------
    manifest : RimManifest
    paper : {"a4", "letter"}

    Returns
    -------
    bytes
        A PDF; the same manifest gives the same bytes.
    """
    pdf = page.document(f"Rim tiles {manifest.set_id}", paper)
    _print_page(pdf, manifest)
    _photo_page(pdf, manifest)
    _tile_pages(pdf, manifest)
    return bytes(pdf.output())


def settings_rows(manifest: RimManifest) -> tuple[tuple[str, str], ...]:
    """Name and value of every setting the set must be printed with."""
    plates = "1 plate" if manifest.plates == 1 else f"{manifest.plates} plates"
    return (
        ("Layer height", f"{manifest.layer_mm:g} mm"),
        ("Exposure of normal layers", f"{manifest.spec['normal_exposure_s']:g} s"),
        ("Bottom and transition layers", "as for your bases; write them down"),
        (
            "Mask pixel",
            f"{manifest.pixel_x_mm * 1e3:g} x {manifest.pixel_y_mm * 1e3:g} um",
        ),
        ("Size", f"{len(manifest.tiles)} tiles on {plates}"),
    )


def _print_page(pdf: FPDF, manifest: RimManifest) -> None:
    pdf.add_page()
    page.title(pdf, "Rim tiles", manifest.set_id)
    page.heading(pdf, "Print them with exactly these settings")
    page.settings(pdf, settings_rows(manifest))
    pdf.ln(1.5)
    page.points(pdf, PRINTING)
    page.heading(pdf, "Afterwards")
    thickness = f"{manifest.tiles[0].thickness_mm:g}"
    page.points(pdf, [line.replace("THICKNESS", thickness) for line in AFTERWARDS])
    page.cautions(pdf)


def _photo_page(pdf: FPDF, manifest: RimManifest) -> None:
    tile = manifest.tiles[0]
    level = f"{tile.thickness_mm + tile.feet[0].height_mm:.1f}"
    pdf.add_page()
    page.title(pdf, "Photograph them", manifest.set_id)
    _ring_drawing(pdf, manifest.tiles)
    page.points(pdf, [line.replace("LEVEL", level) for line in LAYING])
    page.heading(pdf, "How sharp the rim is: on the edge stand")
    top = pdf.get_y() + 1
    side = 2 * (manifest.stand.bays[0].back_mm + tile.radius_mm)
    _stand_drawing(pdf, manifest.stand, tile, pdf.l_margin + side / 2, top + side / 2)
    pdf.set_left_margin(page.MARGIN_MM + side + 6)
    pdf.set_xy(pdf.l_margin, top)
    page.points(pdf, STANDING)
    pdf.set_left_margin(page.MARGIN_MM)
    pdf.set_xy(pdf.l_margin, max(pdf.get_y(), top + side + 2))
    page.heading(pdf, "Then")
    page.command(
        pdf,
        "rimgauge measure PHOTO PHOTO ... --pictures FOLDER",
        "All photos of the set together, in any order. Keep this sheet and the .json "
        "file with the tiles.",
    )


def _tile_pages(pdf: FPDF, manifest: RimManifest) -> None:
    tall = manifest.tiles[0].radius_mm + _LINES_MM
    rows = int((pdf.h - 2 * page.MARGIN_MM - _HEAD_MM) // tall)
    for first in range(0, len(manifest.tiles), rows * _COLUMNS):
        some = manifest.tiles[first : first + rows * _COLUMNS]
        pdf.add_page()
        page.title(pdf, "Which tile is which", manifest.set_id)
        top = pdf.get_y() + 2
        for place, tile in enumerate(some):
            row, column = divmod(place, _COLUMNS)
            _tile_cell(pdf, tile, column, top + row * tall)
        page.caption(
            pdf,
            top + math.ceil(len(some) / _COLUMNS) * tall,
            "Seen from the bottom face, full size at 100 %. The notches say which tile "
            "it is; the program reads them.",
        )


def _tile_cell(pdf: FPDF, tile: RimTile, column: int, y_mm: float) -> None:
    wide = pdf.epw / _COLUMNS
    x_mm = pdf.l_margin + column * wide
    # the lowest point downward, which is a quarter turn, not a mirror image
    page.outlines(pdf, [_placed(tile, x_mm + wide / 2, y_mm + 1.0, 90.0)], PART)
    treatment = "lipped: sand it" if tile.lipped else "bare"
    below = y_mm + tile.radius_mm
    page.words(
        pdf, x_mm, below + 2.5, wide, f"{tile.tilt_deg:.4g} degrees, {treatment}"
    )
    page.words(pdf, x_mm, below + 5.8, wide, f"{tile.coupon_id}, code {tile.code}")


def _ring_drawing(pdf: FPDF, tiles: tuple[RimTile, ...]) -> None:
    """Four tiles in a ring, ruler beside; larger tiles are drawn smaller."""
    radius = _DRAWN_RADIUS_MM
    scale = radius / tiles[0].radius_mm
    middle = radius + 2.0  # no closer: the corners of neighbours would touch
    ring = 2 * (middle + radius)
    height = 8.0 + ring + _RULER_GAP_MM + 14.0
    left, top = page.picture_frame(pdf, height)
    x, y = left + page.FRAME_MM / 2, top + 7.0 + ring / 2
    for tile, azimuth in zip(tiles[:4], (-20.0, 70.0, 160.0, 250.0), strict=False):
        out = math.radians(azimuth)
        back = middle * math.cos(out), middle * math.sin(out)
        ring_mm = _placed(tile, x + back[0], y + back[1], azimuth, scale)
        page.outlines(pdf, [ring_mm], PART)
    edge = top + 8.0 + ring + _RULER_GAP_MM
    page.ruler(pdf, left, edge, top + height - edge, "ruler, level with the tiles")
    pdf.set_xy(pdf.l_margin, top + height + 3)


def _stand_drawing(
    pdf: FPDF, stand: Stand, tile: RimTile, x_mm: float, y_mm: float
) -> None:
    """Hub and four tiles from above, at full size."""
    centre = np.array([x_mm, y_mm])
    turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    rings = [np.array(stand.outline_mm)]
    rings += [
        np.array([hole.x_mm, hole.y_mm]) + hole.diameter_mm / 2 * circle
        for hole in stand.holes
    ]
    page.outlines(pdf, [(centre + ring).tolist() for ring in rings], FOOT)
    lean = tile.thickness_mm * math.tan(math.radians(tile.taper_deg))
    far = tile.radius_mm
    seen = np.array([(0, 0), (far, 0), (far - lean, tile.thickness_mm)])
    seen = np.vstack([seen, (0, tile.thickness_mm)])
    for bay in stand.bays:
        ring = _turned(seen + np.array([bay.back_mm, 0]), bay.azimuth_deg)
        page.outlines(pdf, [(centre + ring).tolist()], PART)


def _placed(
    tile: RimTile, x_mm: float, y_mm: float, azimuth_deg: float, scale: float = 1.0
) -> list[tuple[float, float]]:
    """Outline of a tile, its lowest point turned from x towards y, down the page."""
    ring = scale * _turned(_outline(tile), azimuth_deg) + np.array([x_mm, y_mm])
    return [(float(x), float(y)) for x, y in ring]


def _outline(tile: RimTile) -> NDArray[np.float64]:
    """Outline of the bottom face, in its frame: the arc, then the notched back edge."""
    phi = np.linspace(-np.pi / 2, np.pi / 2, 61)
    arc = tile.radius_mm * np.column_stack([np.cos(phi), -np.sin(phi)])
    depth = tile.notch_depth_mm
    back = [
        point
        for y0, y1 in cut_runs(tile)
        for point in ((0.0, y0), (depth, y0), (depth, y1), (0.0, y1))
    ]
    return np.vstack([arc, back])


def _turned(points_mm: NDArray[np.float64], turn_deg: float) -> NDArray[np.float64]:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    turned: NDArray[np.float64] = points_mm @ np.array([(c, s), (-s, c)])
    return turned
