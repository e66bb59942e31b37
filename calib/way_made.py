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
    tilt_deg = UNMEASURED_TILT_DEG
    if advised is not None and advised.tilted is not None:
        told = advised.tilted.advice.suggestion.treatments
        tilt_deg = next((t.tilt_deg for t in told if t.lipped == lipped), tilt_deg)
    spec = TiltedSpec(
        layer_mm=layer_mm, tilt_deg=tilt_deg, front_deg=front_deg, supports=supports
    )
    return spec if lipped else replace(spec, lip_depth_mm=None)


def tilt_or_why(
    base: Base, spec: TiltedSpec, tell: Callable[[str], None] | None = None
) -> TiltedBase | RimgaugeError:
    """Tilt a base; give the error where it can't be."""
    try:
        return tilt_base(base, spec, tell)
    except SpecError as err:
        return err
