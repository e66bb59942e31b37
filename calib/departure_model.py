"""The departure of the rim against tilt: its shape, and what chance adds to it.

Sag and print-through follow the tilt and are alike in bare and lipped tiles, so the
shape is one fit for all.  Chips, raggedness and the edge follow supports and sanding
more than the tilt; a few tiles have a deep chip, most have none, and bare tiles have
more of them.  So the rest is fitted for each treatment on its own, taken as the same at
all tilts unless the tiles speak against that at :data:`STEADY` over the rest to one
(common practice, no source), and no tile of it counts as an outlier: chips are chance,
and their mean is part of what to expect.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.rim_merit import Departure
from calib.tilt_model import TiltFit, TiltReading, fit_part, tested_deg

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.tilt_prior import Cusp

Array = NDArray[np.float64]

DRAWS = 400
STEADY = 0.95
_SEEDS = (31, 32, 33)


@dataclass(frozen=True, slots=True, kw_only=True)
class DepartureReading:
    """The departure of one tile; ``batch`` names the print it came from."""

    tilt_deg: float
    lipped: bool
    batch: str
    departure: Departure


def fit_departure(
    tiles: Sequence[DepartureReading], cusp_mm: Cusp, draws: int = DRAWS
) -> TiltFit:
    """Fit the departure of bare and lipped tiles.

    Parameters
    ----------
    tiles : sequence of DepartureReading
    cusp_mm : callable
        Geometric step in mm at tilts (k,) in degrees.
    draws : int
        How many curves to draw.

    Returns
    -------
    TiltFit
        Of the sum; evidence, cusp, batches and trust are those of the shape.

    Raises
    ------
    RecordError
        Fewer than three tilts, or a value that isn't finite.
    """
    shape = [_reading(t, t.departure.shape_mm, t.departure.u_shape_mm) for t in tiles]
    ends = tested_deg(shape)
    fit = fit_part(shape, cusp_mm, ends, draws, seed=_SEEDS[0])
    curves, scatter = fit.draws_mm.copy(), list(fit.scatter_mm)
    for side in (0, 1):
        rest = _rest([tile for tile in tiles if tile.lipped == bool(side)])
        if rest:
            more = fit_part(
                rest, np.zeros_like, ends, draws, seed=_SEEDS[1 + side], steady=STEADY
            )
            curves[:, side] += more.draws_mm[:, 0]
            scatter[side] = float(np.hypot(scatter[side], more.scatter_mm[0]))
    return replace(
        fit,
        readings=tuple(
            _reading(t, t.departure.value_mm, t.departure.u_mm) for t in tiles
        ),
        draws_mm=curves,
        scatter_mm=(scatter[0], scatter[1]),
    )


def _rest(tiles: Sequence[DepartureReading]) -> list[TiltReading]:
    """All but the shape, of tiles of one treatment.

    Where some edges are known and some only limited, the limits' doubt differs from
    tile to tile; where all are, it is the same for all and no reason for a tilt.
    """
    mixed = len({tile.departure.open for tile in tiles}) > 1
    return [
        replace(
            _reading(
                tile,
                tile.departure.rest_mm,
                math.hypot(tile.departure.u_rest_mm, mixed * tile.departure.u_open_mm),
            ),
            lipped=False,
        )
        for tile in tiles
    ]


def _reading(tile: DepartureReading, value_mm: float, u_mm: float) -> TiltReading:
    return TiltReading(
        tilt_deg=tile.tilt_deg,
        lipped=tile.lipped,
        batch=tile.batch,
        value_mm=value_mm,
        u_mm=u_mm,
    )
