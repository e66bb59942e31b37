"""How long drawing a base's layers in takes, against slicing the same layers.

    python -m tests.calib.compensation_speed

Both in one process by turns, the least of many runs; what is solved once for a bottle,
a setting and a raster is done before, and told beside it.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from calib.flush_press import compensated
from patterns.base_sections import sections, solid
from tests import bases
from tests.calib.flat_samples import LAYER_MM, model

if TYPE_CHECKING:
    from collections.abc import Callable

NAMES = (
    "square_25",
    "hexagon_32_drafted",
    "ell_40",
    "disc_25",
    "wavy_50",
    "hollow_disc_32",
    "sculpted_disc_32",
    "sculpted_wavy_90",
)
RUNS = 150
MOST_S = 2.0


def _spent_s(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


def ratio(name: str) -> tuple[float, float, float, float]:
    """Ratio, drawing in, slicing and solving first (CPU seconds) of a base."""
    flat = model()
    body = solid(bases.ready(name))
    heights = [(layer + 0.5) * LAYER_MM for layer in range(flat.layers + 1)]
    cuts = sections(body, heights)
    first = _spent_s(lambda: compensated(cuts, flat))
    spent: list[tuple[float, float]] = []
    begin = time.process_time()
    while len(spent) < RUNS and time.process_time() - begin < MOST_S:
        drawn = _spent_s(lambda: compensated(cuts, flat))
        spent.append((drawn, _spent_s(lambda: sections(body, heights))))
    drawing, slicing = map(min, zip(*spent, strict=True))
    return drawing / slicing, drawing, slicing, first


def compensation_ratio() -> str:
    """Compensated layers against manifold3d's slices of the same layers."""
    told = (f"{name} {ratio(name)[0]:.1f}" for name in NAMES)
    return f"compensation / slicing: {', '.join(told)} (wanted <= 3)"


def main() -> None:
    """Print a table."""
    for name in NAMES:
        found, drawing, slicing, first = ratio(name)
        print(
            f"{name:22} {found:5.2f}  drawn in {1e3 * drawing:6.2f} ms, sliced "
            f"{1e3 * slicing:6.2f} ms, solved first {first:.2f} s"
        )


if __name__ == "__main__":
    main()
