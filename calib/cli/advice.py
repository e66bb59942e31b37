"""``rimgauge suggest`` and ``accept``: how to print this bottle flat."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from calib.cli.output import (
    CAUTIONS,
    Report,
    keeps_records,
    narrate,
    now,
    open_store,
    reports,
    strong,
)

if TYPE_CHECKING:
    from pathlib import Path

    from calib.advice import Suggestion
    from calib.posterior import Fit
    from calib.prediction import Interval
    from calib.profile import Profile
    from calib.store import Store


@click.command()
@click.option("--bottle", help="Name of the bottle; may be left out if there is one.")
@click.option("--printer", help="Name of the printer; may be left out if there is one.")
@click.option(
    "--tolerance-mm",
    type=click.FloatRange(0.0, 1.0, min_open=True),
    default=0.05,
    show_default=True,
    help="How far any layer's outline may stand from the body's.",
)
@keeps_records
@reports
def suggest(
    *, data_dir: Path, bottle: str | None, printer: str | None, tolerance_mm: float
) -> Report:
    """Suggest bottom exposure, layers and insets for a bottle.

    All measured prints of the bottle on one printer are used, with the exposures
    recorded for them; their outcomes say how low the bottom exposure may go.

    \b
    Examples:
      rimgauge suggest
      rimgauge suggest --bottle grey-may --tolerance-mm 0.03
    """  # noqa: D301 \b is click's mark
    from calib.advice import suggest as advise
    from calib.cli.known import known_manifests
    from calib.filing import by_name, only_one
    from calib.posterior import fit as fit_model
    from calib.profile import gather
    from calib.records import Bottle, Printer

    with open_store(data_dir, create=False) as store:
        chosen = only_one(store.current(Bottle), "bottle", bottle)
        on = by_name(store.current(Printer), "printer", printer) if printer else None
        profile = gather(store, known_manifests(store), chosen, on)
        narrate("fitting the cure model ...")
        fit = fit_model(profile.observations)
        advice = advise(
            fit, profile.present, profile.pixel_mm, profile.outcomes, tolerance_mm
        )
        number = _keep(store, profile, fit, advice)
    text = _told(profile, advice, number)
    document = {
        "ok": True,
        "number": number,
        "bottle": chosen.value.name,
        "printer": profile.printer.value.name,
        "prints": [entry.number for entry in profile.measured],
        **asdict(advice),
        "fit": _fit_summary(fit),
        "text": click.unstyle(text),
    }
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


def _keep(store: Store, profile: Profile, fit: Fit, advice: Suggestion) -> int:
    """Keep fit and suggestion in the history, both or neither."""
    from calib.records import StoredFit, StoredSuggestion

    with store.transaction():
        kept = store.add(
            StoredFit(
                bottle_uid=profile.bottle.uid,
                measurement_uids=profile.measurement_uids,
                summary=_fit_summary(fit),
            ),
            at=now(),
        )
        return store.add(
            StoredSuggestion(
                bottle_uid=profile.bottle.uid,
                fit_uid=kept.uid,
                tolerance_mm=advice.tolerance_mm,
                summary=asdict(advice),
            ),
            at=now(),
        ).number


def _fit_summary(fit: Fit) -> dict[str, Any]:
    return {
        "prints": fit.prints,
        "families": [
            {
                "halo": share.family.halo,
                "squeezed": share.family.squeezed,
                "weight": float(share.weight),
            }
            for share in fit.families
        ],
        "misfit": float(fit.misfit),
        "degrees_of_freedom": float(fit.degrees_of_freedom),
        "fit_probability": float(fit.fit_probability),
        "model_u_mm": float(fit.model_u_mm),
        "squeeze_probability": float(fit.squeeze_weight),
        "unreached": list(fit.unreached),
    }


def _told(profile: Profile, advice: Suggestion, number: int) -> str:
    raised = f"{advice.bottom_layers} bottom"
    if advice.transition_layers:
        raised += f" and {advice.transition_layers} transition"
    whose = f"Suggestion {number} for {profile.bottle.value.name}"
    seconds, single = f"{advice.bottom_exposure_s:g} s", advice.single
    cautions = [*advice.cautions, CAUTIONS[0], CAUTIONS[-1]]
    return "\n".join(
        (
            f"{strong(whose)} on {profile.printer.value.name}: {advice.reason}",
            f"  bottom exposure {strong(seconds)}, {raised} layers",
            *_layer_lines(advice),
            f"  if you can set one inset only: {strong(_single(advice))}",
            f"    it leaves {_interval(single.leaves)} at layer {single.leaves_layer}",
            "  expected beyond the body's outline, with 95 % interval:",
            *_prediction_lines(advice),
            *(f"  - {caution}" for caution in cautions),
        )
    )


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
