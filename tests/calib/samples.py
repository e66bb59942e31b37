"""Invented records for tests."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.result import Component, CouponMeasurement, Quantity, ToothReading
from calib.readings import coupon_to_dict
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
from calib.store import Entry

if TYPE_CHECKING:
    from calib.store import Store
    from patterns.manifest import Manifest

NOW = datetime(2026, 5, 31, 12, 0, 0, tzinfo=UTC)
COUPON_ID = "flare-0001-0123abcd"


def a_bottle(**changes: Any) -> Bottle:  # noqa: ANN401 any field
    bottle = Bottle(name="grey", resin="invented grey", batch="1")
    return replace(bottle, **changes)


def a_printer(**changes: Any) -> Printer:  # noqa: ANN401 any field
    printer = Printer(
        name="bench",
        pixel_x_mm=0.05,
        pixel_y_mm=0.05,
        plate_x_mm=143.0,
        plate_y_mm=89.0,
        surface="rigid",
        relevelled_on="2026-05-30",
    )
    return replace(printer, **changes)


def a_print(bottle_uid: str, printer_uid: str, **changes: Any) -> Print:  # noqa: ANN401 any field
    made = Print(
        bottle_uid=bottle_uid,
        printer_uid=printer_uid,
        coupon_id=COUPON_ID,
        exposure_by_layer_s=(30.0,) * 5 + (2.5,) * 19,
        bottom_layers=5,
        transition_layers=0,
        layer_mm=0.05,
        wait_before_exposure_s=1.0,
        temperature_c=23.0,
        outcome="held",
        contact_area_mm2=2800.0,
    )
    return replace(made, **changes)


def a_written_base(
    bottle_uid: str | None,
    printer_uid: str,
    **changes: Any,  # noqa: ANN401 any field
) -> WrittenBase:
    written = WrittenBase(
        bottle_uid=bottle_uid,
        printer_uid=printer_uid,
        name="oval 60x35",
        source="oval 60x35.stl",
        source_sha256="1" * 64,
        printed_as="flat",
        guess=False,
        copies=2,
        summary={"inset_mm": [0.25, 0.2, 0.1]},
    )
    return replace(written, **changes)


def a_reading() -> CouponMeasurement:
    """One tooth a side, a flare, and no body growth."""
    teeth = tuple(
        ToothReading(
            name=f"{side}01",
            side=side,
            role="inset",
            inset_mm=0.0,
            start_layer=0,
            growth_mm=0.21,
            u_growth_mm=0.004,
            used=True,
            reason=None,
            px=(100.25, 200.5),
        )
        for side in ("a", "b")
    )
    return CouponMeasurement(
        coupon_id=COUPON_ID,
        kind="flare",
        part_scale=0.998,
        u_part_scale=0.0004,
        flare=Quantity(
            value_mm=0.2,
            u_mm=0.004,
            method="hinge of both ladders",
            budget=(Component(name="ruler", u_mm=0.001),),
        ),
        flare_upper_mm=None,
        body_growth=None,
        flush_inset=None,
        teeth=teeth,
        covariance_names=("a01", "b01"),
        growth_cov_mm2=np.array([[1.6e-5, 4e-6], [4e-6, 1.6e-5]]),
        warnings=("One tooth only.",),
        reasons={"body_growth_mm": "Bar and slot lie in shadow."},
    )


def a_whole_reading(
    manifest: Manifest, growth_mm: dict[str, float]
) -> CouponMeasurement:
    """Every tooth of a coupon read with 4 um, 2 um of it shared."""
    teeth = tuple(
        ToothReading(
            name=tooth.name,
            side=tooth.side,
            role=tooth.role,
            inset_mm=tooth.inset_mm,
            start_layer=tooth.start_layer,
            growth_mm=growth_mm[tooth.name],
            u_growth_mm=0.004,
            used=True,
            reason=None,
            px=(0.0, 0.0),
        )
        for tooth in manifest.teeth
    )
    count = len(teeth)
    return replace(
        a_reading(),
        coupon_id=manifest.coupon_id,
        teeth=teeth,
        covariance_names=tuple(tooth.name for tooth in teeth),
        growth_cov_mm2=1.2e-5 * np.eye(count) + 4e-6 * np.ones((count, count)),
    )


@dataclass(frozen=True)
class Filled:
    """A store with a record of every kind, a correction and a withdrawal."""

    bottle: Entry[Bottle]
    printer: Entry[Printer]
    made: Entry[Print]
    measurement: Entry[StoredMeasurement]


def fill(store: Store) -> Filled:
    first = store.add(a_bottle(resin="invented gray"), at=NOW)
    bottle = store.add(a_bottle(), at=NOW, supersedes=first.uid)
    printer = store.add(a_printer(), at=NOW)
    store.add(
        MadeCoupon(coupon_id=COUPON_ID, code=1, manifest_json='{"schema": 1}'), at=NOW
    )
    twice = store.add(a_print(bottle.uid, printer.uid), at=NOW)
    made = store.add(a_print(bottle.uid, printer.uid, temperature_c=None), at=NOW)
    store.add(Withdrawal(of_uid=twice.uid, because="entered twice"), at=NOW)
    measurement = store.add(
        StoredMeasurement(
            print_uid=made.uid,
            coupon_id=COUPON_ID,
            photo="invented.jpg",
            photo_sha256="0" * 64,
            reading=coupon_to_dict(a_reading()),
        ),
        at=NOW,
    )
    fit = store.add(
        StoredFit(
            bottle_uid=bottle.uid,
            measurement_uids=(measurement.uid,),
            summary={"prints": 1},
        ),
        at=NOW,
    )
    suggestion = store.add(
        StoredSuggestion(
            bottle_uid=bottle.uid,
            fit_uid=fit.uid,
            tolerance_mm=0.05,
            summary={"reason": "Exposure is not your lever: inset 0.11 mm."},
        ),
        at=NOW,
    )
    store.add(Accepted(suggestion_uid=suggestion.uid, note="insets only"), at=NOW)
    store.add(a_written_base(bottle.uid, printer.uid), at=NOW)
    return Filled(bottle, printer, made, measurement)
