"""Insets against resin that was squeezed out under the plate, as far as they go.

Squeezed-out resin can't be subtracted: it stands outside whatever the light cures, and
a mask drawn in further is filled in by the light of the layers above.  The lowest
layers are drawn in by more than the light asks for, never less than the layer above,
so that the largest step left, outwards or inwards, is as small as can be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.prediction import SQUEEZE_ALARM_WEIGHT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from calib.flush_wall import Flush

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

EXTRA_MM = 0.1
"""At most so much more than the light asks for."""

WORTH_MM = 0.005
"""Squeezes smaller than this are left alone."""

_LAYERS = 3
_CHOICES = 5
_EVENNESS = 0.1


def is_squeezed(flush: Flush) -> bool:
    """Whether enough draws have squeezed-out resin worth drawing masks in for."""
    squeeze = np.max(flush.edges.squeeze_mm, axis=1)
    likely = np.mean(squeeze > WORTH_MM) > SQUEEZE_ALARM_WEIGHT
    return bool(likely and np.mean(squeeze) > WORTH_MM)


def relieved(flush: Flush, quanta: Ints, quantum_mm: float) -> Ints:
    """Draw the lowest layers in further, for the smallest largest step.

    Parameters
    ----------
    flush : Flush
        The wall, its squeeze among its edges.
    quanta : (J,) ints
        Insets for the light alone.
    quantum_mm : float
        What they are counted in.

    Returns
    -------
    (J,) ints
        The extra grows downwards only, by 0.1 mm at most.
    """
    step = max(int(EXTRA_MM / quantum_mm / (_CHOICES - 1)), 1)
    options = np.arange(0, int(EXTRA_MM / quantum_mm + 1e-9) + 1, step)
    best, least = quanta, np.inf
    for trial, left_mm in _tried(flush, quanta, quantum_mm, options):
        worst = np.max(np.abs(left_mm), axis=1)
        even = _EVENNESS * np.mean(np.abs(left_mm), axis=1)
        score = float(np.mean(worst + even))
        if score < least - 1e-9:
            best, least = trial, score
    return best


def _tried(
    flush: Flush, quanta: Ints, quantum_mm: float, options: Ints
) -> Iterator[tuple[Ints, Array]]:
    """All insets whose extra grows downwards, with the lowest layers' steps (p, n)."""
    top = min(_LAYERS, flush.layers) - 1
    insets = np.tile(quanta * quantum_mm, (len(flush.body_mm), 1))

    def below(
        layer: int, so_far: Ints, rows: Array, left: list[Array], least: int
    ) -> Iterator[tuple[Ints, Array]]:
        if layer < 0:
            yield so_far, np.column_stack(left)
            return
        extras = options[options >= least]
        own = (so_far[layer] + extras) * quantum_mm
        found = flush.contours_mm(rows, layer, own)
        for place, extra in enumerate(extras):
            trial, drawn = so_far.copy(), rows.copy()
            trial[layer] += extra
            drawn[:, layer] = own[place]
            yield from below(
                layer - 1, trial, drawn, [*left, found[:, place]], int(extra)
            )

    yield from below(top, quanta, insets, [], 0)
