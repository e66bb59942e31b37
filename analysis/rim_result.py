"""What is measured on rim tiles: plain frozen values, nothing that computes.

Terms of form are those of ISO 12181 (roundness) and ISO 12780 (straightness); phi runs
along the arc as seen from the bottom face, 0 at the lowest point when printed, positive
counter-clockwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.result import Quantity

Floats = NDArray[np.float64]

RimQuantity = Literal[
    "radius",
    "form",
    "sag",
    "cos2phi",
    "roughness_sigma",
    "edge_spread",
    "edge_radius",
    "back_straightness",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class RimArc:
    """The rim as read in one photo or stitched from several.

    ``phi_rad`` (n,) grows; ``residual_mm`` (n,) outwards from the nominal circle of
    ``radius_mm`` about the tile's pose, in printed mm; ``u_mm`` (n,) of one sample from
    noise and light; ``strength`` (n,) step just outside the edge over the full step;
    ``used`` (n,); ``source`` (n,) index of the photo each sample came from;
    ``smear_mm`` standard deviation of the blur along the edge.
    """

    radius_mm: float
    phi_rad: Floats
    residual_mm: Floats
    u_mm: Floats
    strength: Floats
    used: NDArray[np.bool_]
    source: NDArray[np.intp]
    smear_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """A dent or chip (missing material) or, among ``stubs``, what is left of a support.

    ``width_mm`` along the arc at half depth; ``depth_mm`` from the local rim, positive;
    a stub's depth is its height.
    """

    phi_deg: float
    width_mm: float
    depth_mm: float
    u_depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RimMeasurement:
    """Everything measured on one rim tile.

    ``values`` holds what was measured; ``upper_mm`` the 95 % upper limit of what can't
    be told from zero; what is in neither has a sentence in ``reasons`` under its
    field's name in the report.  ``chip_limit_mm`` is the depth from which chips half
    a millimetre wide are found.
    """

    coupon_id: str
    kind: Literal["rim"]
    photos: tuple[str, ...]
    tilt_deg: float
    lipped: bool
    part_scale: float | None
    u_part_scale: float | None
    values: dict[RimQuantity, Quantity]
    upper_mm: dict[RimQuantity, float]
    chips: tuple[Chip, ...]
    stubs: tuple[Chip, ...]
    chip_limit_mm: float | None
    warnings: tuple[str, ...] = ()
    reasons: dict[str, str] = field(default_factory=dict)
    arc: RimArc | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class TileDrawing:
    """One tile as found, to be drawn over its photo; px of the stored picture.

    ``outline_px`` (m, 2) closed; ``rim_px`` (n, 2) nominal rim at the ``phi_rad`` of
    this photo's own arc; ``outward_px`` (n, 2) one printed mm outwards there, in px.
    """

    coupon_id: str
    outline_px: Floats
    rim_px: Floats
    outward_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileDrawing:
    """One tile's fitted profile on the edge stand; px of the stored picture.

    ``outline_px`` (m, 2) closed; ``frame_px`` (3, 2) the rim's lowest point and the
    points 1 mm outwards and 1 mm off the bottom face from there; ``words`` say what was
    measured.
    """

    coupon_id: str
    bay: str
    outline_px: Floats
    frame_px: Floats
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RimDrawing:
    """What was found in a photo of tiles; ``marks_px`` (k, 2), ``marks_kept`` (k,).

    ``profiles`` are there for a photo of the edge stand, ``tiles`` for others.
    """

    tiles: tuple[TileDrawing, ...]
    marks_px: Floats
    marks_kept: NDArray[np.bool_]
    profiles: tuple[ProfileDrawing, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """A tile of this photo whose reading stands under another one."""

    coupon_id: str
    merged_into: str
