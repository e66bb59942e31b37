"""Which tile stands in a bay: its code of feet, read in profile beside the top face."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.profile_shape import off_plane_rad
from patterns.rimcode import FOOT_BITS, encode_feet

if TYPE_CHECKING:
    from collections.abc import Collection

    from analysis.hub import Hub
    from analysis.photo import Photo
    from analysis.profile_shape import Standing

Floats = NDArray[np.float64]

_STEP_MM = 0.03
_HALF_MM = 0.38
"""Half a window about a place: the next place's foot begins 0.5 mm off."""

_FOOT_MM = (0.25, 0.75)
_COVER_MARGIN_MM = 0.12
_LEAST_HEIGHT_MM = 0.2
"""Less than this of a foot beyond the top face may be lost in its blur."""

_THERE, _GONE = 0.45, 0.12
_LEAST_SCATTER = 0.02
"""Noise and texture scatter up to this share of the light."""

_LEAST_APART = 2
"""In so many places that can be told must a code differ from all others that may be
there: one place misread must not make another tile of it."""

_LEAST_SHARE = 0.6


def read_feet(
    photo: Photo, hub: Hub, standing: Standing, indices: Collection[int]
) -> int | str:
    """Read a tile's index in its set.

    Parameters
    ----------
    photo : Photo
    hub : Hub
    standing : Standing
        Where the tile stands, as fitted; its own feet are taken from ``standing.tile``
        for their places only.
    indices : collection of int
        Which there may be.

    Returns
    -------
    The index, or a clause that says why it can't be read.

    Notes
    -----
    A foot makes light change along the top face, whichever way it is lit: each place is
    judged by the scatter of light about a straight line, against that of the foot
    that every tile has.  Places that can't be told may stay open as long as all other
    tiles that may be there differ in two that can.
    """
    scatter = [_scatter(photo, hub, standing, x) for x in _places_mm(standing)]
    *places, always = scatter
    quiet = min((s for s in places if np.isfinite(s)), default=np.nan)
    if not np.isfinite(always) or not np.isfinite(quiet):
        return "its feet are hidden"
    size = max(always, float(np.nanmax(places)))
    if always < _THERE * size or size < _LEAST_SCATTER:
        return "its feet hardly show"
    told = {
        place: bool(share > _THERE)
        for place, share in enumerate(np.array(places) / size)
        if share > _THERE or share < _GONE
    }
    return _named(told, indices)


def _named(told: dict[int, bool], indices: Collection[int]) -> int | str:
    """Which index the places that can be told leave, or why none."""
    off = {
        index: sum(encode_feet(index)[place] != bit for place, bit in told.items())
        for index in indices
    }
    fitting = [index for index, count in off.items() if count == 0]
    if not fitting:
        return "its feet are those of no tile in the known sets"
    near = [index for index, count in off.items() if count < _LEAST_APART]
    if len(near) > 1:
        return f"{FOOT_BITS - len(told)} of {FOOT_BITS} feet can't be told"
    return fitting[0]


def _places_mm(standing: Standing) -> list[float]:
    """Distances from the back edge: all places of the code, then the sure foot."""
    row = [foot for foot in standing.tile.feet if abs(foot.y_mm) < 0.1]
    sure = max(foot.x_mm for foot in row if foot.bit is None)
    pitch = _pitch_mm(standing)
    return [sure - pitch * (FOOT_BITS - k) for k in range(FOOT_BITS)] + [sure]


def _pitch_mm(standing: Standing) -> float:
    """Distance of neighbouring places, from the feet that this layout has."""
    coded = {f.bit: f.x_mm for f in standing.tile.feet if f.bit is not None}
    sure = max(f.x_mm for f in standing.tile.feet if abs(f.y_mm) < 0.1)
    bit, x = next(iter(coded.items()))
    return (sure - x) / (FOOT_BITS - bit)


def _scatter(photo: Photo, hub: Hub, standing: Standing, x_mm: float) -> float:
    """Scatter of light about a place, NaN where feet can't be seen."""
    tile = standing.tile
    low, high = _FOOT_MM
    off = off_plane_rad(hub, standing)
    lean = np.tan(np.deg2rad(tile.taper_deg))
    top_radius = tile.radius_mm - tile.thickness_mm * lean
    aside = np.sqrt(max(top_radius**2 - x_mm**2, 0.0))
    if off > 0:
        low = max(low, aside * np.tan(off) + _COVER_MARGIN_MM)
    if high - low < _LEAST_HEIGHT_MM:
        return float("nan")
    x = np.arange(x_mm - _HALF_MM, x_mm + _HALF_MM, _STEP_MM)
    clear = _clear(hub, standing, x)
    if clear.mean() < _LEAST_SHARE:
        return float("nan")
    z = tile.thickness_mm + np.arange(low, high, _STEP_MM)
    grid = np.stack(np.meshgrid(x[clear], z), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid[:, 0], np.zeros(len(grid)), grid[:, 1]])
    px = standing.px(hub, points).astype(np.float32)
    if px.min() < 1 or np.any(
        px.max(axis=0) > (photo.width_px - 2, photo.height_px - 2)
    ):
        return float("nan")
    left, top = np.floor(px.min(axis=0)).astype(int)
    right, bottom = np.ceil(px.max(axis=0)).astype(int) + 1
    region = photo.linear(int(left), int(top), int(right), int(bottom))
    at = px - np.array([left, top], dtype=np.float32)
    light = cv2.remap(region, at[:, :1], at[:, 1:], cv2.INTER_LINEAR)
    along = light.reshape(len(z), -1).mean(axis=0).astype(np.float64)
    trend = np.polyval(np.polyfit(x[clear], along, 1), x[clear])
    return float(np.std(along - trend) / max(np.mean(along), 1e-4))


def _clear(hub: Hub, standing: Standing, x_mm: Floats) -> NDArray[np.bool_]:
    """Where no foot that stands off y = 0 is seen before the row."""
    clear = np.ones(len(x_mm), dtype=bool)
    z = standing.tile.thickness_mm
    ends = standing.px(hub, np.array([[0.0, 0.0, z], [1.0, 0.0, z]]))
    along = ends[1] - ends[0]
    for foot in standing.tile.feet:
        if abs(foot.y_mm) < 0.1:
            continue
        seen = standing.px(hub, np.array([[foot.x_mm, foot.y_mm, z]]))[0]
        at = float((seen - ends[0]) @ along / (along @ along))
        clear &= np.abs(x_mm - at) > 0.5 * foot.diameter_mm + 0.1
    return clear
