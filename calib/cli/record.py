"""``rimgauge record``: bottles, printers and prints as they really were."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from calib.cli.exposures import SecondsList
from calib.cli.output import Report, keeps_records, now, open_store, reports, require

if TYPE_CHECKING:
    from pathlib import Path

    from calib.records import Print, Printer, Record
    from calib.store import Entry, Store
    from patterns.manifest import Manifest
    from patterns.rim_manifest import RimManifest

UNKNOWN, NO_COUPON = "unknown", "none"

_corrects = click.option(
    "--corrects",
    type=int,
    metavar="NUMBER",
    help="Number of the record that this one corrects; what you leave out stays as it "
    "was. The old one remains in the history.",
)
_note = click.option("--note", help="Anything worth remembering.")


@click.group()
def record() -> None:
    """Record a printer, a bottle, or a print with its outcome.

    Nothing is ever overwritten: a correction (--corrects NUMBER) stands beside the old
    record.  What you leave out is asked for, never assumed.
    """


@record.command()
@click.argument("name")
@click.option(
    "--pixel-x-mm", type=float, help="Pixel pitch along the plate's long side."
)
@click.option("--pixel-y-mm", type=float, help="Pixel pitch along its short side.")
@click.option("--plate-x-mm", type=float, help="Long side of the build plate.")
@click.option("--plate-y-mm", type=float, help="Short side of the build plate.")
@click.option(
    "--surface",
    type=click.Choice(["rigid", "flexible"]),
    help="Plate surface: rigid metal, or a flexible sheet on it.",
)
@click.option(
    "--relevelled-on", metavar="YYYY-MM-DD", help="Day the plate was last levelled."
)
@_note
@_corrects
@keeps_records
@reports
def printer(
    name: str,
    *,
    data_dir: Path,
    corrects: int | None,
    **values: Any,  # noqa: ANN401 click's
) -> Report:
    """Record a printer under a NAME of your own.

    \b
    Example:
      rimgauge record printer bench --pixel-x-mm 0.05 --pixel-y-mm 0.05 \\
        --plate-x-mm 143 --plate-y-mm 89 --surface rigid --relevelled-on 2026-05-31
    """  # noqa: D301 \b is click's mark
    from calib.filing import refuse_second_name
    from calib.records import Printer

    with open_store(data_dir) as store:
        old = store.get(Printer, corrects) if corrects is not None else None
        values = _completed(values, old)
        kept = old.uid if old else None
        refuse_second_name(store.current(Printer), "printer", name, kept)
        return _kept(store, Printer(name=name, **values), old)


@record.command()
@click.argument("name")
@click.option("--resin", help="What the label says.")
@click.option("--batch", help="Batch or date on the bottle.")
@_note
@_corrects
@keeps_records
@reports
def bottle(
    name: str,
    *,
    data_dir: Path,
    corrects: int | None,
    **values: Any,  # noqa: ANN401 click's
) -> Report:
    """Record a bottle of resin under a NAME of your own.

    Every bottle is its own record, also of the same resin: batches differ.

    \b
    Example:
      rimgauge record bottle grey-may --resin "grey, standard" --batch 0517
    """  # noqa: D301 \b is click's mark
    from calib.filing import refuse_second_name
    from calib.records import Bottle

    values["batch"] = values["batch"] or (None if corrects is not None else "")
    with open_store(data_dir) as store:
        old = store.get(Bottle, corrects) if corrects is not None else None
        values = _completed(values, old)
        kept = old.uid if old else None
        refuse_second_name(store.current(Bottle), "bottle", name, kept)
        return _kept(store, Bottle(name=name, **values), old)


@record.command("print")
@click.option("--bottle", help="Name of the bottle it was printed from.")
@click.option("--printer", help="Name of the printer.")
@click.option(
    "--coupon",
    metavar="ID",
    help="The id of the coupon or set of tiles as its sheet shows it, or `none` for "
    "another part, which tells about adhesion only.",
)
@click.option(
    "--as-on-sheet",
    is_flag=True,
    help="Layer height, layers and exposures were those on the sheet.  A set of tiles "
    "leaves bottom and transition layers to you.",
)
@click.option("--layer-mm", type=float, help="Layer height.")
@click.option("--layers", type=int, help="Number of layers that the slicer shows.")
@click.option("--bottom-layers", type=int, help="Number of bottom layers.")
@click.option("--bottom-exposure-s", type=float, help="Exposure of each bottom layer.")
@click.option(
    "--transition-exposures-s",
    type=SecondsList(),
    help="Exposure of each transition layer, as 20,14,8, or `none`.",
)
@click.option("--normal-exposure-s", type=float, help="Exposure of all other layers.")
@click.option(
    "--wait-before-exposure-s",
    type=float,
    help="Pause between the plate's arrival and the light.",
)
@click.option(
    "--temperature-c", metavar="DEGREES", help="Resin temperature, or `unknown`."
)
@click.option(
    "--outcome",
    type=click.Choice(["held", "partly", "fell off"]),
    help="Did it stay on the plate?",
)
@click.option(
    "--contact-area-mm2",
    type=float,
    help="Area on the plate; that of a coupon or set of tiles is known.",
)
@click.option(
    "--note",
    help="Anything worth remembering, such as edge smoothing or a size or bottom "
    "compensation that was on: the coupon measures those too.",
)
@_corrects
@keeps_records
@reports
def print_(
    *,
    data_dir: Path,
    corrects: int | None,
    as_on_sheet: bool,
    **values: Any,  # noqa: ANN401 click's
) -> Report:
    """Record a print: what was really set, and whether it stayed on the plate.

    The exposures recorded here feed the fit, not those the coupon was made for.  Also
    record parts that fell off: they teach where the adhesion floor lies.

    \b
    Examples:
      rimgauge record print --bottle grey-may --printer bench \\
        --coupon flare-0017-ab12cd34 --as-on-sheet --wait-before-exposure-s 1 \\
        --temperature-c 23 --outcome held
      rimgauge record print --corrects 3 --outcome partly
    """  # noqa: D301 \b is click's mark
    from calib.records import Print

    with open_store(data_dir) as store:
        old = store.get(Print, corrects) if corrects is not None else None
        known = _words_of(old.value, store) if old is not None else {}
        names = ("bottle", "printer", "coupon")
        known |= require(**{name: values[name] or known.get(name) for name in names})
        manifest = _manifest_of(store, known["coupon"])
        if as_on_sheet:
            known |= _sheet_of(manifest)
        return _kept(store, _print_of(store, _said(values, known), manifest), old)


def _print_of(
    store: Store, values: dict[str, Any], manifest: Manifest | RimManifest | None
) -> Print:
    """Make the record from complete or asked-for values, checked against the coupon."""
    from calib.cli.known import identity
    from calib.contact import contact_area_mm2
    from calib.filing import by_name
    from calib.records import Bottle, Print, Printer
    from patterns.manifest import Manifest

    if not isinstance(manifest, Manifest):
        # neither adhesion nor a rim depends on the exact number of layers
        values["layers"] = values["layers"] or 0
    if manifest is not None and values["contact_area_mm2"] is None:
        values["contact_area_mm2"] = contact_area_mm2(manifest)
    optional = {"note": values.pop("note") or ""}
    values = require(**values) | optional
    printer = by_name(store.current(Printer), "printer", values["printer"])
    bottle = by_name(store.current(Bottle), "bottle", values["bottle"])
    transition = values["transition_exposures_s"]
    raised = (values["bottom_exposure_s"],) * values["bottom_layers"] + transition
    rest = max(values["layers"] - len(raised), 1)
    made = Print(
        bottle_uid=bottle.uid,
        printer_uid=printer.uid,
        coupon_id=identity(manifest) if manifest else None,
        exposure_by_layer_s=raised + (values["normal_exposure_s"],) * rest,
        bottom_layers=values["bottom_layers"],
        transition_layers=len(transition),
        layer_mm=values["layer_mm"],
        wait_before_exposure_s=values["wait_before_exposure_s"],
        temperature_c=_temperature(values["temperature_c"]),
        outcome=values["outcome"],
        contact_area_mm2=values["contact_area_mm2"],
        note=values["note"],
    )
    if manifest is not None:
        _check(made, printer.value, manifest)
    return made


def _check(made: Print, printer: Printer, manifest: Manifest | RimManifest) -> None:
    from calib.filing import check_print, check_rim_print
    from patterns.rim_manifest import RimManifest

    if isinstance(manifest, RimManifest):
        check_rim_print(made, printer, manifest)
    else:
        check_print(made, printer, manifest)


def _temperature(text: str) -> float | None:
    if str(text) == UNKNOWN:
        return None
    try:
        return float(text)
    except ValueError:
        raise click.BadParameter(
            f"{text!r} is neither a number nor the word {UNKNOWN}.",
            param_hint="--temperature-c",
        ) from None


def _manifest_of(store: Store, coupon: str) -> Manifest | RimManifest | None:
    from calib.cli.known import identity, manifests_for
    from patterns.errors import RecordError

    if coupon == NO_COUPON:
        return None
    known = {identity(manifest): manifest for manifest in manifests_for(store, ())}
    if coupon in known:
        return known[coupon]
    names = ", ".join(known)
    raise RecordError(
        f"No coupon {coupon} is known.",
        f"Known are {names}. For a part that is no coupon say --coupon {NO_COUPON}.",
    )


def _sheet_of(manifest: Manifest | RimManifest | None) -> dict[str, Any]:
    from patterns.rim_manifest import RimManifest

    if manifest is None:
        raise click.UsageError("--as-on-sheet is for coupons; this part has no sheet.")
    spec = manifest.spec
    if isinstance(manifest, RimManifest):
        exposure = {"normal_exposure_s": spec["normal_exposure_s"]}
        return {"layer_mm": manifest.layer_mm, **exposure}
    wait = spec["wait_before_exposure_s"]
    stated = {} if wait is None else {"wait_before_exposure_s": wait}
    return {
        **stated,
        "layer_mm": manifest.layer_mm,
        "layers": manifest.layers,
        "bottom_layers": len(spec["bottom_exposures_s"]),
        "bottom_exposure_s": spec["bottom_exposures_s"][0],
        "transition_exposures_s": tuple(spec["transition_exposures_s"]),
        "normal_exposure_s": spec["normal_exposure_s"],
    }


def _words_of(old: Print, store: Store) -> dict[str, Any]:
    """Say an old print in the words of the options."""
    from calib.records import Bottle, Printer

    raised = old.bottom_layers + old.transition_layers
    temperature = UNKNOWN if old.temperature_c is None else str(old.temperature_c)
    return {
        "bottle": store.latest(Bottle, old.bottle_uid).value.name,
        "printer": store.latest(Printer, old.printer_uid).value.name,
        "coupon": old.coupon_id or NO_COUPON,
        "layer_mm": old.layer_mm,
        "layers": len(old.exposure_by_layer_s),
        "bottom_layers": old.bottom_layers,
        "bottom_exposure_s": old.bottom_exposure_s,
        "transition_exposures_s": old.exposure_by_layer_s[old.bottom_layers : raised],
        "normal_exposure_s": old.exposure_by_layer_s[-1],
        "wait_before_exposure_s": old.wait_before_exposure_s,
        "temperature_c": temperature,
        "outcome": old.outcome,
        "contact_area_mm2": old.contact_area_mm2,
        "note": old.note,
    }


def _said(values: dict[str, Any], otherwise: dict[str, Any]) -> dict[str, Any]:
    """Take what was said; where nothing was, what stands otherwise."""
    said = {name: value for name, value in values.items() if value is not None}
    return values | otherwise | said


def _completed(values: dict[str, Any], old: Entry[Any] | None) -> dict[str, Any]:
    """Fill in from the corrected record, or ask; a note may be missing."""
    if old is not None:
        before = {name: getattr(old.value, name) for name in values}
        return _said(values, before)
    note = values.pop("note")
    return require(**values) | {"note": note or ""}


def _kept(store: Store, value: Record, old: Entry[Any] | None) -> Report:
    """Append a record and say so."""
    kind = type(value).__name__.lower()
    entry = store.add(value, at=now(), supersedes=old.uid if old else None)
    instead = f", which corrects {kind} {old.number}" if old else ""
    return Report(
        document={"ok": True, "kind": kind, "number": entry.number, "uid": entry.uid},
        text=f"Recorded {kind} {entry.number}{instead}.",
    )
