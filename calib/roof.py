"""Roofs that hang free when a hollow base is printed flat, and what they would need."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Iterable

    from patterns.base import Recess

FREE_SPAN_MM = 8.0
"""How wide a level roof may hang free (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Roof:
    """The widest roof that hangs free: its span, height and the pillars it needs.

    ``pillars`` stand ``pitch_mm`` apart, so that no place of the roof is farther from
    one, or from the wall, than half of :data:`FREE_SPAN_MM`.
    """

    span_mm: float
    depth_mm: float
    pillars: int
    pitch_mm: float

    @property
    def words(self) -> str:
        """Say what is the matter and what it needs, in a sentence."""
        return (
            f"Its roof would hang free over {self.span_mm:.0f} mm, "
            f"{self.depth_mm:.1f} mm above the plate: it needs {self.pillars} pillars "
            f"inside, {self.pitch_mm:.1f} mm apart."
        )


def free_roof(recesses: Iterable[Recess]) -> Roof | None:
    """Find the widest roof that is wider than may hang free; None: there is none."""
    wide = [
        recess
        for recess in recesses
        if math.isfinite(recess.depth_mm) and recess.roof_span_mm > FREE_SPAN_MM
    ]
    if not wide:
        return None
    widest = max(wide, key=lambda recess: recess.roof_span_mm)
    pitch = FREE_SPAN_MM / math.sqrt(2.0)
    return Roof(
        span_mm=widest.roof_span_mm,
        depth_mm=widest.depth_mm,
        pillars=sum(_pillars(recess, pitch) for recess in wide),
        pitch_mm=pitch,
    )


def _pillars(recess: Recess, pitch_mm: float) -> int:
    """Count the places of a square grid that the wall doesn't hold up anyway."""
    bare = shapely.Polygon(recess.ring).buffer(-FREE_SPAN_MM / 2.0)
    if bare.is_empty:
        return 1
    low_x, low_y, high_x, high_y = bare.bounds
    x, y = np.meshgrid(
        np.arange(low_x + pitch_mm / 2.0, high_x + pitch_mm / 2.0, pitch_mm),
        np.arange(low_y + pitch_mm / 2.0, high_y + pitch_mm / 2.0, pitch_mm),
    )
    around = shapely.box(x, y, x, y)
    near = shapely.distance(bare, around) <= pitch_mm / math.sqrt(2.0)
    return max(int(np.sum(near)), 1)
