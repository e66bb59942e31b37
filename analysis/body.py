"""Growth of the body: how far its outline stands outside the printed design.

Read only where two edges look opposite ways, so that a shift of the pose cancels: tooth
ends of both sides, flanks of the reference teeth, and bar with slot, which also cancels
an error of scale (the bar widens by twice the growth, the slot narrows by it); these
two serve only where both long sides are clean, since they face the same ways.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.light import SHADOW_STEP
from analysis.outline import projected_outline
from analysis.result import Quantity
from analysis.uncertainty import SOURCES, combined_u

if TYPE_CHECKING:
    from analysis.reading import EdgeReadings
    from patterns.manifest import Manifest

from analysis.result import Component

Floats = NDArray[np.float64]

U_TONE_PX = 0.1
"""Tone curve and sharpening move every edge alike: 0.1-0.15 px in the photo bench."""
LIGHT_MM, LIGHT_RATIO = 0.004, 0.35
MOST_SPREAD_MM = 0.025
"""Range of one way's reference edges; a lamp's shadow grows along the side."""
MOST_APART_MM = 0.04
"""Opposite edges differ by twice the pose's error; more than this is a shadow."""
U_SCALE_RATIO = 2e-4
"""Scale between holes and teeth; the ruler's part cancels."""


def body_growth(
    readings: EdgeReadings,
    manifest: Manifest,
    clean_sides: tuple[str, ...],
    u_view_rad: float,
) -> Quantity | None:
    """Growth of one body edge, from pairs of opposite edges.

    Parameters
    ----------
    readings : EdgeReadings
    manifest : Manifest
    clean_sides : tuple of str
        Long sides that lie in good light.
    u_view_rad : float
        Standard uncertainty of the line of sight.

    Returns
    -------
    Quantity or None
        None unless at least one kind of pair is clean both ways.
    """
    body = np.zeros(manifest.layers)
    flat = projected_outline(
        readings.inset_mm, body, readings.z_mm, readings.seen.slope
    )
    growth = readings.place_mm - flat.place_mm
    plain = {t.name for t in manifest.teeth if t.role == "reference"}
    flanks = [
        _pair(readings, growth, plain, [(f"flank {side}+",), (f"flank {side}-",)])
        for side in clean_sides
    ]
    ends: list[tuple[str, ...]] = [("end a",), ("end b",)]
    both = set(clean_sides) == {"a", "b"}
    pairs = [
        _pair(readings, growth, plain, ends) if both else None,
        *flanks,
        _strips(readings, growth) if both else None,
    ]
    known = [p for p in pairs if p is not None]
    if not known:
        return None
    values = np.array([v for v, _ in known])
    light = np.array([u for _, u in known])
    weights = light**-2 / np.sum(light**-2)
    chi2 = float(np.sum(((values - weights @ values) / light) ** 2))
    scatter = max(chi2 / max(len(known) - 1, 1), 1.0) ** 0.5
    u_light = float(np.sum(light**-2)) ** -0.5 * scatter
    ppm = float(np.median(readings.seen.px_per_mm))
    parts = {
        "light": u_light,
        "model": U_TONE_PX / ppm,
        "pose": manifest.foot_mm * u_view_rad,
        "ruler": U_SCALE_RATIO * manifest.teeth[0].y_end_mm,
        "edge noise": float(np.median(readings.u_mm)) / 3.0,
    }
    budget = tuple(Component(name=s, u_mm=abs(parts.get(s, 0.0))) for s in SOURCES)
    return Quantity(
        value_mm=float(weights @ values),
        u_mm=combined_u(budget),
        method="pairs of opposite body edges: tooth ends, flanks, bar and slot",
        budget=budget,
    )


def _u_light(ratio: Floats | np.float64) -> Floats:
    share = LIGHT_RATIO / np.clip(ratio, 0.05, 1.0)
    return np.asarray(LIGHT_MM * share**1.5)


def _pair(
    readings: EdgeReadings,
    growth: Floats,
    plain: set[str],
    ways: list[tuple[str, ...]],
) -> tuple[float, float] | None:
    """Mean of two opposite ways over the reference teeth, and its u from light."""
    means, us = [], []
    for groups in ways:
        rows = [
            i
            for i in readings.chosen(*groups)
            if readings.good[i]
            and readings.edges[i].owner in plain
            and readings.ratio[i] >= SHADOW_STEP
        ]
        if len(rows) < 3:
            return None
        if np.ptp(growth[rows]) > MOST_SPREAD_MM:
            return None
        means.append(float(np.median(growth[rows])))
        spread = float(np.std(growth[rows], ddof=1)) / len(rows) ** 0.5
        us.append(float(np.hypot(_u_light(np.median(readings.ratio[rows])), spread)))
    if abs(means[0] - means[1]) > MOST_APART_MM:
        return None
    return sum(means) / 2, float(np.hypot(us[0], us[1])) / 2


def _strips(readings: EdgeReadings, growth: Floats) -> tuple[float, float] | None:
    rows = readings.chosen("bar", "slot")
    if (~readings.good[rows]).any() or (readings.ratio[rows] < SHADOW_STEP).any():
        return None
    if np.ptp(growth[rows]) > MOST_APART_MM:
        return None
    u = _u_light(readings.ratio[rows])
    return float(growth[rows].mean()), float(np.sqrt(np.sum(u**2))) / len(rows)
