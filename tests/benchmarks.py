"""Speed and sharpness, as ratios measured side by side in one run.

    python -m tests.benchmarks

Times are CPU seconds (user and system); seconds are given only where no ratio means
anything, and then the least of a few runs.  The peak memory is Linux's VmHWM.
"""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

ROOT = Path(__file__).parents[1]
LARGEST_MP, TILES = 12.0, 8
MEASURE = """
import sys, time
from pathlib import Path
import numpy as np
from PIL import Image
from analysis import measure
from calib.cli.known import manifest_of
manifest = manifest_of(Path(sys.argv[2]).read_text(), sys.argv[2])
found = measure(sys.argv[1], [manifest])  # libraries loaded, caches warm
def spent(work):
    begin = time.process_time()
    work()
    return time.process_time() - begin
def decode():
    with Image.open(sys.argv[1]) as stored:
        np.asarray(stored.convert("RGB"))
rounds = [
    spent(lambda: measure(sys.argv[1], [manifest])) / spent(decode) for _ in range(5)
]
peak = next(
    int(line.split()[1]) / 1024
    for line in Path("/proc/self/status").read_text().splitlines()
    if line.startswith("VmHWM")
)
print(np.median(rounds), peak, type(found).__name__, len(getattr(found, 'coupons', ())))
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
    """Measure a 12 MP JPEG of a flare coupon against decoding it."""
    import numpy as np

    from calib.virtual.draw import Wish, draw_scene
    from calib.virtual.ruler import STEEL
    from calib.virtual.scene import photograph
    from patterns import build, default_flare_spec
    from tests.analysis.virtual_photos import grown_coupon

    manifest = build(default_flare_spec()).manifest
    rng = np.random.default_rng(7)
    part = grown_coupon(manifest, rng)
    wish = Wish(px_per_mm=35.0, contrast=0.7, ruler=STEEL, largest_mp=LARGEST_MP)
    scene = draw_scene(rng, wish)
    rgb8, _ = photograph(part, scene, rng)
    told = measuring(rgb8, scene.focal35_mm, manifest.to_json())
    return f"flare coupon, {told}; wanted <= 10 and <= 600 MiB"


def tiles_ratio() -> str:
    """Measure a 12 MP JPEG of eight rim tiles against decoding it."""
    import numpy as np

    from calib.virtual.ruler import STEEL
    from calib.virtual.tile_scene import (
        RingWish,
        draw_ring_scene,
        lay_ring,
        photograph_tiles,
    )
    from tests.analysis.virtual_rims import manifests, print_some

    manifest = manifests()[0]
    rng = np.random.default_rng(8)
    tiles = print_some(manifest, TILES, rng)
    radius = manifest.tiles[0].radius_mm
    wish = RingWish(
        px_per_mm=35.0,
        contrast=0.7,
        ruler=STEEL,
        table="paper",
        screen=False,
        largest_mp=LARGEST_MP,
    )
    scene = draw_ring_scene(TILES, radius, rng, wish)
    rgb8, _ = photograph_tiles(tiles, lay_ring(TILES, radius, rng), scene, rng)
    told = measuring(rgb8, scene.focal35_mm, manifest.to_json())
    return f"eight rim tiles, {told}; wanted <= 20 and <= 700 MiB"


def measuring(rgb8: NDArray[np.uint8], focal35_mm: float | None, listing: str) -> str:
    """Measure a picture in a process of its own: ratio to decoding, peak memory."""
    from calib.virtual import finish

    with tempfile.TemporaryDirectory() as folder:
        photo, manifest = Path(folder) / "photo.jpg", Path(folder) / "listing.json"
        finish.save(photo, rgb8, 92, focal35_mm)
        manifest.write_text(listing)
        done = subprocess.run(
            [sys.executable, "-c", MEASURE, str(photo), str(manifest)],
            cwd=ROOT,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            check=True,
            capture_output=True,
            text=True,
        )
    ratio, peak, kind, coupons = done.stdout.split()
    return (
        f"measure / decode of a {rgb8.size / 3e6:.0f} MP JPEG: {float(ratio):.1f} "
        f"({kind}, {coupons} read), peak memory {float(peak):.0f} MiB"
    )


def coupon_time() -> str:
    """Spec to all files in memory."""
    from patterns import build, default_flare_spec
    from patterns.export import stl_bytes, threemf_bytes

    def make() -> None:
        coupon = build(default_flare_spec())
        stl_bytes(coupon)
        threemf_bytes({"coupon": coupon})
        io.BytesIO(coupon.manifest.to_json().encode())

    return f"default coupon, mesh and files: {cpu_s(make):.2f} s CPU (wanted <= 1)"


def fit_time() -> str:
    """Fit and suggest in three invented resins: the median."""
    from tests.calib.closed_loop import run_trials, summarise

    told = summarise(run_trials(3, 1, photos=False, narrate=False))
    return f"fit and suggestion: {told['median_cpu_s']:.2f} s CPU (wanted <= 1)"


def edge_scatter() -> str:
    """Scatter of edges in noise against the Cramer-Rao bound of a known blur."""
    from tests.analysis.test_edges import scatter_over_bound

    found = ", ".join(
        f"{scatter_over_bound(sigma_px):.2f} at a blur of {sigma_px:g} px"
        for sigma_px in (1.0, 1.5, 2.0)
    )
    return f"edge scatter / Cramer-Rao bound: {found} (wanted <= 1.5)"


def reading_time() -> str:
    """Read 2,000,000 triangles in every format, in processes of their own."""
    from tests.patterns.base_reading_speed import read_all

    told = [
        f"{name} {one.cpu_s:.1f} s CPU, {one.peak_gb:.2f} GB"
        for name, one in read_all()
    ]
    return f"2,000,000 triangles read: {', '.join(told)} (wanted <= 20 s, 2 GB)"


def nesting_time() -> str:
    """Nest 200 discs, all of one size or of 200 sizes."""
    from patterns.nesting import nest
    from tests.patterns.test_nesting import disc, equal, unlike

    sizes = [[disc(size(i)) for i in range(200)] for size in (equal, unlike)]
    alike, mixed = (cpu_s(partial(nest, discs, (400.0, 200.0))) for discs in sizes)
    return f"200 discs nested: alike {alike:.1f}, mixed {mixed:.1f} s CPU (wanted <= 5)"


def drawing_in_ratio() -> str:
    """Draw the lowest layers of bases in, against slicing them."""
    from tests.calib.compensation_speed import compensation_ratio

    return compensation_ratio()


def help_time() -> str:
    """Whole process of --help."""
    command = [sys.executable, "-m", "calib.cli", "--help"]
    spent = min(child_cpu_s(command) for _ in range(5))
    return f"rimgauge --help: {spent:.2f} s CPU (wanted <= 0.4)"


def main() -> None:
    measured = (
        coupon_time,
        help_time,
        drawing_in_ratio,
        nesting_time,
        reading_time,
        edge_scatter,
        fit_time,
        photo_ratio,
        tiles_ratio,
    )
    for ratio in measured:
        print(ratio(), flush=True)


if __name__ == "__main__":
    main()
