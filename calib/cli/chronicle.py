"""The history in words: one line for each record."""

from __future__ import annotations

from functools import singledispatch
from typing import TYPE_CHECKING, Any

from calib.records import (
    Accepted,
    Bottle,
    MadeCoupon,
    Print,
    Printer,
    StoredFit,
    StoredMeasurement,
    StoredSuggestion,
    Withdrawal,
    WrittenBase,
)
from calib.store import KINDS

if TYPE_CHECKING:
    from calib.store import Entry, Store

_PRINTED_AS = {
    "tilted": "tilted on supports",
    "lipped": "tilted with the lip",
    "flat": "flat on the plate",
}


def chronicle(store: Store, *, everything: bool) -> list[tuple[str, str, int, str]]:
    """List time, kind, number and gist of the records, oldest first."""
    counting = current_uids(store)
    numbers = {
        entry.uid: f"{kind} {entry.number}"
        for kind, cls in KINDS.items()
        for entry in store.history(cls)
    }
    rows = []
    for kind, cls in KINDS.items():
        for entry in store.history(cls):
            if everything or entry.uid in counting:
                told = _told(entry, numbers, counts=entry.uid in counting)
                rows.append((entry.recorded_at_utc, kind, entry.number, told))
    return sorted(rows)


def current_uids(store: Store) -> frozenset[str]:
    """Collect the records that count."""
    return frozenset(
        entry.uid for cls in KINDS.values() for entry in store.current(cls)
    )


def _told(entry: Entry[Any], numbers: dict[str, str], *, counts: bool) -> str:
    told = gist(entry.value, numbers)
    if entry.supersedes:
        told += f"; corrects {numbers[entry.supersedes]}"
    return told if counts else f"({told}; no longer counts)"


@singledispatch
def gist(value: object, numbers: dict[str, str]) -> str:
    """Say a record in one line; ``numbers`` names other records by their uid."""
    raise TypeError(type(value), numbers)


@gist.register
def _(value: Bottle, _numbers: dict[str, str]) -> str:
    return ", ".join(part for part in (value.name, value.resin, value.batch) if part)


@gist.register
def _(value: Printer, _numbers: dict[str, str]) -> str:
    return (
        f"{value.name}, pixel {value.pixel_x_mm:g} x {value.pixel_y_mm:g} mm, "
        f"{value.surface} plate, levelled {value.relevelled_on}"
    )


@gist.register
def _(value: MadeCoupon, _numbers: dict[str, str]) -> str:
    return value.coupon_id


@gist.register
def _(value: Print, numbers: dict[str, str]) -> str:
    what = value.coupon_id or f"a part of {value.contact_area_mm2:.0f} mm2"
    return (
        f"{what} from {numbers[value.bottle_uid]} on {numbers[value.printer_uid]}: "
        f"{value.bottom_layers} x {value.bottom_exposure_s:g} s, then "
        f"{value.exposure_by_layer_s[-1]:g} s; {value.outcome}"
    )


@gist.register
def _(value: StoredMeasurement, numbers: dict[str, str]) -> str:
    if value.reading.get("kind") == "rim":
        return f"{value.photo}, {numbers[value.print_uid]}: {_rim_gist(value)}"
    flare = value.reading.get("flare")
    read = f"flare {flare['value_mm']:.3f} mm" if flare else "no number for the flare"
    return f"{value.photo}, {numbers[value.print_uid]}: {read}"


def _rim_gist(value: StoredMeasurement) -> str:
    told = [
        f"{name} {value.reading['values'][name]['value_mm']:.3f} mm"
        for name in ("sag", "form")
        if name in value.reading["values"]
    ]
    return f"{value.coupon_id}, {', '.join(told) or 'neither sag nor form'}"


@gist.register
def _(value: StoredFit, numbers: dict[str, str]) -> str:
    count = len(value.measurement_uids)
    return f"{numbers[value.bottle_uid]}, from {count} measurements"


@gist.register
def _(value: StoredSuggestion, numbers: dict[str, str]) -> str:
    tilted = value.summary.get("rim") or {}
    reasons = (value.summary.get("reason"), tilted.get("reason"))
    reason = " ".join(said for said in reasons if said)
    return f"{numbers[value.bottle_uid]}: {reason}".removesuffix(": ")


@gist.register
def _(value: Accepted, numbers: dict[str, str]) -> str:
    return f"{numbers[value.suggestion_uid]} taken over; {value.note}".removesuffix(
        "; "
    )


@gist.register
def _(value: WrittenBase, numbers: dict[str, str]) -> str:
    bottle = f" for {numbers[value.bottle_uid]}" if value.bottle_uid else ""
    several = f"{value.copies} of " if value.copies > 1 else ""
    told = f"{several}{value.name}{bottle} on {numbers[value.printer_uid]}: "
    told += _PRINTED_AS[value.printed_as]
    return f"{told}; a guess, not measured" if value.guess else told


@gist.register
def _(value: Withdrawal, numbers: dict[str, str]) -> str:
    return f"{numbers.get(value.of_uid, value.of_uid)}: {value.because}"
