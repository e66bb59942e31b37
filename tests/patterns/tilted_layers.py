"""All test bases, tilted, layer by layer: an hour.

    python -m tests.patterns.tilted_layers [NAME ...]

Ends with status 1 if one is not closed and whole, has an island or an unsupported
minimum, passes a limit, or its lip leaves part of the low half bare.
"""

from __future__ import annotations

import sys
import time

from trimesh import Trimesh

from patterns.base_sections import solid
from patterns.rim_checks import inspect_layers
from patterns.tilted_base import TiltedSpec, tilt_base
from tests.bases import NAMES, ready

PHASES = (0.5, 0.3, 0.7)
TILTS_DEG = (45.0, 30.0, 60.0, 50.0, 70.0)
FRONTS_DEG = (-90.0, 0.0, 60.0)


def main(names: list[str]) -> int:
    """Print a line for each base; return the exit status."""
    faults = 0
    for index, name in enumerate(names or NAMES):
        base = ready(name)
        spec = TiltedSpec(
            layer_mm=0.05,
            tilt_deg=TILTS_DEG[index % 5],
            front_deg=FRONTS_DEG[index % 3],
            lip_depth_mm=0.5 if index % 4 else None,
            allowance_mm=0.1 if index % 2 else 0.0,
        )
        start = time.process_time()
        tilted = tilt_base(base, spec)
        took = time.process_time() - start
        mesh = Trimesh(tilted.vertices_mm, tilted.faces, process=False)
        phase = PHASES[index % 3]
        found = inspect_layers(solid(tilted), spec.layer_mm, phase)
        covered = 1.0 if tilted.lip is None else tilted.lip.covered_share
        good = (
            mesh.is_watertight
            and mesh.body_count == 1
            and not found.islands_mm
            and found.hang_mm <= spec.hang_limit_mm
            and tilted.span_mm <= spec.span_limit_mm
            and covered == 1.0
        )
        faults += not good
        print(
            f"{name:24s} tilt {spec.tilt_deg:.0f} phase {phase} {len(base.faces)} "
            f"faces, {took:.0f} s; {len(tilted.contacts)} contacts, "
            f"{len(tilted.islands)} islands held, {len(tilted.unsupported)} not; "
            f"layers {found.layers} islands {len(found.islands_mm)} "
            f"hang {found.hang_mm:.2f} mm span {tilted.span_mm:.2f} mm lip "
            f"{covered:.3f} supports {tilted.supports_mm3 / tilted.body_mm3:.2f} of "
            f"the base {'' if good else 'FAULT'}",
            flush=True,
        )
    return min(faults, 1)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
