"""Score `analysis.measure` on photo bench pictures of the flare coupon.

    python -m tests.analysis.photobench_score DIR...

Each folder holds pictures made by ``tests.analysis.photobench`` with their truth.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from analysis import measure
from analysis.result import CouponMeasurement, Measurement, Refusal
from patterns.manifest import Manifest, manifest_from_json


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What was printed: growth of each design layer, printed scale."""

    w_mm: np.ndarray
    scale: float
    expect: str
    label: str
    kind: str | None


@dataclass(slots=True)
class Tally:
    """Errors (value, u) in um by quantity."""

    flare: list[tuple[float, float]] = field(default_factory=list)
    body: list[tuple[float, float]] = field(default_factory=list)
    flush: list[tuple[float, float]] = field(default_factory=list)
    part_scale: list[tuple[float, float]] = field(default_factory=list)
    steps: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)
    pictures: int = 0


def read_truth(path: Path, manifest: Manifest) -> Truth:
    told = json.loads(path.read_text())
    thing = told["objects"][0]
    side_file = path.with_name(f"bent_{told['index']:03d}.truth.json")
    if "layers" not in thing and side_file.exists():
        thing = thing | json.loads(side_file.read_text())
    scale = thing.get("scale_xyz", [thing.get("scale", 1.0)])[0]
    layers = thing.get("layers", [])
    middles = (np.arange(manifest.layers) + 0.5) * manifest.layer_mm * scale
    w = [
        next((la["w"] for la in layers if la["z0"] <= z <= la["z1"]), np.nan)
        for z in middles
    ]
    light, table = told.get("light") or {}, told.get("background") or {}
    return Truth(
        w_mm=np.array(w),
        scale=scale,
        expect=told["expect"],
        label=f"{light.get('name')}, {table.get('name')}, {thing.get('material')}",
        kind=told.get("negative_kind"),
    )


def score_coupon(
    coupon: CouponMeasurement, truth: Truth, manifest: Manifest, tally: Tally
) -> str:
    foot, vertical = manifest.foot_layers, manifest.vertical_layers
    body = truth.w_mm[foot : foot + vertical].max()
    flare = truth.w_mm[0] - body
    words = []
    for name, quantity, true, errors in (
        ("flare", coupon.flare, flare, tally.flare),
        ("body", coupon.body_growth, body, tally.body),
        ("flush", coupon.flush_inset, flare / truth.scale, tally.flush),
    ):
        if quantity is None:
            words.append(f"{name} {1e3 * true:.0f}: none")
            continue
        error = 1e3 * (quantity.value_mm - true), 1e3 * quantity.u_mm
        errors.append(error)
        words.append(f"{name} {1e3 * true:.0f}: {error[0]:+.1f} (u {error[1]:.1f})")
    if coupon.flare_upper_mm is not None:
        tally.upper.append(1e3 * (coupon.flare_upper_mm - flare))
        words.append(f"upper limit {1e3 * coupon.flare_upper_mm:.0f}")
    if coupon.part_scale is not None and coupon.u_part_scale is not None:
        tally.part_scale.append(
            (1e6 * (coupon.part_scale - truth.scale), 1e6 * coupon.u_part_scale)
        )
        words.append(f"scale {tally.part_scale[-1][0]:+.0f} ppm")
    tally.steps += _steps(coupon, truth, foot, body)
    return ", ".join(words)


def _steps(
    coupon: CouponMeasurement, truth: Truth, foot: int, body: float
) -> list[float]:
    """Error of the step from each start layer to the next, um."""
    out = []
    for side in "ab":
        ladder = sorted(
            (
                t.start_layer,
                t.growth_mm - max(truth.w_mm[t.start_layer : foot].max() - body, 0.0),
            )
            for t in coupon.teeth
            if t.used
            and t.growth_mm is not None
            and t.role == "start"
            and t.side == side
        )
        out += [1e3 * (b[1] - a[1]) for a, b in itertools.pairwise(ladder)]
    return out


def report(tally: Tally) -> list[str]:
    lines = [
        f"{tally.pictures} pictures, {sum(tally.refused.values())} refused: "
        + (", ".join(f"{k} {n}" for k, n in tally.refused.most_common()) or "none")
    ]
    for name in ("flare", "body", "flush"):
        errors = np.array(getattr(tally, name))
        if not len(errors):
            lines.append(f"{name}: none given")
            continue
        e, u = errors.T
        lines.append(
            f"{name}: {len(e)} given, RMS {np.sqrt(np.mean(e**2)):.1f} um, largest "
            f"{np.abs(e).max():.1f}, within 3 u {np.mean(np.abs(e) <= 3 * u):.0%}, "
            f"RMS(error / u) {np.sqrt(np.mean((e / u) ** 2)):.2f}, median u "
            f"{np.median(u):.1f} um, mean error {e.mean():+.1f} um"
        )
    if tally.upper:
        low = sum(x < 0 for x in tally.upper)
        lines.append(f"upper limits: {len(tally.upper)}, below the true flare {low}")
    if tally.steps:
        steps = np.sqrt(np.mean(np.square(tally.steps)))
        lines.append(f"steps between start layers: RMS {steps:.1f} um")
    if tally.part_scale:
        e, u = np.array(tally.part_scale).T
        lines.append(
            f"part scale: RMS {np.sqrt(np.mean(e**2)):.0f} ppm, RMS(error / u) "
            f"{np.sqrt(np.mean((e / u) ** 2)):.2f}"
        )
    return lines


def score_folder(folder: Path, tally: Tally, *, coupon_scale: bool) -> None:
    manifest = manifest_from_json((folder / "coupon.manifest.json").read_text())
    for path in sorted(folder.glob("*.json")):
        if path.name.count(".") > 1:
            continue
        picture = next(
            (
                p
                for p in path.parent.glob(path.stem + ".*")
                if p.suffix in (".jpg", ".heic", ".png")
            ),
            None,
        )
        if picture is None:
            continue
        truth = read_truth(path, manifest)
        start = time.perf_counter()
        outcome = measure(picture, [manifest], scale_from_coupon=coupon_scale)
        seconds = time.perf_counter() - start
        tally.pictures += 1
        print(f"{path.stem} [{truth.label}] {seconds:.1f} s: ", end="")
        print(_outcome(outcome, truth, manifest, tally), flush=True)


def _outcome(
    outcome: Measurement | Refusal, truth: Truth, manifest: Manifest, tally: Tally
) -> str:
    if isinstance(outcome, Refusal):
        tally.refused[outcome.code] += 1
        told = f" ({truth.kind})" if truth.kind else ""
        return f"refused, {outcome.code}; expected {truth.expect}{told}"
    coupon = outcome.flare_coupons[0]
    words = score_coupon(coupon, truth, manifest, tally)
    dropped = [w.split(":")[0] for w in coupon.warnings if w.startswith("Side")]
    wrong = "" if truth.expect == "measure" else f" EXPECTED REFUSAL ({truth.kind})"
    return " ".join([words, *dropped]) + wrong


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("folders", nargs="+", type=Path)
    ask.add_argument("--scale-from-coupon", action="store_true")
    said = ask.parse_args()
    tally = Tally()
    for folder in said.folders:
        score_folder(folder, tally, coupon_scale=said.scale_from_coupon)
    print("\n".join(report(tally)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
