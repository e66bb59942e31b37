"""What a measurement is: plain frozen values, nothing that computes.

Every length carries its standard uncertainty ``u_...`` beside it (JCGM 100:2008).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.rim_result import (  # noqa: TC004 - it imports this module
        Merged,
        RimDrawing,
        RimMeasurement,
    )

Side = Literal["a", "b"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why there is no number, and what to do about it.  It is falsy."""

    code: str
    message: str
    remedy: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of an uncertainty budget: a standard uncertainty in mm."""

    name: Literal[
        "ruler", "pose", "heights", "edge noise", "light", "pixel raster", "model"
    ]
    u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A length with its standard uncertainty, how it was found, and its budget."""

    value_mm: float
    u_mm: float
    method: str
    budget: tuple[Component, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RulerReading:
    """The graduation of a ruler as found in one photo.

    ``marks_mm`` (n,) positions along the ruler, zero arbitrary; ``marks_px`` (n, 2)
    x, y in the upright picture; ``kept`` (n,) False for outliers.  ``px_per_mm`` is
    taken along the ruler at the mean position of the kept marks.
    """

    graduation_mm: float
    marks_mm: NDArray[np.float64]
    marks_px: NDArray[np.float64]
    kept: NDArray[np.bool_]
    px_per_mm: float
    u_px_per_mm: float
    u_class_ratio: float
    residual_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothReading:
    """One tooth end (or flank pair) read in the photo."""

    name: str
    side: Side
    role: Literal["inset", "start", "reference"]
    inset_mm: float
    start_layer: int
    growth_mm: float | None
    u_growth_mm: float | None
    used: bool
    reason: str | None
    px: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Scale of the picture at the coupon's centre, in the plane of its plate face."""

    px_per_mm: float
    u_px_per_mm: float
    graduation_mm: float | None
    source: Literal["ruler", "coupon"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CouponMeasurement:
    """Everything measured on one flare coupon.

    ``growth_cov_mm2`` (n, n) is the covariance of the growth of the teeth in
    ``covariance_names`` (those with ``used``), shared causes included.
    Null values are None and have a sentence in ``reasons`` under the field's name.
    """

    coupon_id: str
    kind: Literal["flare"]
    part_scale: float | None
    u_part_scale: float | None
    flare: Quantity | None
    flare_upper_mm: float | None
    body_growth: Quantity | None
    flush_inset: Quantity | None
    teeth: tuple[ToothReading, ...]
    covariance_names: tuple[str, ...]
    growth_cov_mm2: NDArray[np.float64]
    warnings: tuple[str, ...] = ()
    reasons: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """What was found, in place, to be drawn over the photo; px of the upright picture.

    ``outline_px`` (n, 2) closed; ``holes_px`` one (n, 2) rim each; ``marks_px`` (n, 2)
    with ``marks_kept`` (n,); ``edges_px`` (n, 2, 2) both ends of each edge that was
    looked for, ``edges_used`` (n,).
    """

    outline_px: NDArray[np.float64]
    holes_px: tuple[NDArray[np.float64], ...]
    marks_px: NDArray[np.float64]
    marks_kept: NDArray[np.bool_]
    edges_px: NDArray[np.float64]
    edges_used: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One photo, measured.

    ``drawing`` is there for a flare coupon, ``rim_drawing`` for rim tiles.
    """

    photo: str
    scale: Scale | None
    coupons: tuple[CouponMeasurement | RimMeasurement | Merged, ...]
    warnings: tuple[str, ...] = ()
    drawing: Drawing | None = field(default=None, compare=False, repr=False)
    rim_drawing: RimDrawing | None = field(default=None, compare=False, repr=False)

    @property
    def flare_coupons(self) -> tuple[CouponMeasurement, ...]:
        """The flare coupons among ``coupons``."""
        return tuple(c for c in self.coupons if isinstance(c, CouponMeasurement))
