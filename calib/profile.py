"""A bottle's profile: its prints on one printer and what was measured on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.several_photos import combine
from calib.adhesion import Outcome
from calib.observations import Observation, observe
from calib.readings import coupon_from_dict
from calib.records import Bottle, Print, Printer, StoredMeasurement
from calib.store import Entry
from calib.wall import Setting
from patterns.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from calib.store import Store
    from patterns.manifest import Manifest


def setting_of(made: Print) -> Setting:
    """Give the exposures of a recorded print."""
    raised = made.bottom_layers + made.transition_layers
    return Setting(
        layer_mm=made.layer_mm,
        normal_s=made.exposure_by_layer_s[-1],
        raised_s=made.exposure_by_layer_s[:raised],
        bottom_layers=made.bottom_layers,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """All that the records say about a bottle on a printer.

    ``prints`` are all current ones, newest last, measured or not: their outcomes tell
    where the adhesion floor lies.  ``measured`` are those whose coupon was measured,
    each with its photos combined.
    """

    bottle: Entry[Bottle]
    printer: Entry[Printer]
    prints: tuple[Entry[Print], ...]
    measured: tuple[Entry[Print], ...]
    observations: tuple[Observation, ...]
    measurement_uids: tuple[str, ...]

    @property
    def present(self) -> Setting:
        """How the newest measured print was exposed."""
        return setting_of(self.measured[-1].value)

    @property
    def outcomes(self) -> tuple[Outcome, ...]:
        """How every recorded print stayed on the plate."""
        return tuple(
            Outcome(
                outcome=made.outcome,
                bottom_exposure_s=made.bottom_exposure_s,
                bottom_layers=made.bottom_layers,
                contact_area_mm2=made.contact_area_mm2,
            )
            for made in (entry.value for entry in self.prints)
        )

    @property
    def pixel_mm(self) -> float:
        """The coarser of the printer's two pitches: insets are whole pixels of it."""
        return max(self.printer.value.pixel_x_mm, self.printer.value.pixel_y_mm)


def prints_of(
    store: Store, bottle: Entry[Bottle], printer: Entry[Printer] | None
) -> tuple[Entry[Printer], tuple[Entry[Print], ...]]:
    """Find a bottle's printer and its current prints on it.

    Parameters
    ----------
    store : Store
    bottle : Entry of Bottle
    printer : Entry of Printer or None
        None: the only printer that this bottle was printed on.

    Raises
    ------
    RecordError
        Nothing was printed, or it isn't clear on which printer.
    """
    prints = _prints_of(store, bottle)
    if printer is None:
        printer = _only_printer(store, prints, bottle)
    return printer, tuple(
        entry
        for entry in prints
        if store.latest(Printer, entry.value.printer_uid).uid == printer.uid
    )


def gather(
    store: Store,
    manifests: Iterable[Manifest],
    bottle: Entry[Bottle],
    printer: Entry[Printer],
    prints: tuple[Entry[Print], ...],
) -> Profile | None:
    """Collect what a bottle's flare coupons said; None if none was measured.

    Parameters
    ----------
    store : Store
    manifests : iterable of Manifest
        Coupons that are known.
    bottle : Entry of Bottle
    printer, prints
        As :func:`prints_of` found them.

    Raises
    ------
    RecordError
        A measured coupon's manifest isn't known.
    """
    by_print = _measurements(store)
    measured = tuple(entry for entry in prints if entry.uid in by_print)
    if not measured:
        return None
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
    )


def nothing_measured(bottle: Entry[Bottle]) -> RecordError:
    """Say that a bottle has nothing to advise from."""
    return RecordError(
        f"No coupon from bottle {bottle.value.name} is measured yet.",
        "Print a coupon, record the print and measure a photo of it; "
        "`rimgauge --help` shows the order.",
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
    """Group the current measurements of flare by the current form of their print."""
    grouped: dict[str, list[Entry[StoredMeasurement]]] = {}
    for entry in store.current(StoredMeasurement):
        if entry.value.reading.get("kind") == "rim":
            continue
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
        combine(coupons),
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
