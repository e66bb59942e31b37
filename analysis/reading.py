"""Read every straight edge of a coupon in a photo, in the plane of its plate face."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.edges import (
    EdgeFits,
    Lines,
    Priors,
    Profiles,
    fit_edges,
    group_priors,
    loose_priors,
    picture_blur,
    sample_profiles,
)
from analysis.light import shadow_ratio
from analysis.outline import (
    INNER_MM,
    Edge,
    Sight,
    edge_lines,
    projected_outline,
    sight,
    straight_edges,
)

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.pose import Pose
    from patterns.manifest import Manifest, Tooth

Floats = NDArray[np.float64]

START_BLUR_PX = 1.0
RAMPS_MM = (0.2, 0.35, 0.6, 1.0)
"""Recovery lengths tried; each group of edges takes the one that fits it best."""
AIM_MM = 0.08
CLEAN_RATIO = 0.12
"""Below this an edge's own step is too weak to be read at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeReadings:
    """All edges of one coupon, (n,) arrays.

    ``place_mm`` outside the printed design outline, in the plane of the plate face;
    ``u_mm`` from noise and misfit alone; ``ratio`` the step just outside and
    ``open_contrast`` the whole difference to the open table, over the brighter level; ``good`` False where nothing could be read, ``reason`` says why.
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
        """Indices of the edges of some groups."""
        return np.array(
            [i for i, e in enumerate(self.edges) if e.group in groups], dtype=np.intp
        )

    def edge_px(self) -> Floats:
        """Where each edge was found (n, 2)."""
        shift = (self.place_mm * self.seen.px_per_mm)[:, None]
        return np.asarray(self.seen.centre_px + shift * self.seen.normal_px)


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
    z_mm = pose.printed(np.arange(manifest.layers + 1) * manifest.layer_mm)
    flat = projected_outline(inset, np.zeros(manifest.layers), z_mm, seen.slope)
    lines = edge_lines(edges, seen, flat)
    profiles = sample_profiles(photo.linear, (photo.width_px, photo.height_px), lines)
    fits = _fit_in_passes(edges, seen, lines, profiles, manifest, inset, z_mm)
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


def _fit_in_passes(
    edges: tuple[Edge, ...],
    seen: Sight,
    lines: Lines,
    profiles: Profiles,
    manifest: Manifest,
    inset_mm: Floats,
    z_mm: Floats,
) -> EdgeFits:
    n = len(edges)
    groups = np.unique([e.group for e in edges], return_inverse=True)[1]
    along_x = np.array([int(abs(e.normal[0]) > abs(e.normal[1])) for e in edges])
    ramp = RAMPS_MM[1] * seen.px_per_mm
    first = fit_edges(
        profiles,
        lines,
        sigma_px=np.full(n, START_BLUR_PX),
        ramp_px=ramp,
        priors=loose_priors(n),
        free_blur=True,
    )
    blur = picture_blur(first, along_x)
    priors = group_priors(first, lines, groups)
    second, ramp = _best_ramp(profiles, lines, blur, seen, priors, groups, first)
    lines, start = _aim(edges, seen, lines, manifest, inset_mm, z_mm, second, groups)
    return fit_edges(
        profiles,
        lines,
        sigma_px=blur,
        ramp_px=ramp,
        priors=group_priors(second, lines, groups),
        start_px=start,
    )


def _best_ramp(
    profiles: Profiles,
    lines: Lines,
    blur: Floats,
    seen: Sight,
    priors: Priors,
    groups: NDArray[np.intp],
    first: EdgeFits,
) -> tuple[EdgeFits, Floats]:
    tries = [
        fit_edges(
            profiles,
            lines,
            sigma_px=blur,
            ramp_px=length * seen.px_per_mm,
            priors=priors,
            start_px=first.offset_px,
        )
        for length in RAMPS_MM
    ]
    cost = np.array([np.minimum(t.misfit, 5.0) ** 2 for t in tries])
    by_group = np.array(
        [cost[:, groups == g].mean(axis=1) for g in range(groups.max() + 1)]
    )
    pick = np.argmin(by_group, axis=1)[groups]
    every = np.arange(len(groups))

    def take(name: str) -> Floats:
        return np.asarray(np.stack([getattr(t, name) for t in tries])[pick, every])

    chosen = EdgeFits(
        offset_px=take("offset_px"),
        u_px=take("u_px"),
        terms=take("terms"),
        sigma_px=blur,
        u_sigma_px=take("u_sigma_px"),
        misfit=take("misfit"),
        found=take("found").astype(bool),
    )
    return chosen, np.asarray(RAMPS_MM)[pick] * seen.px_per_mm


def _aim(
    edges: tuple[Edge, ...],
    seen: Sight,
    lines: Lines,
    manifest: Manifest,
    inset_mm: Floats,
    z_mm: Floats,
    fits: EdgeFits,
    groups: NDArray[np.intp],
) -> tuple[Lines, Floats]:
    """Aim the lines by a first look at the flare.

    Where a narrow ledge lies inside the edge, its two rims are easily taken for each
    other: those edges are looked for near where the other teeth put them.
    """
    flat = projected_outline(inset_mm, np.zeros(manifest.layers), z_mm, seen.slope)
    place = flat.place_mm + fits.offset_px / seen.px_per_mm
    by_name = {tooth.name: tooth for tooth in manifest.teeth}
    roles = np.array([_role(by_name.get(e.owner)) for e in edges])
    ends = np.array([e.kind == "end" for e in edges]) & fits.found
    body = place - flat.place_mm
    growth = np.zeros(manifest.layers)
    if (ends & (roles == "foot")).any() and (ends & (roles == "body")).any():
        level = np.median(body[ends & (roles == "body")])
        foot = np.median(place[ends & (roles == "foot")])
        growth[: manifest.foot_layers] = max(foot - level, 0.0)
    grown = projected_outline(inset_mm, growth, z_mm, seen.slope)
    expected = fits.offset_px.copy()
    for group in np.unique(groups):
        plain = (groups == group) & (roles == "body") & fits.found
        if plain.any():
            mine = groups == group
            shift = grown.place_mm - flat.place_mm + np.median(body[plain])
            expected[mine] = (shift * seen.px_per_mm)[mine]
    ledge = (roles == "ladder") & (grown.rim_mm < INNER_MM + AIM_MM)
    near = AIM_MM * seen.px_per_mm
    aimed = replace(
        lines,
        rim_px=grown.rim_mm * seen.px_per_mm,
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
