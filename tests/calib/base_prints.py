"""A judge of written bases: prints them virtually and measures every layer's outline.

    python -m tests.calib.base_prints [NAME...] [--count N] [--seed S...] [--fitted]
        [--advised] [--squeezed]

A layer's departure is its film-side outline against that of the same base printed with
the body's exposure throughout, on the same raster: what a straight wall would be.
Everything is invented data.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from calib.advice import suggest
from calib.base_flat import plan_with
from calib.flush_model import build_model
from calib.flush_opening import SMALL_MM
from calib.observations import Observation, observe
from calib.posterior import fit
from calib.prediction import Interval
from calib.stack import Resins
from calib.virtual.part import Rings, offset
from calib.virtual.printer import print_coupon
from calib.virtual.resin import InventedResin, invent_resin
from calib.wall import Draws, draw
from patterns.base_sections import polygons, sections, solid
from patterns.base_stack import stand
from patterns.errors import SpecError
from tests.bases import NAMES, ready
from tests.calib.closed_loop import LAYER_MM, PIXEL_MM, coupon, read_directly
from tests.calib.printed_base import (
    Raster,
    light_layers,
    opening_width_mm,
    print_sections,
    sections_of,
    steps_mm,
    straightness,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.flat_plan import FlatPlan
    from calib.posterior import Fit
    from calib.wall import Setting
    from patterns.base import Base
    from patterns.manifest import Manifest

Array = NDArray[np.float64]

FINEST_MM = 0.005  # of a median along a rim on a raster
SAME_PLACE_MM = 0.5
JUDGED = (
    "disc_25",
    "square_25",
    "hexagon_32_drafted",
    "rectangle_20x40",
    "hole_3_disc_30",
    "slot_1_rectangle_50x25",
    "disc_40_drafted",
    "ell_40",
    "pocket_disc_25",
    "hollow_disc_32",
)
_ORDER = (*JUDGED, *NAMES)  # counts in the seed of each, so that any can be run alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A small opening: its width in the raised layer that misses the design by most.

    ``expected`` None where the plan says nothing of it.
    """

    design_mm: float
    printed_mm: float
    expected: Interval | None

    @property
    def off_mm(self) -> float:
        return abs(self.printed_mm - self.design_mm)

    @property
    def as_predicted(self) -> bool:
        return self.expected is not None and _within(self.printed_mm, self.expected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a base printed three ways shows: as written, plain, and subtracted.

    ``*_share`` of the rim within the larger of 10 um and half a pixel; ``corner_mm``
    and ``mitre_mm`` the largest departure near a square corner, as written and by
    mitred insets; ``left_mm`` largest step of a layer's outline (median along the rim)
    and ``bare_mm`` that of the plain base.
    """

    name: str
    squeeze_mm: float
    share: float
    bare_share: float
    subtracted_share: float
    corner_mm: float
    mitre_mm: float
    left_mm: float
    bare_mm: float
    within_interval: bool
    openings: tuple[Opening, ...]

    @property
    def opening_mm(self) -> float:
        """By how much the worst opening misses its design width."""
        return max((o.off_mm for o in self.openings), default=0.0)

    @property
    def openings_within(self) -> bool:
        return all(o.as_predicted for o in self.openings)


def judge(
    base: Base,
    plan: FlatPlan,
    resin: InventedResin,
    raster: Raster,
) -> Verdict:
    """Print a written base on a raster, and the same base plain and subtracted."""
    setting, lift_mm = plan.setting, plan.sanding_allowance_mm
    raised = len(setting.raised_s)
    body = solid(stand(base, plan.layers, plan.layer_mm, lift_mm))
    count = min(
        max(raised, len(plan.layers)) + light_layers(resin, raster.layer_mm),
        int(body.bounding_box()[5] / raster.layer_mm),
    )
    exposures = [*setting.raised_s, *[setting.normal_s] * (count - raised)]
    design = sections_of(solid(base), count, raster, lift_mm)
    (outer,) = polygons(sections(base, [raster.cut * raster.layer_mm])[0])

    def printed(lower: Sequence[Rings]) -> list[Rings]:
        cuts = [*lower, *design[len(lower) :]]
        return print_sections(cuts, exposures, resin, raster, raised)

    dry = replace(resin, squeeze_mm=())
    aim = print_sections(design, [setting.normal_s] * count, dry, raster, raised)
    written = printed(sections_of(body, count, raster))
    bare = printed([])
    steps, bare_steps = (steps_mm(made, aim, outer) for made in (written, bare))
    flare = max(float(bare_steps[0]), 0.0)
    subtracted = printed(_inset(design, [flare] * raised))
    mitred = printed(_inset(design, [i.exact_mm for i in plan.insets]))
    corners = [(c.x_mm, c.y_mm) for c in base.rim.corners if abs(c.inside_deg - 90) < 1]
    straight, plain, plainly, mitre = (
        straightness(made, aim, outer, corners, max(raster.pixel_mm))
        for made in (written, bare, subtracted, mitred)
    )
    worst = int(np.argmax(np.abs(steps)))
    return Verdict(
        name=base.name,
        squeeze_mm=resin.squeeze_mm[0] if resin.squeeze_mm else 0.0,
        share=straight.share,
        bare_share=plain.share,
        subtracted_share=plainly.share,
        corner_mm=straight.corner_mm,
        mitre_mm=mitre.corner_mm,
        left_mm=float(np.abs(steps).max()),
        bare_mm=float(np.abs(bare_steps).max()),
        within_interval=_within(float(steps[worst]), plan.left[worst]),
        openings=_openings(base, plan, written),
    )


def _inset(design: Sequence[Rings], insets_mm: Sequence[float]) -> list[Rings]:
    return [
        offset(rings, -inset, mitred=True)
        for rings, inset in zip(design, insets_mm, strict=False)
    ]


def _within(value_mm: float, expected: Interval) -> bool:
    return expected.low_mm - FINEST_MM <= value_mm <= expected.high_mm + FINEST_MM


def _openings(
    base: Base, plan: FlatPlan, outlines: Sequence[Rings]
) -> tuple[Opening, ...]:
    """Small openings of the base as printed, beside what the plan says of them."""
    found = []
    for recess in base.recesses:
        ring = shapely.Polygon(recess.ring)
        circle = shapely.maximum_inscribed_circle(ring, tolerance=1e-3)
        design = 2 * float(circle.length)
        if design >= SMALL_MM:
            continue
        x, y = shapely.get_coordinates(circle)[0]
        widths = [opening_width_mm(made, (float(x), float(y))) for made in outlines]
        expected = [
            o.width
            for o in plan.openings
            if ring.contains(shapely.Point(o.at_mm))
            and abs(o.design_mm - design) < SAME_PLACE_MM
        ]
        found.append(
            Opening(
                design_mm=design,
                printed_mm=max(widths, key=lambda width: abs(width - design)),
                expected=expected[0] if expected else None,
            )
        )
    return tuple(found)


def known(resin: InventedResin) -> Draws:
    """The model that an invented resin without beam spread follows."""
    share, wide = resin.halo[0] if resin.halo else (0.0, 0.1)
    first, second = (*resin.squeeze_mm, 0.0, 0.0)[:2]
    values = {
        "tc_s": resin.gel_s,
        "depth_mm": resin.depth_mm,
        "core_mm": resin.core_mm,
        "halo_share": share,
        "halo_mm": wide,
        "squeeze_mm": first,
        "squeeze_second_mm": second,
    }
    arrays = {name: np.array([value]) for name, value in values.items()}
    return Draws(batches=(Resins(halo="gaussian", **arrays),))


def try_base(
    name: str,
    rng: np.random.Generator,
    *,
    fitted: bool,
    squeezed: bool,
    advised: bool = False,
) -> Verdict:
    """Invent a resin, plan a base, write it and print it.

    ``fitted``: the plan knows the resin from a virtual coupon's readings only;
    ``advised``: and from those of a second one, where the suggestion asks for it.

    Raises
    ------
    SpecError
        The base is not offered flat.
    """
    transitions = bool(rng.integers(2))
    manifest, setting = coupon(transitions=transitions)
    resin = invent_resin(rng, heavy=fitted and bool(rng.integers(2)), squeezed=squeezed)
    fit_of = None
    if fitted:
        fit_of = _fit_of(manifest, setting, resin, rng, advised=advised)
        draws = draw(fit_of, 40)
    else:
        resin = replace(resin, spread=0.0)
        draws = known(resin)
    base = ready(name)
    model = build_model(draws, setting, PIXEL_MM, PIXEL_MM)
    plan = plan_with(base, model, fit=fit_of, sanded=squeezed)
    x, y = rng.uniform(0.0, PIXEL_MM, 2)
    raster = Raster(
        pixel_mm=(PIXEL_MM, PIXEL_MM),
        layer_mm=LAYER_MM,
        shift_mm=(float(x), float(y)),
        cut=float(rng.choice([0.3, 0.5, 0.7])),
    )
    return judge(base, plan, replace(resin, part_scale=1.0), raster)


def _fit_of(
    manifest: Manifest,
    setting: Setting,
    resin: InventedResin,
    rng: np.random.Generator,
    *,
    advised: bool,
) -> Fit:
    """Print and read a coupon, and another at another exposure where asked for."""

    def printed(exposures: tuple[float, ...]) -> Observation:
        read = read_directly(manifest, print_coupon(manifest, exposures, resin), rng)
        return observe(manifest, read, exposures, manifest.layer_mm)

    first = printed(manifest.exposure_by_layer_s)
    found = fit((first,))
    second_s = suggest(found, setting, PIXEL_MM).second_print_s if advised else None
    if second_s is None:
        return found
    raised = tuple(float(s) for s in setting.with_bottom(second_s).raised_s)
    body = manifest.exposure_by_layer_s[len(raised) :]
    return fit((first, printed((*raised, *body))))


def main() -> None:
    """Judge some bases and print a table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("names", nargs="*", default=JUDGED, metavar="NAME")
    ask.add_argument("--count", type=int, default=None, help="only the first so many")
    ask.add_argument("--seed", type=int, nargs="+", default=[1])
    ask.add_argument("--fitted", action="store_true")
    ask.add_argument("--advised", action="store_true")
    ask.add_argument("--squeezed", action="store_true")
    wish = ask.parse_args()
    found, refused = [], 0
    for seed, name in product(wish.seed, wish.names[: wish.count]):
        rng = np.random.default_rng([seed, _ORDER.index(name)])
        try:
            verdict = try_base(
                name,
                rng,
                fitted=wish.fitted or wish.advised,
                squeezed=wish.squeezed,
                advised=wish.advised,
            )
        except SpecError as refusal:
            print(f"{name:24} refused: {refusal}", flush=True)
            refused += 1
            continue
        found.append(verdict)
        print(_row(verdict), flush=True)
    if found:
        print(_summary(found, refused))


def _row(verdict: Verdict) -> str:
    openings = "; ".join(
        f"{o.design_mm:.2f} mm printed {o.printed_mm:.3f}, "
        + (
            f"expected {o.expected.low_mm:.3f} to {o.expected.high_mm:.3f}"
            if o.expected
            else "nothing expected"
        )
        + ("" if o.as_predicted else " NOT AS PREDICTED")
        for o in verdict.openings
    )
    return (
        f"{verdict.name:24} straight {verdict.share:6.1%} (plain "
        f"{verdict.bare_share:4.0%}, subtracted {verdict.subtracted_share:4.0%})  "
        f"corner {1e3 * verdict.corner_mm:4.0f} um (mitred "
        f"{1e3 * verdict.mitre_mm:4.0f})  left {1e3 * verdict.left_mm:4.0f} of "
        f"{1e3 * verdict.bare_mm:4.0f} um"
        f"{'' if verdict.within_interval else '  OUT OF ITS INTERVAL'}  {openings}"
    )


def _summary(found: Sequence[Verdict], refused: int) -> str:
    shares = np.array([v.share for v in found])
    plain = np.mean([v.bare_share for v in found])
    subtracted = np.mean([v.subtracted_share for v in found])
    corner, mitre = (
        1e3 * max(getattr(v, name) for v in found) for name in ("corner_mm", "mitre_mm")
    )
    halved = sum(v.left_mm <= 0.5 * v.bare_mm for v in found)
    return (
        f"{len(found)} bases, {refused} refused: straight along {shares.mean():.1%} of "
        f"the rim on the mean (plain {plain:.1%}, subtracted {subtracted:.1%}), "
        f"{shares.min():.1%} at least; corner {corner:.0f} um (mitred {mitre:.0f}), "
        f"opening {1e3 * max(v.opening_mm for v in found):.0f} um at most; "
        f"{sum(v.within_interval for v in found)} leftovers within their interval, "
        f"{halved} at most half of the plain ones, "
        f"{sum(v.openings_within for v in found)} with their openings as predicted"
    )


if __name__ == "__main__":
    main()
