"""Which record belongs to which: rules over plain values, nothing that stores."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from patterns.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Container, Sequence

    from calib.records import Bottle, Print, Printer
    from calib.store import Entry
    from patterns.manifest import Manifest
    from patterns.rim_manifest import RimManifest

Thing = TypeVar("Thing", "Bottle", "Printer")

_MAKE_NEW = "make a coupon for these settings with `rimgauge coupon flare`."
_MAKE_SET = "make a set for these settings with `rimgauge coupon rims`."
_TOLERANCE_MM = 1e-6  # nominal values typed by a person: equal or not


def check_print(made: Print, printer: Printer, manifest: Manifest) -> None:
    """Refuse a coupon's print that can't be the coupon of this manifest.

    Exposures may differ from the coupon's own: the record of the print is what counts.
    Its geometry may not.

    Raises
    ------
    RecordError
        Layer height, layer count or pixel differ, or raised exposures reach the body.
    """
    _check_raster(made, printer, manifest, f"coupon {manifest.coupon_id}", _MAKE_NEW)
    if len(made.exposure_by_layer_s) != manifest.layers:
        raise RecordError(
            f"The print's layer count is {len(made.exposure_by_layer_s)} layers, but "
            f"coupon {manifest.coupon_id} is made for {manifest.layers} layers.",
            f"Correct the number, or {_MAKE_NEW}",
        )
    raised = made.bottom_layers + made.transition_layers
    if raised > manifest.foot_layers - 2:
        raise RecordError(
            f"{raised} bottom and transition layers are too many for coupon "
            f"{manifest.coupon_id}, whose foot is {manifest.foot_layers} layers.",
            f"Print it with fewer, or {_MAKE_NEW}",
        )


def check_rim_print(made: Print, printer: Printer, manifest: RimManifest) -> None:
    """Refuse a set's print that can't be the set of this manifest.

    Raises
    ------
    RecordError
        Layer height or pixel differ.
    """
    _check_raster(made, printer, manifest, f"set {manifest.set_id}", _MAKE_SET)


def _check_raster(
    made: Print,
    printer: Printer,
    manifest: Manifest | RimManifest,
    what: str,
    make_new: str,
) -> None:
    pairs = (
        ("layer height", made.layer_mm, manifest.layer_mm),
        ("pixel along x", printer.pixel_x_mm, manifest.pixel_x_mm),
        ("pixel along y", printer.pixel_y_mm, manifest.pixel_y_mm),
    )
    for name, recorded, designed in pairs:
        if abs(recorded - designed) > _TOLERANCE_MM:
            raise RecordError(
                f"The print's {name} is {recorded:g} mm, but {what} is made for "
                f"{designed:g} mm.",
                f"Correct the number, or {make_new}",
            )


def print_for(
    coupon_id: str,
    prints: Sequence[Entry[Print]],
    measured: Container[str],
    named: int | None,
) -> Entry[Print]:
    """Choose the print under which a coupon's measurement is filed.

    It is the one that the user names, or the only one not yet measured.

    Parameters
    ----------
    coupon_id : str
        The coupon that was measured.
    prints : sequence of Entry
        The current prints.
    measured : container of str
        The uids of those that have a measurement.
    named : int or None
        Number of the print that the user named.

    Raises
    ------
    RecordError
        No such print, a print of another coupon, or more than one that it could be.
    """
    if named is not None:
        return _named(coupon_id, prints, named)
    mine = [entry for entry in prints if entry.value.coupon_id == coupon_id]
    waiting = [entry for entry in mine if entry.uid not in measured]
    if len(waiting) == 1:
        return waiting[0]
    if not mine:
        raise RecordError(
            f"No print of coupon {coupon_id} is recorded.",
            "Record it with `rimgauge record print`, then measure again.",
        )
    numbers = ", ".join(str(entry.number) for entry in waiting or mine)
    why = "wait to be measured" if waiting else "are measured already"
    raise RecordError(
        f"It isn't clear which print of coupon {coupon_id} this is: {numbers} {why}.",
        "Name it with --print.",
    )


def by_name(entries: Sequence[Entry[Thing]], kind: str, name: str) -> Entry[Thing]:
    """Find the current record of a name.

    Raises
    ------
    RecordError
        There is none; those that there are get named.
    """
    for entry in entries:
        if entry.value.name == name:
            return entry
    known = ", ".join(entry.value.name for entry in entries) or "none yet"
    raise RecordError(
        f"No {kind} is called {name}.",
        f"Recorded: {known}. `rimgauge record {kind}` records another.",
    )


def only_one(
    entries: Sequence[Entry[Thing]], kind: str, name: str | None
) -> Entry[Thing]:
    """Find the record that the user named, or the only one there is.

    Raises
    ------
    RecordError
        None, or several and no name.
    """
    if name is not None:
        return by_name(entries, kind, name)
    if len(entries) == 1:
        return entries[0]
    if not entries:
        raise RecordError(
            f"No {kind} is recorded.", f"Record one with `rimgauge record {kind}`."
        )
    known = ", ".join(entry.value.name for entry in entries)
    raise RecordError(
        f"More than one {kind} is recorded: {known}.", f"Name one with --{kind}."
    )


def refuse_second_name(
    entries: Sequence[Entry[Thing]], kind: str, name: str, corrected: str | None
) -> None:
    """Refuse a name that another current record has.

    Parameters
    ----------
    entries : sequence of Entry
        Current records of the kind.
    kind, name : str
        What is to be recorded.
    corrected : str or None
        The uid of the record that is being corrected; it may keep its name.

    Raises
    ------
    RecordError
        The name is taken.
    """
    for entry in entries:
        if entry.value.name == name and entry.uid != corrected:
            raise RecordError(
                f"A {kind} called {name} is recorded already, as {kind} "
                f"{entry.number}.",
                f"Correct it with --corrects {entry.number}, or choose another name.",
            )


def _named(coupon_id: str, prints: Sequence[Entry[Print]], named: int) -> Entry[Print]:
    for entry in prints:
        if entry.number == named:
            if entry.value.coupon_id == coupon_id:
                return entry
            raise RecordError(
                f"Print {named} is a print of {entry.value.coupon_id or 'no coupon'}, "
                f"but the photo shows coupon {coupon_id}.",
                "Name another print with --print.",
            )
    raise RecordError(
        f"Print {named} is not recorded.", "`rimgauge history` lists the prints."
    )
