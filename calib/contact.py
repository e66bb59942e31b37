"""The area that holds a print on the plate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from patterns.rim_manifest import RimManifest
from patterns.rim_spec import RimSpec
from patterns.rim_supports import raft_area_mm2
from patterns.solids import ring_area

if TYPE_CHECKING:
    from patterns.manifest import Manifest


def contact_area_mm2(manifest: Manifest | RimManifest) -> float:
    """Area that holds as one piece: a coupon's plate layer, a set's largest raft.

    A coupon's by the shoelace formula over its rings; each raft stands on its own.
    """
    if isinstance(manifest, RimManifest):
        return _largest_raft_mm2(manifest)
    plate_layer = min(manifest.sections, key=lambda section: section.first_layer)
    return sum(ring_area(ring) for ring in plate_layer.rings_mm)


def _largest_raft_mm2(manifest: RimManifest) -> float:
    values: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v for k, v in manifest.spec.items()
    }
    spec = RimSpec(**values)
    return max(raft_area_mm2(spec, tile) for tile in manifest.tiles)
