"""Rings of a layer put together again: valid, one body, no wall too thin."""

from __future__ import annotations

from itertools import chain, islice
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely
from manifold3d import CrossSection, FillRule, JoinType
from numpy.typing import NDArray

from calib.flush_outline import points_of
from calib.flush_rings import Judged, stacks
from patterns.base import Section
from patterns.base_sections import section, signed_area_mm2
from patterns.errors import SpecError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from patterns.base import Base, Ring

Array = NDArray[np.float64]

THINNEST_PX = 2.0

_LONG_PX = 12.0
_LONG_MM = 0.8
_SLACK = 0.25
_CRUMB_MM2 = 2.5e-3  # of a pixel: light blurs it away
_CRUMB_WIDE_MM = 0.07  # two pixels of a fine raster
_NEEDLE_MM = 0.001


def regions_of(
    designs: tuple[Section, ...], layers: list[list[Ring]]
) -> tuple[Section, ...]:
    """Make sections of rings that were drawn in, free of crossings.

    Parameters
    ----------
    designs : tuple of Section
        What each layer was drawn in from.
    layers : list of lists of (n, 2) arrays
        Outer rings counter-clockwise, openings clockwise.

    Raises
    ------
    SpecError
        A part of the design vanished or fell apart.
    """
    names = [tuple(map(id, rings)) for rings in layers]  # the same rings, not alike
    pairs = dict(zip(names, zip(designs, layers, strict=True), strict=True))
    found = dict(zip(pairs, _distinct(list(pairs.values())), strict=True))
    return tuple(
        Section(z_mm=design.z_mm, outer=one.outer, openings=one.openings)
        for design, one in zip(designs, map(found.__getitem__, names), strict=True)
    )


def _distinct(pairs: list[tuple[Section, list[Ring]]]) -> list[Section]:
    """Make sections of designs and their rings."""
    found, sharp, sound = [], [], []
    for (design, _), told in zip(pairs, _told(pairs), strict=True):
        outer = tuple([one.ring for one in told if one.area_mm2 > 0.0])
        openings = tuple([one.ring for one in told if one.area_mm2 < 0.0])
        found.append(Section(z_mm=design.z_mm, outer=outer, openings=openings))
        sharp.append(True in [one.sharp for one in told])
        sound.append(False not in [one.simple for one in told])
    several = [number for number, one in enumerate(found) if one.openings]
    if several:
        valid = _are_sound([found[number] for number in several])
        for number, whole in zip(several, valid, strict=True):
            sound[number] = sound[number] and whole
    for number, (design, rings) in enumerate(pairs):
        whole = len(found[number].outer) == len(design.outer) and sound[number]
        if sharp[number] or not whole:
            found[number] = _mended(design, rings, blunt=sharp[number])
    return found


class _Told(NamedTuple):
    """A ring, whether it has needles, and whether it doesn't cross itself."""

    ring: Ring
    area_mm2: float
    sharp: bool
    simple: bool


def _told(pairs: list[tuple[Section, list[Ring]]]) -> Iterator[list[_Told]]:
    every = list(chain(*(rings for _, rings in pairs)))
    found: dict[int, _Told] = {}
    for numbers, stack in stacks(every):
        judged = Judged.of(stack)
        columns = (judged.area_mm2, judged.sharp, judged.simple)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        for number, row in zip(numbers, rows, strict=True):
            found[number] = _Told(every[number], *row)
    told = (found[number] for number in range(len(every)))
    for _, rings in pairs:
        yield list(islice(told, len(rings)))


def _mended(design: Section, rings: list[Ring], *, blunt: bool) -> Section:
    """Make a section of rings that cross, or that have needles."""
    whole = CrossSection(rings, FillRule.Positive)
    if blunt:
        whole = _blunted(whole)
    parts = [part for part in whole.decompose() if not _is_crumb(part)]
    if len(parts) != len(design.outer):
        west, south, east, north = min(parts, key=CrossSection.area).bounds()
        x, y = (west + east) / 2.0, (south + north) / 2.0
        raise _too_thin(
            f"The base would fall into {len(parts)} pieces, the smallest at "
            f"x {x:.1f}, y {y:.1f} mm from the middle of its underside"
        )
    return section(CrossSection.compose(parts), design.z_mm)


def _is_crumb(part: CrossSection) -> bool:
    """Whether a piece is as short and thin as stretches that no wall is refused for."""
    west, south, east, north = part.bounds()
    long_mm = max(east - west, north - south)
    area_mm2 = float(part.area())
    thin = area_mm2 < _CRUMB_WIDE_MM * long_mm
    return area_mm2 < _CRUMB_MM2 or (thin and bool(long_mm < _LONG_MM))


def _blunted(region: CrossSection) -> CrossSection:
    """Take out needles and slits of two micrometres: no pixel shows them."""
    mitre = JoinType.Miter
    inner = region.offset(-_NEEDLE_MM, mitre)
    return inner.offset(2.0 * _NEEDLE_MM, mitre).offset(-_NEEDLE_MM, mitre)


def is_sound(found: Section) -> bool:
    """Whether no ring crosses itself or another."""
    return next(_are_sound([found]))


def areas(found: Section) -> list[shapely.Polygon]:
    """Polygons of a section, each outer ring with the openings in it."""
    polygons: list[shapely.Polygon] = _polygons(_grouped(found)).tolist()
    return polygons


def _are_sound(found: list[Section]) -> Iterator[bool]:
    """Whether no ring of each section crosses itself or another of it."""
    groups = [_grouped(one) for one in found]
    valid = iter(shapely.is_valid(_polygons(list(chain(*groups)))).tolist())
    return (all(list(islice(valid, len(group)))) for group in groups)


def _grouped(found: Section) -> list[tuple[Ring, ...]]:
    """Each outer ring and the openings in it."""
    if len(found.outer) == 1:
        return [(*found.outer, *found.openings)]
    shells = [shapely.Polygon(ring) for ring in found.outer]
    return [
        (ring, *(o for o in found.openings if shapely.contains_xy(shell, *o[0])))
        for ring, shell in zip(found.outer, shells, strict=True)
    ]


def _polygons(groups: list[tuple[Ring, ...]]) -> NDArray[np.object_]:
    """Polygons of outer rings, each with its openings."""
    rings = list(chain(*groups))
    lines = np.empty(len(rings), object)
    for numbers, stack in stacks(rings):
        lines[numbers] = shapely.linearrings(points_of(stack))
    number = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    found: NDArray[np.object_] = shapely.polygons(lines, indices=number)
    return found


def check_walls(
    layers: tuple[Section, ...], raised: int, pixel_mm: float, base: Base
) -> None:
    """Refuse walls whose mask comes under two pixels, by name.

    The ``raised`` layers are drawn in all around, those above at openings alone.

    Raises
    ------
    SpecError
        Where, how thin, and what would help.
    """
    groups = (layers[:1], layers[:raised], layers[raised:])
    thinnest = {id(t): t for t in (min(g, key=_area_mm2) for g in groups if g)}
    for area in (a for t in thinnest.values() for a in areas(t)):
        found = _thin_place(area, pixel_mm)
        if found is None:
            continue
        (x, y), wide_mm = found
        where = f"at x {x:.1f}, y {y:.1f} mm from the middle of its underside"
        raise _too_thin(
            f"{base.name} has a wall {where} whose mask would be only {wide_mm:.2f} mm "
            f"wide, under {THINNEST_PX:.0f} pixels"
        )


def _thin_place(
    area: shapely.Polygon, pixel_mm: float
) -> tuple[tuple[float, float], float] | None:
    """Place and width of a stretch that two pixels don't fit into."""
    half = 0.5 * THINNEST_PX * pixel_mm
    opened = area.buffer(-half, quad_segs=2).buffer(
        half * (1.0 + _SLACK), quad_segs=2, join_style="mitre"
    )
    for piece in shapely.get_parts(area.difference(opened)):
        west, south, east, north = piece.bounds
        if max(east - west, north - south) > max(_LONG_PX * pixel_mm, _LONG_MM):
            place = piece.representative_point()
            return (place.x, place.y), 2.0 * piece.area / piece.length
    return None


def _area_mm2(found: Section) -> float:
    return sum(signed_area_mm2(ring) for ring in (*found.outer, *found.openings))


def _too_thin(what: str) -> SpecError:
    return SpecError(
        f"{what}.",
        "A shorter bottom exposure, a thicker wall or printing it tilted would help.",
    )
