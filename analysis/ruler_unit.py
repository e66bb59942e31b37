"""Which unit a decimal scale has: millimetres, or fractions of an inch that look alike.

Scales in 1/10 or 1/100 inch group their marks by fives and tens as millimetres do, and
1/20 inch groups as half-millimetres do.  What differs is their size on the ruler: the
length and the width of strokes and the height of numerals, in pitches.  The evidence is
a log likelihood ratio from log-normal sizes (common practice in graduating rulers, no
source); a coupon of known size beside the ruler, or the inch scale on the ruler's other
edge, settles it outright.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from analysis.ruler_hierarchy import Fit
    from analysis.ruler_strokes import Strokes

ENOUGH = 1.5
"""Log likelihood ratio from which a scale is taken for metric by its looks alone."""

INCH_MM = 25.4

_MOST_BLUR_PX = 5.0  # width of a line without width in a photo just sharp enough


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """Sizes in pitches: shortest strokes, their width, numerals' height or None.

    ``pitch_px`` is the pitch in full-size pixels: narrow strokes are as wide as blur
    makes them.
    """

    stroke: float
    width: float
    numeral: float | None
    pitch_px: float


@dataclass(frozen=True, slots=True)
class _Size:
    """Log-normal size of something on a ruler, in pitches."""

    median: float
    spread: float

    def log_density(self, size: float) -> float:
        z = float(np.log(max(size, 1e-3) / self.median)) / self.spread
        return -0.5 * z * z - float(np.log(self.spread))

    def over(self, rival: _Size, size: float) -> float:
        """Log likelihood ratio against a rival."""
        return self.log_density(size) - rival.log_density(size)


@dataclass(frozen=True, slots=True)
class _Kind:
    stroke: _Size
    width: _Size
    numeral: _Size


_MILLIMETRE = _Kind(_Size(3.2, 0.35), _Size(0.22, 0.4), _Size(2.5, 0.4))
_TENTH_INCH = _Kind(_Size(1.42, 0.3), _Size(0.11, 0.3), _Size(1.4, 0.3))
_FIFTIETH_INCH = _Kind(_Size(7.5, 0.3), _Size(0.4, 0.3), _Size(6.0, 0.4))
_HALF_MILLIMETRE = _Kind(_Size(4.5, 0.45), _Size(0.38, 0.25), _Size(5.5, 0.4))
_TWENTIETH_INCH = _Kind(_Size(3.0, 0.4), _Size(0.19, 0.3), _Size(2.8, 0.35))

RIVALS_MM = {1.0: (INCH_MM / 10, INCH_MM / 50), 0.5: (INCH_MM / 20,)}
"""Spacings that group their marks as a metric one does: 1/10, 1/50 and 1/20 inch."""

_KINDS = {
    1.0: _MILLIMETRE,
    0.5: _HALF_MILLIMETRE,
    INCH_MM / 10: _TENTH_INCH,
    INCH_MM / 20: _TWENTIETH_INCH,
    INCH_MM / 50: _FIFTIETH_INCH,
}


def looks(strokes: Strokes, fit: Fit, pitch_px: float) -> Looks:
    """Measure what tells the unit.

    Parameters
    ----------
    strokes : Strokes
        The graduation.
    fit : Fit
        Its family; the last class are the shortest strokes.
    pitch_px : float
        Spacing of the marks in full-size pixels.
    """
    shortest = fit.reach[-1]
    return Looks(
        stroke=float(shortest[0] + shortest[1]),
        width=strokes.width,
        numeral=_numeral_height(strokes, fit) if fit.family.kind == "decimal" else None,
        pitch_px=pitch_px,
    )


def metric_evidence(
    graduation_mm: float, seen: Looks, rivals_mm: Iterable[float]
) -> float:
    """Log likelihood ratio of a metric scale against the closest of its rivals.

    Parameters
    ----------
    graduation_mm : float
        1.0 or 0.5.
    seen : Looks
        What the strokes look like.
    rivals_mm : iterable of float
        Those of :data:`RIVALS_MM` not yet excluded.
    """
    metric = _KINDS[graduation_mm]
    return min(
        (_evidence(metric, _KINDS[rival], seen) for rival in rivals_mm),
        default=float("inf"),
    )


def _evidence(metric: _Kind, rival: _Kind, seen: Looks) -> float:
    total = metric.stroke.over(rival.stroke, seen.stroke)
    if seen.numeral is not None:
        total += metric.numeral.over(rival.numeral, seen.numeral)
    width_px = seen.width * seen.pitch_px
    if width_px > _MOST_BLUR_PX + 0.5:
        sharp = float(np.sqrt(width_px**2 - _MOST_BLUR_PX**2)) / seen.pitch_px
        return total + metric.width.over(rival.width, sharp)
    # Blur may have made the strokes as wide as they look, but not any narrower.
    return total + min(metric.width.over(rival.width, seen.width), 0.0)


def _numeral_height(strokes: Strokes, fit: Fit) -> float | None:
    """Height of the rows beyond the longest strokes that repeat as numerals do."""
    period = fit.family.period
    rows = np.flatnonzero(strokes.present)
    texture = np.log(strokes.texture[:, rows[0] : rows[-1] + 1] + 3.0)
    phase = (strokes.index[rows[0] : rows[-1] + 1] - fit.offset) % period
    if texture.shape[1] < 3 * period:
        return None
    repeats = _explained_by_phase(texture, phase, period) > 0.3
    middle = (strokes.band[0] + strokes.band[1]) / 2
    step = strokes.rows_pitch[1] - strokes.rows_pitch[0]
    heights = []
    for side, column in ((1, 0), (-1, 1)):
        if fit.reach[0, column] <= fit.reach[-1, column] + 0.3:
            continue
        end = middle + side * (float(np.nanmax(fit.reach[:, column])) + 0.3)
        beyond = side * (strokes.rows_pitch - end) > 0
        run = repeats[beyond][::side]
        heights.append(_first_run(run) * step)
    tall = [height for height in heights if height >= 0.75]
    return max(tall) if tall else None


def _explained_by_phase(
    texture: NDArray[np.float64], phase: NDArray[np.int_], period: int
) -> NDArray[np.float64]:
    """Share of each row's variance that repeats with the period, chance removed."""
    centred = texture - texture.mean(axis=1, keepdims=True)
    folded = np.stack(
        [centred[:, phase == k].mean(axis=1) for k in range(period)], axis=1
    )
    total = (centred**2).mean(axis=1) + 1e-9
    share = (folded[:, phase] ** 2).mean(axis=1) / total
    return np.asarray(share - (period - 1) / texture.shape[1])


def _first_run(run: NDArray[np.bool_]) -> int:
    """Length of the first run of True that begins within the first two dozen rows."""
    starts = np.flatnonzero(run[:12])
    if len(starts) == 0:
        return 0
    rest = run[starts[0] :]
    ends = np.flatnonzero(~rest)
    return int(ends[0]) if len(ends) else len(rest)
