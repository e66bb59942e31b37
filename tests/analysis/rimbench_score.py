"""Score the measurement of rim tiles on pictures of the photo bench.

    python -m tests.analysis.rimbench_score DIR... [--pairs]

Each folder holds pictures made by ``tests.analysis.rimbench`` with their truth.  With
``--pairs`` every picture is measured alone, its turned twin alone, and both together.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import arc_functionals, rough_profile
from analysis.edge_spread import true_spread_mm
from analysis.pipeline import measure_photos
from analysis.result import Refusal
from analysis.rim_result import RimMeasurement
from patterns.rim_manifest import RimManifest, rim_manifest_from_json
from tests.rim_truth import dent_mm

Floats = NDArray[np.float64]

PICTURES = (".jpg", ".heic", ".png")
NAMES = (
    "sag",
    "form",
    "cos2phi",
    "roughness_sigma",
    "edge_spread",
    "edge_radius",
)
CHIP_REACH_DEG = 5.0
SURE_CHIP = {"depth_mm": 0.12, "width_mm": 0.5}


@dataclass(slots=True)
class Tally:
    """Errors (value, u) in um by quantity, over all tiles."""

    errors: dict[str, list[tuple[float, float]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    upper: list[float] = field(default_factory=list)
    tiles: int = 0
    accepted: int = 0
    wrong_code: int = 0
    chips: int = 0
    chips_found: int = 0
    chips_false: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)


def true_rim(
    told: dict[str, object], manifest: RimManifest
) -> tuple[Floats, Floats, float]:
    """Angles, deviations and radius of the realised rim, printed mm."""
    radius = next(
        tile.radius_mm for tile in manifest.tiles if tile.coupon_id == told["coupon_id"]
    )
    scale = float(str(told["scale"]))
    deviation = scale * np.array(told["deviation_mm"])
    return np.array(told["phi_rad"]), deviation, scale * radius


def true_values(told: dict[str, object], manifest: RimManifest) -> dict[str, float]:
    """Give the functionals of the realised rim, printed mm."""
    phi, deviation, radius = true_rim(told, manifest)
    form = arc_functionals(phi, deviation, radius)
    along = phi * radius
    return {
        "sag": form.sag_mm,
        "form": form.form_mm,
        "cos2phi": form.cos2phi_mm,
        "roughness_sigma": form.roughness_sigma_mm,
        "edge_spread": true_spread_mm(along, rough_profile(along, deviation)),
        "edge_radius": float(str(told["edge_radius_mm"])),
    }


def score_tile(
    tile: RimMeasurement, told: dict[str, object], manifest: RimManifest, tally: Tally
) -> str:
    truth = true_values(told, manifest)
    words = [tile.coupon_id]
    tally.accepted += "sag" in tile.values or "edge_radius" in tile.values
    for name in NAMES:
        if name in tile.values:
            quantity = tile.values[name]
            error = 1e3 * (quantity.value_mm - truth[name]), 1e3 * quantity.u_mm
            tally.errors[name].append(error)
            words.append(
                f"{name} {1e3 * truth[name]:.0f}: {error[0]:+.1f} (u {error[1]:.1f})"
            )
        elif name in tile.upper_mm:
            limit = tile.upper_mm[name]
            tally.upper.append(1e3 * (limit - truth[name]))
            words.append(f"{name} {1e3 * truth[name]:.0f}: at most {1e3 * limit:.0f}")
    if "sag" not in tile.values:
        reason = tile.reasons.get("sag_mm", "no reason")
        tally.reasons[reason] += 1
        words.append(f"no sag: {reason}")
    words.append(_chips(tile, told, manifest, tally))
    return ", ".join(words)


def _chips(
    tile: RimMeasurement, told: dict[str, object], manifest: RimManifest, tally: Tally
) -> str:
    """Count chips; false is one where the true rim has no dent of half its depth."""
    if "sag" not in tile.values:
        return ""
    listed = told["chips"]
    assert isinstance(listed, list)
    smooth = float(str(told["roughness_mm"])) <= 0.010
    sure = [
        chip
        for chip in listed
        if smooth and all(chip[key] >= least for key, least in SURE_CHIP.items())
    ]
    found = [
        any(abs(seen.phi_deg - chip["phi_deg"]) < CHIP_REACH_DEG for seen in tile.chips)
        for chip in sure
    ]
    false = [
        seen
        for seen in tile.chips
        if dent_mm(*true_rim(told, manifest), seen.phi_deg) < seen.depth_mm / 2
    ]
    tally.chips += len(sure)
    tally.chips_found += sum(found)
    tally.chips_false += len(false)
    return f"chips {len(tile.chips)} seen of {len(listed)}, {len(false)} false"


def score_photos(
    photos: list[Path], manifest: RimManifest, tally: Tally
) -> dict[str, RimMeasurement]:
    """Measure photos of the same tiles together; returns the tiles by name."""
    truth = photos[0].with_name(f"{photos[0].stem}.tiles.json")
    told = {entry["coupon_id"]: entry for entry in json.loads(truth.read_text())}
    start = time.perf_counter()
    outcomes = measure_photos(photos, [manifest])
    seconds = time.perf_counter() - start
    print(f"{photos[0]} ({seconds:.1f} s)")
    tally.tiles += len(told)
    tiles = {}
    for outcome in outcomes:
        if isinstance(outcome, Refusal):
            tally.refused[outcome.code] += 1
            print(f"  refused, {outcome.code}: {outcome.message}")
            continue
        for warning in outcome.warnings:
            print(f"  warning: {warning}")
        for tile in outcome.coupons:
            if not isinstance(tile, RimMeasurement):
                continue
            if tile.coupon_id not in told:
                tally.wrong_code += 1
                print(f"  WRONG CODE {tile.coupon_id}")
                continue
            tiles[tile.coupon_id] = tile
            print(f"  {score_tile(tile, told[tile.coupon_id], manifest, tally)}")
    for name in told.keys() - tiles.keys():
        print(f"  not measured: {name}")
    return tiles


def report(tally: Tally) -> list[str]:
    lines = [
        f"{tally.accepted} of {tally.tiles} tiles, {tally.wrong_code} codes wrong",
        f"photos refused: {dict(tally.refused) or 'none'}",
    ]
    lines += [f"  {count} x {why}" for why, count in tally.reasons.most_common()]
    for name, errors in tally.errors.items():
        e, u = np.array(errors).T
        lines.append(
            f"{name}: {len(e)} given, RMS {np.sqrt(np.mean(e**2)):.1f} um, largest "
            f"{np.abs(e).max():.1f}, within 3 u {np.mean(np.abs(e) <= 3 * u):.0%}, "
            f"RMS(error / u) {np.sqrt(np.mean((e / u) ** 2)):.2f}, median u "
            f"{np.median(u):.1f} um, mean error {e.mean():+.1f} um"
        )
    if tally.upper:
        low = sum(x < 0 for x in tally.upper)
        lines.append(f"upper limits: {len(tally.upper)}, below the truth {low}")
    lines.append(
        f"chips at sigma <= 10 um: {tally.chips_found} of {tally.chips} found; false "
        f"{tally.chips_false} in {tally.accepted} tiles"
    )
    return lines


def pictures_in(folder: Path) -> list[Path]:
    return sorted(
        path
        for path in folder.iterdir()
        if path.suffix in PICTURES
        and path.with_name(f"{path.stem}.tiles.json").exists()
        and path.with_suffix(".json").exists()
    )


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("folders", nargs="+", type=Path)
    ask.add_argument("--pairs", action="store_true")
    said = ask.parse_args()
    alone, twins, joined = Tally(), Tally(), Tally()
    for folder in said.folders:
        manifest = rim_manifest_from_json((folder / "tiles.manifest.json").read_text())
        for photo in pictures_in(folder):
            score_photos([photo], manifest, alone)
            if said.pairs:
                twin = folder / "turned" / photo.name
                score_photos([twin], manifest, twins)
                score_photos([photo, twin], manifest, joined)
    for tally, title in ((alone, "alone"), (twins, "turned"), (joined, "both")):
        if tally.tiles:
            print(f"--- {title}")
            print("\n".join(report(tally)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
