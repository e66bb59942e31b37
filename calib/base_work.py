"""From a base and what is known of its bottle to what is printed: planned, compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import shapely

from calib.base_flat import plan_flat
from calib.base_rule import plan_by_rule
from calib.flat_plan import FlatPlan
from calib.way_compare import compare
from calib.way_made import Made, tilt_or_why, tilted_spec
from calib.ways import WAY_WORDS, Comparison, WayName
from patterns.base import Base
from patterns.base_sections import solid
from patterns.base_stack import stand
from patterns.errors import RecordError, RimgaugeError
from patterns.export import Mesh
from patterns.tilted_base import join_up
from patterns.tilted_part import turned
from patterns.tilted_spec import TiltedBase, TiltedSpec

if TYPE_CHECKING:
    from collections.abc import Callable

    from calib.advised import Advised
    from calib.way_setup import Setup

    Tell = Callable[[str], None]

_OUTLINE_MM = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the user asks for beyond the advice; None: as advised.

    ``front_deg``, ``supports`` as for :class:`patterns.tilted_spec.TiltedSpec`.
    ``guess_inset_mm``: inset of the bottom layers by rule, where nothing is measured.
    """

    layer_mm: float
    tilt_deg: float | None = None
    lip_depth_mm: float | None = None
    front_deg: float = -90.0
    supports: bool = True
    guess_inset_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A base, as each way would be written, and the ways compared."""

    base: Base
    made: Made
    comparison: Comparison


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """A base ready to print one way, standing on z = 0.

    ``outline``: what it takes up on the plate.  ``plan`` or ``tilted``: how it was
    made.
    """

    way: WayName
    mesh: Mesh
    outline: shapely.Polygon
    plan: FlatPlan | None = None
    tilted: TiltedBase | None = None

    @property
    def guess(self) -> bool:
        """Whether its insets are by rule."""
        return self.plan is not None and self.plan.guess


def compare_ways(
    base: Base, advised: Advised | None, setup: Setup, wish: Wish, tell: Tell
) -> Compared:
    """Plan all three ways to print a base, and compare them.

    Parameters
    ----------
    base : Base
    advised : Advised or None
        What the bottle's measurements advise.
    setup : Setup
        Printer, exposures and motion.
    wish : Wish
    tell : callable
        Hears what is being done.

    Raises
    ------
    RimgaugeError
        A wish that can't be met.
    """
    flat = _flat_or_why(base, advised, setup, wish, _told(tell, base, "flat"))
    made = Made(flat=flat, **_both_tilted(base, advised, wish, tell))
    tell(f"{base.name}: comparing the ways ...")
    return Compared(
        base=base, made=made, comparison=compare(base, made, advised, setup)
    )


def chosen_way(compared: Compared, asked: WayName | None) -> WayName:
    """Take the way asked for, or the recommended one.

    Raises
    ------
    RecordError
        Nothing tells which, or the base can't be printed that way.
    """
    told = compared.comparison.recommendation
    way = asked or told.way
    if way is None:
        raise RecordError(
            f"{compared.base.name}: {told.reason}",
            "Measure first, or say with --way how it is to be written.",
        )
    refused = compared.comparison.way(way).refused
    if refused:
        raise RecordError(
            f"{compared.base.name}, {WAY_WORDS[way]}: {refused}",
            "Leave --out away to compare the ways, or name another with --way.",
        )
    if way == "flat" and not isinstance(compared.made.flat, FlatPlan):
        raise RecordError(
            f"{compared.base.name} can't be written flat: no flare coupon of this "
            "bottle is measured.",
            "Print and measure one (`rimgauge coupon flare`), or ask for a guess with "
            "--by-rule-mm.",
        )
    return way


def make_ready(compared: Compared, way: WayName, tell: Tell) -> Ready:
    """Make the body of a base for one way.

    Raises
    ------
    RimgaugeError
        It can't be made.
    """
    made, say = compared.made, _told(tell, compared.base, way)
    if way != "flat":
        tilted = made.tilted if way == "tilted" else made.lipped
        if isinstance(tilted, RimgaugeError):
            raise tilted
        whole = join_up(compared.base, tilted, say)
        return Ready(way=way, mesh=whole, outline=tilted.footprint, tilted=tilted)
    if not isinstance(made.flat, FlatPlan):
        raise made.flat or RecordError(f"{compared.base.name} has no insets.")
    plan = made.flat
    standing = stand(
        compared.base, plan.layers, plan.layer_mm, plan.sanding_allowance_mm, say
    )
    return Ready(way=way, mesh=standing, outline=_outline(standing), plan=plan)


def _flat_or_why(
    base: Base, advised: Advised | None, setup: Setup, wish: Wish, tell: Tell
) -> FlatPlan | RimgaugeError | None:
    flat = advised.flat if advised is not None else None
    try:
        if flat is not None:
            return plan_flat(base, flat, setup, tell)
        if wish.guess_inset_mm is not None:
            return plan_by_rule(base, setup, wish.guess_inset_mm)
    except RimgaugeError as err:
        return err
    return None


def _both_tilted(
    base: Base, advised: Advised | None, wish: Wish, tell: Tell
) -> dict[Literal["tilted", "lipped"], TiltedBase | RimgaugeError]:
    """Plan a base tilted bare and with the lip; turned once where the tilt is one."""
    made: dict[Literal["tilted", "lipped"], TiltedBase | RimgaugeError] = {}
    stands = None
    for way in ("tilted", "lipped"):
        spec = _tilted_spec(advised, wish, lipped=way == "lipped")
        if stands is None or not stands.fits(spec):
            tell(f"{base.name}: turning it to {spec.tilt_deg:g} degrees ...")
            stands = turned(base, spec)
        made[way] = tilt_or_why(base, spec, _told(tell, base, way), stands)
    return made


def _told(tell: Tell, base: Base, way: WayName) -> Tell:
    return lambda text: tell(f"{base.name}, {WAY_WORDS[way]}: {text}")


def _tilted_spec(advised: Advised | None, wish: Wish, *, lipped: bool) -> TiltedSpec:
    """As advised, but for what is wished."""
    spec = tilted_spec(
        advised,
        lipped=lipped,
        layer_mm=wish.layer_mm,
        front_deg=wish.front_deg,
        supports=wish.supports,
    )
    if wish.tilt_deg is not None:
        spec = replace(spec, tilt_deg=wish.tilt_deg)
    if lipped and wish.lip_depth_mm is not None:
        spec = replace(spec, lip_depth_mm=wish.lip_depth_mm)
    return spec


def _outline(mesh: Mesh) -> shapely.Polygon:
    """Outline of a body seen from above, openings not counted."""
    rings = solid(mesh).project().simplify(_OUTLINE_MM).to_polygons()
    seen = shapely.union_all([shapely.Polygon(ring) for ring in rings])
    largest = max(shapely.get_parts(seen).tolist(), key=lambda part: part.area)
    return shapely.Polygon(largest.exterior)
