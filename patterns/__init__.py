"""Coupons: from a spec to a mesh and the manifest that says what it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from patterns.manifest import Manifest
from patterns.spec import FlareSpec, default_flare_spec

if TYPE_CHECKING:
    import numpy as np  # noqa: TC004 - errors and manifests load without numpy
    from numpy.typing import NDArray  # noqa: TC004

__all__ = ["Coupon", "FlareSpec", "Manifest", "build", "default_flare_spec"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupon:
    """A coupon ready to print.

    ``vertices_mm`` (n, 3) and ``faces`` (m, 3) are read-only; the frame is the
    manifest's.
    """

    manifest: Manifest
    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]


def build(spec: FlareSpec) -> Coupon:
    """Build a coupon and check it.

    Parameters
    ----------
    spec : FlareSpec

    Returns
    -------
    Coupon
        The same spec gives the same bytes.

    Raises
    ------
    SpecError
        The spec can't be made, with the reason.
    """
    from patterns.checks import check_solid, check_walls
    from patterns.flare import build_manifest
    from patterns.solids import mesh_arrays, stack

    manifest = build_manifest(spec)
    check_walls(manifest)
    solid = stack(manifest.sections, manifest.holes)
    check_solid(solid, manifest)
    vertices_mm, faces = mesh_arrays(solid)
    return Coupon(manifest=manifest, vertices_mm=vertices_mm, faces=faces)
