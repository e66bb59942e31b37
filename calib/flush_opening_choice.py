"""How far each layer of a small opening is opened, when a bottle is known by draws.

Where the light of the layers above fills a hole by itself, its masks are opened wide;
but if it then falls short, nothing holds the rim, and the hole comes out as wide as the
mask.  How deep light goes is what flare coupons tell least well, so what is best for
the most likely resin may lie beyond that edge for others: each layer is opened for the
least mean departure over all draws (large ones not by their square: the few draws that
close a slot far more than the others would decide).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.flush_opening import MOST_OPENED_MM, whole_mm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.flush_closing import Closing

Array = NDArray[np.float64]

_CLOSED_MM, _STEP_MM, _FINE_MM = -0.1, 0.05, 0.002
_LARGE_MM = 0.03  # departures count by their square up to about this, then as such


def opened_for_all(
    closings: Sequence[Closing],
    insets_mm: Array,
    quantum_mm: Array,
    wider_mm: float,
    most_mm: Array,
) -> Array:
    """Open masks for all draws, from the top down.

    Parameters
    ----------
    closings : sequence of Closing
        One opening of some equally likely resins.
    insets_mm : (n, sides) array
        For the most likely resin; by how much sides differ is taken from them.
    quantum_mm : (sides,) array
        What insets are rounded to.
    wider_mm : float
        How much wider than designed the opening is to be.
    most_mm : (n,) array
        How far each layer may be opened.

    Returns
    -------
    (n, sides) array
    """
    tried_mm = np.arange(_CLOSED_MM, MOST_OPENED_MM + _STEP_MM / 2.0, _STEP_MM)
    fine_mm = np.arange(_CLOSED_MM, MOST_OPENED_MM + _FINE_MM / 2.0, _FINE_MM)
    out = np.empty_like(insets_mm)
    doses = [closing.above(insets_mm, len(insets_mm)) for closing in closings]
    for layer in range(len(insets_mm) - 1, -1, -1):
        uneven_mm = insets_mm[layer] - np.mean(insets_mm[layer])
        masks = np.minimum(uneven_mm + tried_mm[:, None], most_mm[layer])
        masks = whole_mm(masks, quantum_mm, closings[0].sight.shape)
        cost = np.zeros(len(fine_mm))
        for closing, above in zip(closings, doses, strict=True):
            lit = [closing.below(above, mask, layer) for mask in masks]
            grown = [closing.grown_mm(dose, layer, squeezed=False) for dose in lit]
            cost += np.hypot(
                np.interp(fine_mm, tried_mm, grown) + 0.5 * wider_mm, _LARGE_MM
            )
        best_mm = float(fine_mm[np.argmin(np.round(cost, 12))])
        mask = np.minimum(uneven_mm + best_mm, most_mm[layer])
        out[layer] = whole_mm(mask, quantum_mm, closings[0].sight.shape)
        doses = [
            closing.below(above, out[layer], layer)
            for closing, above in zip(closings, doses, strict=True)
        ]
    return out
