"""Insets in whole pixels that bring every layer's outline to the body's.

On a straight wall the exact insets have a closed form, each layer by its own exposure
(:func:`calib.cure.flush_level`).  Masks are pixels and the resin is known only so far,
so the insets are rounded from the top down, each layer taking up what the layers above
left over, and then improved one by one over all resins that the fit allows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.cure import flush_level
from calib.wall import LARGEST_INSET_MM, Draws, Setting, Wall, add_layer, steps_mm

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

EXTRA_INSET_MM = 0.15
"""More than the light asks for, to take back squeezed-out resin: light from above fills
a deeper recess anyway, and what overhangs has nothing below it."""

_EVENNESS = 0.1
_SWEEPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleInset:
    """One inset for the lowest ``layers``, for those who can set one number only."""

    inset_px: int
    layers: int


def exact_insets_mm(draws: Draws, setting: Setting) -> Array:
    """Insets (p, J) that make the wall straight, were pixels endlessly fine.

    ``i_j = Binv((1 - q) / a_j) - Binv((1 - q) / a_normal)``; squeezed-out resin is not
    counted, since it can't be subtracted.
    """
    rows = []
    for resins in draws.batches:
        q = resins.transmission(setting.layer_mm)[:, None]
        exposures = np.array([*setting.raised_s, setting.normal_s])
        level = flush_level(exposures / resins.tc_s[:, None], q)
        place = resins.edge_inverse(np.minimum(level, 1.0 - 1e-9))
        rows.append(place[:, :-1] - place[:, -1:])
    return np.vstack(rows)


def unevenness_mm(wall: Wall, inset_px: Ints) -> float:
    """How uneven the wall is expected to be: mean over resins of the largest step."""
    step = np.abs(steps_mm(wall, inset_px))
    return float(np.mean(np.max(step, axis=1) + _EVENNESS * np.mean(step, axis=1)))


def layer_insets_px(wall: Wall, draws: Draws) -> Ints:
    """Best inset of each raised layer in whole pixels, never growing upwards, (J,)."""
    wanted = np.median(exact_insets_mm(draws, wall.setting), axis=0) / wall.pixel_mm
    limit = int(LARGEST_INSET_MM / wall.pixel_mm)
    rounded = _rounded_from_above(wall, np.clip(wanted, 0, limit), limit)
    return _improved(wall, rounded, limit)


def single_inset(wall: Wall) -> SingleInset:
    """Best inset that the lowest so many layers share."""
    layers = len(wall.setting.raised_s)
    limit = int(LARGEST_INSET_MM / wall.pixel_mm)
    best = (unevenness_mm(wall, np.zeros(layers, dtype=np.intp)), 0, layers)
    for count in range(1, layers + 1):
        before = np.inf
        for inset in range(1, limit + 1):
            insets = np.where(np.arange(layers) < count, inset, 0)
            score = unevenness_mm(wall, insets)
            best = min(best, (score, inset, count))
            if score > before and score > 2.0 * best[0]:
                break
            before = score
    return SingleInset(inset_px=best[1], layers=best[2])


def _rounded_from_above(wall: Wall, wanted_px: Array, limit: int) -> Ints:
    """Round from the top down: each layer makes up for what those above left over."""
    chosen = np.zeros(len(wanted_px), dtype=np.intp)
    above = wall.body_dose
    least = 0
    for j in range(len(wanted_px) - 1, -1, -1):
        middle = max(round(wanted_px[j]), least)
        options = range(max(middle - 2, least), min(middle + 2, limit) + 1)
        tried = [(*add_layer(wall, above, j, option), option) for option in options]
        _, above, chosen[j] = min(tried, key=lambda t: float(np.mean(t[0] ** 2)))
        least = int(chosen[j])
    return chosen


def _improved(wall: Wall, start: Ints, limit: int) -> Ints:
    """Move single layers, and the lowest together, while that evens the wall."""
    most = np.minimum(start + round(EXTRA_INSET_MM / wall.pixel_mm), limit)
    best, score = start, unevenness_mm(wall, start)
    layers = len(start)
    index = np.arange(layers)
    moves = [sign * (index == j) for j in range(layers) for sign in (1, -1)]
    moves += [sign * (index <= j) for j in range(1, layers) for sign in (1, -1)]
    for _ in range(_SWEEPS):
        before = score
        for move in moves:
            trial = best + move
            growing = np.any(np.diff(trial) > 0)
            if growing or np.any(trial < 0) or np.any(trial > most):
                continue
            tried = unevenness_mm(wall, trial)
            if tried < score - 1e-6:
                best, score = trial, tried
        if score == before:
            break
    return best
