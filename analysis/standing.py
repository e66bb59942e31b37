"""Tiles on the edge stand: which stand there, and how round their edges are.

Profile photos say nothing else of a tile; what is seen in plan is merged elsewhere.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.edge_profile import fit_edge
from analysis.feet_code import read_feet
from analysis.hub import find_hub
from analysis.hub_blur import hub_blur
from analysis.profile_annotate import profile_drawing
from analysis.profile_patch import Optics
from analysis.profile_shape import Standing
from analysis.refusals import refuse
from analysis.result import Component, Measurement, Quantity, Refusal, Scale
from analysis.rim_result import RimDrawing, RimMeasurement

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.edge_profile import EdgeFit
    from analysis.hub import Hub
    from analysis.photo import Photo
    from analysis.rim_result import ProfileDrawing
    from patterns.rim_manifest import Bay, RimManifest, RimTile

MOST_OFF_PLANE_DEG = 5.0
MOST_FIT_U_MM = 0.06
LEAST_EXPLAINED = 0.5
"""Share of the light's changes that a silhouette explains; an empty bay has less."""

LEAST_CLEAR = 0.35
"""Below this share the edge hardly stands out."""

POSE_SHARE = 0.5
"""How much of R a^2, which an angle a off the plane adds, may be left by the fit."""

MODEL_MM, MODEL_SHARE = 0.020, 0.06
LIGHT_MM = 0.010
HIDDEN_MM, HIDDEN_FROM_DEG = 0.020, -0.3
"""Where the camera looks past the face from behind, the rim's upper half bounds it:
nearer, lit from above, less sharp."""

TOLD_CHI2 = 25.0
"""A sharp edge must fit worse by this before an edge is called round (5 sigma)."""

TOLD_APART = 3.0
"""A sharp edge reads as up to 0.07 mm: from some 0.09 mm on there is a value."""

UPPER_95 = 1.645
EDGE = "edge_radius_mm"
NOT_IN_PROFILE = "It shows only in a photo of the tile lying bottom up."
METHOD = (
    "silhouette along the rim's tangent, arc tangent to bottom face and wall; external "
    "edge of undefined shape by ISO 13715: - (material removed, undercut); a burr, +, "
    "would hide behind the face and is not claimed"
)
HIDDEN = (
    "The profile is an envelope along the rim: it does not show chips or a burr that "
    "stands on the face."
)
_PLAN = (
    "radius_mm",
    "form_mm",
    "sag_mm",
    "cos2phi_mm",
    "roughness_sigma_mm",
    "edge_spread_mm",
    "back_straightness_mm",
    "part_scale",
    "chips",
)


def measure_profiles(
    photo: Photo, manifests: Sequence[RimManifest]
) -> Measurement | Refusal:
    """Measure the edges of all tiles on the edge stand.

    Parameters
    ----------
    photo : Photo
        From above the stand, focused on its top.
    manifests : sequence of RimManifest
        Sets that the tiles may be of, at least one; all of one layout.

    Returns
    -------
    Measurement or Refusal
        Its tiles have ``edge_radius`` only and no ``arc``; bays that can't be read are
        named in the warnings.  Refusals are those of :func:`analysis.hub.find_hub`,
        `no_tiles`, or that of the only tile there.

    Raises
    ------
    ValueError
        No manifests.
    """
    if not manifests:
        raise ValueError("measure_profiles wants at least one manifest")
    hub = find_hub(photo, manifests[0].stand)
    if isinstance(hub, Refusal):
        return hub
    blur = hub_blur(photo, hub)
    optics = (
        Optics(blur_px=hub.blur_px)
        if blur is None
        else Optics(blur_px=blur.sigma_px, sharpen=blur.sharpen)
    )
    tiles: list[RimMeasurement] = []
    faults: list[Refusal] = []
    drawings: list[ProfileDrawing] = []
    for bay in hub.stand.bays:
        read = _bay(photo, hub, bay, optics, manifests)
        if isinstance(read, Refusal):
            faults.append(read)
        elif read is not None:
            tile, standing = read
            tiles.append(tile)
            drawings.append(profile_drawing(photo, hub, standing, tile))
    tiles, twice = _without_twins(tiles)
    faults += twice
    if not tiles:
        return faults[0] if faults else refuse("no_tiles")
    words = [f"{fault.message} {fault.remedy}" for fault in faults]
    if blur is not None and not blur.agrees:
        words.append(
            "By their modulation transfer (ISO 12233) the hub's edges are "
            f"{abs(blur.transfer_ratio - 1):.0%} off a plain blur: the picture is "
            "smeared or worked over, and small radii are less sure."
        )
    return Measurement(
        photo=photo.path,
        scale=Scale(
            px_per_mm=hub.px_per_mm / photo.reduced,
            u_px_per_mm=hub.px_per_mm * hub.u_scale_ratio / photo.reduced,
            graduation_mm=None,
            source="coupon",
        ),
        coupons=tuple(tiles),
        warnings=tuple(words),
        rim_drawing=RimDrawing(
            tiles=(),
            marks_px=np.zeros((0, 2)),
            marks_kept=np.zeros(0, dtype=np.bool_),
            profiles=tuple(drawings),
        ),
    )


def _bay(
    photo: Photo,
    hub: Hub,
    bay: Bay,
    optics: Optics,
    manifests: Sequence[RimManifest],
) -> tuple[RimMeasurement, Standing] | Refusal | None:
    """Read one bay, and how its tile stands; None if it is empty."""
    start = Standing(tile=manifests[0].tiles[0], bay=bay)
    fit = fit_edge(photo, hub, start, optics)
    if fit is None:
        return refuse("bay_unread", bay=bay.name, why="it is not wholly in the photo")
    tiles = [tile for manifest in manifests for tile in manifest.tiles]
    indices = {tile.index for tile in tiles}
    index = read_feet(photo, hub, replace(fit.standing, radius_mm=0.0), indices)
    if isinstance(index, str):
        if fit.explained < LEAST_EXPLAINED:
            return None
        return refuse("bay_unread", bay=bay.name, why=index)
    fitting = [tile for tile in tiles if tile.index == index]
    if len(fitting) != 1:
        why = (
            f"its number {index} is in more than one known set, so its set must be "
            "named with --manifest"
        )
        return refuse("bay_unread", bay=bay.name, why=why)
    return _measured(photo, hub, fitting[0], fit), fit.standing


def _measured(photo: Photo, hub: Hub, tile: RimTile, fit: EdgeFit) -> RimMeasurement:
    bare = RimMeasurement(
        coupon_id=tile.coupon_id,
        kind="rim",
        photos=(photo.path,),
        tilt_deg=tile.tilt_deg,
        lipped=tile.lipped,
        part_scale=None,
        u_part_scale=None,
        values={},
        upper_mm={},
        chips=(),
        stubs=(),
        chip_limit_mm=None,
        reasons=dict.fromkeys(_PLAN, NOT_IN_PROFILE),
    )
    reason = _why_not(fit)
    if reason is not None:
        return replace(bare, reasons={**bare.reasons, EDGE: reason})
    bare = replace(bare, warnings=(HIDDEN,))
    radius = _radius(fit, hub.u_scale_ratio)
    told = fit.sharp_chi2 > TOLD_CHI2
    if not told or radius.value_mm < TOLD_APART * radius.u_mm:
        upper = radius.value_mm + UPPER_95 * radius.u_mm
        return replace(bare, upper_mm={"edge_radius": upper})
    return replace(bare, values={"edge_radius": radius})


def _why_not(fit: EdgeFit) -> str | None:
    off = abs(float(np.rad2deg(fit.off_plane_rad)))
    if off > MOST_OFF_PLANE_DEG:
        return (
            f"The camera looks {off:.1f} degrees past the bottom face, more than "
            f"{MOST_OFF_PLANE_DEG:.0f}: hold it above the middle of the hub."
        )
    if not fit.u_mm < MOST_FIT_U_MM or fit.explained < LEAST_CLEAR:
        return (
            "The edge hardly stands out from what lies behind it: put a table of "
            "another brightness under the stand."
        )
    return None


def _radius(fit: EdgeFit, u_scale_ratio: float) -> Quantity:
    value = fit.standing.radius_mm
    off_mm = fit.standing.tile.radius_mm * fit.off_plane_rad**2
    hidden = np.rad2deg(fit.off_plane_rad) < HIDDEN_FROM_DEG
    budget = (
        Component(name="edge noise", u_mm=fit.u_mm),
        Component(name="pose", u_mm=POSE_SHARE * off_mm),
        Component(name="light", u_mm=HIDDEN_MM if hidden else LIGHT_MM),
        Component(name="model", u_mm=float(np.hypot(MODEL_MM, MODEL_SHARE * value))),
        Component(name="ruler", u_mm=u_scale_ratio * value),
    )
    u = float(np.sqrt(sum(part.u_mm**2 for part in budget)))
    return Quantity(value_mm=value, u_mm=u, method=METHOD, budget=budget)


def _without_twins(
    tiles: list[RimMeasurement],
) -> tuple[list[RimMeasurement], list[Refusal]]:
    count = Counter(tile.coupon_id for tile in tiles)
    once = [tile for tile in tiles if count[tile.coupon_id] == 1]
    twice = [refuse("tile_twice", coupon_id=name) for name, n in count.items() if n > 1]
    return once, twice
