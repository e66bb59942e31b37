"""Annotated picture of a rim tile: deviation drawn outside the rim, and unrolled."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from analysis.annotate import plot_photo
from analysis.photo import read_photo
from analysis.profile_annotate import profile_figure
from analysis.result import Measurement, Refusal
from analysis.rim_result import RimMeasurement

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes

    from analysis.rim_result import RimArc, TileDrawing

Floats = NDArray[np.float64]

ENLARGED = (200, 100, 50, 20, 10, 5)
"""Enlargements of the deviation to choose from."""
LONGEST_MM = 3.5
"""The largest deviation is drawn at most this long, to the tile's own scale."""
LIFT_MM = 1.2
"""The line of no deviation is drawn this far outside the rim."""
BAR_MM = 2.0
"""Length of the scale bar as drawn, on the tile's own scale."""
MARGIN_MM = 6.0
RIM, WEAK, CHIP, STUB = "#00b8ff", "#ff9100", "#ff1744", "#aa00ff"


def annotate_rims(
    photo: str | Path, outcome: Measurement | Refusal
) -> dict[str, bytes]:
    """Make one annotated picture for each tile measured in a photo.

    Parameters
    ----------
    photo : str or Path
    outcome : Measurement or Refusal
        What :func:`analysis.pipeline.measure_photos` said of it.

    Returns
    -------
    dict
        PNGs by coupon_id, and by ``coupon_id-profile`` for tiles on the edge stand;
        empty where there is nothing to draw.
    """
    if isinstance(outcome, Refusal) or outcome.rim_drawing is None:
        return {}
    seen = read_photo(photo)
    if isinstance(seen, Refusal):
        return {}
    tiles = {
        tile.coupon_id: tile
        for tile in outcome.coupons
        if isinstance(tile, RimMeasurement)
    }
    pictures = {}
    for drawing in outcome.rim_drawing.tiles:
        tile = tiles.get(drawing.coupon_id)
        if tile is not None and tile.arc is not None:
            pictures[tile.coupon_id] = _png(
                rim_figure(seen.rgb8, 1.0 / seen.reduced, drawing, tile)
            )
    for profile in outcome.rim_drawing.profiles:
        figure = profile_figure(seen.rgb8, 1.0 / seen.reduced, profile)
        pictures[f"{profile.coupon_id}-profile"] = _png(figure)
    return pictures


def _png(figure: Figure) -> bytes:
    stream = BytesIO()
    figure.savefig(stream, format="png")
    return stream.getvalue()


def rim_figure(
    rgb8: NDArray[np.uint8],
    px_per_px: float,
    drawing: TileDrawing,
    tile: RimMeasurement,
) -> Figure:
    """Draw one tile: photo with enlarged deviation above, unrolled rim below."""
    figure = Figure(figsize=(11.0, 12.0), dpi=100, layout="constrained")
    grid = figure.add_gridspec(2, 1, height_ratios=(1.7, 1.0))
    picture = figure.add_subplot(grid[0])
    crop = _crop(drawing, rgb8.shape[1] * px_per_px, rgb8.shape[0] * px_per_px)
    plot_photo(rgb8, px_per_px, crop, quarter_turn=False, ax=picture)
    plot_deviation(drawing, tile, ax=picture)
    plot_unrolled(tile, ax=figure.add_subplot(grid[1]))
    figure.suptitle(_headline(tile), fontsize=12)
    return figure


def _headline(tile: RimMeasurement) -> str:
    said = []
    for name, words in (
        ("sag", "sag"),
        ("form", "form"),
        ("roughness_sigma", "roughness sigma"),
        ("edge_spread", "edge spread"),
    ):
        if name in tile.values:
            q = tile.values[name]
            said.append(f"{words} {1e3 * q.value_mm:.0f} ± {1e3 * q.u_mm:.0f} um")
        elif name in tile.upper_mm:
            limit = tile.upper_mm[name]
            said.append(f"{words} under {1e3 * limit:.0f} um")
    if not said:
        said = [tile.reasons.get("sag_mm", "not measured")]
    return f"{tile.coupon_id}\n" + _wrapped("; ".join(said))


def _wrapped(words: str, width: int = 110) -> str:
    lines = [""]
    for word in words.split():
        if len(lines[-1]) + len(word) > width:
            lines.append("")
        lines[-1] += f"{word} "
    return "\n".join(line.strip() for line in lines)


def _crop(
    drawing: TileDrawing, width: float, height: float
) -> tuple[int, int, int, int]:
    points = np.concatenate([drawing.outline_px, drawing.rim_px])
    margin = MARGIN_MM * _px_per_mm(drawing)
    x0, y0 = np.maximum(points.min(axis=0) - margin, 0)
    x1, y1 = np.minimum(points.max(axis=0) + margin, (width, height))
    return int(x0), int(y0), int(x1), int(y1)


def _px_per_mm(drawing: TileDrawing) -> float:
    return float(np.median(np.linalg.norm(drawing.outward_px, axis=1)))


def _about_circle(arc: RimArc) -> Floats:
    """Deviation (n,) from the least-squares circle of what was read; NaN elsewhere."""
    phi = arc.phi_rad
    design = np.column_stack([np.ones_like(phi), np.cos(phi), np.sin(phi)])
    used = arc.used
    if used.sum() < 3:
        return np.full(len(phi), np.nan)
    fit = np.linalg.lstsq(design[used], arc.residual_mm[used], rcond=None)[0]
    return np.where(used, arc.residual_mm - design @ fit, np.nan)


def plot_deviation(drawing: TileDrawing, tile: RimMeasurement, *, ax: Axes) -> Axes:
    """Draw the rim's deviation from its circle outside the rim, enlarged."""
    if tile.arc is None:
        return ax
    deviation = _about_circle(tile.arc)
    largest = float(np.nanmax(np.abs(deviation), initial=1e-3))
    times = next((e for e in ENLARGED if e * largest <= LONGEST_MM), ENLARGED[-1])
    lift = LIFT_MM + max(-times * float(np.nanmin(deviation, initial=0.0)), 0.0)
    rim, outward = drawing.rim_px, drawing.outward_px
    zero = rim + lift * outward
    drawn = rim + (lift + times * deviation)[:, None] * outward
    ax.plot(*zero.T, color="white", lw=2.4, alpha=0.8)
    ax.plot(*zero.T, color="#424242", lw=0.8, label="least-squares circle")
    ax.plot(*drawn.T, color="white", lw=3.0, alpha=0.8)
    ax.plot(*drawn.T, color=RIM, lw=1.5, label=f"rim, deviation {times} times")
    for marks, colour, words in (
        (tile.chips, CHIP, "dent or chip"),
        (tile.stubs, STUB, "stub"),
    ):
        at = [
            int(np.argmin(np.abs(np.rad2deg(tile.arc.phi_rad) - m.phi_deg)))
            for m in marks
        ]
        if at:
            ax.plot(*rim[at].T, "o", mfc="none", mec=colour, ms=14, mew=2, label=words)
    low = int(np.argmin(np.abs(tile.arc.phi_rad)))
    ax.annotate(
        "lowest point",
        tuple(rim[low] - 0.6 * outward[low]),
        xytext=tuple(rim[low] - 4.0 * outward[low]),
        arrowprops={"arrowstyle": "->", "color": "white"},
        color="white",
        ha="center",
        fontsize=9,
    )
    _scale_bar(ax, BAR_MM * _px_per_mm(drawing), times)
    ax.legend(loc="upper right", fontsize=8)
    return ax


def _scale_bar(ax: Axes, length_px: float, times: int) -> None:
    """Bar for the deviation, at the lower left of the picture as shown."""
    left, right = ax.get_xlim()
    bottom, top = ax.get_ylim()
    x, y = left + 0.04 * (right - left), bottom + 0.05 * (top - bottom)
    ax.plot([x, x + length_px], [y, y], color="white", lw=7, solid_capstyle="butt")
    ax.plot([x, x + length_px], [y, y], color="black", lw=4, solid_capstyle="butt")
    ax.text(
        x + length_px + 0.01 * (right - left),
        y,
        f"{1e3 * BAR_MM / times:.0f} um of deviation ({times} times)",
        va="center",
        fontsize=9,
        bbox={"boxstyle": "round,pad=0.2", "fc": "white", "ec": "none", "alpha": 0.8},
    )


def plot_unrolled(tile: RimMeasurement, *, ax: Axes) -> Axes:
    """Plot deviation against angle, with twice the u of each sample as a band."""
    arc = tile.arc
    if arc is None:
        return ax
    phi, deviation = np.rad2deg(arc.phi_rad), 1e3 * _about_circle(arc)
    band = 2e3 * np.where(arc.used, arc.u_mm, np.nan)
    ax.fill_between(
        phi,
        deviation - band,
        deviation + band,
        color=RIM,
        alpha=0.25,
        lw=0,
        label="2 u",
    )
    ax.plot(phi, deviation, color="#01579b", lw=0.9, label="rim")
    weak = arc.used & (arc.strength < 0.45)
    if weak.any():
        ax.plot(phi[weak], deviation[weak], ".", color=WEAK, ms=4, label="weak edge")
    for marks, colour, words, sign in (
        (tile.chips, CHIP, "dent or chip", -1),
        (tile.stubs, STUB, "stub", 1),
    ):
        for i, mark in enumerate(marks):
            ax.axvline(
                mark.phi_deg,
                color=colour,
                lw=1,
                ls="--",
                label=words if i == 0 else None,
            )
            ax.annotate(
                f"{1e3 * mark.depth_mm:.0f} um",
                (mark.phi_deg, 0.03 if sign < 0 else 0.93),
                xycoords=("data", "axes fraction"),
                xytext=(3, 0),
                textcoords="offset points",
                color=colour,
                fontsize=8,
            )
    ax.axvspan(-30, 30, color="#9e9e9e", alpha=0.12, lw=0)
    ax.axhline(0, color="#616161", lw=0.6)
    ax.set_xlim(-90, 90)
    ax.set_xlabel("angle from the lowest point, degrees (grey: where the sag is taken)")
    ax.set_ylabel("deviation from the least-squares circle, um")
    ax.grid(visible=True, alpha=0.3)
    ax.legend(loc="lower right", fontsize=8)
    return ax
