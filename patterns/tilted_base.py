"""A user's base tilted on supports, with its lip: one body, ready to print."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from patterns.base_checks import one_body
from patterns.base_contacts import face_grid, filled, rim_rows
from patterns.base_islands import PHASES, Watch, watch_layers
from patterns.base_lip import allowance_solid, covered_share, foot_of, lip_solid
from patterns.base_supports import supports_solid
from patterns.base_tilt import (
    joined,
    moved,
    moved_back,
    slope_pose,
    slope_solid,
    tilt_pose,
    underside_region,
)
from patterns.errors import SpecError
from patterns.pillars import LIFT_MM, RAFT_MM
from patterns.solids import mesh_arrays
from patterns.tilted_spec import Contact, Island, Lip, TiltedBase, TiltedSpec

if TYPE_CHECKING:
    from collections.abc import Callable

    import manifold3d
    import shapely
    from numpy.typing import NDArray

    from patterns.base import Base
    from patterns.base_lip import Foot

__all__ = ["Contact", "Island", "Lip", "TiltedBase", "TiltedSpec", "tilt_base"]

_TURN_DEG = 90.0  # the tilt runs along the plate's y, as the rim coupon's
_OUTLINE_MM = 0.02


def tilt_base(
    base: Base, spec: TiltedSpec, tell: Callable[[str], None] | None = None
) -> TiltedBase:
    """Tilt a base, with its lip and supports.

    Parameters
    ----------
    base : Base
    spec : TiltedSpec
    tell : callable or None
        Hears what is being done.

    Raises
    ------
    SpecError
        It is not one closed body, or no support can reach it.
    """
    say = tell or _silent
    say("adding the lip ...")
    body = slope_solid(base, spec)
    foot = foot_of(underside_region(body, base.flatness_mm), spec)
    body += allowance_solid(foot)
    lipped = body + lip_solid(foot)
    low = lipped.transform(tilt_pose(spec.tilt_deg)).bounding_box()[2]
    pose = tilt_pose(spec.tilt_deg, (RAFT_MM + LIFT_MM if spec.supports else 0.0) - low)
    watch = Watch(part=lipped.transform(pose), spec=spec)
    span = np.nan
    whole, supports_mm3 = watch.part, 0.0
    if spec.supports:
        span = _place_supports(watch, foot, pose, say)
        say("joining base and supports ...")
        whole += supports_solid(watch.part, watch.supports)
        supports_mm3 = float(whole.volume() - watch.part.volume())
    whole = one_body(whole, base.name, "tilted")
    plate = _on_plate(whole)
    whole = whole.transform(plate)
    vertices, faces = mesh_arrays(whole)
    lip_mm3 = float(lipped.volume() - body.volume())
    from_base = joined(plate, joined(pose, slope_pose(spec.front_deg)))
    return TiltedBase(
        spec=spec,
        vertices_mm=vertices,
        faces=faces,
        pose=from_base,
        contacts=_contacts(watch, plate),
        islands=_islands(watch, plate, from_base),
        lip=_lip(foot, spec, lip_mm3),
        body_mm3=float(body.volume()),
        lip_mm3=lip_mm3,
        supports_mm3=supports_mm3,
        height_mm=float(whole.bounding_box()[5]),
        span_mm=span,
        footprint=_footprint(vertices),
    )


def _place_supports(
    watch: Watch, foot: Foot, pose: NDArray[np.float64], say: Callable[[str], None]
) -> float:
    """Find all supports; return the largest gap left between those under the base."""
    say("placing supports ...")
    part, spec = watch.part, watch.spec
    rows = rim_rows(part, foot, pose, spec)
    face = face_grid(part, foot, pose, spec, rows)
    supports, span = filled(part, foot, pose, spec, [*rows, *face])
    watch.add(supports)
    if not watch.supports:
        raise SpecError(
            "No support can reach the underside.", "Choose another side as the front."
        )
    for count, phase in enumerate(PHASES, start=1):
        what = f"looking for islands, pass {count} of {len(PHASES)}"
        watch_layers(watch, phase, _shares(what, say))
    return span


def _shares(what: str, say: Callable[[str], None]) -> Callable[[float], None]:
    """Give what hears the share of a work that is done."""
    return lambda share: say(f"{what}, {100 * share:.0f} % ...")


def _on_plate(whole: manifold3d.Manifold) -> NDArray[np.float64]:
    """Turn the low side towards +y and bring the middle over the origin, (3, 4)."""
    x0, y0, _, x1, y1, _ = whole.bounding_box()
    return np.array(
        [[0, -1, 0, (y0 + y1) / 2], [1, 0, 0, -(x0 + x1) / 2], [0, 0, 1, 0]], np.float64
    )


def _contacts(watch: Watch, plate: NDArray[np.float64]) -> tuple[Contact, ...]:
    contacts = []
    for support in watch.supports:
        ((x, y, z),) = moved(support.touch_mm[None], plate).tolist()
        contacts.append(
            Contact(
                x_mm=x,
                y_mm=y,
                z_mm=z,
                place=support.place,
                footing=support.footing,
            )
        )
    return tuple(contacts)


def _islands(
    watch: Watch, plate: NDArray[np.float64], from_base: NDArray[np.float64]
) -> tuple[Island, ...]:
    islands = []
    for found in watch.found:
        printed = moved(found.point_mm[None], plate)
        ((x, y, z),) = moved_back(printed, from_base).tolist()
        islands.append(
            Island(
                kind=found.kind,
                x_mm=x,
                y_mm=y,
                z_mm=z,
                height_mm=float(printed[0, 2]),
                area_mm2=found.area_mm2,
                footing=found.footing,
            )
        )
    return tuple(islands)


def _lip(foot: Foot, spec: TiltedSpec, volume_mm3: float) -> Lip | None:
    import shapely

    if not spec.lip_depth_mm:
        return None
    back = slope_pose(spec.front_deg)[:2, :2]
    return Lip(
        plan=shapely.transform(foot.lip, lambda points: points @ back),
        depth_mm=spec.lip_depth_mm,
        width_mm=spec.lip_width_mm,
        covered_share=covered_share(foot),
        volume_mm3=volume_mm3,
    )


def _footprint(vertices_mm: NDArray[np.float64]) -> shapely.Polygon:
    """Convex outline of all, seen from above: the raft's is convex, too."""
    import shapely

    hull = shapely.convex_hull(shapely.multipoints(vertices_mm[:, :2]))
    return shapely.simplify(hull, _OUTLINE_MM).buffer(_OUTLINE_MM, join_style="mitre")


def _silent(_text: str) -> None:
    """Tell nobody."""
