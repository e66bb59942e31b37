"""A bottle's profile: its prints on one printer and what was measured on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.combine import combine

from calib.observations import Observation, observe
from calib.readings import coupon_from_dict
from calib.records import Bottle, Print, Printer, StoredMeasurement
from calib.store import Entry
from patterns.errors import RecordError
from patterns.manifest import Manifest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from calib.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """All that the records say about a bottle on a printer.

    ``prints`` are all current ones, newest last, measured or not: their outcomes tell
    where the adhesion floor lies.  ``measured`` are those whose coupon was measured,
    each with its photos combined; ``manifest`` belongs to the newest of them.
    """

    bottle: Entry[Bottle]
    printer: Entry[Printer]
    prints: tuple[Entry[Print], ...]
    measured: tuple[Entry[Print], ...]
    observations: tuple[Observation, ...]
    measurement_uids: tuple[str, ...]
    manifest: Manifest


def gather(
    store: Store,
    manifests: Iterable[Manifest],
    bottle: Entry[Bottle],
    printer: Entry[Printer] | None,
) -> Profile:
    """Collect a bottle's profile.

    Parameters
    ----------
    store : Store
    manifests : iterable of Manifest
        Coupons that are known.
    bottle : Entry of Bottle
    printer : Entry of Printer or None
        None: the only printer that this bottle was printed on.

    Raises
    ------
    RecordError
        Nothing was measured, or it isn't clear on which printer.
    """
    prints = _prints_of(store, bottle)
    if printer is None:
        printer = _only_printer(store, prints, bottle)
    prints = tuple(
        entry
        for entry in prints
        if store.latest(Printer, entry.value.printer_uid).uid == printer.uid
    )
    by_print = _measurements(store)
    measured = tuple(entry for entry in prints if entry.uid in by_print)
    if not measured:
        raise RecordError(
            f"No coupon from bottle {bottle.value.name} is measured yet.",
            "Print a coupon, record the print and measure a photo of it; "
            "`rimgauge --help` shows the order.",
        )
    known = {manifest.coupon_id: manifest for manifest in manifests}
    return Profile(
        bottle=bottle,
        printer=printer,
        prints=prints,
        measured=measured,
        observations=tuple(
            _observation(entry.value, by_print[entry.uid], known) for entry in measured
        ),
        measurement_uids=tuple(
            found.uid for entry in measured for found in by_print[entry.uid]
        ),
        manifest=_manifest(measured[-1].value, known),
    )


def _prints_of(store: Store, bottle: Entry[Bottle]) -> tuple[Entry[Print], ...]:
    return tuple(
        entry
        for entry in store.current(Print)
        if store.latest(Bottle, entry.value.bottle_uid).uid == bottle.uid
    )


def _only_printer(
    store: Store, prints: tuple[Entry[Print], ...], bottle: Entry[Bottle]
) -> Entry[Printer]:
    found = {
        entry.uid: entry
        for entry in (store.latest(Printer, p.value.printer_uid) for p in prints)
    }
    if len(found) == 1:
        return next(iter(found.values()))
    if not found:
        raise RecordError(
            f"No print from bottle {bottle.value.name} is recorded.",
            "Record one with `rimgauge record print`.",
        )
    names = ", ".join(entry.value.name for entry in found.values())
    raise RecordError(
        f"Bottle {bottle.value.name} was printed on more than one printer: {names}.",
        "Name one with --printer.",
    )


def _measurements(store: Store) -> dict[str, list[Entry[StoredMeasurement]]]:
    """Group the current measurements by the current form of their print."""
    grouped: dict[str, list[Entry[StoredMeasurement]]] = {}
    for entry in store.current(StoredMeasurement):
        current = store.latest(Print, entry.value.print_uid)
        grouped.setdefault(current.uid, []).append(entry)
    return grouped


def _observation(
    made: Print,
    measurements: list[Entry[StoredMeasurement]],
    known: Mapping[str, Manifest],
) -> Observation:
    coupons = tuple(coupon_from_dict(entry.value.reading) for entry in measurements)
    return observe(
        _manifest(made, known),
        combine(coupons) if len(coupons) > 1 else coupons[0],
        made.exposure_by_layer_s,
        made.layer_mm,
    )


def _manifest(made: Print, known: Mapping[str, Manifest]) -> Manifest:
    coupon_id = made.coupon_id or ""
    if coupon_id not in known:
        raise RecordError(
            f"The manifest of coupon {coupon_id} is not in the records.",
            "Import the records it was made in, or make it again with "
            "`rimgauge coupon flare`.",
        )
    return known[coupon_id]
