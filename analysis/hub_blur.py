"""How blurred the picture is in the plane of the hub's top, from its straight edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from analysis.slanted_edge import transfer

if TYPE_CHECKING:
    from analysis.hub import Hub
    from analysis.photo import Photo

Floats = NDArray[np.float64]

_MARGIN_MM, _LENGTH_MM = 0.5, 3.3
_REACH_PX = 9.0
_LEAST_STEP = 0.05
_MOST_SIGMA_PX = 5.0
_SHARP_SHARE = 30.0
_DOUBT = 0.02
"""How far both ways of telling a Gaussian's blur may differ (ISO 12233 has 2 %)."""

_REAL_EDGES = 0.10
"""Sharpened pictures are not Gaussian: so far real ones may differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """Standard deviation of the blur at sharp edges, a pixel's own width included.

    ``sigma_px`` by fitted edges, ``transfer_px`` by their modulation transfer; shade
    and worn edges only widen, so both are of the sharper edges.
    """

    sigma_px: float
    transfer_px: float
    edges: int

    @property
    def agrees(self) -> bool:
        """Whether the two ways tell the same."""
        limit = _DOUBT + _REAL_EDGES
        return bool(abs(self.transfer_px / self.sigma_px - 1) < limit)


def hub_blur(photo: Photo, hub: Hub) -> Blur | None:
    """Measure the blur at the ends of the hub's straight sides, clear of the bays."""
    read = [r for ends in _pieces(hub) if (r := _edge(photo, hub, ends)) is not None]
    if not read:
        return None
    fitted, moved = np.array(read).T
    good = np.isfinite(moved)
    return Blur(
        sigma_px=float(np.percentile(fitted, _SHARP_SHARE)),
        transfer_px=float(np.percentile(moved[good], _SHARP_SHARE))
        if good.any()
        else float("nan"),
        edges=len(read),
    )


def _pieces(hub: Hub) -> list[Floats]:
    """Both ends of every side, as points (2, 2) of the stand's frame."""
    corners = np.array(hub.stand.outline_mm)
    pieces = []
    for one, other in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = float(np.linalg.norm(other - one))
        along = (other - one) / length
        for start, way in ((one, along), (other, -along)):
            reach = min(_LENGTH_MM, length - 2 * _MARGIN_MM)
            ends = [start + _MARGIN_MM * way, start + (_MARGIN_MM + reach) * way]
            pieces.append(np.array(ends))
    return pieces


def _edge(photo: Photo, hub: Hub, ends_mm: Floats) -> tuple[float, float] | None:
    """Blur of one edge by a fitted step and by its transfer, in px."""
    ends = hub.view.project(np.column_stack([ends_mm, np.zeros(2)]))
    low = np.floor(ends.min(axis=0) - _REACH_PX - 2).astype(int)
    high = np.ceil(ends.max(axis=0) + _REACH_PX + 3).astype(int)
    if np.any(low < 0) or high[0] > photo.width_px or high[1] > photo.height_px:
        return None
    light = photo.linear(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    span = ends[1] - ends[0]
    length = float(np.linalg.norm(span))
    along = span / length
    from_start = np.stack([x, y], axis=-1) - ends[0]
    down = from_start @ along
    across = from_start @ np.array([-along[1], along[0]])
    near = (down > 0) & (down < length) & (np.abs(across) < _REACH_PX)
    values = light[near].astype(np.float64)
    values /= max(float(np.percentile(values, 95.0)), 1e-4)
    return _fitted(down[near] / length - 0.5, across[near], values)


def _fitted(down: Floats, across: Floats, light: Floats) -> tuple[float, float] | None:
    def basis(unknown: Floats) -> Floats:
        x = across - unknown[0] - unknown[1] * down
        step = ndtr(x / np.exp(unknown[2]))
        rest = 1 - step
        return np.column_stack([step, rest, step * x, rest * x, step * down])

    def left(unknown: Floats) -> Floats:
        columns = basis(unknown)
        terms = np.linalg.lstsq(columns, light, rcond=None)[0]
        return np.asarray(light - columns @ terms)

    found = least_squares(left, np.zeros(3), x_scale=np.array([0.3, 0.3, 0.2]))
    columns = basis(found.x)
    terms = np.linalg.lstsq(columns, light, rcond=None)[0]
    sigma = float(np.exp(found.x[2]))
    step = abs(float(terms[0] - terms[1]))
    noise = float(np.sqrt(np.mean(found.fun**2)))
    if step < max(_LEAST_STEP, 2 * noise) or sigma > _MOST_SIGMA_PX:
        return None
    # slopes beside the edge are no blur: take them off before the transform
    flat = light - columns[:, 2:] @ terms[2:]
    x = across - found.x[0] - found.x[1] * down
    return sigma, transfer(x, flat).sigma_px
