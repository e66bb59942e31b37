"""Many virtual photos of rim tiles with known rims, measured.

    python -m tests.analysis.virtual_rims --count 60 --seed 1 [--profile 30]

prints tiles with the virtual printer, lays four to eight of them in rings, photographs
them (of every third set twice, the sheet turned by 180 degrees) and measures the files;
with ``--profile`` tiles stand round the hub, too.  With ``--write DIR`` pictures and
truth are only written there.  Everything is invented data.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.virtual import finish
from calib.virtual.profile_view import StandingTile, photograph_profiles
from calib.virtual.tile_resin import InventedRimResin, LayerLight, invent_rim_resin
from calib.virtual.tile_scene import (
    RingWish,
    draw_profile_scene,
    draw_ring_scene,
    lay_ring,
    photograph_tiles,
    turned,
)
from calib.virtual.tilted import PrintedTile, PrinterGrid, print_tile
from patterns.rim_manifest import RimManifest
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from tests.rim_truth import NEAR_DEG, back_straightness_mm, printed_dent_mm, rim_truth

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.rim_result import RimMeasurement
    from calib.virtual.tile_resin import BestTilt, LipEffect

Array = NDArray[np.float64]

BESTS: tuple[BestTilt, ...] = ("inside", "low end", "high end")
LIPS: tuple[LipEffect, ...] = ("helps", "nothing", "harms")
SET_CODES = (3, 17, 29)
EDGE_RADII_MM = (0.02, 0.5)
GROUPED = 8  # true samples in 0.1 mm, as far apart as readings are
CHIP_MM = (0.12, 0.5)  # depth and width from which all chips are to be found
CALM_MM = 0.010  # roughness sigma up to which they are
ROUGH_MM = 0.006  # from which the roughness is judged


@dataclass(frozen=True, slots=True, kw_only=True)
class RingSet:
    """Some printed tiles and the photos of them."""

    manifest: RimManifest
    tiles: tuple[PrintedTile, ...]
    photos: tuple[Path, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One quantity of one tile: error and standard uncertainty, mm."""

    coupon_id: str
    name: str
    truth_mm: float
    error_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TileOutcome:
    """What became of one tile."""

    coupon_id: str
    readings: tuple[Reading, ...]
    chips_there: int
    chips_found: int
    chips_false: int
    reasons: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetOutcome:
    """What became of the tiles of one set of photos; ``strangers`` were not there."""

    tiles: tuple[TileOutcome, ...]
    missed: tuple[str, ...]
    strangers: tuple[str, ...]
    refusal: str | None


def manifests() -> tuple[RimManifest, ...]:
    """Three sets that differ in their code only."""
    spec = default_rim_spec()
    return tuple(rim_manifest(replace(spec, set_code=code)) for code in SET_CODES)


def print_some(
    manifest: RimManifest, count: int, rng: np.random.Generator
) -> tuple[PrintedTile, ...]:
    """Print some tiles of a set, each with roughness, chips and edge of its own."""
    chosen = rng.choice(len(manifest.tiles), count, replace=False)
    grid = PrinterGrid(
        layer_mm=manifest.layer_mm,
        pixel_x_mm=manifest.pixel_x_mm,
        pixel_y_mm=manifest.pixel_y_mm,
    )
    base = invent_rim_resin(
        rng, best=BESTS[int(rng.integers(3))], lip=LIPS[int(rng.integers(3))]
    )
    # one light for all: tiles of a kind share their slices then
    base = replace(base, light=LayerLight())
    return tuple(
        print_tile(manifest.tiles[k], grid, _varied(base, rng), rng) for k in chosen
    )


def _varied(resin: InventedRimResin, rng: np.random.Generator) -> InventedRimResin:
    low, high = np.log(EDGE_RADII_MM)
    radius = float(np.exp(rng.uniform(low, high)))
    return replace(
        resin,
        roughness_mm=float(rng.choice([0.0, 0.004, 0.008, 0.015, 0.025])),
        ragged_mm=float(rng.uniform(0.0, 0.008)),
        chip_chance=float(rng.choice([0.0, 0.05, 0.10])),
        chip_depth_mm=float(rng.uniform(0.10, 0.22)),
        edge_radius_mm=radius,
        sanded_radius_mm=radius,
    )


def ring_sets(
    seed: int, count: int, folder: Path, wish: RingWish | None = None
) -> Iterator[RingSet]:
    """Write photos, two of every third set; ``count`` is that of photos."""
    known = manifests()
    written, number = 0, 0
    while written < count:
        rng = np.random.default_rng([seed, number])
        manifest = known[number % len(known)]
        tiles = print_some(manifest, 4 + int(rng.integers(5)), rng)
        radius = manifest.tiles[0].radius_mm
        places = lay_ring(len(tiles), radius, rng)
        drawn = wish or RingWish(lamp=number % 3 == 1)
        scene = draw_ring_scene(len(tiles), radius, rng, drawn)
        photos = []
        twice = number % 3 == 2 and written + 1 < count
        for turn in (0.0, 180.0)[: 1 + twice]:
            laid = turned(places, turn)
            rgb8, truth = photograph_tiles(tiles, laid, scene, rng)
            path = folder / f"rims_{seed}_{number:03d}_{turn:03.0f}.jpg"
            finish.save(path, rgb8, scene.finish.jpeg_quality, scene.focal35_mm)
            truth["set_id"] = manifest.set_id
            path.with_suffix(".json").write_text(json.dumps(truth))
            photos.append(path)
        written, number = written + len(photos), number + 1
        yield RingSet(manifest=manifest, tiles=tiles, photos=tuple(photos))


def profile_sets(seed: int, count: int, folder: Path) -> Iterator[RingSet]:
    """Write profile photos: three or four tiles round the hub."""
    known = manifests()
    for number in range(count):
        rng = np.random.default_rng([seed, 1000 + number])
        manifest = known[number % len(known)]
        tiles = print_some(manifest, 3 + int(rng.integers(2)), rng)
        standing = [
            StandingTile(
                printed=tile, bay=bay, off_plane_deg=float(rng.uniform(-3.0, 3.0))
            )
            for tile, bay in zip(tiles, manifest.stand.bays, strict=False)
        ]
        view = draw_profile_scene(manifest.stand, rng)
        rgb8, truth = photograph_profiles(manifest.stand, standing, view, rng)
        path = folder / f"profile_{seed}_{number:03d}.jpg"
        scene = view.scene
        finish.save(path, rgb8, scene.finish.jpeg_quality, scene.focal35_mm)
        path.with_suffix(".json").write_text(json.dumps(truth))
        yield RingSet(manifest=manifest, tiles=tiles, photos=(path,))


def judge(ring: RingSet, measured: Sequence[RimMeasurement]) -> SetOutcome:
    """Set measurements beside the truth."""
    there = {tile.tile.coupon_id: tile for tile in ring.tiles}
    found = {tile.coupon_id: tile for tile in measured}
    return SetOutcome(
        tiles=tuple(
            judge_tile(there[name], tile)
            for name, tile in found.items()
            if name in there
        ),
        missed=tuple(sorted(there.keys() - found.keys())),
        strangers=tuple(sorted(found.keys() - there.keys())),
        refusal=None,
    )


def judge_tile(printed: PrintedTile, measured: RimMeasurement) -> TileOutcome:
    """One tile's measurement beside its truth."""
    truth = rim_truth(printed, GROUPED)
    true_mm = {
        "sag": truth.sag_mm,
        "form": truth.form_mm,
        "cos2phi": truth.cos2phi_mm,
        "radius": truth.radius_mm,
        "roughness_sigma": truth.roughness_sigma_mm,
        "edge_spread": truth.edge_spread_mm,
        "edge_radius": truth.edge_radius_mm,
        "back_straightness": back_straightness_mm(printed),
    }
    readings = tuple(
        Reading(
            coupon_id=measured.coupon_id,
            name=name,
            truth_mm=true_mm[name],
            error_mm=quantity.value_mm - true_mm[name],
            u_mm=quantity.u_mm,
        )
        for name, quantity in measured.values.items()
    )
    calm = truth.roughness_sigma_mm <= CALM_MM and "form" in measured.values
    wanted = [
        chip
        for chip in truth.chips
        if calm and chip.depth_mm >= CHIP_MM[0] and chip.width_mm >= CHIP_MM[1]
    ]
    seen = np.array([chip.phi_deg for chip in measured.chips])
    return TileOutcome(
        coupon_id=measured.coupon_id,
        readings=readings,
        chips_there=len(wanted),
        chips_found=sum(
            bool((np.abs(seen - np.degrees(chip.phi_rad)) < NEAR_DEG).any())
            for chip in wanted
        ),
        chips_false=sum(
            printed_dent_mm(printed, chip.phi_deg, GROUPED) < chip.depth_mm / 2
            for chip in measured.chips
        ),
        reasons=measured.reasons,
    )


def measured_rims(ring: RingSet, known: Sequence[RimManifest]) -> SetOutcome:
    """Measure the photos of a set as the command does."""
    from analysis.pipeline import measure_photos
    from analysis.result import Refusal
    from analysis.rim_result import RimMeasurement

    found, refusal = [], None
    for result in measure_photos(list(ring.photos), known):
        if isinstance(result, Refusal):
            refusal = result.code
            continue
        found += [c for c in result.coupons if isinstance(c, RimMeasurement)]
    return replace(judge(ring, found), refusal=refusal)


def summary(outcomes: Sequence[SetOutcome]) -> str:
    """Put the figures of issue 'It must show' 2 into a table."""
    tiles = [tile for outcome in outcomes for tile in outcome.tiles]
    missed = sum(len(outcome.missed) for outcome in outcomes)
    wrong = sum(len(outcome.strangers) for outcome in outcomes)
    lines = [
        f"codes: {len(tiles)} right, {missed} refused, {wrong} wrong",
        "quantity            tiles  RMS um  worst um  rel. RMS  <= 3 u  RMS error / u",
    ]
    readings = [reading for tile in tiles for reading in tile.readings]
    lines += [
        _row(name, [r for r in readings if r.name == name])
        for name in sorted({reading.name for reading in readings})
    ]
    rough = [
        r for r in readings if r.name == "roughness_sigma" and r.truth_mm >= ROUGH_MM
    ]
    lines.append(_row("  sigma >= 6 um", rough))
    there = sum(tile.chips_there for tile in tiles)
    found = sum(tile.chips_found for tile in tiles)
    false = sum(tile.chips_false for tile in tiles)
    lines.append(
        f"chips: {found} of {there} found, {false} false in {len(tiles)} tiles"
    )
    return "\n".join(lines)


def _row(name: str, readings: Sequence[Reading]) -> str:
    if not readings:
        return f"{name:18} {0:6d}"
    error = np.array([r.error_mm for r in readings])
    ratio = error / np.array([r.u_mm for r in readings])
    relative = error / np.maximum(np.abs([r.truth_mm for r in readings]), 1e-4)
    return (
        f"{name:18} {len(readings):6d} {1e3 * _rms(error):7.1f} "
        f"{1e3 * np.abs(error).max():9.1f} {_rms(relative):9.2f} "
        f"{np.mean(np.abs(ratio) <= 3):7.3f} {_rms(ratio):8.2f}"
    )


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def line(ring: RingSet, outcome: SetOutcome) -> str:
    """One set on one line: errors of sag and form in micrometres."""
    parts = []
    for tile in outcome.tiles:
        error = {r.name: f"{1e3 * r.error_mm:+.0f}" for r in tile.readings}
        shown = "/".join(error[n] for n in ("sag", "form", "edge_radius") if n in error)
        parts.append(shown or "-")
    names = " ".join(path.stem for path in ring.photos)
    told = outcome.refusal or ""
    return (
        f"{names}: {' '.join(parts)} missed {len(outcome.missed)} "
        f"wrong {len(outcome.strangers)} {told}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--profile", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", type=Path, help="only write pictures and truth here")
    wish = parser.parse_args(arguments)
    folder = wish.write or Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    known = manifests()
    for sets, named in (
        (ring_sets(wish.seed, wish.count, folder), False),
        # feet tell tiles of a set apart, not sets: --manifest names it
        (profile_sets(wish.seed, wish.profile, folder), True),
    ):
        outcomes = []
        for ring in sets:
            if wish.write:
                print(*(path.name for path in ring.photos), flush=True)
                continue
            outcomes.append(measured_rims(ring, [ring.manifest] if named else known))
            print(line(ring, outcomes[-1]), flush=True)
            for path in ring.photos:
                path.unlink()
                path.with_suffix(".json").unlink()
        if outcomes:
            print(summary(outcomes))
    return 0


if __name__ == "__main__":
    sys.exit(main())
