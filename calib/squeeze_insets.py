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

EXTRA_MM = 0.1
"""At most so much more than the light asks for."""

WORTH_MM = 0.005
"""Squeezes smaller than this are left alone."""

LAYERS = 3
"""Lowest layers that are drawn in further."""

CHOICES = 5
EVENNESS = 0.1
"""Of the mean departure beside the largest, so that ties are broken."""


def is_squeezed(flush: Flush) -> bool:
    """Whether enough draws have squeezed-out resin worth drawing masks in for."""
    squeeze = np.max(flush.edges.squeeze_mm, axis=1)
    likely = np.mean(squeeze > WORTH_MM) > SQUEEZE_ALARM_WEIGHT
    return bool(likely and np.mean(squeeze) > WORTH_MM)


def opinions(flush: Flush) -> Array:
    """Insets (k, J) for the light alone: of all draws, and of either opinion's.

    Medians.  What one draw takes for squeezed-out resin another takes for light, and
    draws masks in for it.
    """
    squeezed = np.max(flush.edges.squeeze_mm, axis=1) > WORTH_MM
    groups = (np.ones_like(squeezed), squeezed, ~squeezed)
    some = [flush.exact_mm[group] for group in groups if group.any()]
    return np.array([np.median(insets, axis=0) for insets in some])


def best_of(flush: Flush, choices_mm: list[Array]) -> Array:
    """Insets (J,) that are expected to leave the smallest largest step."""
    scores = []
    for insets in choices_mm:
        left = np.abs(flush.steps_mm(insets))
        scores.append(np.mean(left.max(axis=1) + EVENNESS * left.mean(axis=1)))
    return choices_mm[int(np.argmin(scores))]


def relieved(flush: Flush, inset_mm: Array, quantum_mm: float) -> Array:
    """Draw the lowest layers in further, for the smallest largest step.

    Parameters
    ----------
    flush : Flush
        The wall, its squeeze among its edges.
    inset_mm : (J,) array
        Insets for the light alone.
    quantum_mm : float
        The extra comes in whole ones.

    Returns
    -------
    (J,) array
        The extra grows downwards only, by 0.1 mm at most.
    """
    step = max(int(EXTRA_MM / quantum_mm / (CHOICES - 1)), 1)
    count = int(EXTRA_MM / quantum_mm + 1e-9)
    options = np.arange(0, count + 1, step, dtype=float) * quantum_mm
    best, least = inset_mm, np.inf
    for trial, left_mm in _tried(flush, inset_mm, options):
        worst = np.max(np.abs(left_mm), axis=1)
        even = EVENNESS * np.mean(np.abs(left_mm), axis=1)
        score = float(np.mean(worst + even))
        if score < least - 1e-9:
            best, least = trial, score
    return best


def _tried(
    flush: Flush, inset_mm: Array, options_mm: Array
) -> Iterator[tuple[Array, Array]]:
    """All insets whose extra grows downwards, with the lowest layers' steps (p, n)."""
    top = min(LAYERS, flush.layers) - 1
    insets = np.tile(inset_mm, (len(flush.body_mm), 1))

    def below(
        layer: int, so_far: Array, rows: Array, left: list[Array], least: float
    ) -> Iterator[tuple[Array, Array]]:
        if layer < 0:
            yield so_far, np.column_stack(left)
            return
        extras = options_mm[options_mm >= least]
        own = so_far[layer] + extras
        found = flush.contours_mm(rows, layer, own)
        for place, extra in enumerate(extras):
            trial, drawn = so_far.copy(), rows.copy()
            trial[layer] = own[place]
            drawn[:, layer] = own[place]
            yield from below(
                layer - 1, trial, drawn, [*left, found[:, place]], float(extra)
            )

    yield from below(top, inset_mm, insets, [], 0.0)
