"""Which long side of a coupon lies in light that can be measured in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.light import SHADOW_STEP
from analysis.outline import projected_outline
from analysis.refusals import refuse

if TYPE_CHECKING:
    from analysis.reading import EdgeReadings
    from analysis.result import Refusal
    from patterns.manifest import Manifest

Floats = NDArray[np.float64]

MOST_SHADED = 5
MOST_SCATTER_MM = 0.008
MOST_MISFIT = 4.0
MOST_APART_MM = 0.08
FEWEST_REFERENCES = 4
FEWEST_TEETH = 14
LOW_CONTRAST = 0.45
"""Open table and part differ by less than this share of the brighter one."""


def side_fault(readings: EdgeReadings, manifest: Manifest, side: str) -> str | None:
    """Say why a long side can't be used, or None."""
    rows = readings.chosen(f"end {side}")
    good = readings.good[rows]
    shaded = int((readings.ratio[rows] < SHADOW_STEP).sum())
    if shaded > MOST_SHADED:
        return f"{shaded} of its {len(rows)} teeth lie in shadow or lack contrast"
    if good.sum() < FEWEST_TEETH:
        return f"only {good.sum()} of its {len(rows)} teeth can be read"
    scatter = _reference_scatter_mm(readings, manifest, side)
    if scatter is None:
        return "too few of its reference teeth can be read"
    if scatter > MOST_SCATTER_MM:
        return f"its reference teeth scatter by {1e3 * scatter:.0f} um"
    if np.median(readings.misfit[rows][good]) > MOST_MISFIT:
        return "its edges do not look like edges in even light"
    return None


def disagreement(
    readings: EdgeReadings, manifest: Manifest, faults: dict[str, str | None]
) -> dict[str, str | None]:
    """Fault of the weaker side where both would serve but don't agree on the body.

    A shaded side can look clean and be 100 um out; the pose tells opposite sides' body
    edges to within a few hundredths of a millimetre.
    """
    if any(faults.values()):
        return {}
    plain = {t.name for t in manifest.teeth if t.role == "reference"}
    level, strength = {}, {}
    for side in faults:
        rows = np.array(
            [
                i
                for i in readings.chosen(f"end {side}")
                if readings.good[i] and readings.edges[i].owner in plain
            ]
        )
        level[side] = float(np.median(_body_place(readings, manifest, rows)))
        strength[side] = float(np.median(readings.ratio[rows]))
    apart = abs(level["a"] - level["b"])
    if apart < MOST_APART_MM:
        return {}
    weaker = min(strength, key=lambda side: strength[side])
    return {weaker: f"its body edges lie {1e3 * apart:.0f} um off the other side's"}


def _body_place(
    readings: EdgeReadings, manifest: Manifest, rows: NDArray[np.intp]
) -> Floats:
    """Places of body edges outside the printed design, parallax removed."""
    flat = projected_outline(
        readings.inset_mm[rows],
        np.zeros(manifest.layers),
        readings.z_mm,
        readings.seen.slope[rows],
    )
    return np.asarray(readings.place_mm[rows] - flat.place_mm)


def _reference_scatter_mm(
    readings: EdgeReadings, manifest: Manifest, side: str
) -> float | None:
    """Scatter of the references about their quadratic, one outlier allowed."""
    plain = {t.name for t in manifest.teeth if t.role == "reference"}
    rows = [
        i
        for i in readings.chosen(f"end {side}")
        if readings.good[i] and readings.edges[i].owner in plain
    ]
    if len(rows) < FEWEST_REFERENCES:
        return None
    x = np.array([readings.edges[i].point_mm[0] for i in rows])
    y = _body_place(readings, manifest, np.array(rows))
    left = y - np.polyval(np.polyfit(x / 50.0, y, 2), x / 50.0)
    return float(np.sqrt(np.sum(left**2) / max(len(rows) - 3, 1)))


def neither_side(readings: EdgeReadings) -> Refusal:
    """Refuse a coupon neither of whose long sides serves."""
    rows = readings.chosen("end a", "end b")
    if np.median(readings.open_contrast[rows]) < LOW_CONTRAST:
        return refuse("low_contrast")
    return refuse("one_sided_light")
