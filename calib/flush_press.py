"""Rings of all layers of a base drawn in, those that are alike at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.flush_opening import is_small
from calib.flush_outline import clean, drawn_in, mitred, shape_of
from calib.flush_region import region_of
from calib.flush_sides import Sides
from patterns.base_sections import signed_area_mm2

if TYPE_CHECKING:
    from collections.abc import Iterator

    from calib.flush_model import FlatModel
    from patterns.base import Ring, Section

Array = NDArray[np.float64]

_MOST_RUN_MM = 0.15
_ALIKE = 2e-3  # of the directions of sides
_SAME_MM = 1e-6


@dataclass(frozen=True, kw_only=True)
class PlainRing:
    """A ring (n, 2) of the design without points on straight lines.

    ``along`` (n, 2) unit vectors of its sides.
    """

    points_mm: Array
    along: Array
    area_mm2: float
    around_mm: float
    small: bool

    @classmethod
    def of(cls, ring: Ring) -> PlainRing:
        """Understand a ring."""
        points = clean(ring)
        side = np.concatenate([points[1:], points[:1]]) - points
        length = np.hypot(side[:, 0], side[:, 1])
        area = signed_area_mm2(points)
        return cls(
            points_mm=points,
            along=side / length[:, None],
            area_mm2=area,
            around_mm=float(length.sum()),
            small=area < 0.0 and is_small(points),
        )

    def is_like(self, other: PlainRing) -> bool:
        """Whether both may be drawn in at once; small ones are the same but for place.

        They have as many points.
        """
        if self.small:
            ours, theirs = self.points_mm, other.points_mm
            away = (ours - ours[0]) - (theirs - theirs[0])
            return bool(np.abs(away).max() < _SAME_MM)
        return bool(np.abs(self.along - other.along).max() < _ALIKE)

    def run_mm(self, others_mm2: list[float]) -> float:
        """How far the wall recedes to the next layer, as a mean along the ring.

        ``others_mm2``: signed areas of those that may be this ring in the layer above.
        """
        alike = (o for o in others_mm2 if (o > 0.0) == (self.area_mm2 > 0.0))
        runs = ((self.area_mm2 - other) / self.around_mm for other in alike)
        run = min(runs, key=abs, default=0.0)
        return run if abs(run) < _MOST_RUN_MM else 0.0


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
    plain = [[PlainRing.of(ring) for ring in layer] for layer in rings]
    made = [list(layer) for layer in rings[:-1]]
    for run_mm, places in _alike(plain, model):
        ours = [plain[layer][place] for layer, place in places]
        layers = [layer for layer, _ in places]
        found = _drawn_in(ours, layers, run_mm, model)
        for (layer, place), ring in zip(places, found, strict=True):
            made[layer][place] = ring
    known: dict[bytes, Section] = {}
    layers_made = []
    for cut, outline in zip(cuts, made, strict=False):
        same = b"".join(ring.tobytes() for ring in outline)
        if same not in known:
            known[same] = region_of(cut, outline)
        layers_made.append(known[same])
    return tuple(layers_made)


def _alike(
    plain: list[list[PlainRing]], model: FlatModel
) -> Iterator[tuple[float, list[tuple[int, int]]]]:
    """Gather rings that can be drawn in at once: run, layers and places."""
    groups: dict[tuple[float, int, bool], list[list[tuple[int, int]]]] = {}
    for layer, ours in enumerate(plain[:-1]):
        others = [ring.area_mm2 for ring in plain[layer + 1]]
        for place, ring in enumerate(ours):
            if layer >= model.layers and not ring.small:
                continue
            run = 0.0 if ring.small else model.wall(ring.run_mm(others)).run_mm
            known = groups.setdefault((run, len(ring.points_mm), ring.small), [])
            for group in known:
                first, there = group[0]
                if ring.is_like(plain[first][there]):
                    group.append((layer, place))
                    break
            else:
                known.append([(layer, place)])
    for (run, _, _), known in groups.items():
        yield from ((run, group) for group in known)


def _drawn_in(
    rings: list[PlainRing], layers: list[int], run_mm: float, model: FlatModel
) -> Array:
    """Rings (L, m, 2) drawn in, of some that are alike."""
    shape = shape_of(np.array([ring.points_mm for ring in rings]))
    if rings[0].small:
        return mitred(shape, model.opening_mm(rings[0].points_mm)[layers])
    sides = Sides.of(shape, run_mm, model)
    return drawn_in(shape, sides.inset_mm[layers], sides.profiles_mm[layers])
