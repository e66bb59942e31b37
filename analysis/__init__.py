"""Measure coupons in photos.

Points are (n, 2) arrays, x to the right and y down, in pixels of the upright picture;
the centre of the top-left pixel is (0, 0).  Images are ``[row, column]``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.result import Measurement, Refusal

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from patterns.manifest import Manifest
    from patterns.rim_manifest import RimManifest

__all__ = ["Measurement", "Refusal", "measure", "measure_photos"]


def measure(
    path: str | Path,
    manifests: Sequence[Manifest | RimManifest],
    *,
    scale_from_coupon: bool = False,
) -> Measurement | Refusal:
    """Measure what a photo shows: see :func:`analysis.pipeline.measure`."""
    from analysis.pipeline import measure as measured  # noqa: PLC0415 heavy

    return measured(path, manifests, scale_from_coupon=scale_from_coupon)


def measure_photos(
    paths: Sequence[str | Path],
    manifests: Sequence[Manifest | RimManifest],
    *,
    scale_from_coupon: bool = False,
) -> tuple[Measurement | Refusal, ...]:
    """Measure photos together: see :func:`analysis.pipeline.measure_photos`."""
    from analysis.pipeline import measure_photos as measured  # noqa: PLC0415 heavy

    return measured(paths, manifests, scale_from_coupon=scale_from_coupon)
