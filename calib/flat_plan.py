"""What is planned for a base that is printed flat on the plate."""

from __future__ import annotations

from dataclasses import dataclass

from calib.prediction import Interval
from calib.wall import Setting
from patterns.base import Section


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerInset:
    """How far one layer's mask is drawn in along the greater part of the rim.

    ``layer`` 0 lies on the plate.  ``exact_mm`` is what an endlessly fine mask would
    take, ``inset_mm`` what was taken: ``quanta`` whole ones of ``quantum_mm``, a
    micrometre where the blur smooths the stairs that pixels make.
    """

    layer: int
    exposure_s: float
    exact_mm: float
    quanta: int
    quantum_mm: float

    @property
    def inset_mm(self) -> float:
        """Inset as written."""
        return self.quanta * self.quantum_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningWidth:
    """Width that a small opening is designed with, and that it is expected to print.

    ``at_mm`` (x, y) of its middle; widths are those of the largest circle in it, the
    printed one's on the film side of the layer that misses by most.
    """

    at_mm: tuple[float, float]
    design_mm: float
    width: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatPlan:
    """Outlines of a base's lowest layers that bring its wall out straight.

    ``layers``: outline of every compensated layer, the plate layer first, each at the
    middle of its height above the plate; ``z_mm`` of a layer counts from the plate,
    the design's underside lies at ``sanding_allowance_mm``.  ``insets``: of the
    greater part of the rim, a layer each.  ``left``: how far each layer's outline is
    expected to stand outside the body's, on the mean along the rim, and ``bare`` how
    far it would without insets.
    ``scallop_mm``: how deep the body's own wall is scalloped between film sides, which
    no inset changes.  ``realisable``: share of the rim that pixels can bring within
    the larger of 10 um and half a pixel of that, wherever the base lies on their
    raster.
    ``guess``: by rule, without measurements.  ``cautions``: a sentence each.
    ``openings``: of the underside, those that are small.
    """

    setting: Setting
    pixel_x_mm: float
    pixel_y_mm: float
    layers: tuple[Section, ...]
    insets: tuple[LayerInset, ...]
    left: tuple[Interval, ...]
    bare: tuple[Interval, ...]
    sanding_allowance_mm: float
    scallop_mm: Interval
    realisable: float
    guess: bool
    cautions: tuple[str, ...]
    openings: tuple[OpeningWidth, ...] = ()

    @property
    def layer_mm(self) -> float:
        """Height of a layer."""
        return self.setting.layer_mm
