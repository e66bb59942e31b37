"""Tilted bases as the command writes them, read back and judged by others' tools."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import trimesh

from patterns.export import stl_bytes
from tests.bases import Made, Mesh, build
from tests.cli.test_records import PRINTER
from tests.tilted_judge import Judged, judge, read_3mf, read_stl, unlike

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Run

LAYER_MM = 0.1
EXPOSURES = (
    *("--layer-mm", str(LAYER_MM), "--bottom-layers", "4", "--bottom-exposure-s", "30"),
    *("--transition-exposures-s", "20,10", "--normal-exposure-s", "2.5"),
)
# base, tilt, front, lip, phase of the cut: notched corners, and roofs from inside
WRITTEN = [
    (Made("ell", 20, 20, 3), 55.0, 30.0, 0.5, 0.4),
    (Made("disc", 20, 20, 4, 10, sides=60, shell_mm=1.5), 40.0, -100.0, None, 0.65),
]


def design_of(made: Made) -> trimesh.Trimesh:
    return trimesh.Trimesh(*build(made), process=False)


@pytest.mark.slow
@pytest.mark.parametrize(("made", "tilt", "front", "lip", "phase"), WRITTEN)
def test_it_is_written_as_it_prints(
    rimgauge: Run,
    tmp_path: Path,
    made: Made,
    tilt: float,
    front: float,
    lip: float | None,
    phase: float,
) -> None:
    file, out = tmp_path / "mine.stl", tmp_path / "out"
    file.write_bytes(stl_bytes(Mesh(*build(made))))
    assert rimgauge(*PRINTER).status == 0
    way = ("tilted",) if lip is None else ("lipped", "--lip-depth-mm", lip)
    answer = rimgauge(
        *("base", file, "--out", out, "--way", *way, *EXPOSURES),
        *("--tilt-deg", tilt, "--front-deg", front),
    )
    assert answer.status == 0
    (stl,), (package,) = out.glob("*.stl"), out.glob("*.3mf")
    printed = read_stl(stl)
    found = judge(
        printed,
        design_of(made),
        tilt_deg=tilt,
        front_deg=front,
        lip_depth_mm=lip,
        layer_mm=LAYER_MM,
        phase=phase,
    )
    assert found.layers > 100
    assert found.faults == ()
    assert list(read_3mf(package)) == [package.stem]
    assert unlike(printed, package) == ()


def judged(*bodies: trimesh.Trimesh) -> Judged:
    """What the judge says of a plain slab on a foot, tilted, and what is beside it."""
    design = trimesh.creation.box(bounds=[(-8, -5, 0), (8, 5, 3)])
    c = np.sqrt(0.5)
    turn = np.array([(1, 0, 0, 0), (0, c, c, 0), (0, -c, c, 0), (0, 0, 0, 1)])
    slab = design.copy().apply_transform(turn)
    slab.apply_translation((0, 0, 3.8 - slab.bounds[0, 2]))
    foot = trimesh.creation.box(bounds=[(-8, -3.5, 0), (8, 3.5, 8)])
    printed = trimesh.boolean.union([slab, foot, *bodies], engine="manifold")
    return judge(
        printed,
        design,
        tilt_deg=45.0,
        front_deg=-90.0,
        lip_depth_mm=None,
        layer_mm=LAYER_MM,
        phase=0.5,
    )


def test_the_judge_sees_what_is_wrong() -> None:
    sound = judged()
    assert sound.faults == ()
    floating = judged(trimesh.creation.box(bounds=[(20, 0, 5), (22, 2, 6)]))
    assert floating.islands_mm == pytest.approx((5.05,))
    assert floating.bodies == 2
    shelf = judged(trimesh.creation.box(bounds=[(0, 3, 1), (2, 5.1, 2)]))
    assert shelf.hangs_mm == pytest.approx((1.05,))
    assert shelf.islands_mm == ()
    beside = judged(trimesh.creation.box(bounds=[(20, 0, 0), (22, 2, 6)]))
    assert beside.on_plate == 2
