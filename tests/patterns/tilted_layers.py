"""All test bases, tilted by the command, written, read back and judged: hours.

    python -m tests.patterns.tilted_layers [NAME ...] [--rounds 2] [--seed 1]

Tilt, front, lip, height of a layer and where it is cut are drawn anew for each base and
round.  Ends with status 1 if a base is refused or a file is at fault: see
:mod:`tests.tilted_judge`.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh

from tests import bases, tilted_judge

_PROGRAM = (sys.executable, "-m", "calib.cli")
_PRINTER = (
    *("record", "printer", "large", "--pixel-x-mm", "0.05", "--pixel-y-mm", "0.05"),
    *("--plate-x-mm", "300", "--plate-y-mm", "200", "--surface", "rigid"),
    *("--relevelled-on", "2026-05-30"),
)
_EXPOSURES = (
    *("--bottom-layers", "4", "--bottom-exposure-s", "30"),
    *("--transition-exposures-s", "20,10", "--normal-exposure-s", "2.5"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How one base is to be printed, and where its layers are cut."""

    tilt_deg: float
    front_deg: float
    lip_depth_mm: float | None
    layer_mm: float
    phase: float

    @property
    def words(self) -> tuple[str, ...]:
        """For the command line."""
        lip = (
            ("--way", "tilted")
            if self.lip_depth_mm is None
            else ("--way", "lipped", "--lip-depth-mm", str(self.lip_depth_mm))
        )
        return (
            *("--tilt-deg", str(self.tilt_deg), "--front-deg", str(self.front_deg)),
            *("--layer-mm", str(self.layer_mm), *lip),
        )


def drawn(rng: np.random.Generator) -> Asked:
    """By chance."""
    lip = round(float(rng.uniform(0.3, 1.0)), 2)
    return Asked(
        tilt_deg=round(float(rng.uniform(25.0, 70.0)), 1),
        front_deg=round(float(rng.uniform(-180.0, 180.0)), 1),
        lip_depth_mm=lip if rng.random() < 0.7 else None,
        layer_mm=float(rng.choice([0.05, 0.1])),
        phase=float(rng.uniform(0.3, 0.7)),
    )


def tried(name: str, asked: Asked, folder: Path) -> tuple[str, ...]:
    """Write a base by the command, and judge what is there; faults in words."""
    file = bases.write_stl(folder / f"{name}.stl", name)
    out = folder / "out"
    done = _rimgauge(folder, "base", file, *asked.words, *_EXPOSURES, "--out", out)
    if done.returncode:
        return (f"status {done.returncode}: {done.stderr.strip().splitlines()[-1]}",)
    (stl,), (package,) = out.glob("*.stl"), out.glob("*.3mf")
    printed = tilted_judge.read_stl(stl)
    found = tilted_judge.judge(
        printed,
        trimesh.Trimesh(*bases.mesh(name), process=False),
        tilt_deg=asked.tilt_deg,
        front_deg=asked.front_deg,
        lip_depth_mm=asked.lip_depth_mm,
        layer_mm=asked.layer_mm,
        phase=asked.phase,
    )
    listed = f"{len(printed.faces)} faces, {found.layers} layers"
    print(f"    {listed}, off by {1000 * found.off_mm:.2f} um", flush=True)
    return found.faults + tilted_judge.unlike(printed, package)


def _rimgauge(folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*_PROGRAM, *map(str, words), "--data-dir", str(folder / "data")],
        capture_output=True,
        text=True,
        check=False,
    )


def main() -> int:
    """Print a line or two for each base and round; return the exit status."""
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    faults = 0
    for round_ in range(given.rounds):
        for name in given.names or bases.NAMES:
            asked = drawn(rng)
            print(f"{name} {round_}: {' '.join(asked.words)} cut {asked.phase:.2f}")
            start = time.perf_counter()
            with tempfile.TemporaryDirectory() as folder:
                _rimgauge(Path(folder), *_PRINTER).check_returncode()
                found = tried(name, asked, Path(folder))
            faults += bool(found)
            told = "; ".join(found) or "good"
            print(f"    {time.perf_counter() - start:.0f} s: {told}", flush=True)
    print(f"{faults} at fault")
    return min(faults, 1)


if __name__ == "__main__":
    sys.exit(main())
