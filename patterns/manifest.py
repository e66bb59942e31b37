"""What a printed coupon is: the contract between the coupon and whoever measures it.

Frame: millimetres; the STL's own axes; z = 0 is the face on the build plate, z grows
away from the plate; x runs along the coupon's long side.  Side ``a`` is +y, side ``b``
is -y.  Layers are counted from the plate, the plate layer is layer 0.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from typing import Any, Literal, TypeVar

from patterns.errors import ManifestError

MANIFEST_SCHEMA = 1

AnyManifest = TypeVar("AnyManifest")

Side = Literal["a", "b"]
Role = Literal["inset", "start", "reference"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tooth:
    """One tooth of a long side.

    ``inset_by_layer_mm[j]`` says how far the mask of layer j lies inside the tooth's
    outermost outline at its end (along y); ``flank_inset_by_layer_mm`` the same at each
    flank (along x).  Body layers repeat the taper.
    """

    name: str
    side: Side
    index: int
    role: Role
    x_mm: float
    y_end_mm: float
    y_root_mm: float
    width_mm: float
    inset_mm: float
    start_layer: int
    inset_by_layer_mm: tuple[float, ...]
    flank_inset_by_layer_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A round fiducial hole through the coupon, widening away from the plate face."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    diameter_by_layer_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """The bar (material) or the slot (void): two long edges along x, read on the body.

    ``width_mm`` is the distance of the two edges (along y) in the first body layer;
    ``inset_by_layer_mm[j]`` how far layer j's mask lies inside that edge (into the
    material), the same for both edges.
    """

    name: str
    kind: Literal["bar", "slot"]
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    inset_by_layer_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeNotch:
    """One place of the edge code on a short end; ``cut`` is the bit."""

    end: Literal["-x", "+x"]
    place: int
    y_mm: float
    x_edge_mm: float
    width_mm: float
    depth_mm: float
    cut: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """The mask shared by layers ``first_layer`` to ``last_layer`` (both included).

    ``rings_mm``: closed rings without a repeated point; outer rings run counter-
    clockwise, holes clockwise.
    """

    first_layer: int
    last_layer: int
    z0_mm: float
    z1_mm: float
    rings_mm: tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A flare coupon, whole: enough to print it, find it, read it and model it."""

    schema: int
    kind: Literal["flare"]
    coupon_id: str
    code: int
    spec: dict[str, Any]
    spec_sha256: str
    frame: str
    mask_note: str
    size_mm: tuple[float, float, float]
    volume_mm3: float
    layer_mm: float
    pixel_x_mm: float
    pixel_y_mm: float
    exposure_by_layer_s: tuple[float, ...]
    foot_layers: int
    vertical_layers: int
    layers: int
    body_inset_by_layer_mm: tuple[float, ...]
    core_half_length_mm: float
    core_half_width_mm: float
    teeth: tuple[Tooth, ...]
    holes: tuple[Hole, ...]
    strips: tuple[Strip, ...]
    notches: tuple[CodeNotch, ...]
    sections: tuple[Section, ...]

    @property
    def foot_mm(self) -> float:
        """Height of the foot: where the first body layer begins."""
        return self.foot_layers * self.layer_mm

    @property
    def thickness_mm(self) -> float:
        """Total height."""
        return self.layers * self.layer_mm

    def to_json(self) -> str:
        """Serialise; the same manifest gives the same bytes."""
        text = json.dumps(
            self, default=_fields_of, sort_keys=True, separators=(",", ":")
        )
        return text + "\n"


def _fields_of(value: Any) -> dict[str, Any]:  # noqa: ANN401 - json's own signature
    """Fields of a dataclass by name; ``asdict`` would copy every value in them."""
    return {field.name: getattr(value, field.name) for field in fields(value)}


def manifest_from_json(text: str, source: str = "manifest") -> Manifest:
    """Parse and check a manifest.

    Parameters
    ----------
    text : str
        JSON as written by :meth:`Manifest.to_json`.
    source : str
        What to call it in an error message, usually the file's path.

    Raises
    ------
    ManifestError
        Not JSON, another schema, unknown or missing keys, or wrong types.
    """
    return parsed_manifest(text, source, Manifest, MANIFEST_SCHEMA, "coupon flare")


def parsed_manifest(
    text: str, source: str, kind: type[AnyManifest], schema: int, maker: str
) -> AnyManifest:
    """Parse a manifest of any kind; ``maker`` is the command that writes it.

    Raises
    ------
    ManifestError
        Not JSON, another schema, unknown or missing keys, or wrong types.
    """
    from pydantic import TypeAdapter, ValidationError

    try:
        head = json.loads(text)
    except json.JSONDecodeError as err:
        raise ManifestError(
            f"{source} is not JSON ({err.msg}, line {err.lineno}).",
            "Give the manifest file that was written beside the coupon's STL.",
        ) from err
    found = head.get("schema") if isinstance(head, dict) else None
    if found != schema:
        raise ManifestError(
            f"{source} has manifest schema {found!r}, this program reads {schema}.",
            "Use the manifest written with this coupon, or a newer rimgauge.",
        )
    try:
        return TypeAdapter(kind).validate_json(text, extra="forbid")
    except ValidationError as err:
        first = err.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ManifestError(
            f"{source} is damaged: {where}: {first['msg']}.",
            f"Make its files again with `rimgauge {maker}`.",
        ) from err
