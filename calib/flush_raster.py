"""What pixels can hold of the insets, wherever the base comes to lie on the raster."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.lattice import held_mm

if TYPE_CHECKING:
    from calib.flush_model import FlatModel
    from calib.flush_outline import RingShape

Array = NDArray[np.float64]

_PHASES = 16
_SIDES = 48
_SEED = 5


def realisable(
    model: FlatModel, shape: RingShape, run_mm: float, inset_mm: Array
) -> float:
    """Share of the rim that pixels bring within the larger of 10 um and half a pixel.

    Of where the insets as planned would bring it, by the cure model alone, for the most
    typical draw, at random phases of the raster: an edge near a simple lattice
    direction is moved to whole quanta of it, as far as the blur does not smooth them.
    Corners count as the sides they belong to.

    Parameters
    ----------
    model : FlatModel
    shape : RingShape
        The rim.
    run_mm : float
        How far its wall recedes a layer.
    inset_mm : (J, n) array
        Of its sides.
    """
    rng = np.random.default_rng(_SEED)
    ends = np.cumsum(shape.length_mm)
    ticks = (np.arange(_SIDES) + 0.5) / _SIDES * ends[-1]
    picked = np.minimum(np.searchsorted(ends, ticks), len(ends) - 1)
    planned = inset_mm[:, picked].T
    found = model.stairs_of(shape)
    move = found.move_mm[picked, None, None]
    phase = rng.uniform(size=(len(picked), _PHASES, 1))
    whole = held_mm(planned[:, None], move, phase)
    shown = found.shown[picked, None, None]
    held = planned[:, None] + shown * (whole - planned[:, None])
    rows = np.concatenate([planned, held.reshape(-1, planned.shape[1])])
    unique, number = np.unique(np.round(rows, 6), axis=0, return_inverse=True)
    wall = model.wall(run_mm)
    steps = wall.only(wall.typical, len(unique)).steps_mm(unique)[number.reshape(-1)]
    wanted, made = np.split(steps, [len(planned)])
    away = np.abs(made.reshape(held.shape) - wanted[:, None])
    return float(np.mean(away <= model.tolerance_mm))
