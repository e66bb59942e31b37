"""One rim tile in several photos: stitched, never averaged where light decides."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import Rough, rough_profile
from analysis.combine import combine_quantities
from analysis.edge_spread import EdgeSpread, edge_spread
from analysis.rim_light import LINED_MAT, LOW_CONTRAST, why_not
from analysis.rim_uncertainty import VIEW_LENGTH_MM, RimDoubt
from analysis.rim_values import (
    NO_BACK,
    NO_PROFILE,
    NO_WINDOW,
    TOO_ASIDE,
    measured_arc,
    refused,
    with_roughness,
    with_spread,
    with_upper,
    with_value,
    without,
)
from analysis.roughness import Pair, floor_of_pair, pair_of, two_photos
from analysis.stitch import disagreement, stitch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.rim_result import RimArc, RimMeasurement, RimQuantity

Floats = NDArray[np.float64]

CLEAR = 0.35
"""Roughness is compared where both photos show a step above this share of the full."""
LEAST_COMMON = 0.25
MOST_DISAGREEMENT = 1.8
"""Rims that differ by this many times their uncertainty are two prints."""
TWO_PRINTS = (
    "The photos show different prints of this tile: their rims differ by "
    "{ratio:.1f} times the uncertainty. They are not joined; measure each print in a "
    "call of its own."
)


def two_prints(measurements: Sequence[RimMeasurement]) -> str | None:
    """Say that photos in plan show more than one print of a tile, if they do.

    Parameters
    ----------
    measurements : sequence of RimMeasurement
        Of one and the same tile; refused ones, those whose form the view leaves open
        and those in profile have no say.
    """
    arcs = [m.arc for m in measurements if m.arc is not None and "form" in m.values]
    ratios = [disagreement(one, other) for one, other in combinations(arcs, 2)]
    largest = max((r for r in ratios if r is not None), default=0.0)
    if largest <= MOST_DISAGREEMENT:
        return None
    return TWO_PRINTS.format(ratio=largest)


def merge(measurements: Sequence[RimMeasurement]) -> RimMeasurement:
    """Combine what several photos in plan say about one tile.

    Parameters
    ----------
    measurements : sequence of RimMeasurement
        Of one and the same tile, at least one; in profile, too, and refused ones: the
        arc of one in half shade counts where it is lit.

    Returns
    -------
    RimMeasurement
        Form, sag and chips from the stitched arc, roughness from the covariance of the
        photos, the rest combined.

    Raises
    ------
    ValueError
        None, or of different tiles.
    """
    if not measurements or len({m.coupon_id for m in measurements}) != 1:
        raise ValueError("measurements of one tile are needed")
    if len(measurements) == 1:
        return measurements[0]
    plan = [m for m in measurements if m.arc is not None]
    merged = measurements[0] if not plan else plan[0]
    if len(plan) > 1:
        merged = _merged_plan(plan)
    photos = tuple(dict.fromkeys(p for m in measurements for p in m.photos))
    warnings = tuple(dict.fromkeys(w for m in measurements for w in m.warnings))
    merged = replace(merged, photos=photos, warnings=warnings)
    return _combined(merged, measurements, "edge_radius", NO_PROFILE)


def _merged_plan(plan: Sequence[RimMeasurement]) -> RimMeasurement:
    """Combine what was seen in plan; what was refused may be whole when joined."""
    order = sorted(range(len(plan)), key=lambda k: _doubt(plan[k]))
    best = plan[order[0]]
    order = [k for k in order if "sag" in plan[k].values or _is_good_in_parts(plan[k])]
    if "form" in best.values:
        order = [k for k in order if not _is_aside(plan[k])]
    if not order:
        return best
    usable = [plan[k] for k in order]
    arcs = [m.arc for m in usable if m.arc is not None]
    joined = stitch(arcs)
    joined = replace(joined, source=np.array(order)[joined.source])
    reasons = {k: why for k, why in best.reasons.items() if k == "part_scale"}
    bare = replace(best, values={}, upper_mm={}, reasons=reasons, arc=joined)
    reason = why_not(joined, 1.0, 0.0)
    if reason is not None:
        return best if "sag" in best.values else refused(bare, reason)
    merged = measured_arc(bare, joined, _merged_doubt(usable, joined))
    pair = _clear_pair(arcs) if len(arcs) > 1 else None
    if pair is None:
        merged = _combined(merged, usable, "roughness_sigma", NO_BACK)
        merged = _combined(merged, usable, "edge_spread", NO_WINDOW)
    else:
        merged = with_roughness(merged, two_photos(pair.first, pair.second, pair.smear))
        merged = with_spread(merged, pair.spread())
    return _combined(merged, usable, "back_straightness", NO_BACK)


def _is_good_in_parts(measured: RimMeasurement) -> bool:
    """Whether only shade or cover stood in the way: such an arc is good elsewhere."""
    return measured.reasons.get("sag_mm") not in (LOW_CONTRAST, LINED_MAT)


def _doubt(measured: RimMeasurement) -> tuple[bool, float, float]:
    """Sort the most trustworthy first: the u of its form, then how strong its edge."""
    form = measured.values.get("form")
    arc = measured.arc
    strength = 0.0 if arc is None else float(np.mean(arc.used * arc.strength))
    return (
        "sag" not in measured.values,
        math.inf if form is None else form.u_mm,
        -strength,
    )


def _is_aside(measured: RimMeasurement) -> bool:
    return measured.reasons.get("form_mm") == TOO_ASIDE


def _merged_doubt(measurements: Sequence[RimMeasurement], arc: RimArc) -> RimDoubt:
    """View and scale of the photo that gave most of the arc."""
    rough = rough_profile(
        arc.phi_rad[arc.used] * arc.radius_mm, arc.residual_mm[arc.used]
    )

    def largest(name: str, otherwise: float, of: RimQuantity = "radius") -> float:
        known = [m.values[of] for m in measurements if of in m.values]
        parts = [c.u_mm for q in known for c in q.budget if c.name == name]
        return max(parts, default=otherwise)

    view = largest("pose", 0.002)
    if any(_is_aside(m) for m in measurements):
        skew = math.inf
    else:
        alike = VIEW_LENGTH_MM["form"] / VIEW_LENGTH_MM["radius"] * view
        skew = math.sqrt(max(largest("pose", 0.005, "form") ** 2 - alike**2, 0.0))
    return RimDoubt(
        u_view_rad=view / VIEW_LENGTH_MM["radius"],
        u_scale_ratio=largest("ruler", 0.05) / arc.radius_mm,
        edge_mm=largest("light", 0.008),
        roughness_mm=rough.sigma_mm,
        radius_mm=arc.radius_mm,
        skew_mm=skew,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _ClearPair:
    """Roughness of the two arcs that show most, where both show it well."""

    along_mm: Floats
    first: Rough
    second: Rough
    shared: Pair
    smear: float

    def spread(self) -> EdgeSpread:
        """Width of the edge in the better photo, without that photo's own scatter."""
        floor = floor_of_pair(self.shared)
        return edge_spread(self.along_mm, self.first, floor, self.smear)


def _clear_pair(arcs: Sequence[RimArc]) -> _ClearPair | None:
    worse, best = sorted(arcs, key=lambda arc: float(np.mean(arc.used * arc.strength)))[
        -2:
    ]
    both = best.used & worse.used
    both &= np.minimum(best.strength, worse.strength) > CLEAR
    if both.mean() < LEAST_COMMON:
        return None
    along = best.phi_rad * best.radius_mm
    first, second = (_rough_of(arc, both, along) for arc in (best, worse))
    shared = pair_of(first, second)
    if shared is None:
        return None
    return _ClearPair(
        along_mm=along[both],
        first=first,
        second=second,
        shared=shared,
        smear=float(np.sqrt(np.mean([best.smear_mm**2, worse.smear_mm**2]))),
    )


def _rough_of(arc: RimArc, among: NDArray[np.bool_], along_mm: Floats) -> Rough:
    return rough_profile(along_mm[among], arc.residual_mm[among])


def _combined(
    merged: RimMeasurement,
    photos: Sequence[RimMeasurement],
    name: RimQuantity,
    otherwise: str,
) -> RimMeasurement:
    """Mean of what the photos say; the least upper limit where none gives a value."""
    given = [m.values[name] for m in photos if name in m.values]
    limits = [m.upper_mm[name] for m in photos if name in m.upper_mm]
    key = f"{name}_mm"
    reasons = {k: why for k, why in merged.reasons.items() if k != key}
    merged = replace(
        merged,
        values={k: q for k, q in merged.values.items() if k != name},
        upper_mm={k: limit for k, limit in merged.upper_mm.items() if k != name},
        reasons=reasons,
    )
    if given:
        return with_value(merged, name, combine_quantities(given))
    if limits:
        return with_upper(merged, name, min(limits))
    said = [m.reasons[key] for m in photos if key in m.reasons]
    return without(merged, name, said[0] if said else otherwise)
