"""Photos of rim tiles, from found tiles to measurements; tiles in several photos."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.combine import combine_quantities
from analysis.refusals import refuse
from analysis.result import Measurement, Refusal, Scale
from analysis.rim import measure_tile
from analysis.rim_centre import centred
from analysis.rim_merge import merge, two_prints
from analysis.rim_result import Merged, RimDrawing, RimMeasurement, TileDrawing
from analysis.rim_values import NO_PROFILE
from analysis.ruler import RulerHint, read_ruler
from analysis.tile_faults import lone_piece, why_blurred
from analysis.tile_pose import solve_tiles

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.photo import Photo
    from analysis.result import RulerReading
    from analysis.tile_pose import TilePose
    from analysis.tiles import FoundTile, FoundTiles, TileFault
    from patterns.rim_manifest import RimManifest, RimTile

Floats = NDArray[np.float64]

HINT_RATIO = 0.10
"""Parts may be printed 3 % off, rulers lie lower and farther to one side."""

_CLEAR_MM = 2.0
"""Margin about a tile in which no ruler is looked for: notches look like marks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """One tile's readings with the place of their photos."""

    places: list[int]
    readings: list[RimMeasurement]

    @property
    def home(self) -> int:
        """The first photo that shows the tile in plan, if any does."""
        plan = [
            p for p, r in zip(self.places, self.readings, strict=True) if in_plan(r)
        ]
        return (plan or self.places)[0]


def measure_tiles(
    photo: Photo, found: FoundTiles, *, scale_from_coupon: bool
) -> Measurement | Refusal:
    """Measure all tiles that were found in one photo.

    Parameters
    ----------
    photo : Photo
    found : FoundTiles
        Tiles that could not be read are named in the warnings.
    scale_from_coupon : bool
        Don't look for a ruler: the tiles' design size is the scale, u of 1 %.

    Returns
    -------
    Measurement or Refusal
        A refusal when there is no tile, no scale or no pose.
    """
    if not found.tiles:
        return refuse("no_tiles")
    ruler = None
    if not scale_from_coupon:
        reading = read_ruler(photo, _ruler_hint(found))
        if isinstance(reading, Refusal):
            return reading
        ruler = reading
    poses = solve_tiles(photo, found, ruler)
    if isinstance(poses, Refusal):
        return poses
    places = tuple(centred(photo, pose) for pose in poses.tiles)
    tiles = tuple(measure_tile(photo, pose) for pose in places)
    return Measurement(
        photo=photo.path,
        scale=Scale(
            px_per_mm=poses.px_per_mm / photo.reduced,
            u_px_per_mm=poses.u_px_per_mm / photo.reduced,
            graduation_mm=None if ruler is None else ruler.graduation_mm,
            source=poses.scale_source,
        ),
        coupons=tiles,
        warnings=tuple(_fault_words(photo, fault) for fault in found.faults),
        rim_drawing=_drawing(photo, places, tiles, ruler),
    )


def why_no_tiles(photo: Photo, found: FoundTiles, layout: RimTile) -> Refusal | None:
    """Say what a photo without a readable tile shows instead; None if nothing."""
    soft = why_blurred(photo)
    if soft is not None:
        return soft
    if not found.faults:
        return lone_piece(photo, layout)
    first = found.faults[0]
    return Refusal(code=first.code, message=first.message, remedy=first.remedy)


def gather(
    outcomes: Sequence[Measurement | Refusal], manifests: Sequence[RimManifest]
) -> tuple[Measurement | Refusal, ...]:
    """Stitch tiles that several photos show, and name those that none shows.

    Parameters
    ----------
    outcomes : sequence of Measurement or Refusal
        One for each photo, in their order.
    manifests : sequence of RimManifest
        Only sets of which a tile was seen can miss some.

    Returns
    -------
    tuple
        A tile's reading stands under the first photo that shows it in plan; the others
        have :class:`~analysis.rim_result.Merged` in its place.  Different prints of one
        tile are told by their rims, and keep their own readings with a warning.
    """
    gathered = list(outcomes)
    groups = _groups(outcomes)
    for coupon_id, group in groups.items():
        if len(group.places) < 2:
            continue
        under = outcomes[group.home]
        if isinstance(under, Refusal):  # can't be: groups are made of measurements
            continue
        said = two_prints(group.readings)
        if said is not None:
            for place, one in zip(group.places, group.readings, strict=True):
                apart = replace(one, warnings=(*one.warnings, said))
                _put(gathered, place, coupon_id, apart)
            continue
        pointer = Merged(coupon_id=coupon_id, merged_into=under.photo)
        for place in group.places:
            _put(gathered, place, coupon_id, pointer)
        _put(gathered, group.home, coupon_id, joined(group.readings))
    for manifest in manifests:
        _name_missing(gathered, groups, manifest)
    return tuple(gathered)


def in_plan(reading: RimMeasurement) -> bool:
    """Whether the photo showed the tile lying; else it stood on the edge stand."""
    return reading.arc is not None


def _laid(group: _Group) -> bool:
    return any(map(in_plan, group.readings))


def joined(readings: Sequence[RimMeasurement]) -> RimMeasurement:
    """Make one reading of a tile's photos in plan and in profile.

    Parameters
    ----------
    readings : sequence of RimMeasurement
        Of one tile, at least one; those in profile have no ``arc`` and say nothing but
        the radius of the edge.
    """
    plan = [reading for reading in readings if in_plan(reading)]
    profile = [reading for reading in readings if not in_plan(reading)]
    whole = merge(plan) if plan else profile[0]
    if not profile:
        return whole
    values, upper = dict(whole.values), dict(whole.upper_mm)
    reasons = {k: v for k, v in whole.reasons.items() if k != "edge_radius_mm"}
    radii = [p.values["edge_radius"] for p in profile if "edge_radius" in p.values]
    limits = [p.upper_mm["edge_radius"] for p in profile if "edge_radius" in p.upper_mm]
    if radii:
        values["edge_radius"] = combine_quantities(radii)
        upper.pop("edge_radius", None)
    elif limits:
        upper["edge_radius"] = min(limits)
    else:
        said = [p.reasons.get("edge_radius_mm", NO_PROFILE) for p in profile]
        reasons["edge_radius_mm"] = said[0]
    extra = [said for p in profile for said in p.warnings]
    return replace(
        whole,
        photos=tuple(dict.fromkeys(path for r in readings for path in r.photos)),
        values=values,
        upper_mm=upper,
        warnings=tuple(dict.fromkeys([*whole.warnings, *extra])),
        reasons=reasons,
    )


def _groups(outcomes: Sequence[Measurement | Refusal]) -> dict[str, _Group]:
    groups: dict[str, _Group] = {}
    for place, outcome in enumerate(outcomes):
        if isinstance(outcome, Refusal):
            continue
        for tile in outcome.coupons:
            if isinstance(tile, RimMeasurement):
                group = groups.setdefault(
                    tile.coupon_id, _Group(places=[], readings=[])
                )
                group.places.append(place)
                group.readings.append(tile)
    return groups


def _put(
    outcomes: list[Measurement | Refusal],
    place: int,
    coupon_id: str,
    instead: RimMeasurement | Merged,
) -> None:
    outcome = outcomes[place]
    if isinstance(outcome, Measurement):
        outcomes[place] = replace(
            outcome,
            coupons=tuple(
                instead if one.coupon_id == coupon_id else one
                for one in outcome.coupons
            ),
        )


def _name_missing(
    outcomes: list[Measurement | Refusal],
    groups: dict[str, _Group],
    manifest: RimManifest,
) -> None:
    """Warn under the first photo that shows any tile of the set.

    Round the edge stand there is room for four: photos of it alone miss nothing.
    """
    ids = [tile.coupon_id for tile in manifest.tiles]
    known = {name: groups[name] for name in ids if name in groups}
    shown = [group.home for group in known.values()]
    if not any(map(_laid, known.values())):
        return
    missing = [name for name in ids if name not in groups]
    if not shown or not missing:
        return
    outcome = outcomes[min(shown)]
    if isinstance(outcome, Measurement):
        said = f"Not found in any photo: {', '.join(missing)}."
        outcomes[min(shown)] = replace(outcome, warnings=(*outcome.warnings, said))


def _fault_words(photo: Photo, fault: TileFault) -> str:
    x, y = photo.full_size_px(fault.where_px[None])[0]
    return f"Near {x:.0f}, {y:.0f} px: {fault.message} {fault.remedy}"


def _ruler_hint(found: FoundTiles) -> RulerHint:
    scale = float(np.median([tile.px_per_mm for tile in found.tiles]))
    return RulerHint(
        px_per_mm=(scale * (1 - HINT_RATIO), scale * (1 + HINT_RATIO)),
        exclude_px=_around(found.tiles),
    )


def _around(tiles: tuple[FoundTile, ...]) -> Floats:
    """One polygon about all tiles, for the even-odd rule.

    The ways to each ring and back from it cancel.
    """
    phi = np.linspace(-np.pi / 2, np.pi / 2, 25)
    anchor: Floats | None = None
    parts = []
    for found in tiles:
        reach = found.tile.radius_mm + _CLEAR_MM
        arc = reach * np.column_stack([np.cos(phi), np.sin(phi)])
        ring = np.vstack([arc, [[-_CLEAR_MM, reach], [-_CLEAR_MM, -reach]], arc[:1]])
        mapped = np.column_stack([ring, np.ones(len(ring))]) @ found.homography.T
        px = mapped[:, :2] / mapped[:, 2:]
        anchor = px[:1] if anchor is None else anchor
        parts += [px, anchor]
    return np.vstack(parts)


def _drawing(
    photo: Photo,
    poses: tuple[TilePose, ...],
    tiles: tuple[RimMeasurement, ...],
    ruler: RulerReading | None,
) -> RimDrawing:
    """Everything that was found, in pixels of the stored size."""
    return RimDrawing(
        tiles=tuple(
            _tile_drawing(photo, pose, tile)
            for pose, tile in zip(poses, tiles, strict=True)
        ),
        marks_px=np.zeros((0, 2))
        if ruler is None
        else photo.full_size_px(ruler.marks_px),
        marks_kept=np.zeros(0, dtype=bool) if ruler is None else ruler.kept,
    )


def _tile_drawing(photo: Photo, pose: TilePose, tile: RimMeasurement) -> TileDrawing:
    arc = tile.arc
    phi = np.zeros(0) if arc is None else arc.phi_rad
    outward = np.column_stack([np.cos(phi), -np.sin(phi), np.zeros_like(phi)])
    rim = pose.radius_mm * outward
    slope = pose.project(rim + 0.5 * outward) - pose.project(rim - 0.5 * outward)
    return TileDrawing(
        coupon_id=tile.coupon_id,
        outline_px=photo.full_size_px(pose.outline_px),
        rim_px=photo.full_size_px(pose.project(rim)),
        outward_px=slope / photo.reduced,
    )
