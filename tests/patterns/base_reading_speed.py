"""How long 2,000,000 triangles take, and how much memory, in each format.

``python -m tests.patterns.base_reading_speed [NAME]``: seconds of the clock and of the
processor, from the file to the base, and the peak memory of the process that read it
(the limits: 20 s, 2 GB).
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from patterns.base_reading import read_base
from patterns.export import stl_bytes, threemf_bytes
from tests import bases
from tests.bases import Faces, Mesh, Points

if TYPE_CHECKING:
    from collections.abc import Iterator

BIG = "sculpted_disc_160_2m"
_ROWS = 100_000


def _obj(path: Path, vertices: Points, faces: Faces) -> None:
    with path.open("w") as file:
        file.write("v %.6f %.6f %.6f\n" * len(vertices) % tuple(vertices.ravel()))
        file.write("f %d %d %d\n" * len(faces) % tuple((faces + 1).ravel()))


def _ascii(path: Path, vertices: Points, faces: Faces) -> None:
    row = "  vertex %.6e %.6e %.6e\n"
    facet = f"facet normal 0 0 0\n outer loop\n{3 * row} endloop\nendfacet\n"
    with path.open("w") as file:
        file.write("solid big\n")
        for first in range(0, len(faces), _ROWS):
            corners = vertices[faces[first : first + _ROWS]]
            file.write(facet * len(corners) % tuple(corners.ravel()))
        file.write("endsolid big\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What reading one file took."""

    mb: float
    triangles: int
    clock_s: float
    cpu_s: float
    peak_gb: float


def _read(path: Path) -> Spent:
    clock, processor = time.perf_counter(), time.process_time()
    base = read_base(path)
    return Spent(
        mb=path.stat().st_size / 1e6,
        triangles=len(base.faces),
        clock_s=time.perf_counter() - clock,
        cpu_s=time.process_time() - processor,
        peak_gb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
    )


def read_all(name: str = BIG) -> Iterator[tuple[str, Spent]]:
    """Write a base in every format, and read each in a process of its own."""
    vertices, faces = bases.mesh(name)
    mesh = Mesh(vertices, faces)
    with tempfile.TemporaryDirectory() as folder:
        binary, package = Path(folder, "binary.stl"), Path(folder, "package.3mf")
        binary.write_bytes(stl_bytes(mesh))
        package.write_bytes(threemf_bytes({name: mesh}))
        text, drawn = Path(folder, "text.stl"), Path(folder, "drawn.obj")
        _ascii(text, vertices, faces)
        _obj(drawn, vertices, faces)
        start = multiprocessing.get_context("spawn")
        for path in (binary, text, drawn, package):
            with start.Pool(1) as pool:
                yield path.name, pool.apply(_read, (path,))


def main(name: str = BIG) -> None:
    """Print a line for each format."""
    for file, spent in read_all(name):
        print(
            f"{file:12} {spent.mb:6.1f} MB {spent.triangles:9,} triangles "
            f"{spent.clock_s:6.1f} s {spent.cpu_s:6.1f} s CPU {spent.peak_gb:5.2f} GB",
            flush=True,
        )


if __name__ == "__main__":
    main(*sys.argv[1:])
