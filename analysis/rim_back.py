"""The back edge between the notches: straight, and never on supports."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import straightness
from analysis.result import Component, Quantity
from analysis.rim_edges import trace_edge
from analysis.rim_pixels import STEP_MM, back_course

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.tile_pose import TilePose

Floats = NDArray[np.float64]

LAND_END_MM = 0.25
LEAST_LAND_MM = 0.55
CORNER_MM = 1.2
LEAST_STRAY_MM = 0.03
PIECE_MM = 0.55
"""Straightness is judged by the mean place of pieces of back edge this long."""
LEAST_SPAN_SHARE = 0.6
LANDS_FLOOR_MM = 0.004


@dataclass(frozen=True, slots=True, kw_only=True)
class Lands:
    """Back edge between the notches: one (k,) of places along and outwards each."""

    along_mm: tuple[Floats, ...]
    place_mm: tuple[Floats, ...]
    blur_px: float


def land_spans(pose: TilePose) -> list[tuple[float, float]]:
    """Back edge between the notches, printed mm along y, clear of their corners."""
    tile = pose.tile
    cuts = [(n.y0_mm, n.y1_mm) for n in tile.notches if n.cut]
    ends = [-tile.radius_mm, *(y for cut in sorted(cuts) for y in cut), tile.radius_mm]
    spans = zip(ends[::2], ends[1::2], strict=True)
    clear = [(low + LAND_END_MM, high - LAND_END_MM) for low, high in spans]
    return [
        (float(pose.printed(np.array(low))), float(pose.printed(np.array(high))))
        for low, high in clear
        if high - low >= LEAST_LAND_MM
    ]


def back_lands(photo: Photo, pose: TilePose) -> Lands:
    """Read the back edge between the notches."""
    radius = pose.radius_mm
    course = back_course(-radius + LAND_END_MM, radius - LAND_END_MM)
    at = course.at_mm
    spans = [(at >= low) & (at <= high) for low, high in land_spans(pose)]
    trace = trace_edge(photo, pose, course, clear=np.any(spans, axis=0))
    good = trace.found & (np.abs(at) < radius - CORNER_MM)
    good &= _near_line(at, trace.place_mm, good)
    seen = [span & good for span in spans if good[span].mean() > 0.8]
    return Lands(
        along_mm=tuple(at[span] for span in seen),
        place_mm=tuple(trace.place_mm[span] for span in seen),
        blur_px=trace.blur_px,
    )


def _near_line(
    along_mm: Floats, place_mm: Floats, good: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell samples near the line: beside a notch its wall is easily followed."""
    near = good.copy()
    for _ in range(3):
        if near.sum() < 3:
            return good
        line = np.polyfit(along_mm[near], place_mm[near], 1)
        off = np.abs(place_mm - np.polyval(line, along_mm))
        typical = 1.4826 * float(np.median(off[near]))
        near = good & (off < max(4 * typical, LEAST_STRAY_MM))
    return near


def back_straightness(lands: Lands, radius_mm: float) -> Quantity | None:
    """Straightness of the back's outline (STRt of ISO 12780-1); None if little is seen.

    Parameters
    ----------
    lands : Lands
    radius_mm : float
        Half the length of the back edge.
    """
    along, place, noise = _pieces(lands)
    if len(along) < 5 or float(np.ptp(along)) < LEAST_SPAN_SHARE * 2 * radius_mm:
        return None
    u = float(np.sqrt(2) * np.hypot(noise, LANDS_FLOOR_MM))
    return Quantity(
        value_mm=straightness(along, place).peak_to_valley_mm,
        u_mm=u,
        method="peak to valley of the back's outline about its least-squares line",
        budget=(Component(name="edge noise", u_mm=u),),
    )


def _pieces(lands: Lands) -> tuple[Floats, Floats, float]:
    """Mean places of short pieces, and the scatter of such a mean."""
    count = round(PIECE_MM / STEP_MM)
    along, place, scatter = [], [], []
    for x, y in zip(lands.along_mm, lands.place_mm, strict=True):
        for i in range(0, len(x) - count + 1, count):
            along.append(x[i : i + count].mean())
            place.append(np.median(y[i : i + count]))
            scatter.append(np.std(y[i : i + count], ddof=1))
    noise = float(np.median(scatter)) / np.sqrt(count) if scatter else 0.0
    return np.array(along), np.array(place), noise
