"""A base and the ways to print it in words, for the screen and for the sheet."""

from __future__ import annotations

import math
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.cli.output import strong, table
from calib.way_words import NONE, counted, resin_words, way_lines
from calib.ways import FLAT_ENOUGH_MM, WAY_WORDS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from calib.base_work import Compared, Ready
    from calib.flat_plan import FlatPlan
    from calib.wall import Setting
    from calib.ways import Comparison, Way
    from patterns.base import Base, Fault, Recess

LEGEND = (
    "rim departs: how far the finished rim lies, at its worst place, from the rim as "
    "drawn; flare: how far the layer on the plate stands out beyond the wall; "
    "in brackets 95 % intervals."
)
_FAULTS = {
    "open_edges": ("open edge", "open edges"),
    "flipped": ("face turned inside out", "faces turned inside out"),
    "double_shell": ("double shell", "double shells"),
    "self_intersection": (
        "place where it runs through itself",
        "places where it runs through itself",
    ),
    "hole_in_bottom": ("hole in the flat bottom", "holes in the flat bottom"),
    "zero_area": ("face without area", "faces without area"),
    "unwelded": ("corner not joined", "corners not joined"),
}


def understood_lines(base: Base) -> list[str]:
    """Say what was read, mended and found."""
    width, depth, height = np.ptp(base.vertices_mm, axis=0).tolist()
    rim = base.rim
    lines = [
        (
            f"{strong(base.name)} ({base.source}): {width:.1f} x {depth:.1f} x "
            f"{height:.2f} mm, {base.volume_mm3 / 1000:.1f} ml, "
            f"{len(base.faces):,} triangles"
        ),
        *(f"  {fault_words(fault)}" for fault in base.faults),
        f"  underside: {flatness_words(base)}",
        f"  rim: {_rim_words(base)}",
    ]
    if math.isfinite(rim.thinnest_wall_mm):
        x, y = rim.thinnest_at_mm
        lines.append(
            f"  thinnest wall beside the rim: {rim.thinnest_wall_mm:.2f} mm, at "
            f"{_place(x=x, y=y)}"
        )
    return lines + [f"  {_recess_words(recess)}" for recess in base.recesses]


def fault_words(fault: Fault) -> str:
    """Say what was wrong with a mesh, where, and whether it was put right."""
    x, y, z = fault.where_mm
    done = "mended" if fault.mended else "left as it is"
    return (
        f"{done}: {fault.count:,} {_FAULTS[fault.kind][fault.count != 1]} (one at "
        f"{_place(x=x, y=y, z=z)} of the file)"
    )


def flatness_words(base: Base) -> str:
    """Say how flat the underside is; loudly where it isn't."""
    if base.flatness_mm <= FLAT_ENOUGH_MM:
        return f"flat to {base.flatness_mm:.3f} mm"
    return (
        f"{strong('not flat')}: it departs from its plane by {base.flatness_mm:.2f} mm "
        f"(more than {FLAT_ENOUGH_MM:g} mm)"
    )


def compared_lines(compared: Compared, width: int | None = None) -> list[str]:
    """Set the three ways side by side, then the recommendation.

    ``width``: letters of a line; where the table has more, the ways come one by one.
    """
    told = compared.comparison
    each = [(("tilt", _tilt_words(way)), *way_lines(way)) for way in told.ways]
    names = [name for name, _ in each[0]]
    rows = list(zip(names, *([said for _, said in one] for one in each), strict=True))
    heads = [WAY_WORDS[way.name] for way in told.ways]
    grid = _indented(table(rows, ("", *heads)))
    if width is not None and max(map(len, grid)) > width:
        grid = [
            f"  {line}"
            for head, one in zip(heads, each, strict=True)
            for line in (strong(head), *_indented(table(one[1:], one[0])))
        ]
    return [*grid, *_why_lines(told), *recommended_lines(told)]


def _indented(text: str) -> list[str]:
    return [f"  {line}" for line in text.splitlines()]


def recommended_lines(told: Comparison) -> list[str]:
    """Say which way, why, and what to measure next."""
    advice = told.recommendation
    which = WAY_WORDS[advice.way] if advice.way else "none yet"
    lines = [f"  recommended: {strong(which)}. {advice.reason}"]
    if advice.measure_next:
        lines.append(f"  measure next: {advice.measure_next}")
    return lines + [f"  note: {note}" for note in told.notes]


def settings_rows(
    compared: Compared, ready: Ready, setting: Setting | None, copies: int
) -> tuple[tuple[str, str], ...]:
    """Name and value of everything that a base must be printed with."""
    way = compared.comparison.way(ready.way)
    rows = [("Printer", compared.comparison.printer)]
    if compared.comparison.bottle:
        rows.append(("Bottle", compared.comparison.bottle))
    if ready.plan is not None:
        rows += [*_exposure_rows(ready.plan.setting), *_plan_rows(ready.plan)]
    elif ready.tilted is not None:
        spec = ready.tilted.spec
        if setting is not None:
            rows += _exposure_rows(setting)
        else:
            rows.append(("Layer height", f"{spec.layer_mm:g} mm"))
            rows.append(("Exposures", "as for your rim tiles; write them down"))
        measured = "" if way.tilt_measured else ", not measured: common practice"
        rows.append(("Tilt", f"{spec.tilt_deg:.0f} degrees{measured}"))
    rows.append(("Height", f"{way.height_mm:.2f} mm on the plate"))
    rows += [
        (name.capitalize(), value)
        for name, value in way_lines(way)
        if name in ("time", "layers")
    ]
    if copies > 1:
        rows.append(("Copies", f"{copies}"))
    rows.append(("Resin", resin_words(way.resin) + (" each" if copies > 1 else "")))
    return tuple(rows)


def sanding_words(compared: Compared, ready: Ready) -> tuple[str, ...]:
    """Say what to sand, and to which thickness."""
    way = compared.comparison.way(ready.way)
    said = [way.sanding.words]
    if way.sanding.depth_mm:
        said.append(
            "Sand wet, on a flat sheet of 400 grit, with a mask, underside down. Stop "
            f"at {compared.base.height_mm:.2f} mm from the underside to the highest "
            "place of the top, by calliper, and equally thick all round; then a few "
            "strokes of 1000 grit."
        )
    return tuple(said)


def _exposure_rows(setting: Setting) -> list[tuple[str, str]]:
    return [
        ("Layer height", f"{setting.layer_mm:g} mm"),
        ("Bottom and transition layers", f"{_runs(setting.raised_s, 'g')} s"),
        ("Normal layers", f"{setting.normal_s:g} s"),
    ]


def _plan_rows(plan: FlatPlan) -> list[tuple[str, str]]:
    insets = _runs((inset.inset_mm for inset in plan.insets), ".3f")
    added = plan.sanding_allowance_mm
    return [
        ("Mask pixel", f"{plan.pixel_x_mm * 1e3:g} x {plan.pixel_y_mm * 1e3:g} um"),
        ("Insets in the file, plate up", f"{insets} mm"),
        ("Added below for sanding", f"{added:.2f} mm" if added else NONE),
    ]


def _runs(values: Iterable[float], form: str) -> str:
    """List numbers in order, equal neighbours counted."""
    told = []
    for value, run in groupby(values):
        count = len(list(run))
        told.append((f"{count} x " if count > 1 else "") + format(value, form))
    return ", ".join(told)


def _tilt_words(way: Way) -> str:
    if not way.offered:
        return "not offered"
    if way.name == "flat":
        return NONE
    return f"{way.tilt_deg:.0f} degrees" + (
        "" if way.tilt_measured else ", not measured"
    )


def _why_lines(told: Comparison) -> list[str]:
    """Say what each way risks, a sentence once, or why it isn't offered."""
    of: dict[str, list[str]] = {}
    for way in told.ways:
        for sentence in [f"not offered. {way.refused}"] if way.refused else way.risks:
            of.setdefault(sentence, []).append(WAY_WORDS[way.name])
    return [f"  {', '.join(names)}: {sentence}" for sentence, names in of.items()]


def _rim_words(base: Base) -> str:
    rim = base.rim
    straight = sum(run.kind == "straight" for run in rim.runs)
    lean = (
        "upright"
        if abs(rim.draft_deg) < 0.5
        else f"leaning {'in' if rim.draft_deg > 0 else 'out'} by "
        f"{abs(rim.draft_deg):.0f} degrees"
    )
    round_ = len(rim.runs) - straight
    if not rim.corners and not straight:
        return f"round all along, without corners, wall {lean}"
    return (
        f"{counted(len(rim.corners), 'corner')}, "
        f"{counted(straight, 'straight stretch', 'straight stretches')}, "
        f"{counted(round_, 'round one')}, wall {lean}"
    )


def _place(**coordinates_mm: float) -> str:
    """Name a place; no zero has a sign."""
    return ", ".join(
        f"{name} {round(mm, 1) + 0.0:.1f}" for name, mm in coordinates_mm.items()
    )


def _recess_words(recess: Recess) -> str:
    x, y = (float(mm) for mm in recess.ring.mean(axis=0))
    where = f"{recess.area_mm2:.1f} mm2 at {_place(x=x, y=y)}"
    if math.isinf(recess.depth_mm):
        return f"hole right through: {where}"
    vent = ", vented" if recess.vented else ""
    return f"recess: {where}, {recess.depth_mm:.2f} mm deep{vent}"


def base_document(base: Base) -> dict[str, Any]:
    """Give what was understood as plain values."""
    return {
        "name": base.name,
        "source": base.source,
        "triangles": len(base.faces),
        "size_mm": np.ptp(base.vertices_mm, axis=0).tolist(),
        "height_mm": base.height_mm,
        "volume_ml": base.volume_mm3 / 1000,
        "flatness_mm": base.flatness_mm,
        "flat": base.flatness_mm <= FLAT_ENOUGH_MM,
        "faults": [
            {
                "kind": fault.kind,
                "count": fault.count,
                "where_mm": list(fault.where_mm),
                "mended": fault.mended,
            }
            for fault in base.faults
        ],
        "corners": len(base.rim.corners),
        "draft_deg": base.rim.draft_deg,
        "thinnest_wall_mm": base.rim.thinnest_wall_mm,
        "thinnest_at_mm": list(base.rim.thinnest_at_mm),
        "recesses": [
            {
                "area_mm2": recess.area_mm2,
                "depth_mm": recess.depth_mm,
                "roof_span_mm": recess.roof_span_mm,
                "vented": recess.vented,
            }
            for recess in base.recesses
        ],
    }
