"""Export and import: the whole history, nothing overwritten."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.exchange import export_text, import_entries, parse
from calib.readings import coupon_from_dict, coupon_to_dict
from calib.records import Bottle, Print, StoredMeasurement, WrittenBase
from calib.store import KINDS, Store
from patterns.errors import RecordError
from tests.calib.samples import (
    NOW,
    a_bottle,
    a_print,
    a_printer,
    a_reading,
    a_written_base,
    fill,
)

FORMATS = Path(__file__).parents[1] / "formats"
NOWHERE = Path("no such folder")  # an empty store in memory
NAMES = st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=12)
SECONDS = st.floats(0.05, 600.0)


def _memory() -> Store:
    return Store.open(NOWHERE, NOW, create=False)


def _exported() -> dict[str, Any]:
    with _memory() as store:
        fill(store)
        document: dict[str, Any] = json.loads(export_text(store))
        return document


@given(
    bottles=st.lists(st.tuples(NAMES, NAMES, st.text(max_size=8)), max_size=3),
    exposures=st.lists(SECONDS, min_size=1, max_size=6),
    temperature=st.none() | st.floats(0, 80),
    area=st.floats(0.1, 1e5),
)
@settings(max_examples=25, deadline=None)
def test_records_survive_export_and_import(
    bottles: list[tuple[str, str, str]],
    exposures: list[float],
    temperature: float | None,
    area: float,
) -> None:
    with _memory() as store, _memory() as other:
        printer = store.add(a_printer(), at=NOW)
        last = None
        for name, resin, note in bottles:
            bottle = Bottle(name=name, resin=resin, note=note)
            last = store.add(bottle, at=NOW, supersedes=last.uid if last else None)
        if last is not None:
            made = a_print(
                last.uid,
                printer.uid,
                exposure_by_layer_s=tuple(exposures),
                bottom_layers=1,
                temperature_c=temperature,
                contact_area_mm2=area,
            )
            store.add(made, at=NOW)
        text = export_text(store)
        import_entries(other, parse(text, "export"))
        for cls in KINDS.values():
            assert other.history(cls) == store.history(cls)
        assert export_text(other) == text


def test_a_whole_history_survives_and_importing_twice_adds_nothing() -> None:
    with _memory() as store, _memory() as other:
        fill(store)
        entries = parse(export_text(store), "export")
        assert import_entries(other, entries) == len(entries)
        assert import_entries(other, entries) == 0
        assert export_text(other) == export_text(store)
        assert other.current(Print) == store.current(Print)


def test_an_import_that_contradicts_changes_nothing() -> None:
    with _memory() as store:
        bottle = store.add(a_bottle(), at=NOW)
        other = replace(bottle, value=a_bottle(resin="something else"))
        more = replace(bottle, uid="f" * 32)
        with pytest.raises(RecordError, match="differs"):
            import_entries(store, (more, other))
        assert store.history(Bottle) == (bottle,)


def test_all_faults_are_told_at_once() -> None:
    document = _exported()
    lines = document["entries"]
    next(x for x in lines if x["kind"] == "print")["value"]["layer_mm"] = -1
    next(x for x in lines if x["kind"] == "bottle")["value"]["colour"] = "grey"
    next(x for x in lines if x["kind"] == "printer")["value"]["surface"] = "wet"
    with pytest.raises(RecordError) as caught:
        parse(json.dumps(document), "file.json")
    for word in ("file.json", "layer_mm", "colour", "surface"):
        assert word in caught.value.message


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "not JSON"),
        ("[]", "not an export"),
        ('{"rimgauge_records": 3, "entries": []}', "schema 3"),
        ('{"rimgauge_records": 1, "entries": [{"kind": "cake"}]}', "damaged"),
        ('{"rimgauge_records": 1, "entries": [], "more": 1}', "damaged"),
    ],
)
def test_what_is_no_export_is_refused(text: str, said: str) -> None:
    with pytest.raises(RecordError, match=said):
        parse(text, "file.json")


def test_an_export_of_schema_1_opens_for_ever() -> None:
    text = (FORMATS / "export-1.json").read_text(encoding="utf-8")
    with _memory() as store:
        assert import_entries(store, parse(text, "export-1.json")) == 11
        assert export_text(store) == text
        (measurement,) = store.current(StoredMeasurement)
        assert coupon_from_dict(measurement.value.reading).flare is not None


def test_an_export_of_schema_2_opens_for_ever() -> None:
    text = (FORMATS / "export-2.json").read_text(encoding="utf-8")
    with _memory() as store:
        assert import_entries(store, parse(text, "export-2.json")) == 12
        assert export_text(store) == text
        (base,) = store.current(WrittenBase)
        assert (base.value.copies, base.value.guess) == (2, False)


def test_records_that_an_older_program_knows_are_exported_for_it() -> None:
    with _memory() as store:
        store.add(a_bottle(), at=NOW)
        assert json.loads(export_text(store))["rimgauge_records"] == 1
        printer = store.add(a_printer(), at=NOW)
        store.add(a_written_base(None, printer.uid, guess=True), at=NOW)
        assert json.loads(export_text(store))["rimgauge_records"] == 2


def test_a_measurement_is_kept_whole() -> None:
    before = a_reading()
    text = json.dumps(coupon_to_dict(before))
    after = coupon_from_dict(json.loads(text))
    assert after.growth_cov_mm2.tolist() == before.growth_cov_mm2.tolist()
    empty = {"growth_cov_mm2": None}
    assert coupon_to_dict(after) | empty == coupon_to_dict(before) | empty
    assert after.flare == before.flare
    assert after.teeth == before.teeth


def test_a_measurement_of_another_shape_is_refused() -> None:
    with pytest.raises(RecordError, match="Measure the photo again"):
        coupon_from_dict(coupon_to_dict(a_reading()) | {"surprise": 1})
