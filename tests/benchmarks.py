"""Speed and sharpness, as ratios measured side by side in one run.

    python -m tests.benchmarks

Times of one process are CPU seconds (user and system) and the lower of a few runs;
seconds are given only where no ratio means anything.
"""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[1]
MEASURE = """
import resource, sys, time
from pathlib import Path
from analysis import measure
from patterns.manifest import manifest_from_json
manifest = manifest_from_json(Path(sys.argv[2]).read_text())
measure(sys.argv[1], [manifest])  # libraries loaded, caches warm
begin = time.process_time()
found = measure(sys.argv[1], [manifest])
spent = time.process_time() - begin
import cv2
decode = []
for _ in range(5):
    begin = time.process_time()
    cv2.imread(sys.argv[1])
    decode.append(time.process_time() - begin)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(spent, min(decode), peak, type(found).__name__)
"""


def cpu_s(work: Callable[[], object], runs: int = 3) -> float:
    """Least CPU time of a few runs in this process."""
    spent = []
    for _ in range(runs):
        begin = time.process_time()
        work()
        spent.append(time.process_time() - begin)
    return min(spent)


def child_cpu_s(command: list[str]) -> float:
    """CPU time of one whole child process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def photo_ratio() -> str:
    """Measure a 12 MP JPEG against decoding it."""
    import numpy as np

    from calib.virtual import finish
    from calib.virtual.draw import Wish, draw_scene
    from calib.virtual.ruler import STEEL
    from calib.virtual.scene import photograph
    from patterns import build, default_flare_spec
    from tests.analysis.virtual_photos import grown_coupon

    manifest = build(default_flare_spec()).manifest
    rng = np.random.default_rng(7)
    part = grown_coupon(manifest, rng)
    scene = draw_scene(rng, Wish(px_per_mm=24.0, contrast=0.7, ruler=STEEL))
    rgb8, _ = photograph(part, scene, rng)
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / "photo.jpg"
        finish.save(photo, rgb8, 92, scene.focal35_mm)
        listing = Path(folder) / "coupon.json"
        listing.write_text(manifest.to_json())
        done = subprocess.run(
            [sys.executable, "-c", MEASURE, str(photo), str(listing)],
            cwd=ROOT,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            check=True,
            capture_output=True,
            text=True,
        )
    spent, decode, peak, kind = done.stdout.split()
    ratio = float(spent) / float(decode)
    return (
        f"measure / decode of a {rgb8.size / 3e6:.0f} MP JPEG: {ratio:.1f} "
        f"(wanted <= 20; {kind}), peak memory {float(peak):.0f} MiB (wanted <= 600)"
    )


def coupon_time() -> str:
    """Spec to all files in memory."""
    from patterns import build, default_flare_spec
    from patterns.export import stl_bytes, threemf_bytes

    def make() -> None:
        coupon = build(default_flare_spec())
        stl_bytes(coupon)
        threemf_bytes(coupon)
        io.BytesIO(coupon.manifest.to_json().encode())

    return f"default coupon, mesh and files: {cpu_s(make):.2f} s CPU (wanted <= 1)"


def help_time() -> str:
    """Whole process of --help."""
    command = [sys.executable, "-m", "calib.cli", "--help"]
    spent = min(child_cpu_s(command) for _ in range(5))
    return f"rimgauge --help: {spent:.2f} s CPU (wanted <= 0.4)"


def main() -> None:
    for line in (coupon_time, help_time, photo_ratio):
        print(line(), flush=True)


if __name__ == "__main__":
    main()
