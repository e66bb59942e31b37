"""Annotated picture of a tile on the edge stand: its end, and its edge enlarged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from analysis.annotate import plot_photo
from analysis.profile_shape import hulls_px
from analysis.rim_result import ProfileDrawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analysis.hub import Hub
    from analysis.photo import Photo
    from analysis.profile_shape import Standing
    from analysis.rim_result import RimMeasurement

Floats = NDArray[np.float64]

WIDE_MM, NARROW_MM = 5.0, 0.8
"""Half the width of the picture of the tile, and of that of its edge."""

BAR_MM = (2.0, 0.5)
OUTLINE = "#00b8ff"


def profile_drawing(
    photo: Photo, hub: Hub, standing: Standing, tile: RimMeasurement
) -> ProfileDrawing:
    """Say where the fitted profile of a tile lies in its photo."""
    radius = standing.tile.radius_mm
    frame = [[radius, 0, 0], [radius + 1, 0, 0], [radius, 0, 1]]
    return ProfileDrawing(
        coupon_id=tile.coupon_id,
        bay=standing.bay.name,
        outline_px=photo.full_size_px(hulls_px(hub, standing)[0]),
        frame_px=photo.full_size_px(standing.px(hub, np.array(frame, dtype=float))),
        words=_words(tile),
    )


def _words(tile: RimMeasurement) -> str:
    """Radius of the edge with the sign that ISO 13715 gives removed material."""
    if "edge_radius" in tile.values:
        q = tile.values["edge_radius"]
        return (
            f"edge radius {q.value_mm:.2f} mm (u {q.u_mm:.2f}); external edge by "
            f"ISO 13715: \N{MINUS SIGN}{q.value_mm:.2f}"
        )
    if "edge_radius" in tile.upper_mm:
        limit = tile.upper_mm["edge_radius"]
        return (
            f"edge radius at most {limit:.2f} mm: not told from a sharp edge; external "
            f"edge by ISO 13715: \N{MINUS SIGN}{limit:.2f} at most"
        )
    return tile.reasons.get("edge_radius_mm", "not measured")


def profile_figure(
    rgb8: NDArray[np.uint8], px_per_px: float, drawing: ProfileDrawing
) -> Figure:
    """Draw one tile: its end seen from above, and its edge enlarged beside it."""
    figure = Figure(figsize=(13.0, 7.0), dpi=100, layout="constrained")
    axes = figure.subplots(1, 2)
    low, out, off = drawing.frame_px
    middle = low + (-0.5 * WIDE_MM) * (out - low) + 1.5 * (off - low)
    corner = low + 0.3 * NARROW_MM * (off - low) - 0.3 * NARROW_MM * (out - low)
    for ax, at, half, bar in zip(
        axes, (middle, corner), (WIDE_MM, NARROW_MM), BAR_MM, strict=True
    ):
        size = (rgb8.shape[1] * px_per_px, rgb8.shape[0] * px_per_px)
        px_per_mm = float(np.linalg.norm(off - low))
        start = np.clip(at - half * px_per_mm, 0, size).astype(int)
        end = np.clip(at + half * px_per_mm, 0, size).astype(int)
        crop = (int(start[0]), int(start[1]), int(end[0]), int(end[1]))
        plot_photo(rgb8, px_per_px, crop, quarter_turn=False, ax=ax)
        _plot_profile(drawing, ax)
        ax.set(xlim=(crop[0], crop[2]), ylim=(crop[3], crop[1]))
        _plot_bar(ax, crop, bar, px_per_mm)
    axes[1].legend(loc="upper right", fontsize=9)
    figure.suptitle(f"{drawing.coupon_id}, bay {drawing.bay}\n{drawing.words}")
    return figure


def _plot_profile(drawing: ProfileDrawing, ax: Axes) -> None:
    # pictures are drawn from their corner, pixels are told by their centres
    closed = np.vstack([drawing.outline_px, drawing.outline_px[:1]]) + 0.5
    ax.plot(*closed.T, color="white", lw=2.2, alpha=0.6)
    ax.plot(*closed.T, color=OUTLINE, lw=1.0, label="fitted silhouette")


def _plot_bar(
    ax: Axes, crop: tuple[int, int, int, int], bar_mm: float, px_per_mm: float
) -> None:
    x = crop[0] + 0.06 * (crop[2] - crop[0])
    y = crop[3] - 0.06 * (crop[3] - crop[1])
    ends = [x, x + bar_mm * px_per_mm]
    ax.plot(ends, [y, y], color="white", lw=6, solid_capstyle="butt")
    ax.plot(ends, [y, y], color="black", lw=3, solid_capstyle="butt")
    ax.text(
        ends[1],
        y,
        f"  {bar_mm:g} mm",
        va="center",
        color="black",
        bbox={"color": "white", "alpha": 0.7, "pad": 1.5},
    )
