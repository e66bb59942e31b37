"""A user's own base, read and understood: what the ways to print it start from.

The base's frame: the underside lies in z = 0, material above it, x and y as in the
file but for the turn that puts the underside down, centred on the underside's box.
Rings are (n, 2) x, y in mm without the closing point, outer ones counter-clockwise,
openings clockwise, as seen from above.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Ring = NDArray[np.float64]
RunKind = Literal["straight", "round"]
FaultKind = Literal[
    "open_edges",
    "flipped",
    "double_shell",
    "self_intersection",
    "hole_in_bottom",
    "zero_area",
    "unwelded",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something wrong with the mesh as it was read.

    ``count`` faces, edges or places; ``where_mm`` (x, y, z) of one of them in the
    file's own frame; ``mended``: it could not change the shape and was put right.
    """

    kind: FaultKind
    count: int
    where_mm: tuple[float, float, float]
    mended: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """What a level cut shows: outer rings and openings, at a height."""

    z_mm: float
    outer: tuple[Ring, ...]
    openings: tuple[Ring, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """A corner of the rim: place, and the angle inside the material (90: square)."""

    x_mm: float
    y_mm: float
    inside_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A stretch of the rim between two places along it, straight or round.

    ``from_mm`` and ``to_mm`` along the outer ring from its first point; ``radius_mm``
    is infinite for a straight one, negative where the rim is hollow.
    """

    kind: RunKind
    from_mm: float
    to_mm: float
    radius_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recess:
    """A hole or a recess in the underside.

    ``depth_mm`` from the underside to its roof; infinite for a hole right through.
    ``vented``: air gets out though the underside is closed, through an opening in wall
    or top.  ``roof_span_mm``: diameter of the largest circle in the roof.
    """

    ring: Ring
    area_mm2: float
    depth_mm: float
    volume_mm3: float
    vented: bool
    roof_span_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rim:
    """The outer outline of the underside, and what is along it.

    ``draft_deg``: how far the wall leans inwards over the lowest millimetre (0:
    upright, negative: leaning outwards), its mean along the rim.
    ``thinnest_wall_mm`` at ``thinnest_at_mm`` (x, y): between the rim and the next
    recess, infinite without one.
    """

    outline: Ring
    corners: tuple[Corner, ...]
    runs: tuple[Run, ...]
    draft_deg: float
    thinnest_wall_mm: float
    thinnest_at_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """A base that can be printed.

    ``vertices_mm`` (n, 3) and ``faces`` (m, 3): one closed shell, outwards, in the
    base's frame.  ``flatness_mm``: how far the underside departs from its plane, peak
    to valley (ISO 12781-1).
    """

    name: str
    source: str
    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]
    height_mm: float
    volume_mm3: float
    flatness_mm: float
    rim: Rim
    recesses: tuple[Recess, ...]
    faults: tuple[Fault, ...]
