"""A coupon set into a real ruler photograph: one of the full set."""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING

from patterns.flare import build_manifest
from patterns.spec import default_flare_spec
from tests.analysis.composites import write_composites
from tests.analysis.virtual_photos import measured

if TYPE_CHECKING:
    from pathlib import Path


def test_flare_beside_a_real_ruler(shared_dir: Path, tmp_path: Path) -> None:
    """Within 3 u, and within 25 um whatever u says."""
    manifest = build_manifest(default_flare_spec())
    pictures = write_composites(manifest, shared_dir / "rulers", tmp_path, 3, "zifasp")
    for path, truth in islice(pictures, 1):
        outcome = measured(path, truth, [manifest])
        assert outcome.error_mm is not None, outcome.refusal
        assert outcome.u_mm is not None
        assert abs(outcome.error_mm) < min(3 * outcome.u_mm, 0.025)
