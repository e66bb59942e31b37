"""All tilts from 20 to 75 degrees, bare and lipped, layer by layer: some minutes.

    python -m tests.patterns.rim_layers

Ends with status 1 if a tile is not one body, has an island, or passes a limit.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace

from patterns.rim_checks import contact_span_mm, inspect_layers, support_touch_mm
from patterns.rim_set import printed_solid
from patterns.rim_spec import default_rim_spec
from patterns.rim_tile import rim_tile, tile_solid

PHASES = (0.5, 0.3, 0.7)


def main() -> int:
    """Print a line for each tile and phase; return the exit status."""
    spec = replace(
        default_rim_spec(), tilts_deg=tuple(float(tilt) for tilt in range(20, 76, 5))
    )
    notches_end = 1.5 + math.tan(math.radians(15))
    faults = 0
    for index, (tilt, lipped) in enumerate(
        (tilt, lipped) for tilt in spec.all_tilts_deg for lipped in (False, True)
    ):
        tile = rim_tile(spec, tilt, lipped=lipped, index=index)
        solid = printed_solid(spec, tile)
        bodies = len(solid.decompose())
        volume = tile_solid(tile).volume() / tile.volume_mm3 - 1
        span = contact_span_mm(spec, tile)
        touch = support_touch_mm(spec, tile)
        phase = PHASES[index % 3]
        found = inspect_layers(solid, spec.layer_mm, phase)
        good = (
            bodies == 1
            and abs(volume) < 0.005
            and not found.islands_mm
            and found.hang_mm <= spec.hang_limit_mm
            and span <= spec.span_limit_mm
            and touch > notches_end
        )
        faults += not good
        print(
            f"{tile.coupon_id:20s} phase {phase} bodies {bodies} "
            f"volume {volume:+.3%} layers {found.layers} "
            f"islands {len(found.islands_mm)} hang {found.hang_mm:.2f} mm "
            f"span {span:.2f} mm touch x {touch:.2f} mm {'' if good else 'FAULT'}",
            flush=True,
        )
    return min(faults, 1)


if __name__ == "__main__":
    sys.exit(main())
