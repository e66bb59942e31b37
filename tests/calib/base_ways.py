"""Invented bottles for the ways to print a base: what their coupons would have told.

INVENTED: no such bottle was ever printed.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from calib.advised import (
    Advised,
    FlatAdvice,
    TiltedAdvice,
    advise_flat,
    advise_tilted,
)
from calib.profile import Profile
from calib.records import Bottle, Print, Printer
from calib.rim_profile import MeasuredTile, RimProfile, Steps
from calib.store import Entry
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from tests.calib.rim_samples import a_length, a_tile
from tests.calib.samples import a_bottle, a_print, a_printer
from tests.calib.test_fitting import bottle, observed

if TYPE_CHECKING:
    from analysis.rim_result import RimMeasurement
    from patterns.rim_manifest import RimTile

PRINTER = a_printer(name="invented bench", plate_x_mm=200.0, plate_y_mm=125.0)
BEST_DEG = 46.0
_BOTTLE_UID, _PRINTER_UID = "invented-bottle", "invented-printer"
R = TypeVar("R", Bottle, Printer, Print)


def an_entry(value: R, uid: str) -> Entry[R]:
    return Entry(
        number=1,
        uid=uid,
        recorded_at_utc="2026-05-31T12:00:00Z",
        supersedes=None,
        value=value,
    )


@cache
def flat_advice(
    halo_share: float = 0.10,
    halo_mm: float = 0.18,
    depth_mm: float = 0.11,
    core_mm: float = 0.04,
    squeeze_mm: float = 0.0,
) -> FlatAdvice:
    """What the flare coupon of an invented resin advises."""
    resins = bottle(
        halo_share=halo_share,
        halo_mm=halo_mm,
        depth_mm=depth_mm,
        core_mm=core_mm,
        squeeze_mm=squeeze_mm,
    )
    made = an_entry(a_print(_BOTTLE_UID, _PRINTER_UID), "invented-print")
    profile = Profile(
        bottle=an_entry(a_bottle(name="invented"), _BOTTLE_UID),
        printer=an_entry(PRINTER, _PRINTER_UID),
        prints=(made,),
        measured=(made,),
        observations=(observed(resins, np.random.default_rng(5)),),
        measurement_uids=("invented-reading",),
    )
    return advise_flat(profile, tolerance_mm=0.05)


@cache
def tile_advice(bare_mm: float, lipped_mm: float) -> TiltedAdvice:
    """What rim tiles advise whose form is best at 46 degrees, there as given."""
    manifest = rim_manifest(default_rim_spec())
    rng = np.random.default_rng(3)
    profile = RimProfile(
        tiles=tuple(
            MeasuredTile(
                print_number=1,
                tile=_tile(tile, lipped_mm if tile.lipped else bare_mm, rng),
            )
            for tile in manifest.tiles
        ),
        measurement_uids=("invented-tiles",),
        steps=Steps(layer_mm=manifest.layer_mm, taper_deg=manifest.tiles[0].taper_deg),
        lips_mm=tuple(
            (tile.tilt_deg, tile.lip_depth_mm)
            for tile in manifest.tiles
            if tile.lip_depth_mm is not None
        ),
    )
    return advise_tilted(profile, None)


def advised(flat: FlatAdvice | None, tilted: TiltedAdvice | None) -> Advised:
    return Advised(
        bottle=an_entry(a_bottle(name="invented"), _BOTTLE_UID),
        printer=an_entry(PRINTER, _PRINTER_UID),
        flat=flat,
        tilted=tilted,
    )


def _tile(tile: RimTile, best_mm: float, rng: np.random.Generator) -> RimMeasurement:
    bowl = 0.15 * ((tile.tilt_deg - BEST_DEG) / 18.0) ** 2
    form = max(best_mm + bowl + rng.normal(0.0, 0.004), 0.001)
    crisp = {
        "form": a_length(form, 0.003),
        "sag": a_length(0.6 * form, 0.002),
        "roughness_sigma": a_length(0.002, 0.0005),
        "edge_spread": a_length(0.004, 0.001),
        "edge_radius": a_length(0.02, 0.005),
    }
    whole = a_tile()
    return a_tile(
        coupon_id=tile.coupon_id,
        tilt_deg=tile.tilt_deg,
        lipped=tile.lipped,
        chips=(),
        stubs=(),
        values={**whole.values, **crisp},
        upper_mm={},
        warnings=(),
    )
