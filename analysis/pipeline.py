"""Photos, from file to measurement: the door of this package."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.flare import measure_readings
from analysis.locate import locate
from analysis.photo import read_photo
from analysis.pose import solve
from analysis.reading import read_edges
from analysis.result import (
    CouponMeasurement,
    Drawing,
    Measurement,
    Refusal,
    RulerReading,
    Scale,
)
from analysis.rims import gather, measure_tiles, why_no_tiles
from analysis.ruler import RulerHint, read_ruler
from analysis.standing import measure_profiles
from analysis.tiles import find_tiles
from patterns.manifest import Manifest
from patterns.rim_manifest import RimManifest

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from analysis.located import Located
    from analysis.photo import Photo
    from analysis.reading import EdgeReadings

Floats = NDArray[np.float64]

HINT_RATIO = 0.10
"""Parts may be printed 3 % off, rulers lie higher or lower and farther to one side."""


def measure_photos(
    paths: Sequence[str | Path],
    manifests: Sequence[Manifest | RimManifest],
    *,
    scale_from_coupon: bool = False,
    begin: Callable[[str | Path], None] | None = None,
) -> tuple[Measurement | Refusal, ...]:
    """Measure flare coupons and rim tiles in photos.

    Parameters
    ----------
    paths : sequence of str or Path
        JPEG, PNG or HEIC.  Rim tiles that several of them show are stitched.
    manifests : sequence of Manifest or RimManifest
        Coupons and sets of tiles that may be in them, at least one.
    scale_from_coupon : bool
        Don't look for a ruler: the design size is the scale, u of 1 % in every length,
        and the part's own size (``part_scale``) stays unknown.
    begin : callable, optional
        Told each path before its photo is measured.

    Returns
    -------
    tuple of Measurement or Refusal
        One for each path.  A refusal says what is wrong and what to do; the codes are
        in :data:`analysis.refusals.CODES`.

    Raises
    ------
    ValueError
        No manifests.
    """
    if not manifests:
        raise ValueError("measure_photos wants at least one manifest")
    flares = [m for m in manifests if isinstance(m, Manifest)]
    sets = [m for m in manifests if isinstance(m, RimManifest)]
    outcomes: list[Measurement | Refusal] = []
    for path in paths:
        if begin is not None:
            begin(path)
        shown = _shown(outcomes, sets)
        outcomes.append(
            _measure_one(path, flares, sets, shown, from_coupon=scale_from_coupon)
        )
    return gather(outcomes, sets)


def measure(
    path: str | Path,
    manifests: Sequence[Manifest | RimManifest],
    *,
    scale_from_coupon: bool = False,
) -> Measurement | Refusal:
    """Measure one photo, as :func:`measure_photos` does."""
    return measure_photos([path], manifests, scale_from_coupon=scale_from_coupon)[0]


def _measure_one(
    path: str | Path,
    flares: Sequence[Manifest],
    sets: Sequence[RimManifest],
    standing: Sequence[RimManifest],
    *,
    from_coupon: bool,
) -> Measurement | Refusal:
    """Tiles are looked for first: one that says its code is no flare coupon.

    Those on the edge stand, ``standing`` sets', come next.
    """
    photo = read_photo(path)
    if isinstance(photo, Refusal):
        return photo
    found = find_tiles(photo, sets) if sets else None
    profiles = None
    if found is not None and not found.tiles:
        profiles = measure_profiles(photo, standing)
    if profiles is not None and not _is_no_stand(profiles):
        outcome = profiles
    elif found is not None and (found.tiles or not flares):
        outcome = measure_tiles(photo, found, scale_from_coupon=from_coupon)
    else:
        outcome = _measure_flare(photo, flares, from_coupon=from_coupon)
    if found is not None and _saw_nothing(outcome):
        why = why_no_tiles(photo, found, sets[0].tiles[0])
        return outcome if why is None else why
    if isinstance(outcome, Refusal):
        return outcome
    return replace(
        outcome, photo=str(path), warnings=(*_warnings(photo), *outcome.warnings)
    )


def _shown(
    outcomes: Sequence[Measurement | Refusal], sets: Sequence[RimManifest]
) -> Sequence[RimManifest]:
    """Give the sets of which earlier photos show a tile, or all.

    Feet tell tiles of a set apart, not sets.
    """
    ids = {
        coupon.coupon_id
        for outcome in outcomes
        if isinstance(outcome, Measurement)
        for coupon in outcome.coupons
    }
    shown = [m for m in sets if any(tile.coupon_id in ids for tile in m.tiles)]
    return shown or sets


def _is_no_stand(outcome: Measurement | Refusal) -> bool:
    return isinstance(outcome, Refusal) and outcome.code == "no_hub"


def _saw_nothing(outcome: Measurement | Refusal) -> bool:
    return isinstance(outcome, Refusal) and outcome.code in ("no_coupon", "no_tiles")


def _measure_flare(
    photo: Photo, manifests: Sequence[Manifest], *, from_coupon: bool
) -> Measurement | Refusal:
    located = locate(photo, manifests)
    if isinstance(located, Refusal):
        return located
    ruler = None
    if not from_coupon:
        found = read_ruler(photo, ruler_hint(located))
        if isinstance(found, Refusal):
            return found
        ruler = found
    pose = solve(photo, located, ruler)
    if isinstance(pose, Refusal):
        return pose
    readings = read_edges(photo, located.manifest, pose)
    coupon = measure_readings(readings, located.manifest, pose)
    if isinstance(coupon, Refusal):
        return coupon
    return Measurement(
        photo=photo.path,
        scale=Scale(
            px_per_mm=pose.px_per_mm / photo.reduced,
            u_px_per_mm=pose.u_px_per_mm / photo.reduced,
            graduation_mm=None if ruler is None else ruler.graduation_mm,
            source="coupon" if ruler is None else "ruler",
        ),
        coupons=(coupon,),
        drawing=_drawing(photo, located, ruler, readings, coupon),
    )


def read_scale(path: str | Path) -> RulerReading | Refusal:
    """Read the ruler in a photo, coupon or not, in pixels of the stored size."""
    photo = read_photo(path)
    if isinstance(photo, Refusal):
        return photo
    found = read_ruler(photo)
    if isinstance(found, Refusal):
        return found
    return replace(
        found,
        marks_px=photo.full_size_px(found.marks_px),
        px_per_mm=found.px_per_mm / photo.reduced,
        u_px_per_mm=found.u_px_per_mm / photo.reduced,
        residual_px=found.residual_px / photo.reduced,
    )


def ruler_hint(located: Located) -> RulerHint:
    """Tell the ruler's reader what the coupon says of the ruler beside it."""
    start, end = _seen(located, np.array([[-1.0, 0.0], [1.0, 0.0]]))
    direction = np.degrees(np.arctan2(end[1] - start[1], end[0] - start[0]))
    return RulerHint(
        px_per_mm=(
            located.px_per_mm * (1 - HINT_RATIO),
            located.px_per_mm * (1 + HINT_RATIO),
        ),
        direction_deg=float(direction),
        exclude_px=located.outline_px,
    )


def _seen(located: Located, points_mm: Floats) -> Floats:
    plane = np.column_stack([points_mm, np.ones(len(points_mm))])
    seen = plane @ located.homography.T
    return np.asarray(seen[:, :2] / seen[:, 2:])


def _warnings(photo: Photo) -> tuple[str, ...]:
    if photo.reduced < 1:
        return (f"The photo was measured at {photo.reduced:g} of its size.",)
    return ()


def _drawing(
    photo: Photo,
    located: Located,
    ruler: RulerReading | None,
    readings: EdgeReadings,
    coupon: CouponMeasurement,
) -> Drawing:
    """Everything that was found, in pixels of the stored size."""
    used = {tooth.name for tooth in coupon.teeth if tooth.used}
    half = readings.seen.half_px[:, None]
    along = readings.seen.normal_px[:, ::-1] * (1, -1)
    middle = readings.edge_px()
    ends = np.stack([middle - half * along, middle + half * along], axis=1)
    return Drawing(
        outline_px=photo.full_size_px(located.outline_px),
        holes_px=tuple(photo.full_size_px(hole.rim_px) for hole in located.holes),
        marks_px=np.zeros((0, 2))
        if ruler is None
        else photo.full_size_px(ruler.marks_px),
        marks_kept=np.zeros(0, dtype=bool) if ruler is None else ruler.kept,
        edges_px=photo.full_size_px(ends.reshape(-1, 2)).reshape(-1, 2, 2),
        edges_used=np.array(
            [
                bool(good) and (edge.kind != "end" or edge.owner in used)
                for edge, good in zip(readings.edges, readings.good, strict=True)
            ]
        ),
    )
