"""A base's lowest layers drawn in so that its wall comes off the plate straight.

Every ring of every raised layer is drawn in: where stairs of the pixels show, by whole
quanta of the rim's lattice direction, elsewhere by what the light asks for, corners by
a profile solved in the plane.
Openings of 5 mm and more are walls like the rim; smaller ones get their design width,
for which a few normal layers above are opened too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.flat_plan import FlatPlan, LayerInset
from calib.flush_model import FlatModel, build_model
from calib.flush_opening import is_small
from calib.flush_outline import shape_of
from calib.flush_press import compensated
from calib.flush_raster import realisable
from calib.flush_region import check_walls
from calib.flush_rings import plain_rings
from calib.flush_sides import Sides
from calib.flush_width import opening_widths, told, told_above
from calib.lattice import FREE_QUANTUM_MM
from calib.prediction import doubt_mm, interval_of
from calib.squeeze_insets import WORTH_MM, is_squeezed
from calib.wall import draw
from patterns.base import Section
from patterns.base_sections import sections, signed_area_mm2, solid
from patterns.errors import SpecError

if TYPE_CHECKING:
    from collections.abc import Callable

    from manifold3d import Manifold

    from calib.advised import FlatAdvice
    from calib.posterior import Fit
    from calib.prediction import Interval
    from calib.way_setup import Setup
    from patterns.base import Base

Array = NDArray[np.float64]

_DRAWS = 40
_BEYOND_DOUBT = 0.95  # of the draws


def plan_flat(
    base: Base,
    advice: FlatAdvice,
    setup: Setup,
    tell: Callable[[str], None] | None = None,
) -> FlatPlan:
    """Plan a base flat on the plate, from what a bottle's flare coupons told.

    Parameters
    ----------
    base : Base
    advice : FlatAdvice
        The bottle's fit; its suggested exposure is taken where ``setup`` has none.
    setup : Setup
        Printer, exposures and tolerance.
    tell : callable or None
        Hears what is being done.

    Raises
    ------
    SpecError
        A wall would come under two pixels, or the base is too low.
    """
    setting = setup.setting or advice.profile.present.with_bottom(
        advice.suggestion.bottom_exposure_s
    )
    printer = setup.printer
    say = tell or _silent
    say("solving the insets ...")
    model = build_model(
        draw(advice.fit, _DRAWS), setting, printer.pixel_x_mm, printer.pixel_y_mm
    )
    return plan_with(
        base, model, fit=advice.fit, tolerance_mm=setup.tolerance_mm, tell=say
    )


def plan_with(
    base: Base,
    model: FlatModel,
    *,
    fit: Fit | None = None,
    tolerance_mm: float = 0.05,
    sanded: bool = True,
    tell: Callable[[str], None] | None = None,
) -> FlatPlan:
    """Plan a base flat on the plate.

    Parameters
    ----------
    base : Base
    model : FlatModel
        Insets of the bottle, setting and raster; may be used for many bases.
    fit : Fit or None
        Whose doubt widens the intervals; None: the model is taken as known.
    tolerance_mm : float
        Steps larger than this are offered for sanding.
    sanded : bool
        Whether the allowance for that is added to the height.
    tell : callable or None
        Hears what is being done.

    Raises
    ------
    SpecError
        A wall would come under two pixels, or the base is too low.
    """
    say = tell or _silent
    say("following its wall ...")
    body = solid(base)
    layer_mm = model.setting.layer_mm
    first = sections(body, [0.5 * layer_mm])[0]
    run = _run_of(body, model)
    (outer,) = plain_rings(first.outer[:1])
    rim = Sides.of(shape_of(outer.points_mm), run, model)
    left, bare = _left(model, run, fit, rim)
    lift = _allowance_mm(left, tolerance_mm, layer_mm) if sanded else 0.0
    lifted = round(lift / layer_mm)
    if lifted:
        rim = rim.over(Sides.of(rim.shape, 0.0, model), lifted)
        left, bare = _left(model, run, fit, rim, lifted)
    count = model.layers
    if any(is_small(ring) for ring in first.openings):
        count = len(model.opening.dose_ratio)
    if count * layer_mm - lift >= base.height_mm:
        raise SpecError(
            f"{base.name} is {base.height_mm:.2f} mm high, no higher than its {count} "
            "lowest layers.",
            "Print it with fewer bottom and transition layers.",
        )
    heights = np.maximum((np.arange(count + 1) + 0.5) * layer_mm - lift, layer_mm / 2)
    cuts = sections(body, heights.tolist())
    say(f"drawing {count} layers in ...")
    layers = compensated(cuts, model)
    say("checking its walls and openings ...")
    check_walls(layers, model.layers, model.pixel_mm, base)
    openings = opening_widths(first, model, fit)
    cautions = [
        *_cautions(model, left, lift, tolerance_mm),
        *told(openings),
        *(told_above(model) if any(map(is_small, cuts[-1].openings)) else ()),
    ]
    return FlatPlan(
        setting=model.setting,
        pixel_x_mm=model.pixel_x_mm,
        pixel_y_mm=model.pixel_y_mm,
        layers=tuple(
            Section(z_mm=(j + 0.5) * layer_mm, outer=made.outer, openings=made.openings)
            for j, made in enumerate(layers)
        ),
        insets=_insets(model, run, rim.plain_mm, lifted),
        left=left,
        bare=bare,
        sanding_allowance_mm=lift,
        scallop_mm=_scallop(model),
        realisable=realisable(model, rim.shape, run, rim.inset_mm),
        guess=False,
        cautions=tuple(cautions),
        openings=openings,
    )


def _silent(_text: str) -> None:
    """Tell nobody."""


def _run_of(body: Manifold, model: FlatModel) -> float:
    """Run of the outer rim, over the raised layers."""
    layer_mm = model.setting.layer_mm
    low, high = sections(body, [0.5 * layer_mm, 1.5 * layer_mm])
    (rim,) = plain_rings(low.outer[:1])
    areas = [signed_area_mm2(ring) for ring in high.outer]
    return model.wall(rim.run_mm(areas)).run_mm


def _insets(
    model: FlatModel, run_mm: float, quantum_mm: float, lifted: int
) -> tuple[LayerInset, ...]:
    """Insets along the greater part of the rim; lifted layers have an upright wall."""
    found = []
    for layer, exposure_s in enumerate(model.setting.raised_s):
        run = 0.0 if layer < lifted else run_mm
        if quantum_mm == FREE_QUANTUM_MM:
            quanta = round(model.smooth_mm(run)[layer] / quantum_mm)
        else:
            quanta = int(model.quanta(run, quantum_mm, 0.0)[layer])
        found.append(
            LayerInset(
                layer=layer,
                exposure_s=float(exposure_s),
                exact_mm=float(np.median(model.wall(run).exact_mm[:, layer])),
                quanta=quanta,
                quantum_mm=quantum_mm,
            )
        )
    return tuple(found)


def _left(
    model: FlatModel, run_mm: float, fit: Fit | None, rim: Sides, lifted: int = 0
) -> tuple[tuple[Interval, ...], tuple[Interval, ...]]:
    """Predict the step of each raised layer with insets, and without.

    The mean along the rim; by how much its kinds of sides differ is doubt.  Lifted
    layers have the outline of the first that isn't: further in than a wall that went
    on receding would be.
    """
    wall = model.wall(run_mm)
    further = wall.run_mm * np.maximum(lifted - np.arange(model.layers), 0)
    share, kinds = rim.kinds()
    steps = np.array([wall.steps_mm(inset + further) + further for inset in kinds])
    left, bare = np.tensordot(share, steps, 1), wall.steps_mm(further) + further
    uneven = np.sqrt(np.tensordot(share, (steps - left) ** 2, 1).mean(axis=0))
    doubt = np.zeros(model.layers)
    if fit is not None:
        flare = np.median(np.abs(bare), axis=0)
        doubt = doubt_mm(fit, model.setting.bottom_s, flare)
    return _intervals(left, np.hypot(doubt, uneven)), _intervals(bare, doubt)


def _intervals(steps_mm: Array, doubt: Array) -> tuple[Interval, ...]:
    rows = zip(steps_mm.T, doubt, strict=True)
    return tuple(interval_of(step, float(u)) for step, u in rows)


def _allowance_mm(
    left: tuple[Interval, ...], tolerance_mm: float, layer_mm: float
) -> float:
    """Height of the layers up to the last that stands out by more than is allowed."""
    over = [j for j, step in enumerate(left) if step.value_mm > tolerance_mm]
    return (max(over) + 1) * layer_mm if over else 0.0


def _scallop(model: FlatModel) -> Interval:
    """How far the body's outline goes in between the film sides of its layers."""
    wall = model.wall(0.0)
    q = model.edges.passed
    level = (1.0 - q) / (model.edges.dose_ratio[:, -1] * q)
    inner = model.edges.where(np.minimum(level, 1.0))
    return interval_of(wall.body_mm - inner, 0.0)


def _squeezed(model: FlatModel) -> str:
    """Say that resin was squeezed out, or that it is open whether it was."""
    squeeze = model.edges.squeeze_mm[:, 0]
    if np.mean(squeeze > WORTH_MM) > _BEYOND_DOUBT:
        return (
            f"About {float(np.mean(squeeze)):.2f} mm of the plate layer's flare is "
            "squeezed-out resin, which no mask takes back whole: the lowest layers are "
            "drawn in further to halve it."
        )
    return (
        "How much of the plate layer's flare is light and how much squeezed-out resin "
        f"is open (0 to {float(np.quantile(squeeze, 0.975)):.2f} mm): the wall would "
        "come out straighter after a second flare coupon; `rimgauge suggest` names its "
        "bottom exposure."
    )


def _cautions(
    model: FlatModel, left: tuple[Interval, ...], lift: float, tolerance_mm: float
) -> tuple[str, ...]:
    said = []
    if is_squeezed(model.wall(0.0)):
        said.append(_squeezed(model))
    if lift > 0.0:
        said.append(
            f"{lift:.2f} mm are added below, to be sanded off together with the steps "
            "that are left."
        )
    worst = max(range(len(left)), key=lambda j: abs(left[j].value_mm))
    if abs(left[worst].value_mm) > tolerance_mm:
        said.append(
            f"Layer {worst} is expected {left[worst].value_mm:+.2f} mm from the body."
        )
    return tuple(said)
