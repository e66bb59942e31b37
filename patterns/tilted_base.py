"""A user's base tilted on supports, with its lip: planned, then made one body."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from patterns.base_checks import one_body
from patterns.base_contacts import face_grid, filled, rim_rows
from patterns.base_islands import PHASES, Watch, watch_layers
from patterns.base_lip import below_solid, covered_share, foot_of, volumes_mm3
from patterns.base_scaffold import scaffold
from patterns.base_sections import solid
from patterns.base_tilt import (
    joined,
    moved,
    moved_back,
    slope_pose,
    tilt_pose,
    underside_region,
)
from patterns.errors import SpecError
from patterns.pillars import LIFT_MM, RAFT_MM
from patterns.solids import mesh_arrays
from patterns.tilted_part import hull_mm, part_of, turned
from patterns.tilted_spec import (
    Contact,
    Island,
    JoinedBase,
    Lip,
    TiltedBase,
    TiltedSpec,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    import manifold3d
    import shapely
    from numpy.typing import NDArray

    from patterns.base import Base
    from patterns.base_lip import Foot
    from patterns.tilted_part import Part, Turned

__all__ = [
    "Contact",
    "Island",
    "JoinedBase",
    "Lip",
    "TiltedBase",
    "TiltedSpec",
    "join_up",
    "tilt_base",
]

_OUTLINE_MM = 0.02
_DECIMALS = 9  # turned there and back, what lies on the plate does so to that


def tilt_base(
    base: Base,
    spec: TiltedSpec,
    tell: Callable[[str], None] | None = None,
    stands: Turned | None = None,
) -> TiltedBase:
    """Plan a base tilted, with its lip and supports.

    Parameters
    ----------
    base : Base
    spec : TiltedSpec
    tell : callable or None
        Hears what is being done.
    stands : Turned or None
        The base turned to this tilt already.

    Raises
    ------
    SpecError
        No support can reach it.
    """
    say = tell or _silent
    if stands is None or not stands.fits(spec):
        say("turning it ...")
        stands = turned(base, spec)
    foot = foot_of(underside_region(base, spec.front_deg), spec)
    below = below_solid(foot).transform(tilt_pose(spec.tilt_deg))
    floor = RAFT_MM + LIFT_MM if spec.supports else 0.0
    depth = foot.allowance_mm + foot.lip_depth_mm
    part = part_of(stands, below, depth, floor)
    watch = Watch(part=part, spec=spec)
    supports: tuple[manifold3d.Manifold, ...] = ()
    supports_mm3, span = 0.0, np.nan
    if spec.supports:
        span = _place_supports(watch, foot, tilt_pose(spec.tilt_deg, part.lift_mm), say)
        say("building supports ...")
        stand = scaffold(part, watch.supports)
        supports, supports_mm3 = stand.solids, stand.volume_mm3
    plan = _plan_mm(part, supports)
    plate = _on_plate(plan)
    raised = joined(plate, tilt_pose(0.0, part.lift_mm))
    from_base = joined(raised, _still(stands.turn))
    allowance_mm3, lip_mm3 = volumes_mm3(foot)
    return TiltedBase(
        spec=spec,
        added=(below.transform(raised), *(s.transform(plate) for s in supports)),
        pose=from_base,
        contacts=_contacts(watch, plate),
        islands=_islands(watch, plate, from_base),
        lip=_lip(foot, spec, lip_mm3),
        body_mm3=base.volume_mm3 + allowance_mm3,
        lip_mm3=lip_mm3,
        supports_mm3=supports_mm3,
        height_mm=part.heights_mm[1],
        span_mm=span,
        footprint=_footprint(plan @ plate[:2, :2].T + plate[:2, 3]),
    )


def join_up(
    base: Base, tilted: TiltedBase, tell: Callable[[str], None] | None = None
) -> JoinedBase:
    """Make one closed body of a base as it was planned, ready to print.

    Parameters
    ----------
    base : Base
    tilted : TiltedBase
        What :func:`tilt_base` made of it.
    tell : callable or None
        Hears what is being done.

    Raises
    ------
    SpecError
        It is not one closed body.
    """
    from manifold3d import Manifold, OpType

    say = tell or _silent
    say("joining base and supports ...")
    turn, shift = tilted.pose[:, :3], tilted.pose[:, 3]
    back = np.column_stack([turn.T, -turn.T @ shift])
    below = Manifold.batch_boolean(list(tilted.added), OpType.Add)
    below.num_tri()  # joined first, upright: a large base is gone through once
    # in the base's own frame: turned, a large one would be held twice
    whole = solid(base) + below.transform(back)
    vertices, faces = mesh_arrays(one_body(whole, base.name, "tilted"))
    vertices = np.round(moved(vertices, tilted.pose), _DECIMALS) + 0.0
    return JoinedBase(vertices_mm=vertices, faces=faces)


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


def _plan_mm(
    part: Part, supports: tuple[manifold3d.Manifold, ...]
) -> NDArray[np.float64]:
    """Corners of the convex outline of all, seen from above, (n, 2)."""
    small = [body for body in (part.below, *supports) if not body.is_empty()]
    corners = [mesh_arrays(body)[0][:, :2] for body in small]
    return hull_mm(np.vstack([part.turned.plan_mm, *corners]))


def _still(turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pose (3, 4) of a turn (3, 3) alone."""
    return np.column_stack([turn, np.zeros(3)])


def _on_plate(plan_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn the low side towards +y and bring the middle over the origin, (3, 4)."""
    (x0, y0), (x1, y1) = plan_mm.min(axis=0), plan_mm.max(axis=0)
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


def _footprint(plan_mm: NDArray[np.float64]) -> shapely.Polygon:
    """Convex outline of all, seen from above: the raft's is convex, too."""
    import shapely

    hull = shapely.simplify(shapely.Polygon(plan_mm), _OUTLINE_MM)
    return hull.buffer(_OUTLINE_MM, join_style="mitre")


def _silent(_text: str) -> None:
    """Tell nobody."""
