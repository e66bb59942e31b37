"""A user's base, tilted on supports: what is asked for, and what is made.

Print frame: z = 0 on the plate, z up; the base's low side lies towards +y, its middle
over the origin.  Supports and lip are of the rim coupon's kind, so that what was
measured there holds here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from patterns.errors import SpecError
from patterns.rim_spec import TILT_RANGE_DEG
from patterns.spec import LAYER_RANGE_MM

if TYPE_CHECKING:
    import manifold3d  # noqa: TC004 - the classes load without numpy
    import numpy as np  # noqa: TC004
    import shapely  # noqa: TC004
    from numpy.typing import NDArray  # noqa: TC004

Footing = Literal["raft", "base", "none"]
ContactPlace = Literal["rim", "underside", "island"]
IslandKind = Literal["island", "hang"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltedSpec:
    """How a base is to be tilted, lipped and supported.

    Parameters
    ----------
    layer_mm : float
        Layer height.
    tilt_deg : float
        From flat, 20 to 75.
    front_deg : float
        Which side is seen most: its direction in the base's frame, from +x towards +y.
        The low rim comes on the opposite side.  Default: -y is the front.
    lip_depth_mm : float or None
        Depth of the ring under the low half of the outline; None: no lip.
    lip_width_mm : float
        Its width.
    allowance_mm : float
        What sanding takes off the underside beside the lip: added below it, so that
        the finished height is the design's.
    supports : bool
        False: the tilted, lipped mesh alone, its lowest point on the plate.
    stand_on_base : bool
        Whether an island that nothing can reach from the raft may stand on the base
        itself; False: it is listed as not supported.
    rim_spacing_mm, face_spacing_mm, contact_mm, rim_row_deg : float
        As for :class:`patterns.rim_spec.RimSpec`.
    hang_limit_mm, span_limit_mm : float
        As for :class:`patterns.rim_spec.RimSpec`.

    Raises
    ------
    SpecError
        A value that can't be made.
    """

    layer_mm: float
    tilt_deg: float
    front_deg: float = -90.0
    lip_depth_mm: float | None = 0.5
    lip_width_mm: float = 1.5
    allowance_mm: float = 0.0
    supports: bool = True
    stand_on_base: bool = True
    rim_spacing_mm: float = 1.5
    face_spacing_mm: float = 3.5
    contact_mm: float = 0.4
    rim_row_deg: float = 78.0
    hang_limit_mm: float = 1.0
    span_limit_mm: float = 6.5

    def __post_init__(self) -> None:
        ranges = {
            "layer_mm": LAYER_RANGE_MM,
            "tilt_deg": TILT_RANGE_DEG,
            "front_deg": (-360.0, 360.0),
            "lip_width_mm": (0.5, 5.0),
            "allowance_mm": (0.0, 3.0),
            "rim_spacing_mm": (0.5, 3.0),
            "face_spacing_mm": (1.5, 8.0),
            "contact_mm": (0.25, 0.8),
            "rim_row_deg": (60.0, 89.0),
            "hang_limit_mm": (0.3, 3.0),
            "span_limit_mm": (3.0, 15.0),
        }
        for name, (low, high) in ranges.items():
            _check_range(name, getattr(self, name), low, high)
        if self.lip_depth_mm is not None:
            _check_range("lip_depth_mm", self.lip_depth_mm, 0.3, 1.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """Where a support touches: print frame, mm.

    ``footing``: what the support stands on.
    """

    x_mm: float
    y_mm: float
    z_mm: float
    place: ContactPlace
    footing: Footing


@dataclass(frozen=True, slots=True, kw_only=True)
class Island:
    """A region that stands on nothing in the layer below it, or hangs too far past it.

    ``x_mm``, ``y_mm``, ``z_mm`` in the base's own frame, so that it can be found there;
    ``height_mm`` above the plate; ``footing``: what its support stands on, "none" when
    it has none.
    """

    kind: IslandKind
    x_mm: float
    y_mm: float
    z_mm: float
    height_mm: float
    area_mm2: float
    footing: Footing


@dataclass(frozen=True, slots=True, kw_only=True)
class Lip:
    """The ring under the low half of the outline; ``plan`` in the base's frame.

    ``covered_share``: share of the outline's low half that has it under it at full
    depth; uphill of that it runs out on a ramp.
    """

    plan: shapely.Geometry
    depth_mm: float
    width_mm: float
    covered_share: float
    volume_mm3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltedBase:
    """A base as it prints tilted: planned, and not yet joined to one body.

    ``added``: what comes below the underside of the base and what supports it, in the
    print frame, each standing in the next; :func:`patterns.tilted_base.join_up` makes
    one body of them and the base.

    ``pose`` (3, 4) leads from the base's frame to the print frame.  ``body_mm3`` is the
    base's with its allowance, ``lip_mm3`` and ``supports_mm3`` come on top of it;
    ``footprint`` is the convex outline of all seen from above.  ``span_mm``: largest
    gap between contacts under the base, NaN without supports.
    """

    spec: TiltedSpec
    added: tuple[manifold3d.Manifold, ...]
    pose: NDArray[np.float64]
    contacts: tuple[Contact, ...]
    islands: tuple[Island, ...]
    lip: Lip | None
    body_mm3: float
    lip_mm3: float
    supports_mm3: float
    height_mm: float
    span_mm: float
    footprint: shapely.Polygon

    @property
    def resin_mm3(self) -> float:
        """All that is cured: base, lip, supports and raft."""
        return self.body_mm3 + self.lip_mm3 + self.supports_mm3

    @property
    def unsupported(self) -> tuple[Island, ...]:
        """Islands and long hangs that have no support."""
        return tuple(island for island in self.islands if island.footing == "none")


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinedBase:
    """A tilted base ready to print: one closed body in the print frame.

    ``vertices_mm`` (n, 3), ``faces`` (m, 3).
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]


def _check_range(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:  # NaN fails too
        raise SpecError(
            f"{name} = {value} is outside {low:g} to {high:g}.",
            f"Give {name} within that range.",
        )
