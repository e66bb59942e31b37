"""The virtual printer: a coupon's masks, exposures and an invented resin to a part.

Nothing here knows the cure model that is fitted to its prints: masks are pixels, the
blur is two-dimensional, the beam spreads, and some growth is not light at all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.virtual.dose import doses, grid_around, rasterise
from calib.virtual.part import (
    PrintedPart,
    Rings,
    offset,
    outline_of,
    part_of,
)
from patterns.errors import SpecError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.virtual.resin import InventedResin
    from patterns.manifest import Manifest

MARGIN_MM = 1.0  # room for growth round the masks


def print_coupon(
    manifest: Manifest, exposures_by_layer_s: Sequence[float], resin: InventedResin
) -> PrintedPart:
    """Print a coupon in an invented resin.

    Parameters
    ----------
    manifest : Manifest
        The coupon; its sections are the masks.
    exposures_by_layer_s : sequence of float
        Exposure of every layer, plate layer first.
    resin : InventedResin
        What it is printed in.

    Returns
    -------
    PrintedPart
        Film-side outline of every layer, and the truth.

    Raises
    ------
    SpecError
        The number of exposures is not the number of layers.
    """
    if len(exposures_by_layer_s) != manifest.layers:
        raise SpecError(
            f"{len(exposures_by_layer_s)} exposures for {manifest.layers} layers.",
            "Give one exposure for each layer of the coupon.",
        )
    sections = [design_rings(manifest, j) for j in _first_layers(manifest)]
    grid = grid_around(sections[0], manifest.pixel_x_mm, manifest.pixel_y_mm, MARGIN_MM)
    dose = doses(
        [rasterise(rings, grid) for rings in sections],
        _section_of_layer(manifest),
        exposures_by_layer_s,
        resin,
        layer_mm=manifest.layer_mm,
        pixel_mm=(manifest.pixel_x_mm, manifest.pixel_y_mm),
        where=[(j, 0.0) for j in range(manifest.layers)],
    )
    squeeze = (*resin.squeeze_mm, *[0.0] * manifest.layers)
    outlines = [
        scaled(offset(outline_of(dose[j], grid), squeeze[j]), resin.part_scale)
        for j in range(manifest.layers)
    ]
    return part_of(manifest, outlines, resin.part_scale, resin)


def with_uniform_growth(
    manifest: Manifest, growth_by_layer_mm: Sequence[float], part_scale: float = 1.0
) -> PrintedPart:
    """Part whose outlines are the scaled masks grown by a given amount; no resin.

    Parameters
    ----------
    manifest : Manifest
        The coupon.
    growth_by_layer_mm : sequence of float
        How far each layer's outline lies outside its mask, after scaling.
    part_scale : float
        Printed over designed length.
    """
    outlines = [
        offset(scaled(design_rings(manifest, j), part_scale), growth, mitred=True)
        for j, growth in enumerate(growth_by_layer_mm)
    ]
    return part_of(manifest, outlines, part_scale, None)


def design_rings(manifest: Manifest, layer: int) -> Rings:
    """Mask of one layer, in mm."""
    section = manifest.sections[_section_of_layer(manifest)[layer]]
    return tuple(np.asarray(ring, float) for ring in section.rings_mm)


def scaled(rings_mm: Rings, scale: float) -> Rings:
    """Shrink or swell about the origin."""
    return tuple(ring * scale for ring in rings_mm)


def _first_layers(manifest: Manifest) -> list[int]:
    return [section.first_layer for section in manifest.sections]


def _section_of_layer(manifest: Manifest) -> list[int]:
    """Index of each layer's section."""
    return [
        k
        for k, section in enumerate(manifest.sections)
        for _ in range(section.first_layer, section.last_layer + 1)
    ]
