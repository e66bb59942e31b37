"""``rimgauge suggest`` and ``accept``: how to print this bottle, flat and tilted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from calib.cli.options import of_bottle, pictures, tolerance
from calib.cli.output import (
    CAUTIONS,
    Report,
    keeps_records,
    now,
    open_store,
    reports,
    strong,
)
from calib.cli.pictures import check_folder, leave, suggestion_pictures

if TYPE_CHECKING:
    from pathlib import Path

    from calib.advice import Suggestion
    from calib.advised import Advised
    from calib.prediction import Interval


@click.command()
@of_bottle
@tolerance("How far any layer's outline may stand from the body's.")
@pictures("Folder for plots of flare against exposure and of departure against tilt.")
@keeps_records
@reports
def suggest(
    *,
    data_dir: Path,
    bottle: str | None,
    printer: str | None,
    tolerance_mm: float,
    pictures: Path | None,
) -> Report:
    """Suggest how to print from a bottle, flat and tilted.

    From flare coupons: bottom exposure, layers and insets.  From rim tiles: the tilt,
    and whether the lip is worth its sanding.  Either is enough.

    All measured prints of the bottle on one printer are used, with the exposures
    recorded for them; their outcomes say how low the bottom exposure may go.

    \b
    Examples:
      rimgauge suggest
      rimgauge suggest --bottle grey-may --tolerance-mm 0.03 --pictures pictures
    """  # noqa: D301 \b is click's mark
    from calib.advised import keep
    from calib.cli.base_known import advised_of
    from calib.filing import by_name, only_one
    from calib.profile import nothing_measured, prints_of
    from calib.records import Bottle, Printer

    if pictures is not None:
        check_folder(pictures)
    with open_store(data_dir, create=False) as store:
        chosen = only_one(store.current(Bottle), "bottle", bottle)
        on = by_name(store.current(Printer), "printer", printer) if printer else None
        used, prints = prints_of(store, chosen, on)
        advised = advised_of(store, chosen, used, prints, tolerance_mm)
        if advised is None:
            raise nothing_measured(chosen)
        number = keep(store, advised, tolerance_mm, now())
    text = _told(advised, number)
    left = [] if pictures is None else _draw(advised, number, pictures)
    flat = advised.flat
    document = {
        "ok": True,
        "number": number,
        "bottle": chosen.value.name,
        "printer": used.value.name,
        "prints": [e.number for e in flat.profile.measured] if flat else [],
        **advised.summary,
        "fit": flat and flat.fit_summary,
        "pictures": [str(path) for path in left],
        "text": click.unstyle(text),
    }
    text += "".join(f"\n  picture: {path}" for path in left)
    text += f"\nIf you take it over: rimgauge accept {number}"
    return Report(document=document, text=text)


@click.command()
@click.argument("number", type=int)
@click.option("--note", default="", help="What you took over, if not all of it.")
@keeps_records
@reports
def accept(number: int, *, note: str, data_dir: Path) -> Report:
    """Record that you took over suggestion NUMBER.

    \b
    Example:
      rimgauge accept 2 --note "insets only"
    """  # noqa: D301 \b is click's mark
    from calib.records import Accepted, StoredSuggestion

    with open_store(data_dir) as store:
        suggestion = store.get(StoredSuggestion, number)
        entry = store.add(Accepted(suggestion_uid=suggestion.uid, note=note), at=now())
    return Report(
        document={"ok": True, "suggestion": number, "number": entry.number},
        text=f"Noted: you took over suggestion {number}.",
    )


def _draw(advised: Advised, number: int, folder: Path) -> list[Path]:
    return [
        leave(folder, f"suggestion-{number}-{half}", content)
        for half, content in suggestion_pictures(advised).items()
    ]


def _told(kept: Advised, number: int) -> str:
    from calib.cli.rim_words import rim_lines

    whose = strong(f"Suggestion {number} for {kept.bottle.value.name}")
    where = f"{whose} on {kept.printer.value.name}:"
    lines = _flat_lines(where, kept.flat.suggestion) if kept.flat else [where]
    if kept.tilted:
        lines += rim_lines(kept.tilted.advice, len(kept.tilted.profile.tiles))
    return "\n".join((*lines, *(f"  - {said}" for said in (CAUTIONS[0], CAUTIONS[-1]))))


def _flat_lines(where: str, advice: Suggestion) -> list[str]:
    raised = f"{advice.bottom_layers} bottom"
    if advice.transition_layers:
        raised += f" and {advice.transition_layers} transition"
    seconds, single = f"{advice.bottom_exposure_s:g} s", advice.single
    return [
        f"{where} {advice.reason}",
        f"  bottom exposure {strong(seconds)}, {raised} layers",
        *_layer_lines(advice),
        f"  if you can set one inset only: {strong(_single(advice))}",
        f"    it leaves {_interval(single.leaves)} at layer {single.leaves_layer}",
        "  expected beyond the body's outline, with 95 % interval:",
        *_prediction_lines(advice),
        *(f"  - {caution}" for caution in advice.cautions),
    ]


def _layer_lines(advice: Suggestion) -> list[str]:
    """One line for each run of layers that are set alike."""
    runs: list[tuple[int, int, float, float, int]] = []
    for layer in advice.layers:
        same = (layer.exposure_s, layer.inset_mm, layer.inset_px)
        if runs and runs[-1][2:] == same:
            runs[-1] = (runs[-1][0], layer.layer, *same)
        else:
            runs.append((layer.layer, layer.layer, *same))
    return [
        f"  layer {_span(first, last):8s} {seconds:6.4g} s   inset {inset_mm:.3f} mm "
        f"({pixels} px)"
        for first, last, seconds, inset_mm, pixels in runs
    ]


def _span(first: int, last: int) -> str:
    return str(first) if first == last else f"{first} to {last}"


def _single(advice: Suggestion) -> str:
    single = advice.single
    return f"{single.inset_mm:.3f} mm for the lowest {single.layers} layers"


def _prediction_lines(advice: Suggestion) -> list[str]:
    return [
        f"    {when:13s} plate layer {_interval(said.first_layer)}, "
        f"worst (layer {said.worst_layer}) {_interval(said.worst)}"
        for when, said in (
            ("at present", advice.present),
            ("as suggested", advice.suggested),
        )
    ]


def _interval(step: Interval) -> str:
    return f"{step.value_mm:+.3f} mm ({step.low_mm:+.3f} to {step.high_mm:+.3f})"
