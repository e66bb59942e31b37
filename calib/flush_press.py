"""Rings of all layers of a base drawn in, those that are alike at once."""

from __future__ import annotations

from itertools import compress
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.flush_outline import drawn_in, mitred, shape_of
from calib.flush_region import regions_of
from calib.flush_rings import SAME_MM, PlainRing, alike, plain_rings
from calib.flush_sides import Sides

if TYPE_CHECKING:
    from collections.abc import Iterator

    from calib.flush_model import FlatModel
    from patterns.base import Section

Array = NDArray[np.float64]


def compensated(cuts: tuple[Section, ...], model: FlatModel) -> tuple[Section, ...]:
    """Draw every ring of every layer in.

    Parameters
    ----------
    cuts : tuple of Section
        The design at the middle of each layer, plate layer first, and of one more.
    model : FlatModel

    Returns
    -------
    tuple of Section
        One fewer than ``cuts``.

    Raises
    ------
    SpecError
        A part of the base falls away.
    """
    rings = [(*cut.outer, *cut.openings) for cut in cuts]
    found = iter(plain_rings([ring for layer in rings for ring in layer]))
    plain = [[next(found) for _ in layer] for layer in rings]
    made = [list(layer) for layer in rings[:-1]]
    for run_mm, places in _alike(plain, model):
        ours = [plain[layer][place] for layer, place in places]
        layers = [layer for layer, _ in places]
        drawn = _drawn_in(ours, layers, run_mm, model)
        for (layer, place), ring in zip(places, drawn, strict=True):
            made[layer][place] = ring
    return regions_of(cuts[:-1], made)


def _alike(
    plain: list[list[PlainRing]], model: FlatModel
) -> Iterator[tuple[float, list[tuple[int, int]]]]:
    """Gather rings that can be drawn in at once: run, layers and places."""
    kinds: dict[tuple[float, int, bool], list[tuple[int, int]]] = {}
    raised = model.layers
    for layer, ours in enumerate(plain[:-1]):
        others = [ring.area_mm2 for ring in plain[layer + 1]]
        for place, ring in enumerate(ours):
            if layer >= raised and not ring.small:
                continue
            run = 0.0 if ring.small else model.wall(ring.run_mm(others)).run_mm
            kind = run, len(ring.points_mm), ring.small
            kinds.setdefault(kind, []).append((layer, place))
    for (run, _, _), places in kinds.items():
        left = places
        while left:
            like = alike([plain[layer][place] for layer, place in left]).tolist()
            yield run, list(compress(left, like))
            left = [place for place, ours in zip(left, like, strict=True) if not ours]


def _drawn_in(
    rings: list[PlainRing], layers: list[int], run_mm: float, model: FlatModel
) -> list[Array]:
    """Rings (m, 2) drawn in, of some that are alike."""
    points = np.array([ring.points_mm for ring in rings])
    upright = np.abs(points - points[0]).max() < SAME_MM
    shape = shape_of(points[:1] if upright else points)
    if rings[0].small:
        return list(mitred(shape, model.opening_mm(rings[0].points_mm)[layers]))
    sides = Sides.of(shape, run_mm, model)
    if not upright:
        return list(drawn_in(shape, sides.inset_mm[layers], sides.profiles_mm[layers]))
    rows = zip(sides.inset_mm, sides.profiles_mm, strict=True)
    names = [inset.tobytes() + profile.tobytes() for inset, profile in rows]
    kinds = {names[layer]: layer for layer in layers}
    ours = list(kinds.values())
    inset, profiles = sides.inset_mm.take(ours, 0), sides.profiles_mm.take(ours, 0)
    drawn = drawn_in(shape, inset, profiles)
    known = dict(zip(kinds, drawn, strict=True))
    return [known[names[layer]] for layer in layers]
