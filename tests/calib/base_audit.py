"""Every test base planned and written flat, judged from outside by trimesh's sections.

    python -m tests.calib.base_audit [NAME...]

The plans are those of an invented resin that is known; what is judged is the mesh as an
outside program reads its STL: closed, one body, every compensated layer's outline that
of the plan where slicers cut it, every outline above that of the design.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from calib.base_flat import plan_with
from calib.flush_model import build_model
from calib.virtual.resin import invent_resin
from patterns.base_stack import stand
from patterns.errors import RimgaugeError
from tests import bases, package_meshes
from tests.calib.base_prints import known
from tests.calib.closed_loop import PIXEL_MM, coupon
from tests.patterns.base_stacks import (
    OUTLINE_UM,
    TOP_UM,
    as_read,
    outline_um,
    top_um,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.flush_model import FlatModel
    from patterns.base import Base

SEED = 11
PHASES = (0.3, 0.5, 0.7)
NAMES = (*bases.NAMES, *package_meshes.NAMES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """What an outside reader finds of a written base.

    ``realisable``: share of the rim that pixels can bring within the larger of 10 um
    and half a pixel of the plan.
    """

    name: str
    triangles: int
    layers: int
    lift_mm: float
    closed: bool
    bodies: int
    outline_um: float
    top_um: float
    realisable: float
    plan_s: float
    stand_s: float

    @property
    def sound(self) -> bool:
        """Whether it is what it should be."""
        return (
            self.closed
            and self.bodies == 1
            and self.outline_um <= OUTLINE_UM
            and self.top_um <= TOP_UM
        )


@cache
def invented_model(*, squeezed: bool = False) -> FlatModel:
    """Model of an invented resin whose numbers are known."""
    rng = np.random.default_rng(SEED)
    _, setting = coupon(transitions=True)
    resin = replace(invent_resin(rng, heavy=False, squeezed=squeezed), spread=0.0)
    return build_model(known(resin), setting, PIXEL_MM, PIXEL_MM)


def ready(name: str) -> Base:
    """A test base, or one of a registry package."""
    return bases.ready(name) if name in bases.NAMES else package_meshes.ready(name)


def audit(base: Base, model: FlatModel) -> Audit:
    """Plan and write a base, and read it as others do.

    Raises
    ------
    RimgaugeError
        It can't be printed flat.
    """
    begin = time.process_time()
    plan = plan_with(base, model)
    planned = time.process_time()
    standing = stand(base, plan.layers, plan.layer_mm, plan.sanding_allowance_mm)
    stood = time.process_time()
    mesh = as_read(standing)
    return Audit(
        name=base.name,
        triangles=len(base.faces),
        layers=len(plan.layers),
        lift_mm=plan.sanding_allowance_mm,
        closed=mesh.is_watertight and mesh.is_volume,
        bodies=mesh.body_count,
        outline_um=outline_um(
            mesh, plan.layers, plan.layer_mm, range(len(plan.layers)), PHASES
        ),
        top_um=top_um(mesh, base, standing),
        realisable=plan.realisable,
        plan_s=planned - begin,
        stand_s=stood - planned,
    )


def main(names: Sequence[str]) -> int:
    """Audit bases and print a table; the number of those that are not sound.

    Meshes of packages are planned for both resins, test bases for either in turn.
    """
    models = {False: invented_model(), True: invented_model(squeezed=True)}
    failed = asked = 0
    for place, name in enumerate(names):
        kinds = (place % 2 == 1,) if name in bases.NAMES else (False, True)
        for squeezed in kinds:
            asked += 1
            failed += not _told(ready(name), models[squeezed], name, squeezed=squeezed)
    print(f"{asked - failed} of {asked} sound")
    return failed


def _told(base: Base, model: FlatModel, name: str, *, squeezed: bool) -> bool:
    """Print a row on a base; whether it is sound."""
    row = f"{name:26} {'squeezed' if squeezed else 'plain':8}"
    try:
        found = audit(base, model)
    except RimgaugeError as err:
        print(f"{row} refused: {err}", flush=True)
        return False
    print(
        f"{row}{found.triangles:10,} triangles {found.layers:2} layers +"
        f"{found.lift_mm:.2f} mm  closed {found.closed}  bodies {found.bodies}  "
        f"outline {found.outline_um:.2f} um  above {found.top_um:.2f} um  pixels "
        f"{found.realisable:4.0%}  plan {found.plan_s:5.2f} s  mesh "
        f"{found.stand_s:5.2f} s{'' if found.sound else '  NOT SOUND'}",
        flush=True,
    )
    return found.sound


if __name__ == "__main__":
    sys.exit(bool(main(sys.argv[1:] or NAMES)))
