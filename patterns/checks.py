"""What must hold before a coupon's files are written."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from patterns.errors import SpecError

if TYPE_CHECKING:
    import manifold3d

    from patterns.manifest import Manifest, Section

# The solid passes through 32-bit floats on some engines: 4 nm at 55 mm, over a surface
# of 9000 mm2; a tenth of a cubic millimetre is far above that and far below one tooth.
VOLUME_TOLERANCE_MM3 = 0.1


def check_solid(solid: manifold3d.Manifold, manifest: Manifest) -> None:
    """Check that the solid is one closed body of the volume its masks add up to.

    Raises
    ------
    SpecError
        It is open, empty, in pieces, or its volume differs from the closed formula.
    """
    from manifold3d import Error

    if solid.status() != Error.NoError or solid.is_empty():
        raise SpecError("The coupon's solid is not closed.", _REPORT)
    pieces = len(solid.decompose())
    if pieces != 1:
        raise SpecError(
            f"The coupon falls into {pieces} pieces.",
            "Use wider teeth or a smaller reference inset.",
        )
    if abs(solid.volume() - manifest.volume_mm3) > VOLUME_TOLERANCE_MM3:
        raise SpecError(
            f"The coupon's solid has {solid.volume():.3f} mm3, its masks add up to "
            f"{manifest.volume_mm3:.3f} mm3.",
            _REPORT,
        )


def check_walls(manifest: Manifest) -> None:
    """Check that no wall of any layer is thinner than two pixels.

    Raises
    ------
    SpecError
        A wall is too thin for the mask to make.
    """
    pixel_mm = max(manifest.pixel_x_mm, manifest.pixel_y_mm)
    for section in manifest.sections:
        lost_mm2 = _area_lost_by_opening(section, 0.99 * pixel_mm)
        if lost_mm2 > pixel_mm * pixel_mm:
            raise SpecError(
                f"Layers {section.first_layer} to {section.last_layer} have a wall "
                f"under two pixels ({2 * pixel_mm:g} mm).",
                "Use wider teeth, or a printer raster with smaller pixels.",
            )


def _area_lost_by_opening(section: Section, radius_mm: float) -> float:
    """Area that a shape loses when it is shrunk and grown again by the radius."""
    from manifold3d import CrossSection, FillRule, JoinType

    shape = CrossSection([np.asarray(r) for r in section.rings_mm], FillRule.EvenOdd)
    opened = shape.offset(-radius_mm, JoinType.Miter).offset(radius_mm, JoinType.Miter)
    return float((shape - opened).area())


_REPORT = "This is a fault of the program: please report it with the settings you used."
