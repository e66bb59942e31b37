"""What a base is printed with: printer, exposures, motion, and the plate's room."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from calib.print_time import Motion, PrintTime, layer_count, print_time
from calib.records import Printer
from calib.suction import Liquid
from calib.wall import Setting
from patterns.nesting import GAP_MM, QUARTER_TURNS_DEG, fill

if TYPE_CHECKING:
    import shapely


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What a base is printed with.

    ``setting``: None: no exposures are known, so no time is, and layers are counted by
    ``layer_mm``.  ``bottle``: its name; None: none was named.  ``viscosity_pa_s``: of
    the resin as it is printed; None: not given.  ``tolerance_mm``: how far a flat
    print's wall may stand from straight.
    """

    printer: Printer
    setting: Setting | None
    layer_mm: float = 0.05
    bottle: str | None = None
    motion: Motion = field(default_factory=Motion)
    viscosity_pa_s: float | None = None
    gap_mm: float = GAP_MM
    tolerance_mm: float = 0.05

    @property
    def liquid(self) -> Liquid:
        """How easily the resin flows while the plate lifts."""
        return Liquid(
            viscosity_pa_s=self.viscosity_pa_s, lift_mm_per_s=self.motion.lift_mm_per_s
        )

    @property
    def square_pixels(self) -> bool:
        """Whether a quarter turn leaves the pixel raster as it is."""
        return math.isclose(self.printer.pixel_x_mm, self.printer.pixel_y_mm)

    @property
    def turns_deg(self) -> tuple[float, ...]:
        """Turns on the plate that leave the pixel raster as it is for the base."""
        return QUARTER_TURNS_DEG if self.square_pixels else (0.0, 180.0)

    def layers(self, height_mm: float) -> int:
        """Count a print's layers."""
        layer_mm = self.layer_mm if self.setting is None else self.setting.layer_mm
        return layer_count(height_mm, layer_mm)

    def time(self, height_mm: float) -> PrintTime | None:
        """Give a print's time; None without exposures."""
        if self.setting is None:
            return None
        return print_time(height_mm, self.setting, self.motion)

    @property
    def plate_mm(self) -> tuple[float, float]:
        """Size of the plate."""
        return self.printer.plate_x_mm, self.printer.plate_y_mm

    def fits(self, outline: shapely.Polygon) -> int:
        """Count how many of an outline go on the plate."""
        found = fill(
            outline, self.plate_mm, gap_mm=self.gap_mm, turns_deg=self.turns_deg
        )
        return len(found.laid)

    def no_room(self, outline: shapely.Polygon) -> str:
        """Say that an outline doesn't go on the plate."""
        low_x, low_y, high_x, high_y = outline.bounds
        wide, deep = self.plate_mm
        return (
            f"It takes {high_x - low_x:.0f} x {high_y - low_y:.0f} mm on the plate; "
            f"that of {self.printer.name} has {wide:g} x {deep:g} mm."
        )
