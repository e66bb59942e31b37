"""Read a metric ruler in a photo by its graduation lines, or say why not.

Numerals are not needed and no scale is ever guessed: what can't be told from something
else is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.refusals import refuse
from analysis.result import Refusal, RulerReading
from analysis.ruler_reading import Graduation, read_graduation
from analysis.ruler_search import Tiles, find_tiles, link_tiles
from analysis.ruler_track import pyramid
from analysis.ruler_unit import ENOUGH, INCH_MM, RIVALS_MM, metric_evidence

if TYPE_CHECKING:
    from analysis.photo import Photo

_CANDIDATES = 8
_GREEN = 1
_SAME_SCALE = 0.12  # readings of one ruler that could be confused differ by 20 %
_FAR_MM = 40.0  # from the coupon: a ruler's far edge is worth less than its near one
_CLASS_MPE_MM = 0.5
_CLASS_LENGTH_MM = 150.0
_TRUST = {1.0: 1.0, 0.5: 0.7}  # the finer the marks, the sooner they blur and alias
_CLEAR_LEAD = 10.0
_SAME_SPACING = 0.04
_SPACINGS_MM = {
    "decimal": np.array([]),
    "halved": np.array([0.5, INCH_MM / 20]),
    "inch": INCH_MM / np.array([4, 8, 12, 16, 32, 64]),
    "plain": np.array([]),
}
_INCH_DIVISIONS = (4, 8, 10, 12, 16, 20, 32, 50, 64, 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class RulerHint:
    """What a coupon that was found says about the ruler beside it.

    ``px_per_mm`` is the range in which the ruler's scale must lie; ``direction_deg``
    the coupon's long side in the picture (x to the right, y down), or None;
    ``exclude_px`` (k, 2) a polygon that is no ruler (the coupon itself), or None.
    """

    px_per_mm: tuple[float, float]
    direction_deg: float | None = None
    exclude_px: NDArray[np.float64] | None = None


def read_ruler(photo: Photo, hint: RulerHint | None = None) -> RulerReading | Refusal:
    """Find and read a metric ruler.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    hint : RulerHint, optional
        From a coupon in the same photo.

    Returns
    -------
    RulerReading, or Refusal
        In pixels of ``photo.rgb8``.  Refusals: ``no_ruler``, ``ruler_inch``,
        ``ruler_unreadable``, ``reading_ambiguous``.

    Notes
    -----
    ``u_class_ratio`` supposes a class II ruler (Directive 2014/32/EU, annex X: 0.5 mm
    between any two marks up to one metre) that is evenly stretched over 150 mm or over
    what is seen of it, whichever is longer.
    """
    grey = np.ascontiguousarray(photo.rgb8[:, :, _GREEN])
    tiles = find_tiles(grey, hint.direction_deg if hint else None)
    if hint is not None and hint.exclude_px is not None:
        tiles = tiles.pick(~_inside(tiles, hint.exclude_px))
    candidates = link_tiles(tiles, _CANDIDATES)
    levels = pyramid(grey)
    graduations = [
        graduation
        for candidate in candidates
        if (graduation := read_graduation(levels, candidate)) is not None
    ]
    return decide(graduations, hint)


def decide(
    graduations: list[Graduation], hint: RulerHint | None
) -> RulerReading | Refusal:
    """Choose among everything in the picture that looks like graduation."""
    sound = [g for g in graduations if g.fault is None]
    readings = []
    doubts = []
    for graduation in sound:
        if graduation.kind == "inch":
            doubts.append(refuse("ruler_inch", division=graduation.family))
            continue
        unit = _unit(graduation, graduations, hint)
        if isinstance(unit, Refusal):
            doubts.append(unit)
        else:
            readings.append((unit, graduation))
    if not readings:
        return _why_none(doubts, graduations)
    if _contradict(readings):
        return refuse(
            "reading_ambiguous", why="two of its edges give scales that don't agree"
        )
    unit, graduation = max(readings, key=lambda r: _worth(r[0], r[1], hint))
    return _reading(unit, graduation)


def _unit(
    graduation: Graduation, graduations: list[Graduation], hint: RulerHint | None
) -> float | Refusal:
    """Millimetres a mark of a decimal or halved scale, or why that can't be said."""
    metric_mm = 0.5 if graduation.kind == "halved" else 1.0
    if hint is not None:
        return _unit_by_coupon(graduation, metric_mm, hint)
    meanings = _meanings_beside(graduation, graduations)
    if meanings and metric_mm not in meanings:
        return refuse("ruler_inch", division="tenths or twentieths")
    rivals = [mm for mm in RIVALS_MM[metric_mm] if not meanings or mm in meanings]
    twins = [graduation, *_twins(graduation, graduations)]
    if max(metric_evidence(metric_mm, twin.looks, rivals) for twin in twins) >= ENOUGH:
        return metric_mm
    return refuse(
        "reading_ambiguous",
        why="by their size the marks may be fractions of an inch",
    )


def _unit_by_coupon(
    graduation: Graduation, metric_mm: float, hint: RulerHint
) -> float | Refusal:
    low, high = hint.px_per_mm
    if low <= graduation.pitch_px / metric_mm <= high:
        return metric_mm
    fractions = [INCH_MM / division for division in _INCH_DIVISIONS]
    if any(low <= graduation.pitch_px / mm <= high for mm in fractions):
        return refuse("ruler_inch", division="fractions of an inch")
    return refuse(
        "reading_ambiguous", why="their spacing fits neither the coupon nor any scale"
    )


def _meanings_beside(
    graduation: Graduation, graduations: list[Graduation]
) -> set[float]:
    """Spacings that a scale may have by its ratio to another one beside it.

    A meaning stays when the other scale's spacing then is one that exists: 1 mm beside
    1/16 inch has another ratio than 1/10 inch beside 1/16 inch.  Empty: nothing said.
    """
    metric_mm = 0.5 if graduation.kind == "halved" else 1.0
    meanings = {metric_mm, *RIVALS_MM[metric_mm]}
    said = False
    for other in graduations:
        if other is graduation or other.lead < _CLEAR_LEAD or other.scale is None:
            continue
        known = _SPACINGS_MM[other.kind]
        if len(known) == 0 or not _beside(graduation, other):
            continue
        ratio = _pitch_near(other, graduation) / graduation.pitch_px
        fitting = {
            mm
            for mm in meanings
            if np.any(np.abs(ratio * mm / known - 1) < _SAME_SPACING)
        }
        if fitting:
            meanings, said = fitting, True
    return meanings if said else set()


def _twins(graduation: Graduation, graduations: list[Graduation]) -> list[Graduation]:
    """Other edges of the same ruler with the same scale: they share its unit."""
    return [
        other
        for other in graduations
        if other.fault is None
        and other.kind == graduation.kind
        and _beside(graduation, other)
        and abs(_pitch_near(other, graduation) / graduation.pitch_px - 1) < 0.08
    ]


def _axis(graduation: Graduation) -> NDArray[np.float64]:
    chord = graduation.points_px[-1] - graduation.points_px[0]
    return np.asarray(chord / np.linalg.norm(chord))


def _beside(one: Graduation, other: Graduation) -> bool:
    """Tell whether two rows of marks may belong to one ruler."""
    axis = _axis(one)
    if abs(float(axis @ _axis(other))) < np.cos(np.radians(12)):
        return False
    between = other.points_px.mean(axis=0) - one.points_px.mean(axis=0)
    across = abs(float(between @ np.array([-axis[1], axis[0]])))
    return across < 0.5 * float(np.ptp(one.points_px @ axis)) + 25 * one.pitch_px


def _pitch_near(other: Graduation, one: Graduation) -> float:
    """Pitch of ``other`` where it passes closest to the middle of ``one``."""
    axis = _axis(other)
    along = other.points_px @ axis
    at = float(np.clip(one.points_px.mean(axis=0) @ axis, along.min(), along.max()))
    curve = np.polynomial.Polynomial.fit(along, other.index, 3)
    return float(1 / abs(curve.deriv()(at)))


def _contradict(readings: list[tuple[float, Graduation]]) -> bool:
    for (one_mm, one), (other_mm, other) in combinations(readings, 2):
        if not _beside(one, other):
            continue
        ratio = (_pitch_near(other, one) / other_mm) / (one.pitch_px / one_mm)
        if abs(np.log(ratio)) > _SAME_SCALE:
            return True
    return False


def _worth(unit_mm: float, graduation: Graduation, hint: RulerHint | None) -> float:
    """Length of ruler read, less for scattered marks and far from the coupon."""
    scale = graduation.scale
    if scale is None:
        return 0.0
    length = float(np.ptp(graduation.index)) * unit_mm * _TRUST[unit_mm]
    length /= 1 + scale.rms_px / (0.03 * scale.px_per_mm)
    if hint is None or hint.exclude_px is None:
        return length
    between = hint.exclude_px.mean(axis=0) - graduation.points_px.mean(axis=0)
    axis = _axis(graduation)
    across = abs(float(between @ np.array([-axis[1], axis[0]])))
    return length / (1 + across / scale.px_per_mm * unit_mm / _FAR_MM)


def _inside(tiles: Tiles, polygon_px: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tiles whose centre lies within a polygon (even-odd rule)."""
    inside = np.zeros(len(tiles.x), bool)
    for (x0, y0), (x1, y1) in zip(polygon_px, np.roll(polygon_px, -1, 0), strict=True):
        if y0 == y1:
            continue
        crosses = (y0 > tiles.y) != (y1 > tiles.y)
        inside ^= crosses & (tiles.x < x0 + (tiles.y - y0) * (x1 - x0) / (y1 - y0))
    return inside


def _why_none(doubts: list[Refusal], graduations: list[Graduation]) -> Refusal:
    """Give the most telling reason for having no reading."""
    for code in ("reading_ambiguous", "ruler_inch"):
        for doubt in doubts:
            if doubt.code == code:
                return doubt
    faulty = [g for g in graduations if g.kind != "plain" and g.lead > 0 and g.fault]
    if faulty:
        strongest = max(faulty, key=lambda g: g.lead)
        return refuse("ruler_unreadable", why=strongest.fault)
    return refuse("no_ruler")


def _reading(unit_mm: float, graduation: Graduation) -> RulerReading | Refusal:
    marks_mm = (graduation.index - graduation.index[0]) * unit_mm
    scale = graduation.scale
    if scale is None:
        return refuse("no_ruler")
    length_mm = max(_CLASS_LENGTH_MM, float(np.ptp(marks_mm)))
    return RulerReading(
        graduation_mm=unit_mm,
        marks_mm=marks_mm,
        marks_px=graduation.points_px,
        kept=scale.kept,
        px_per_mm=scale.px_per_mm / unit_mm,
        u_px_per_mm=scale.u_px_per_mm / unit_mm,
        u_class_ratio=_CLASS_MPE_MM / np.sqrt(3) / length_mm,
        residual_px=scale.rms_px,
    )
