"""What is written for a base that is printed flat: its lowest layers, drawn in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.prediction import Interval
from patterns.base import Ring, Section


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerInset:
    """How far one layer's mask is drawn in on a plain stretch of rim.

    ``layer`` counts from the plate, 0; ``quanta`` whole steps of ``quantum_mm``, the
    pitch of the raster's lines along the longest kind of edge this base has.
    """

    layer: int
    exposure_s: float
    quanta: int
    quantum_mm: float

    @property
    def inset_mm(self) -> float:
        """The inset in mm."""
        return self.quanta * self.quantum_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedWall:
    """A wall that can't be printed flat like this: its mask would be too thin.

    ``mask_px`` is what the narrowest mask would leave of it, in pixels.
    """

    x_mm: float
    y_mm: float
    wall_mm: float
    mask_px: float
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A small hole or pocket that is opened above the compensated layers, too.

    ``design`` its ring as designed, ``mask`` the ring it is opened to; from the top of
    the compensated layers up to ``to_mm`` (infinite: right through).
    """

    design: Ring
    mask: Ring
    to_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatPlan:
    """A base's lowest layers as they are to be written.

    Parameters
    ----------
    layers : tuple of Section
        Outlines of each compensated layer, plate layer first; ``z_mm`` is the layer's
        middle.  Above them the base stays as it is, but for ``openings``.
    layer_mm : float
        Layer height.
    exposures_s : tuple of float
        Exposure of each compensated layer.
    insets : tuple of LayerInset
        On plain stretches of the rim.
    leftover : tuple of Interval
        How far each layer's film-side outline will still stand outside the body's.
    plain : tuple of Interval
        The same were nothing compensated.
    scallop_mm : float
        How deep the body's own scallops between the layers' film sides are.
    realisable_share : float
        Share of the rim that whole pixels can bring within the larger of 10 um and
        half a pixel.
    sanding_mm : float
        Height at the bottom in which more than the tolerance is left, to be sanded off;
        0 when nothing is.
    openings : tuple of Opening
    refused : tuple of RefusedWall
        Not empty: the plan must not be written.
    guess : bool
        Made by rule of thumb, not from measurements.
    """

    layers: tuple[Section, ...]
    layer_mm: float
    exposures_s: tuple[float, ...]
    insets: tuple[LayerInset, ...]
    leftover: tuple[Interval, ...]
    plain: tuple[Interval, ...]
    scallop_mm: float
    realisable_share: float
    sanding_mm: float
    openings: tuple[Opening, ...]
    refused: tuple[RefusedWall, ...]
    guess: bool = False

    @property
    def zone_mm(self) -> float:
        """Height of the compensated layers."""
        return len(self.layers) * self.layer_mm

    @property
    def worst(self) -> Interval:
        """The largest leftover of any layer."""
        return max(self.leftover, key=lambda left: abs(left.value_mm))

    @property
    def inset_mm(self) -> NDArray[np.float64]:
        """Inset of each layer on plain stretches, (J,)."""
        return np.array([inset.inset_mm for inset in self.insets])
