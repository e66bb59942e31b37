"""A long straight wall on the plate: the outline of each layer, for many resins.

Above the raised layers (bottom and transition layers) stands an endless body of normal
layers.  Everything is tabulated on one grid whose step divides the pixel, so that a
mask drawn in by whole pixels is a shift of the table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib import cure
from calib.stack import Resins

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.posterior import Fit

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

LOWEST_GROWTH_MM = -0.3
HIGHEST_GROWTH_MM = 1.5
LARGEST_INSET_MM = 1.0

_GRID_STEP_MM = 0.006


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """How the lowest layers of a part are exposed: seconds of each raised layer.

    ``raised_s``: bottom layers, then transition layers, plate layer first.
    """

    layer_mm: float
    normal_s: float
    raised_s: tuple[float, ...]
    bottom_layers: int

    @property
    def bottom_s(self) -> float:
        """Exposure of the plate layer."""
        return self.raised_s[0]

    @property
    def transition_layers(self) -> int:
        """Raised layers that are no bottom layers."""
        return len(self.raised_s) - self.bottom_layers

    def with_bottom(self, bottom_s: float) -> Setting:
        """Give the bottom layers another exposure; transition layers keep their place.

        A transition layer stays at the same share of the way from bottom to normal.
        """
        span = self.bottom_s - self.normal_s
        stretch = (bottom_s - self.normal_s) / span if span else 1.0
        raised = tuple(
            bottom_s
            if j < self.bottom_layers
            else self.normal_s + (t - self.normal_s) * stretch
            for j, t in enumerate(self.raised_s)
        )
        return Setting(
            layer_mm=self.layer_mm,
            normal_s=self.normal_s,
            raised_s=raised,
            bottom_layers=self.bottom_layers,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """Equally likely resins taken from a fit, one batch a family."""

    batches: tuple[Resins, ...]


def draw(fit: Fit, count: int) -> Draws:
    """Take about ``count`` equally likely resins from a fit, evenly by weight."""
    cumulative = np.cumsum(fit.weights)
    ticks = (np.arange(count) + 0.5) / count * cumulative[-1]
    picked = np.searchsorted(cumulative, ticks)
    batches = []
    first = 0
    for family in fit.families:
        n = len(family.resins)
        mine = picked[(picked >= first) & (picked < first + n)] - first
        if len(mine):
            batches.append(family.resins.take(mine))
        first += n
    return Draws(batches=tuple(batches))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """Tables of one wall: p resins, g places, J raised layers.

    ``edge`` (p, t) is the blurred mask edge; column ``origin`` + i is its value at the
    place with index i.  ``body_dose`` (p, g) is the dose on the film side of the
    lowest normal layer and ``body_mm`` (p,) its contour.
    """

    setting: Setting
    pixel_mm: float
    cells_per_pixel: int
    x_mm: Array
    edge: Array
    dose_ratio: Array
    transmission: Array
    body_dose: Array
    body_mm: Array
    squeeze_mm: Array


def build_wall(draws: Draws, setting: Setting, pixel_mm: float) -> Wall:
    """Tabulate a wall of a setting for some resins."""
    cells = max(int(np.ceil(pixel_mm / _GRID_STEP_MM)), 1)
    step = pixel_mm / cells
    low = int(np.floor(LOWEST_GROWTH_MM / step))
    high = int(np.ceil(HIGHEST_GROWTH_MM / step))
    deepest = int(np.ceil(LARGEST_INSET_MM / step))
    x = np.asarray(np.arange(low, high + 1) * step, dtype=np.float64)
    long_x = np.arange(low, high + deepest + 1) * step
    layers = len(setting.raised_s)
    edge, ratio, passed, squeeze = [], [], [], []
    for resins in draws.batches:
        p = len(resins)
        edge.append(resins.edge(np.tile(long_x, (p, 1)))[0])
        ratio.append(
            np.array([*setting.raised_s, setting.normal_s]) / resins.tc_s[:, None]
        )
        passed.append(resins.transmission(setting.layer_mm))
        rows = np.zeros((p, max(layers, 2)))
        rows[:, 0], rows[:, 1] = resins.squeeze_mm, resins.squeeze_second_mm
        squeeze.append(rows[:, :layers])
    edges, ratios = np.vstack(edge), np.vstack(ratio)
    transmission = np.concatenate(passed)
    gain = cure.stack_gain(np.inf, transmission)
    body = (ratios[:, -1] * gain)[:, None] * edges[:, : len(x)]
    return Wall(
        setting=setting,
        pixel_mm=pixel_mm,
        cells_per_pixel=cells,
        x_mm=x,
        edge=edges,
        dose_ratio=ratios[:, :-1],
        transmission=transmission,
        body_dose=body,
        body_mm=_contour(x, body),
        squeeze_mm=np.vstack(squeeze),
    )


def steps_mm(wall: Wall, inset_px: Sequence[int] | Ints) -> Array:
    """How far each raised layer's outline stands outside the body's, (p, J).

    Parameters
    ----------
    wall : Wall
        The wall.
    inset_px : (J,) ints
        Whole pixels by which each raised layer's mask is drawn in.
    """
    out = np.empty_like(wall.squeeze_mm)
    above = wall.body_dose
    for j in range(len(inset_px) - 1, -1, -1):
        out[:, j], above = add_layer(wall, above, j, int(inset_px[j]))
    return out


def add_layer(
    wall: Wall, above: Array, layer: int, inset_px: int
) -> tuple[Array, Array]:
    """Step (p,) of one layer and its dose (p, g), given the dose of the layer above."""
    first = inset_px * wall.cells_per_pixel
    own = wall.edge[:, first : first + len(wall.x_mm)]
    dose = wall.dose_ratio[:, layer, None] * own + wall.transmission[:, None] * above
    outline = _contour(wall.x_mm, dose) + wall.squeeze_mm[:, layer]
    return outline - wall.body_mm, dose


def _contour(x_mm: Array, dose: Array) -> Array:
    """Where a falling dose (p, g) passes 1, (p,), by its logarithm; else the ends."""
    after = np.clip(np.sum(dose > 1.0, axis=1), 1, len(x_mm) - 1)
    rows = np.arange(len(dose))
    upper = np.log(np.maximum(dose[rows, after - 1], 1e-12))
    lower = np.log(np.maximum(dose[rows, after], 1e-12))
    share = np.clip(upper / np.maximum(upper - lower, 1e-12), 0.0, 1.0)
    return np.asarray(x_mm[after - 1] + share * (x_mm[after] - x_mm[after - 1]))
