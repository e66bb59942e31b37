"""Rim tiles as JSON: the fixed report for outside, the whole one for the records."""

from __future__ import annotations

from dataclasses import asdict, fields, replace
from typing import TYPE_CHECKING, Any, get_args

from analysis.result import Component, Quantity
from analysis.rim_result import Chip, RimMeasurement, RimQuantity
from patterns.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.rim_result import Merged

QUANTITIES: tuple[RimQuantity, ...] = get_args(RimQuantity)
_UNSAID = "It could not be measured in these photos."
_STORED = tuple(f.name for f in fields(RimMeasurement) if f.name != "arc")


def is_read(tile: RimMeasurement) -> bool:
    """Say whether a tile gave any number or limit."""
    return bool(tile.values or tile.upper_mm)


def rim_report(
    tile: RimMeasurement, photo_warnings: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Give a tile's object in what `measure --json` prints.

    Beside a value stands its ``u_..._mm``; where there is a limit only, the value is
    null and ``..._upper_mm`` stands beside it.
    """
    values: dict[str, Any] = {
        "part_scale": tile.part_scale,
        "u_part_scale": tile.u_part_scale,
    }
    for name in QUANTITIES:
        if name in tile.values:
            values[f"{name}_mm"] = tile.values[name].value_mm
            values[f"u_{name}_mm"] = tile.values[name].u_mm
        else:
            values[f"{name}_mm"] = None
            if name in tile.upper_mm:
                values[f"{name}_upper_mm"] = tile.upper_mm[name]
    return {
        "coupon_id": tile.coupon_id,
        "kind": tile.kind,
        "photos": list(tile.photos),
        "tilt_deg": tile.tilt_deg,
        "lipped": tile.lipped,
        **values,
        "chips": [
            {
                "phi_deg": chip.phi_deg,
                "width_mm": chip.width_mm,
                "depth_mm": chip.depth_mm,
            }
            for chip in tile.chips
        ],
        "warnings": [*tile.warnings, *_stub_words(tile), *photo_warnings],
        "reasons": _reasons(tile, values),
    }


def merged_report(tile: Merged) -> dict[str, Any]:
    """Give the object of a tile whose reading stands under another photo."""
    return asdict(tile)


def rim_to_dict(tile: RimMeasurement) -> dict[str, Any]:
    """Write a measured tile as plain JSON values, whole but for the arc's samples."""
    return asdict(replace(tile, arc=None), dict_factory=_without_arc)


def rim_from_dict(data: dict[str, Any]) -> RimMeasurement:
    """Read back what :func:`rim_to_dict` wrote.

    Raises
    ------
    RecordError
        Keys are missing or unknown.
    """
    try:
        if set(data) != set(_STORED):
            raise KeyError(*set(data) ^ set(_STORED))  # noqa: TRY301 one answer to all
        return RimMeasurement(
            **data
            | {
                "photos": tuple(data["photos"]),
                "values": {
                    name: _quantity(value) for name, value in data["values"].items()
                },
                "chips": tuple(Chip(**chip) for chip in data["chips"]),
                "stubs": tuple(Chip(**stub) for stub in data["stubs"]),
                "warnings": tuple(data["warnings"]),
            }
        )
    except (KeyError, TypeError, ValueError, AttributeError) as err:
        raise RecordError(
            "A tile's measurement in the records can't be read.",
            "Measure the photo again with this version.",
        ) from err


def combine_tiles(tiles: Sequence[RimMeasurement]) -> RimMeasurement:
    """Join what several measurements say of one printed tile.

    Each quantity is taken whole from where it is surest, never averaged: photos of a
    tile share more than they differ in.  Chips and stubs come from where the smallest
    are found.

    Parameters
    ----------
    tiles : sequence of RimMeasurement
        At least one, all of the same tile.

    Raises
    ------
    ValueError
        No tile, or different ones.
    """
    if len({tile.coupon_id for tile in tiles}) != 1:
        raise ValueError("measurements of one tile are needed")
    values: dict[RimQuantity, Quantity] = {}
    upper: dict[RimQuantity, float] = {}
    for name in QUANTITIES:
        found = [tile.values[name] for tile in tiles if name in tile.values]
        limits = [tile.upper_mm[name] for tile in tiles if name in tile.upper_mm]
        if found:
            values[name] = min(found, key=lambda quantity: quantity.u_mm)
        elif limits:
            upper[name] = min(limits)
    looked = [tile for tile in tiles if tile.chip_limit_mm is not None]
    best = min(looked, key=lambda t: t.chip_limit_mm or 0.0) if looked else tiles[0]
    sized = [tile for tile in tiles if tile.part_scale is not None]
    scale = min(sized, key=lambda t: t.u_part_scale or 0.0) if sized else tiles[0]
    return replace(
        best,
        photos=tuple(dict.fromkeys(photo for tile in tiles for photo in tile.photos)),
        part_scale=scale.part_scale,
        u_part_scale=scale.u_part_scale,
        values=values,
        upper_mm=upper,
        warnings=tuple(dict.fromkeys(w for tile in tiles for w in tile.warnings)),
    )


def _without_arc(items: list[tuple[str, Any]]) -> dict[str, Any]:
    return {name: value for name, value in items if name != "arc"}


def _quantity(data: dict[str, Any]) -> Quantity:
    budget = tuple(Component(**component) for component in data["budget"])
    return Quantity(**data | {"budget": budget})


def _stub_words(tile: RimMeasurement) -> list[str]:
    if not tile.stubs:
        return []
    highest = max(tile.stubs, key=lambda stub: stub.depth_mm)
    where = f"{highest.depth_mm:.2f} mm at {highest.phi_deg:+.0f} degrees"
    count = len(tile.stubs)
    told = f"Stubs of supports on the rim, not in the figures: {count}, the highest"
    return [f"{told} {where}."]


def _reasons(tile: RimMeasurement, values: dict[str, Any]) -> dict[str, str]:
    """Give a sentence for each null field, the u's sharing their value's."""
    reasons = {}
    for name, value in values.items():
        if value is None:
            limit = values.get(f"{name.removesuffix('_mm')}_upper_mm")
            twin = name.removeprefix("u_")
            said = tile.reasons.get(name) or tile.reasons.get(twin)
            if limit is not None:
                said = (
                    said or f"It can't be told from zero; it is below {limit:.3f} mm."
                )
            reasons[name] = said or _UNSAID
    return reasons
