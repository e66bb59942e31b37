"""What a set of rim tiles is: the contract between the tiles and whoever measures them.

Tile frame: millimetres; z = 0 is the bottom face, the one that is looked at; z grows
into the tile, away from the camera; the centre of the arc is the origin and phi = 0,
the lowest point when printed, lies at +x.  The straight back edge is x = 0.  Seen from
the bottom face x runs right and y *down*, so with phi counter-clockwise as seen from
there the rim is (R cos phi, -R sin phi, 0).

Stand frame: z = 0 is the hub's top face, x right and y down as seen from above, z grows
downwards, away from the camera.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, Literal

from patterns.manifest import parsed_manifest

RIM_SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class BackNotch:
    """One place of the code along the back edge, from y0 to y1; ``cut`` is the bit.

    Neighbouring cut places make one wide notch.
    """

    place: int
    y0_mm: float
    y1_mm: float
    cut: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Foot:
    """A round foot on the top face, which carries the tile when it lies bottom up.

    ``bit`` is its place in the code of feet that is read in profile, None for the feet
    that every tile has.  Code feet stand at y = 0.
    """

    x_mm: float
    y_mm: float
    diameter_mm: float
    height_mm: float
    bit: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RimTile:
    """One finished tile, supports and lip off.

    ``code`` is the number in the back edge, ``index`` the one in the feet, alone in
    its set.  ``radius_mm`` is that of the bottom face's rim; the walls lean inwards by
    ``taper_deg`` going away from it.  ``lip_width_mm`` and ``lip_depth_mm`` are None
    for bare tiles.
    """

    coupon_id: str
    index: int
    code: int
    tilt_deg: float
    lipped: bool
    radius_mm: float
    thickness_mm: float
    taper_deg: float
    notch_depth_mm: float
    notches: tuple[BackNotch, ...]
    feet: tuple[Foot, ...]
    lip_width_mm: float | None
    lip_depth_mm: float | None
    volume_mm3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where a tile stands on its plate: the lowest point of its finished rim.

    ``turn_deg`` turns it about z, counter-clockwise seen from above the plate.
    """

    coupon_id: str
    plate: int
    x_mm: float
    y_mm: float
    z_mm: float
    turn_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StandHole:
    """A round fiducial hole in the hub's top face."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """One place for a tile on its end.

    The tile's bottom face lies in the vertical plane through the hub's axis at
    ``azimuth_deg`` (from x towards y, in the stand frame); its body lies on the side
    of growing azimuth; its back edge stands ``back_mm`` from the axis, so that phi = 0
    is ``back_mm + radius`` out, level with the hub's top face.
    """

    name: str
    azimuth_deg: float
    back_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """The hub that holds tiles on their ends for a photo of their profile."""

    height_mm: float
    outline_mm: tuple[tuple[float, float], ...]
    holes: tuple[StandHole, ...]
    bays: tuple[Bay, ...]
    volume_mm3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RimManifest:
    """A set of rim tiles, whole: enough to print it, find it and read it."""

    schema: int
    kind: Literal["rim"]
    set_id: str
    set_code: int
    spec: dict[str, Any]
    spec_sha256: str
    frame: str
    layer_mm: float
    pixel_x_mm: float
    pixel_y_mm: float
    tiles: tuple[RimTile, ...]
    placements: tuple[Placement, ...]
    plates: int
    stand: Stand

    def to_json(self) -> str:
        """Serialise; the same manifest gives the same bytes."""
        return json.dumps(asdict(self), sort_keys=True, separators=(",", ":")) + "\n"


def rim_manifest_from_json(text: str, source: str = "manifest") -> RimManifest:
    """Parse and check the manifest of a rim set.

    Parameters
    ----------
    text : str
        JSON as written by :meth:`RimManifest.to_json`.
    source : str
        What to call it in an error message, usually the file's path.

    Raises
    ------
    ManifestError
        Not JSON, another schema, unknown or missing keys, or wrong types.
    """
    return parsed_manifest(text, source, RimManifest, RIM_SCHEMA, "coupon rims")
