"""Invented measurements of rim tiles for tests."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.result import Component, Quantity
from analysis.rim_result import Chip, RimMeasurement, RimQuantity

if TYPE_CHECKING:
    from patterns.rim_manifest import RimManifest, RimTile


def a_length(value_mm: float, u_mm: float = 0.004) -> Quantity:
    return Quantity(
        value_mm=value_mm,
        u_mm=u_mm,
        method="invented",
        budget=(Component(name="edge noise", u_mm=u_mm),),
    )


def a_tile(**changes: Any) -> RimMeasurement:  # noqa: ANN401 any field
    """A bare tile with everything measured, a chip and a stub."""
    values: dict[RimQuantity, Quantity] = {
        "radius": a_length(12.47, 0.02),
        "form": a_length(0.11, 0.007),
        "sag": a_length(0.08),
        "cos2phi": a_length(-0.02),
        "roughness_sigma": a_length(0.009, 0.001),
        "edge_spread": a_length(0.02, 0.006),
        "back_straightness": a_length(0.012),
    }
    tile = RimMeasurement(
        coupon_id="rim-s07-t45-bare",
        kind="rim",
        photos=("a.jpg", "b.jpg"),
        tilt_deg=45.0,
        lipped=False,
        part_scale=0.998,
        u_part_scale=0.001,
        values=values,
        upper_mm={"edge_radius": 0.1},
        chips=(Chip(phi_deg=-12.0, width_mm=0.6, depth_mm=0.15, u_depth_mm=0.01),),
        stubs=(Chip(phi_deg=8.0, width_mm=0.4, depth_mm=0.2, u_depth_mm=0.02),),
        chip_limit_mm=0.08,
        warnings=("One fifth of the arc lies in half shade.",),
        reasons={},
    )
    return replace(tile, **changes)


def departure_mm(tilt_deg: float, *, lipped: bool) -> float:
    """Invented truth of the shape: best bare at 48 degrees, lipped 0.06 mm better."""
    bare = 0.12 + 0.25 * ((tilt_deg - 48.0) / 18.0) ** 2
    return bare - 0.06 if lipped else bare


def a_set(manifest: RimManifest, seed: int = 1) -> list[RimMeasurement]:
    """Measurements of a whole set; 8 um from tile to tile."""
    rng = np.random.default_rng(seed)
    return [_of(tile, rng) for tile in manifest.tiles]


def _of(tile: RimTile, rng: np.random.Generator) -> RimMeasurement:
    form = departure_mm(tile.tilt_deg, lipped=tile.lipped) + rng.normal(0.0, 0.008)
    base = a_tile()
    return a_tile(
        coupon_id=tile.coupon_id,
        tilt_deg=tile.tilt_deg,
        lipped=tile.lipped,
        chips=(),
        stubs=(),
        values=base.values
        | {
            "form": a_length(form, 0.007),
            "sag": a_length(0.6 * form),
            "edge_radius": a_length(0.15, 0.015),
        },
        upper_mm={},
        warnings=(),
    )
