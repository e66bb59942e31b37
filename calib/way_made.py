"""A base as each way would be written, at the tilts that its bottle's tiles advise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from calib.flat_plan import FlatPlan
from patterns.errors import RimgaugeError, SpecError
from patterns.tilted_base import tilt_base
from patterns.tilted_spec import TiltedBase, TiltedSpec

if TYPE_CHECKING:
    from collections.abc import Callable

    from calib.advised import Advised
    from patterns.base import Base
    from patterns.tilted_part import Turned

UNMEASURED_TILT_DEG = 45.0
"""Where no tile told one: steps on flat and wall are alike there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A base as each way would be written, or the error that says why it can't be.

    ``flat``: its insets; None: not solved, since no flare coupon was measured.
    """

    flat: FlatPlan | RimgaugeError | None
    tilted: TiltedBase | RimgaugeError
    lipped: TiltedBase | RimgaugeError


def tilted_spec(
    advised: Advised | None,
    *,
    lipped: bool,
    layer_mm: float,
    front_deg: float = -90.0,
    supports: bool = True,
) -> TiltedSpec:
    """Describe a tilted base at the tilt that its treatment's tiles advise.

    The lip is as deep as that of the tile nearest to it.

    Parameters
    ----------
    advised : Advised or None
        None, or no tile of that treatment: :data:`UNMEASURED_TILT_DEG`.
    lipped : bool
    layer_mm, front_deg, supports
        As for :class:`patterns.tilted_spec.TiltedSpec`.

    Raises
    ------
    SpecError
        A value that can't be made.
    """
    tiles = None if advised is None else advised.tilted
    told = () if tiles is None else tiles.advice.suggestion.treatments
    tilt_deg = next(
        (t.tilt_deg for t in told if t.lipped == lipped), UNMEASURED_TILT_DEG
    )
    spec = TiltedSpec(
        layer_mm=layer_mm, tilt_deg=tilt_deg, front_deg=front_deg, supports=supports
    )
    if not lipped:
        return replace(spec, lip_depth_mm=None)
    depth_mm = None if tiles is None else tiles.profile.lip_depth_mm(tilt_deg)
    return spec if depth_mm is None else replace(spec, lip_depth_mm=depth_mm)


def tilt_or_why(
    base: Base,
    spec: TiltedSpec,
    tell: Callable[[str], None] | None = None,
    stands: Turned | None = None,
) -> TiltedBase | RimgaugeError:
    """Plan a base tilted; give the error where it can't be."""
    try:
        return tilt_base(base, spec, tell, stands)
    except SpecError as err:
        return err
