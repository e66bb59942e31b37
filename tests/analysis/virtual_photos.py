"""Many virtual photos of coupons with known flare, measured.

    python -m tests.analysis.virtual_photos --count 100 --seed 1

draws coupons whose growth is known exactly (no cure simulation), photographs them with
the virtual camera and measures the files.  With ``--write DIR`` the pictures and their
truth are only written there.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.virtual import finish
from calib.virtual.draw import Wish, draw_scene
from calib.virtual.printer import with_uniform_growth
from calib.virtual.scene import photograph
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from calib.virtual.part import PrintedPart
    from patterns.manifest import Manifest

WRONG_MM = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One measured photo."""

    name: str
    truth_mm: float
    flare_mm: float | None
    u_mm: float | None
    refusal: str | None

    @property
    def error_mm(self) -> float | None:
        """Measured less true flare; null where nothing stands out and none does."""
        return None if self.flare_mm is None else self.flare_mm - self.truth_mm


def grown_coupon(manifest: Manifest, rng: np.random.Generator) -> PrintedPart:
    """Coupon whose plate layer stands out by 0 to 0.35 mm, fading upwards."""
    flare, body = rng.uniform(0.0, 0.35), rng.uniform(-0.03, 0.05)
    depth, power = rng.uniform(0.1, 0.4), rng.uniform(0.5, 2.0)
    z = np.arange(manifest.layers) * manifest.layer_mm
    growth = body + flare * np.maximum(0, 1 - z / depth) ** power
    scale = float(rng.uniform(0.992, 1.002))
    return with_uniform_growth(manifest, growth.tolist(), scale)


def write_photos(
    manifest: Manifest, seed: int, numbers: Sequence[int], folder: Path
) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Write photos and their truth; number k is the same whatever else is drawn."""
    for k in numbers:
        rng = np.random.default_rng([seed, k])
        part = grown_coupon(manifest, rng)
        scene = draw_scene(rng, Wish(shadow=k % 3 == 0))
        rgb8, truth = photograph(part, scene, rng)
        path = folder / f"virtual_{seed}_{k:03d}.jpg"
        finish.save(path, rgb8, scene.finish.jpeg_quality, scene.focal35_mm)
        truth["picture"] = path.name
        path.with_suffix(".json").write_text(json.dumps(truth, indent=1))
        yield path, truth


def measured(
    path: Path, truth: dict[str, Any], manifests: Sequence[Manifest]
) -> Outcome:
    """Measure one photo and set it beside the truth."""
    from analysis import measure  # the pictures can be written without it
    from analysis.result import Refusal

    result = measure(path, manifests)
    flare, refusal = None, None
    if isinstance(result, Refusal):
        refusal = result.code
    elif not result.flare_coupons:
        refusal = "nothing"
    else:
        coupon = result.flare_coupons[0]
        flare = coupon.flare
        refusal = None if flare else coupon.reasons.get("flare_mm", "no flare")
        if flare is None and coupon.flare_upper_mm is not None:
            refusal = f"below {coupon.flare_upper_mm:.3f}"
    return Outcome(
        name=path.name,
        truth_mm=truth["part"]["flare_mm"],
        flare_mm=flare.value_mm if flare else None,
        u_mm=flare.u_mm if flare else None,
        refusal=refusal,
    )


def summary(outcomes: Sequence[Outcome]) -> str:
    """Sum up: accepted, RMS error, share within 3 u, RMS of error / u."""
    good = [o for o in outcomes if o.flare_mm is not None]
    limits = [o for o in outcomes if (o.refusal or "").startswith("below")]
    error = np.array([o.error_mm for o in good], float)
    ratio = error / np.array([o.u_mm for o in good], float)
    refused = len(outcomes) - len(good) - len(limits)
    lines = [
        (
            f"{len(outcomes)} photos: {len(good)} accepted, "
            f"{len(limits)} upper limits, {refused} refused"
        )
    ]
    if good:
        lines.append(
            f"flare error RMS {1e3 * np.sqrt(np.mean(error**2)):.1f} um, "
            f"median u {1e3 * np.median([o.u_mm for o in good if o.u_mm]):.1f} um, "
            f"within 3 u {np.mean(np.abs(ratio) <= 3):.3f}, "
            f"RMS of error / u {np.sqrt(np.mean(ratio**2)):.2f}, "
            f"wrong by over {1e3 * WRONG_MM:.0f} um: "
            f"{int(np.sum(np.abs(error) > WRONG_MM))}"
        )
    return "\n".join(lines)


def line(outcome: Outcome) -> str:
    """Put one photo on one line, in micrometres."""
    head = f"{outcome.name:24} true {1e3 * outcome.truth_mm:6.1f}"
    if outcome.flare_mm is None or outcome.u_mm is None:
        return f"{head}  {outcome.refusal}"
    error = outcome.flare_mm - outcome.truth_mm
    return f"{head}  error {1e3 * error:6.1f}  u {1e3 * outcome.u_mm:5.1f}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", type=Path, help="only write pictures and truth here")
    wish = parser.parse_args(arguments)
    manifest = build_manifest(default_flare_spec())
    numbers = range(wish.first, wish.first + wish.count)
    if wish.write:
        wish.write.mkdir(parents=True, exist_ok=True)
        for path, _ in write_photos(manifest, wish.seed, numbers, wish.write):
            print(path.name, flush=True)
        return 0
    outcomes = []
    for k in numbers:
        with tempfile.TemporaryDirectory() as folder:
            for path, truth in write_photos(manifest, wish.seed, [k], Path(folder)):
                outcomes.append(measured(path, truth, [manifest]))
                print(line(outcomes[-1]), flush=True)
    print(summary(outcomes))
    return 0


if __name__ == "__main__":
    sys.exit(main())
