"""A small fixed sample of virtual photos of rim tiles; the full set is a command."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from calib.virtual.ruler import STEEL
from calib.virtual.tile_scene import RingWish
from tests.analysis.virtual_rims import manifests, measured_rims, ring_sets, summary

if TYPE_CHECKING:
    from pathlib import Path

WISH = RingWish(
    px_per_mm=14.0, tilt_deg=2.0, contrast=0.8, table="paper", screen=False, ruler=STEEL
)


@pytest.mark.slow
def test_tiles_of_a_ring_are_read_and_measured(tmp_path: Path) -> None:
    (ring,) = ring_sets(4, 1, tmp_path, WISH)
    outcome = measured_rims(ring, manifests())
    assert outcome.strangers == ()
    assert outcome.missed == ()
    readings = {
        name: [r for tile in outcome.tiles for r in tile.readings if r.name == name]
        for name in ("sag", "form", "radius")
    }
    assert len(readings["sag"]) >= len(ring.tiles) - 1
    # what 60 photos are to keep as RMS, three times
    assert max(abs(r.error_mm) for r in readings["sag"]) < 0.024
    assert max(abs(r.error_mm) for r in readings["form"]) < 0.036
    assert all(
        abs(r.error_mm) <= 3 * r.u_mm for each in readings.values() for r in each
    )
    assert "codes" in summary([outcome])
