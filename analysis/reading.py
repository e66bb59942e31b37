"""Read every straight edge of a coupon in a photo, in the plane of its plate face."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from analysis.edges import (
    EdgeFits,
    fit_edges,
    group_priors,
    loose_priors,
    picture_blur,
)
from analysis.light import shadow_ratio
from analysis.outline import (
    INNER_MM,
    Edge,
    Outline,
    Sight,
    edge_lines,
    projected_outline,
    sight,
    straight_edges,
)
from analysis.profiles import Lines, Profiles, sample_profiles
from patterns.manifest import Manifest

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.pose import Pose
    from patterns.manifest import Tooth

Floats = NDArray[np.float64]

START_BLUR_PX = 1.0
RAMPS_MM = (0.2, 0.35, 0.6, 1.0, 1.7)
FINE_RAMPS_MM = np.geomspace(0.25, 1.6, 13)
START_RAMP_MM = 0.5
"""Recovery lengths tried; each group of edges takes those that fit it best."""
AIM_MM = 0.08
AGAIN_PX = 4.0
CLEAN_RATIO = 0.12
"""Below this an edge's own step is too weak to be read at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeReadings:
    """All edges of one coupon, (n,) arrays.

    ``place_mm`` outside the printed design outline, in the plane of the plate face;
    ``u_mm`` from noise and misfit alone; ``ratio`` the step just outside and
    ``open_contrast`` the whole difference to the open table, over the brighter level;
    ``good`` False where nothing could be read, ``reason`` says why.
    """

    edges: tuple[Edge, ...]
    seen: Sight
    inset_mm: Floats
    z_mm: Floats
    place_mm: Floats
    u_mm: Floats
    ratio: Floats
    open_contrast: Floats
    misfit: Floats
    blur_px: Floats
    good: NDArray[np.bool_]
    reason: tuple[str | None, ...]

    def chosen(self, *groups: str) -> NDArray[np.intp]:
        """Return the indices of the edges of some groups."""
        return np.array(
            [i for i, e in enumerate(self.edges) if e.group in groups], dtype=np.intp
        )

    def edge_px(self) -> Floats:
        """Where each edge was found (n, 2)."""
        shift = (self.place_mm * self.seen.px_per_mm)[:, None]
        return np.asarray(self.seen.centre_px + shift * self.seen.normal_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What all passes over one coupon's edges share."""

    edges: tuple[Edge, ...]
    seen: Sight
    manifest: Manifest
    inset_mm: Floats
    z_mm: Floats
    roles: NDArray[np.str_]


def read_edges(photo: Photo, manifest: Manifest, pose: Pose) -> EdgeReadings:
    """Read all straight edges.

    Parameters
    ----------
    photo : Photo
    manifest : Manifest
    pose : Pose
        From the holes; good to a few hundredths of a millimetre.

    Returns
    -------
    EdgeReadings

    Notes
    -----
    Three passes: each edge's own blur, then one blur per direction and one recovery
    length per group, then again with the rims of the recessed feet where the first
    passes saw them, the edges of a group lending each other their light.
    """
    edges = straight_edges(manifest)
    seen = sight(edges, pose)
    inset = pose.printed(np.array([e.inset_by_layer_mm for e in edges]))
    z_mm = pose.printed(np.arange(manifest.layers + 1.0) * manifest.layer_mm)
    flat = projected_outline(inset, np.zeros(manifest.layers), z_mm, seen.slope)
    lines = edge_lines(edges, seen, flat)
    profiles = sample_profiles(photo.linear, (photo.width_px, photo.height_px), lines)
    by_name = {tooth.name: tooth for tooth in manifest.teeth}
    job = _Job(
        edges=edges,
        seen=seen,
        manifest=manifest,
        inset_mm=inset,
        z_mm=z_mm,
        roles=np.array([_role(by_name.get(e.owner)) for e in edges]),
    )
    fits = _fit_in_passes(job, lines, profiles)
    terms = fits.terms
    ratio = shadow_ratio(terms[:, 0], terms[:, 2], terms[:, 3])
    far = terms[:, 0] + terms[:, 2] + terms[:, 3]
    brighter = np.maximum(np.maximum(far, terms[:, 0]), 1e-6)
    reason = tuple(
        _reason(bool(found), float(r))
        for found, r in zip(fits.found, ratio, strict=True)
    )
    return EdgeReadings(
        edges=edges,
        seen=seen,
        inset_mm=inset,
        z_mm=z_mm,
        place_mm=flat.place_mm + fits.offset_px / seen.px_per_mm,
        u_mm=fits.u_px / seen.px_per_mm,
        ratio=ratio,
        open_contrast=np.abs(far - terms[:, 0]) / brighter,
        misfit=fits.misfit,
        blur_px=fits.sigma_px,
        good=np.array([r is None for r in reason]),
        reason=reason,
    )


def _reason(found: bool, ratio: float) -> str | None:  # noqa: FBT001
    if not found:
        return "no edge was found where it should be"
    if ratio < CLEAN_RATIO:
        return "the edge lies in shadow or hardly differs from the table"
    return None


def _fit_in_passes(job: _Job, lines: Lines, profiles: Profiles) -> EdgeFits:
    n = len(job.edges)
    groups = np.unique([e.group for e in job.edges], return_inverse=True)[1]
    along_x = np.array([int(abs(e.normal[0]) > abs(e.normal[1])) for e in job.edges])
    first = fit_edges(
        profiles,
        lines,
        sigma_px=np.full(n, START_BLUR_PX),
        ramp_px=START_RAMP_MM * job.seen.px_per_mm,
        priors=loose_priors(n),
        free_blur=True,
    )
    blur = picture_blur(first, along_x)
    second, ramp = _best_ramp(
        job, profiles, lines, blur=blur, groups=groups, first=first
    )
    lines, start = _aim(job, lines, second, groups)
    return fit_edges(
        profiles,
        lines,
        sigma_px=blur,
        ramp_px=ramp,
        priors=group_priors(second, lines, groups),
        start_px=start,
        search_px=AGAIN_PX,
    )


def _best_ramp(
    job: _Job,
    profiles: Profiles,
    lines: Lines,
    *,
    blur: Floats,
    groups: NDArray[np.intp],
    first: EdgeFits,
) -> tuple[EdgeFits, Floats]:
    """Recovery length of each edge, px, and a fit near it.

    The higher a rim over the table, the longer the shadow: each group has one length
    for rims at the plate face and one for the body's, those between in proportion.
    """
    priors = group_priors(first, lines, groups)
    tries = [
        fit_edges(
            profiles,
            lines,
            sigma_px=blur,
            ramp_px=length * job.seen.px_per_mm,
            priors=priors,
            start_px=first.offset_px,
        )
        for length in RAMPS_MM
    ]
    cost = CubicSpline(
        np.log(RAMPS_MM), [np.minimum(t.misfit, 5.0) ** 2 for t in tries]
    )(np.log(FINE_RAMPS_MM))
    height = np.clip(
        1 - _grown(job, first)[0].height_mm / job.manifest.foot_mm, 0.0, 1.0
    )
    ramp_mm = np.empty(len(groups))
    for group in np.unique(groups):
        mine = np.flatnonzero(groups == group)
        ramp_mm[mine] = _group_ramp(cost[:, mine], height[mine])
    nearest = np.argmin(np.abs(np.log(np.asarray(RAMPS_MM)[:, None] / ramp_mm)), axis=0)
    every = np.arange(len(groups))

    def take(name: str) -> Floats:
        return np.asarray(np.stack([getattr(t, name) for t in tries])[nearest, every])

    chosen = EdgeFits(
        offset_px=take("offset_px"),
        u_px=take("u_px"),
        terms=take("terms"),
        sigma_px=blur,
        u_sigma_px=take("u_sigma_px"),
        misfit=take("misfit"),
        found=take("found").astype(bool),
    )
    return chosen, ramp_mm * job.seen.px_per_mm


def _group_ramp(cost: Floats, height: Floats) -> Floats:
    """Best pair of lengths for one group; height (m,) is 0 for body, 1 for foot."""
    every = np.arange(cost.shape[1])
    fine = len(FINE_RAMPS_MM)
    best, pick = np.inf, np.zeros(len(every), dtype=np.intp)
    for body in range(fine):
        for foot in range(body, fine):  # a higher rim has no shorter shadow
            place = np.rint(body + (foot - body) * height).astype(np.intp)
            total = float(cost[place, every].mean())
            if total < best:
                best, pick = total, place
    return np.asarray(FINE_RAMPS_MM[pick])


def _grown(job: _Job, fits: EdgeFits) -> tuple[Outline, Outline, Floats]:
    """Outline by a first look at the flare, that without any, and the edges' roles."""
    flat = projected_outline(
        job.inset_mm, np.zeros(job.manifest.layers), job.z_mm, job.seen.slope
    )
    place = flat.place_mm + fits.offset_px / job.seen.px_per_mm
    ends = np.array([e.kind == "end" for e in job.edges]) & fits.found
    growth = np.zeros(job.manifest.layers)
    body, foot = ends & (job.roles == "body"), ends & (job.roles == "foot")
    if body.any() and foot.any():
        level = np.median((place - flat.place_mm)[body])
        growth[: job.manifest.foot_layers] = max(np.median(place[foot]) - level, 0.0)
    grown = projected_outline(job.inset_mm, growth, job.z_mm, job.seen.slope)
    return grown, flat, place


def _aim(
    job: _Job, lines: Lines, fits: EdgeFits, groups: NDArray[np.intp]
) -> tuple[Lines, Floats]:
    """Aim the lines by a first look at the flare.

    Where a narrow ledge lies inside the edge, its two rims are easily taken for each
    other: those edges are looked for near where the other teeth put them.
    """
    grown, flat, place = _grown(job, fits)
    ppm = job.seen.px_per_mm
    expected = fits.offset_px.copy()
    for group in np.unique(groups):
        mine = groups == group
        plain = mine & (job.roles == "body") & fits.found
        if plain.any():
            shift = grown.place_mm - flat.place_mm
            shift = shift + np.median((place - flat.place_mm)[plain])
            expected[mine] = (shift * ppm)[mine]
    ledge = (job.roles == "ladder") & (grown.rim_mm < INNER_MM + AIM_MM)
    near = AIM_MM * ppm
    aimed = replace(
        lines,
        rim_px=grown.rim_mm * ppm,
        lowest_px=np.where(ledge, expected - near, lines.lowest_px),
        highest_px=np.where(ledge, expected + near, lines.highest_px),
    )
    return aimed, np.where(ledge, expected, fits.offset_px)


def _role(tooth: Tooth | None) -> str:
    if tooth is None or tooth.role == "start":
        return "foot" if tooth is not None and tooth.start_layer == 0 else "other"
    if tooth.role == "reference":
        return "body"
    return "foot" if tooth.inset_mm == 0 else "ladder"
