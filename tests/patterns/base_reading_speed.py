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
from pathlib import Path

from patterns.base_reading import read_base
from patterns.export import stl_bytes, threemf_bytes
from tests import bases
from tests.bases import Faces, Mesh, Points

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


def _read(path: Path) -> tuple[int, float, float, float]:
    """Triangles, seconds of clock and processor, and peak memory in GB."""
    clock, processor = time.perf_counter(), time.process_time()
    base = read_base(path)
    seconds = time.perf_counter() - clock, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return len(base.faces), *seconds, peak


def main(name: str = BIG) -> None:
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
                count, clock, processor, peak = pool.apply(_read, (path,))
            print(
                f"{path.name:12} {path.stat().st_size / 1e6:6.1f} MB {count:9,} "
                f"triangles {clock:6.1f} s {processor:6.1f} s CPU {peak:5.2f} GB"
            )


if __name__ == "__main__":
    main(*sys.argv[1:])
