"""The area that holds a print on the plate."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from patterns.manifest import Manifest


def contact_area_mm2(manifest: Manifest) -> float:
    """Area of the plate layer's mask, by the shoelace formula over its rings."""
    plate_layer = min(manifest.sections, key=lambda section: section.first_layer)
    return sum(_signed_area_mm2(ring) for ring in plate_layer.rings_mm)


def _signed_area_mm2(ring: tuple[tuple[float, float], ...]) -> float:
    following = ring[1:] + ring[:1]
    return 0.5 * sum(
        x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(ring, following, strict=True)
    )
