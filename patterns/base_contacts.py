"""Where supports touch a tilted base: rows along what comes first, and its underside.

Edges of the underside and of the lip that lead, going up, would each begin in mid air:
the low rim, the uphill edge of a recess.  A row of contacts goes along each, spaced as
on the rim coupon; the rest of the underside, roofs of recesses included, gets the
coupon's rows across, and more where a gap is left.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from patterns.base_supports import from_raft, seen_from_below
from patterns.base_tilt import moved, parts, rings_of, tilt_pose

if TYPE_CHECKING:
    from collections.abc import Iterator

    import shapely
    from numpy.typing import NDArray

    from patterns.base_lip import Foot
    from patterns.base_supports import Support
    from patterns.tilted_part import Hit, Part
    from patterns.tilted_spec import TiltedSpec

FACE_CLEAR_MM = 2.0  # beside the lip and the rows: pillars pass them at any tilt
DOWN = math.cos(math.radians(45.0))  # what looks down flatter is underside or roof
SAMPLE_MM = 0.5
_STEP_MM = 0.1
_SMOOTH_MM = 0.02  # an outline's points within this of a line are noise
_SHORT = 0.3  # a stretch shorter than this share of the spacing gets one contact


def rim_rows(
    part: Part, foot: Foot, pose: NDArray[np.float64], spec: TiltedSpec
) -> list[Support]:
    """Supports along all leading edges, the lowest of each first.

    Parameters
    ----------
    part : Part
        The base with its lip.
    foot : Foot
    pose : (3, 4) array
        From the slope frame to the print frame.
    spec : TiltedSpec
    """
    import shapely

    edges: list[NDArray[np.float64]] = []
    rim = shapely.union_all([p.boundary for p in parts(foot.region)])
    under_lip = foot.lip.buffer(_SMOOTH_MM)
    for ring in _rings(foot.region):
        row = _row(ring, spec)
        lipped = shapely.contains_xy(under_lip, *row[:, :2].T)
        depth = np.where(lipped, foot.depth_mm(row[:, 0]), 0.0)
        edges.append(np.column_stack([row, -foot.allowance_mm - depth]))
    for ring in _rings(foot.lip):
        row = _row(ring, spec)
        inner = shapely.distance(rim, shapely.points(row[:, :2])) > 2 * _SMOOTH_MM
        depth = foot.depth_mm(row[inner, 0])
        edges.append(np.column_stack([row[inner], -foot.allowance_mm - depth]))
    return list(_row_supports(part, np.vstack(edges), pose, spec))


def face_grid(
    part: Part,
    foot: Foot,
    pose: NDArray[np.float64],
    spec: TiltedSpec,
    rows: list[Support],
) -> list[Support]:
    """Supports in rows across the underside, clear of lip and rim rows.

    Parameters are those of :func:`rim_rows`; ``rows`` is what it gave.
    """
    import shapely

    left, low, right, high = foot.outline.bounds
    gap = spec.face_spacing_mm
    across = np.arange(low + gap / 4, high, gap)
    points = np.array(
        [
            (x, y + gap / 2 * (count % 2))
            for count, x in enumerate(np.arange(left + gap / 3, right, gap))
            for y in across
        ]
    )
    inside = shapely.contains_xy(foot.outline, *points.T)
    clear = shapely.distance(foot.lip, shapely.points(points)) > FACE_CLEAR_MM
    points = points[inside & (clear | foot.lip.is_empty)]
    level = _at_underside(points, foot, pose)
    free = _gaps_mm(level[:, :2], rows) > FACE_CLEAR_MM
    hits = (seen_from_below(part, x, y) for x, y, _ in level[free])
    made = (_face_support(part, hit, spec) for hit in hits if hit is not None)
    return [support for support in made if support is not None]


def filled(
    part: Part,
    foot: Foot,
    pose: NDArray[np.float64],
    spec: TiltedSpec,
    supports: list[Support],
) -> tuple[list[Support], float]:
    """Add supports where a gap is wider than the limit, as far as they can get there.

    Returns
    -------
    list of Support
        Those given and those added.
    float
        Largest gap left: twice the level distance from the farthest point of the
        underside and roofs that is seen from below to its nearest contact, mm.
    """
    level = _underside_seen(part, foot, pose, spec.tilt_deg)
    gaps = _gaps_mm(level, supports)
    together = list(supports)
    tried = np.zeros(len(level), bool)
    while True:
        left = np.where(tried, 0.0, gaps)
        worst = int(left.argmax())
        if 2 * left[worst] <= spec.span_limit_mm:
            return together, float(2 * gaps.max())
        tried[worst] = True
        hit = seen_from_below(part, *level[worst])
        support = None if hit is None else _face_support(part, hit, spec)
        if support is not None:
            together.append(support)
            apart = np.hypot(*(level - support.touch_mm[:2]).T)
            gaps = np.minimum(gaps, apart)


def _face_support(part: Part, hit: Hit, spec: TiltedSpec) -> Support | None:
    """Support under a point of underside or roof; None on a wall, or out of reach."""
    if not _looks_down(hit, spec.tilt_deg):
        return None
    return from_raft(part, hit.point_mm, hit.normal, spec.contact_mm, "underside")


def _looks_down(hit: Hit, tilt_deg: float) -> bool:
    """Whether a face looks down when the base stands as it will be used."""
    upright = tilt_pose(tilt_deg)[:, 2]
    return bool(hit.normal @ upright < -DOWN)


def _underside_seen(
    part: Part, foot: Foot, pose: NDArray[np.float64], tilt_deg: float
) -> NDArray[np.float64]:
    """Places (n, 2) of a grid at which underside or roof is seen from the plate.

    Nothing is below the underside but the lip, so only what is near the lip, or in a
    recess, is looked at from below.
    """
    import shapely

    left, low, right, high = foot.outline.bounds
    x, y = np.meshgrid(
        np.arange(left, right, SAMPLE_MM), np.arange(low, high, SAMPLE_MM)
    )
    points = np.column_stack([x.ravel(), y.ravel()])
    points = points[shapely.contains_xy(foot.outline, *points.T)]
    level = _at_underside(points, foot, pose)[:, :2]
    reach = foot.lip_depth_mm * math.tan(math.radians(tilt_deg)) + SAMPLE_MM
    shaded = foot.lip.buffer(reach)
    seen = shapely.contains_xy(foot.region, *points.T)
    seen &= ~shapely.contains_xy(shaded, *points.T)
    for place in np.flatnonzero(~seen):
        hit = seen_from_below(part, *level[place])
        seen[place] = hit is not None and _looks_down(hit, tilt_deg)
    return np.asarray(level[seen])


def _at_underside(
    points: NDArray[np.float64], foot: Foot, pose: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Places (n, 2) on the underside as printed, in the print frame, (n, 3)."""
    low = np.full(len(points), -foot.allowance_mm)
    return moved(np.column_stack([points, low]), pose)


def _gaps_mm(
    level_mm: NDArray[np.float64], supports: list[Support]
) -> NDArray[np.float64]:
    """Level distance of points (n, 2) from the nearest contact, (n,)."""
    from scipy.spatial import cKDTree

    if not supports:
        return np.full(len(level_mm), np.inf)
    contacts = np.array([s.touch_mm[:2] for s in supports])
    return np.asarray(cKDTree(contacts).query(level_mm)[0])


def _row_supports(
    part: Part,
    edges: NDArray[np.float64],
    pose: NDArray[np.float64],
    spec: TiltedSpec,
) -> Iterator[Support]:
    """Supports at x, y, outward x, outward y, z, but for those too near another."""
    taken = np.empty((0, 3))
    order = np.argsort(-edges[:, 0], kind="stable")  # lowest first
    for x, y, out_x, out_y, z in edges[order]:
        (touch,) = moved(np.array([(x, y, z)]), pose)
        apart = np.linalg.norm(taken - touch, axis=1)
        if apart.min(initial=np.inf) < spec.rim_spacing_mm / 2:
            continue
        outward = pose[:, :3] @ (out_x, out_y, -1.0)
        support = from_raft(part, touch, outward, spec.contact_mm, "rim")
        if support is not None:
            taken = np.vstack([taken, touch])
            yield support


def _rings(region: shapely.Geometry) -> Iterator[NDArray[np.float64]]:
    """All rings of a region, material on the left."""
    import shapely

    for polygon in parts(shapely.simplify(region, _SMOOTH_MM)):
        yield from rings_of(polygon)


def _row(ring: NDArray[np.float64], spec: TiltedSpec) -> NDArray[np.float64]:
    """Places along a ring's leading edges: x, y and the way out, (n, 4).

    The wanted spacing where the edge faces downhill, half as much again at the end of
    the row; a place at both ends of each stretch and at each of its lowest points.
    """
    ends = np.roll(ring, -1, axis=0)
    counts = np.maximum(1, np.ceil(np.hypot(*(ends - ring).T) / _STEP_MM)).astype(int)
    which = np.repeat(np.arange(len(ring)), counts)
    share = (np.arange(len(which)) - np.repeat(counts.cumsum() - counts, counts)) / (
        np.repeat(counts, counts)
    )
    points = ring[which] + share[:, None] * (ends - ring)[which]
    along = np.roll(points, -1, axis=0) - points
    length = np.hypot(*along.T)
    out = np.column_stack([along[:, 1], -along[:, 0]]) / length[:, None]
    off = np.degrees(np.arccos(np.clip(out[:, 0], -1.0, 1.0)))
    leads = off <= spec.rim_row_deg
    weight = length / (spec.rim_spacing_mm * (1 + off / (2 * spec.rim_row_deg)))
    rows = [
        _spread(points, out, weight, stretch)
        for stretch in _stretches(leads, points[:, 0])
    ]
    return np.vstack([np.empty((0, 4)), *rows])


def _spread(
    points: NDArray[np.float64],
    out: NDArray[np.float64],
    weight: NDArray[np.float64],
    stretch: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Places along one stretch of a ring, given by the numbers of its pieces."""
    corners = np.append(stretch, (stretch[-1] + 1) % len(points))
    if weight[stretch].sum() < _SHORT:
        lowest = corners[points[corners, 0].argmax()]
        return np.concatenate([points[lowest], out[stretch[0]]])[None]
    total = np.concatenate([[0.0], weight[stretch].cumsum()])
    wanted = np.linspace(0.0, total[-1], math.ceil(total[-1]) + 1)
    at = np.interp(wanted, total, np.arange(len(total)))
    piece = np.minimum(at.astype(int), len(stretch) - 1)
    rest = (at - piece)[:, None]
    first, last = points[corners[piece]], points[corners[piece + 1]]
    return np.column_stack([first + rest * (last - first), out[stretch[piece]]])


def _stretches(
    leads: NDArray[np.bool_], x_mm: NDArray[np.float64]
) -> Iterator[NDArray[np.int64]]:
    """Find runs of leading pieces of a closed ring, split where a lowest point is."""
    count = len(leads)
    begins = np.flatnonzero(leads & ~np.roll(leads, 1))
    for begin in begins:
        run = (begin + np.arange(count)) % count
        run = run[: np.flatnonzero(~leads[run])[0]]
        x = x_mm[run]
        low = np.flatnonzero((x[1:-1] > x[:-2]) & (x[1:-1] >= x[2:])) + 1
        yield from (part for part in np.split(run, low) if len(part))
