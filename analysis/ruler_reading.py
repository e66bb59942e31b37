"""Judge one followed row of marks: what scale it is, whether it slipped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.ruler_hierarchy import (
    SLIP_GAIN,
    Fit,
    Kind,
    fit_families,
    guarded_span,
    slip_evidence,
)
from analysis.ruler_scale import LineScale, fit_line_scale
from analysis.ruler_strokes import Strokes, measure_strokes
from analysis.ruler_track import Level, follow
from analysis.ruler_unit import Looks, looks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.ruler_search import Candidate

_MIN_LEAD = 10.0  # in BIC over every family of another kind
_MIN_MARKS = 18
_MIN_PERIODS = 2.2
_MAX_SCATTER_PITCH = 0.06
_MAX_MISFIT_PITCH = 0.1
_MAX_STRETCH = 1.8
_MAX_STEP_PITCH = 0.12  # printed marks wander by 0.04 mm rms


@dataclass(frozen=True, slots=True, kw_only=True)
class Graduation:
    """A row of marks that was followed and counted.

    ``fault`` says in words why it can't serve, None if it can.  ``rows`` are the marks
    between which a slip would have shown: ``index`` (n,), ``points_px`` (n, 2) and
    ``scale`` in marks instead of millimetres.
    """

    kind: Kind
    family: str
    lead: float
    fault: str | None
    looks: Looks
    index: NDArray[np.float64]
    points_px: NDArray[np.float64]
    scale: LineScale | None

    @property
    def pitch_px(self) -> float:
        """Spacing of the marks at their mean position."""
        return self.scale.px_per_mm if self.scale else float("nan")


def read_graduation(levels: Sequence[Level], candidate: Candidate) -> Graduation | None:
    """Follow and judge one candidate; None where there is no row of strokes."""
    track = follow(levels, candidate)
    if track is None:
        return None
    strokes = measure_strokes(track)
    if strokes is None or strokes.present.sum() < _MIN_MARKS:
        return None
    fits = fit_families(strokes)
    best = fits[0]
    lead = (
        min(fit.bic for fit in fits if fit.family.kind != best.family.kind) - best.bic
    )
    span = guarded_span(best)
    first, last = span or (0, len(strokes.index) - 1)
    chosen = np.flatnonzero(strokes.present)
    chosen = chosen[(chosen >= first) & (chosen <= last)]
    scale = None
    if len(chosen) >= _MIN_MARKS:
        scale = fit_line_scale(
            strokes.index[chosen].astype(np.float64), strokes.position_px[chosen]
        )
    guarded = span is not None
    return Graduation(
        kind=best.family.kind,
        family=best.family.name,
        lead=float(lead),
        fault=_fault(best, float(lead), strokes, scale, guarded=guarded),
        looks=looks(strokes, best, track.pitch * track.level.shrink),
        index=strokes.index[chosen].astype(np.float64),
        points_px=strokes.position_px[chosen],
        scale=scale,
    )


def _fault(
    best: Fit,
    lead: float,
    strokes: Strokes,
    scale: LineScale | None,
    *,
    guarded: bool,
) -> str | None:
    """First reason for not trusting the count of marks, None if there is none."""
    if scale is None or not guarded:
        return "too few of them are seen"
    checks = (
        (best.family.kind != "plain" and lead >= _MIN_LEAD, _UNCLEAR),
        (_long_are_longer(best), _UNCLEAR),
        (slip_evidence(best) <= SLIP_GAIN, "some were lost or counted twice"),
        (scale.kept.sum() >= _MIN_MARKS, "too few of them are seen"),
        (_periods(best, strokes) >= _MIN_PERIODS, "too few of them are seen"),
        (_evenly_spaced(scale), "their spacing is uneven"),
    )
    return next((why for passed, why in checks if not passed), None)


_UNCLEAR = "long and short ones can't be told apart"


def _periods(best: Fit, strokes: Strokes) -> float:
    rows = np.flatnonzero(strokes.present)
    count = rows[-1] - rows[0]
    return float(count) / best.family.period


def _evenly_spaced(scale: LineScale) -> bool:
    pitch = scale.px_per_mm
    return (
        scale.scatter_px <= _MAX_SCATTER_PITCH * pitch
        and scale.rms_px <= _MAX_MISFIT_PITCH * pitch
        and scale.step_px <= _MAX_STEP_PITCH * pitch
        and scale.stretch <= _MAX_STRETCH
    )


def _long_are_longer(best: Fit) -> bool:
    """Long strokes must be longer than the shortest, or heavier."""
    reach = best.reach.sum(axis=1)
    heavier = best.means[:, 1] > 1.5 * best.means[-1, 1]
    longer = (reach > reach[-1] + 0.25) | heavier
    if best.family.kind == "inch":
        return bool(longer[0])
    return bool(longer[:-1][np.isfinite(reach[:-1])].all())
