"""The straight sides of the hub's top face in a picture, each as a fitted step.

The camera above sees the top face alone, its walls hide under it: the sides are clean
silhouettes, where the holes show the table in shade behind a lip.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

if TYPE_CHECKING:
    from analysis.camera import View
    from analysis.photo import Photo
    from patterns.rim_manifest import Stand

Floats = NDArray[np.float64]

SHARPEN_PX = 1.2
"""How much wider than its blur a camera's unsharp mask is (common practice)."""

_MARGIN_MM, _LENGTH_MM = 0.5, 3.3
_REACH_PX = 9.0
_LEAST_STEP = 0.05
_CLEAR = 5.0
_MOST_SIGMA_PX = 5.0
_SETTLED = 1e-4
_RIDGE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class SideLight:
    """Pixels (n,) beside a piece of a side.

    ``down`` is the place along it, -0.5 to 0.5, ``across_px`` the distance from where
    it was expected, ``light`` as shares; ``middle_mm`` (2,) is the middle of the piece
    in the stand's frame, ``middle_px`` (2,) where it was expected and ``normal`` (2,)
    the direction of ``across_px``.
    """

    middle_mm: Floats
    middle_px: Floats
    normal: Floats
    down: Floats
    across_px: Floats
    light: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class SideStep:
    """A step between slopes, fitted to a side.

    ``offset_px`` from where it was expected, in its middle, along ``light.normal``;
    ``sigma_px`` and ``sharpen`` as in :class:`analysis.hub_blur.Blur`; ``clear`` is the
    step over the misfit.  ``distance_px`` (n,) of the pixels from the step, their light
    without the slopes, ``flat`` (n,), and that of the step alone, ``step`` (n,).
    """

    light: SideLight
    offset_px: float
    sigma_px: float
    sharpen: float
    clear: float
    distance_px: Floats
    flat: Floats
    step: Floats


def side_lights(photo: Photo, view: View, stand: Stand) -> list[SideLight]:
    """Cut out both ends of every side, clear of the bays."""
    cuts = (_light(photo, view, ends) for ends in _pieces(stand))
    return [light for light in cuts if light is not None]


def side_step(side: SideLight, sharpen: float | None) -> SideStep | None:
    """Fit a step between slopes, None where there is none.

    Parameters
    ----------
    side : SideLight
    sharpen : float, optional
        The sharpening, fitted too if None.
    """
    across, down, light = side.across_px, side.down, side.light

    def basis(unknown: Floats) -> Floats:
        x = across - unknown[0] - unknown[1] * down
        added = unknown[3] if sharpen is None else sharpen
        soft = float(np.exp(unknown[2]))
        step = (1 + added) * ndtr(x / soft)
        step -= added * ndtr(x / np.hypot(soft, SHARPEN_PX))
        rest = 1 - step
        return np.column_stack([step, rest, step * x, rest * x, step * down])

    def terms(columns: Floats) -> Floats:
        normal = columns.T @ columns + _RIDGE * np.eye(columns.shape[1])
        return np.asarray(np.linalg.solve(normal, columns.T @ light))

    def left(unknown: Floats) -> Floats:
        columns = basis(unknown)
        return np.asarray(light - columns @ terms(columns))

    scales = np.array([0.3, 0.3, 0.2, 0.2])[: 3 + (sharpen is None)]
    found = least_squares(
        left, np.zeros(len(scales)), x_scale=scales, ftol=_SETTLED, xtol=_SETTLED
    )
    columns = basis(found.x)
    size = terms(columns)
    height = abs(float(size[0] - size[1]))
    clear = height / max(float(np.sqrt(np.mean(found.fun**2))), 1e-9)
    sigma = float(np.exp(found.x[2]))
    if height < _LEAST_STEP or clear < _CLEAR or sigma > _MOST_SIGMA_PX:
        return None
    return SideStep(
        light=side,
        offset_px=float(found.x[0]),
        sigma_px=sigma,
        sharpen=float(found.x[3]) if sharpen is None else sharpen,
        clear=clear,
        distance_px=across - found.x[0] - found.x[1] * down,
        # slopes beside the edge are no blur
        flat=light - columns[:, 2:] @ size[2:],
        step=columns[:, :2] @ size[:2],
    )


def _pieces(stand: Stand) -> list[Floats]:
    """Both ends of every side, as points (2, 2) of the stand's frame."""
    corners = np.array(stand.outline_mm)
    pieces = []
    for one, other in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = float(np.linalg.norm(other - one))
        along = (other - one) / length
        for start, way in ((one, along), (other, -along)):
            reach = min(_LENGTH_MM, length - 2 * _MARGIN_MM)
            ends = [start + _MARGIN_MM * way, start + (_MARGIN_MM + reach) * way]
            pieces.append(np.array(ends))
    return pieces


def _light(photo: Photo, view: View, ends_mm: Floats) -> SideLight | None:
    ends = view.project(np.column_stack([ends_mm, np.zeros(2)]))
    low = np.floor(ends.min(axis=0) - _REACH_PX - 2).astype(int)
    high = np.ceil(ends.max(axis=0) + _REACH_PX + 3).astype(int)
    if np.any(low < 0) or high[0] > photo.width_px or high[1] > photo.height_px:
        return None
    light = photo.linear(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    span = ends[1] - ends[0]
    length = float(np.linalg.norm(span))
    along = span / length
    normal = np.array([-along[1], along[0]])
    from_start = np.stack([x, y], axis=-1) - ends[0]
    down = from_start @ along
    across = from_start @ normal
    near = (down > 0) & (down < length) & (np.abs(across) < _REACH_PX)
    values = light[near].astype(np.float64)
    values /= max(float(np.percentile(values, 95.0)), 1e-4)
    return SideLight(
        middle_mm=ends_mm.mean(axis=0),
        middle_px=ends.mean(axis=0),
        normal=normal,
        down=down[near] / length - 0.5,
        across_px=across[near],
        light=values,
    )
