"""Draw what was found over the photo, with the hinge plot beside it."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from analysis.photo import read_photo
from analysis.result import Measurement, Refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

    from analysis.result import CouponMeasurement, Drawing, ToothReading
    from patterns.manifest import Manifest

Floats = NDArray[np.float64]

LONGEST_PX = 1700
"""Longest side of the photo as drawn."""
MARGIN_SHARE = 0.06
USED, LEFT_OUT, FOUND = "#00c853", "#ff1744", "#00b8ff"
SIDE_STYLE = {"a": ("o", "#1565c0"), "b": ("s", "#e65100")}


def annotate(
    photo: str | Path,
    outcome: Measurement | Refusal,
    manifests: Sequence[Manifest],
) -> bytes | None:
    """Make the annotated picture of a measured photo.

    Parameters
    ----------
    photo : str or Path
    outcome : Measurement or Refusal
        What :func:`analysis.measure` said of it.
    manifests : sequence of Manifest
        The coupons it may show; names the layer heights in the plot.

    Returns
    -------
    bytes or None
        A PNG; None where there is nothing to draw: a refusal, or no drawing kept.
    """
    if (
        isinstance(outcome, Refusal)
        or outcome.drawing is None
        or not outcome.flare_coupons
    ):
        return None
    seen = read_photo(photo)
    if isinstance(seen, Refusal):
        return None
    coupon = outcome.flare_coupons[0]
    known = [m for m in manifests if m.coupon_id == coupon.coupon_id]
    drawing = outcome.drawing
    size = seen.width_px / seen.reduced, seen.height_px / seen.reduced
    crop = _crop(drawing, *size)
    tall = crop[3] - crop[1] > crop[2] - crop[0]
    figure = Figure(figsize=(16.0, 13.0), dpi=100, layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=(1.25, 1.0))
    picture = figure.add_subplot(grid[0, :])
    plot_photo(seen.rgb8, 1.0 / seen.reduced, crop, quarter_turn=tall, ax=picture)
    plot_found(drawing, coupon, quarter_turn=tall, ax=picture)
    plot_insets(coupon, ax=figure.add_subplot(grid[1, 0]))
    plot_starts(
        coupon,
        layer_mm=known[0].layer_mm if known else None,
        ax=figure.add_subplot(grid[1, 1]),
    )
    figure.suptitle(_headline(coupon, outcome), fontsize=13)
    stream = BytesIO()
    figure.savefig(stream, format="png")
    return stream.getvalue()


def _headline(coupon: CouponMeasurement, outcome: Measurement) -> str:
    if coupon.flare is not None:
        said = (
            f"flare {1e3 * coupon.flare.value_mm:.0f} um, "
            f"standard uncertainty {1e3 * coupon.flare.u_mm:.0f} um"
        )
    else:
        said = f"flare under {1e3 * (coupon.flare_upper_mm or 0):.0f} um"
    scale = outcome.scale
    measured = "" if scale is None else f"; scale from the {scale.source}"
    return f"{coupon.coupon_id}: {said}{measured}"


def _crop(drawing: Drawing, width: float, height: float) -> tuple[int, int, int, int]:
    """Photo's part that holds everything found: x0, y0, x1, y1."""
    points = np.concatenate([drawing.outline_px, drawing.marks_px])
    low, high = points.min(axis=0), points.max(axis=0)
    margin = MARGIN_SHARE * float(np.max(high - low))
    x0, y0 = np.maximum(low - margin, 0)
    x1, y1 = np.minimum(high + margin, (width, height))
    return int(x0), int(y0), int(x1), int(y1)


def plot_photo(
    rgb8: NDArray[np.uint8],
    px_per_px: float,
    crop_px: tuple[int, int, int, int],
    *,
    quarter_turn: bool,
    ax: Axes,
) -> Axes:
    """Show a part of a photo in its own pixel coordinates.

    ``px_per_px`` is stored pixels for each pixel of ``rgb8``; ``crop_px`` is x0, y0,
    x1, y1 in stored pixels; ``quarter_turn`` shows it turned to the left.
    """
    x0, y0, x1, y1 = (round(v / px_per_px) for v in crop_px)
    part = Image.fromarray(np.ascontiguousarray(rgb8[y0:y1, x0:x1]))
    part.thumbnail((LONGEST_PX, LONGEST_PX), reducing_gap=2.0)
    left, top, right, bottom = crop_px
    shown = np.asarray(part)
    if quarter_turn:
        ax.imshow(np.rot90(shown), extent=(top, bottom, -left, -right))
    else:
        ax.imshow(shown, extent=(left, right, bottom, top))
    ax.set_axis_off()
    return ax


def _turned(points_px: Floats, *, quarter_turn: bool) -> Floats:
    """Photo coordinates as drawn, any shape ending in x, y."""
    if not quarter_turn:
        return points_px
    return np.stack([points_px[..., 1], -points_px[..., 0]], axis=-1)


def plot_found(
    drawing: Drawing, coupon: CouponMeasurement, *, quarter_turn: bool, ax: Axes
) -> Axes:
    """Draw outline, holes, ruler marks and edges; used and left out differ in shape."""

    def place(points_px: Floats) -> Floats:
        return _turned(points_px, quarter_turn=quarter_turn)

    rims = [_closed(rim) for rim in (drawing.outline_px, *drawing.holes_px)]
    rims = [place(rim) for rim in rims if len(rim)]
    ax.add_collection(
        LineCollection(rims, colors=FOUND, linewidths=0.8, label="coupon found")
    )
    used = place(drawing.edges_px[drawing.edges_used])
    ax.add_collection(
        LineCollection(list(used), colors=USED, linewidths=1.8, label="edge used")
    )
    crosses = drawing.edges_px[~drawing.edges_used].mean(axis=1)
    for points, marker, colour, words in (
        (crosses, "x", LEFT_OUT, "edge left out"),
        (drawing.marks_px[drawing.marks_kept], "|", "#ffd600", "ruler mark used"),
        (drawing.marks_px[~drawing.marks_kept], "+", LEFT_OUT, "ruler mark left out"),
    ):
        if len(points):
            ax.plot(*place(points).T, marker, color=colour, ms=5, label=words)
    for tooth in coupon.teeth[::2]:
        ax.annotate(
            tooth.name,
            tuple(place(np.array(tooth.px))),
            xytext=_away(tooth, coupon, quarter_turn=quarter_turn),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=7,
            bbox={
                "boxstyle": "round,pad=0.1",
                "fc": "white",
                "ec": "none",
                "alpha": 0.7,
            },
        )
    ax.legend(loc="upper left", fontsize=8)
    return ax


def _away(
    tooth: ToothReading, coupon: CouponMeasurement, *, quarter_turn: bool
) -> tuple[float, float]:
    """Offset in points from a tooth's end, away from the coupon's middle line."""
    own = np.array([t.px for t in coupon.teeth if t.side == tooth.side]).mean(axis=0)
    other = np.array([t.px for t in coupon.teeth if t.side != tooth.side]).mean(axis=0)
    way = _turned(own - other, quarter_turn=quarter_turn)
    way = way / max(float(np.linalg.norm(way)), 1e-9)
    return 11 * float(way[0]), -11 * float(way[1])


def _closed(points: Floats) -> Floats:
    return np.concatenate([points, points[:1]]) if len(points) else points


def plot_insets(coupon: CouponMeasurement, *, ax: Axes) -> Axes:
    """Growth against foot inset, with standard uncertainties and the hinge."""
    teeth = [t for t in coupon.teeth if t.role != "start"]
    _plot_teeth([t for t in teeth if t.role == "inset"], lambda t: t.inset_mm, ax)
    _plot_teeth([t for t in teeth if t.role == "reference"], lambda t: t.inset_mm, ax)
    if coupon.flare is not None:
        flare = coupon.flare.value_mm
        insets = np.linspace(0, 0.6, 121)
        ax.plot(
            insets, 1e3 * np.maximum(flare - insets, 0), color="#616161", lw=1, zorder=0
        )
    if coupon.flush_inset is not None:
        ax.axvline(coupon.flush_inset.value_mm, color="#616161", ls=":", lw=1)
    ax.set_xlabel("foot inset, mm (references at the right)")
    ax.set_ylabel("growth beyond the body, um")
    ax.set_title("inset ladder", fontsize=10)
    ax.grid(visible=True, alpha=0.3)
    _legend(ax)
    return ax


def plot_starts(coupon: CouponMeasurement, *, layer_mm: float | None, ax: Axes) -> Axes:
    """Growth against start layer, with standard uncertainties."""
    starts = [t for t in coupon.teeth if t.role == "start"]
    zero = [t for t in coupon.teeth if t.role == "inset" and t.inset_mm == 0]
    _plot_teeth([*starts, *zero], lambda t: float(t.start_layer), ax)
    height = "" if layer_mm is None else f" (layers of {layer_mm:g} mm)"
    ax.set_xlabel(f"layer in which the tooth begins{height}")
    ax.set_ylabel("growth beyond the body, um")
    ax.set_title("start ladder", fontsize=10)
    ax.grid(visible=True, alpha=0.3)
    _legend(ax)
    return ax


def _plot_teeth(
    teeth: list[ToothReading],
    place: Callable[[ToothReading], float],
    ax: Axes,
) -> None:
    for side, (marker, colour) in SIDE_STYLE.items():
        read = [t for t in teeth if t.side == side and t.growth_mm is not None]
        nudge = 0.02 if side == "a" else -0.02
        for used in (True, False):
            mine = [t for t in read if t.used == used]
            if not mine:
                continue
            x = np.array([place(t) for t in mine])
            span = max(*(place(t) for t in teeth), 0.5)
            ax.errorbar(
                x + nudge * span / 4,
                [1e3 * (t.growth_mm or 0.0) for t in mine],
                yerr=[1e3 * (t.u_growth_mm or 0.0) for t in mine],
                fmt=marker if used else "x",
                color=colour if used else LEFT_OUT,
                ms=5,
                lw=1,
                label=f"side {side}" if used else f"side {side}, left out",
            )


def _legend(ax: Axes) -> None:
    handles, labels = ax.get_legend_handles_labels()
    once = dict(zip(labels, handles, strict=True))
    if once:
        ax.legend(once.values(), once.keys(), fontsize=8)
