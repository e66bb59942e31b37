"""The records: what goes in comes out, and nothing is ever lost."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

import pytest

from calib.records import Bottle, MadeCoupon, Print, StoredMeasurement, Withdrawal
from calib.store import FILE_NAME, KINDS, Store
from patterns.errors import RecordError
from tests.calib.samples import NOW, a_bottle, a_print, a_printer, fill

if TYPE_CHECKING:
    from pathlib import Path


def test_every_kind_of_record_comes_back_as_it_went_in(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        filled = fill(store)
        before = {kind: store.history(cls) for kind, cls in KINDS.items()}
    with Store.open(tmp_path, NOW) as store:
        after = {kind: store.history(cls) for kind, cls in KINDS.items()}
        assert store.latest(Print, filled.made.uid).value == filled.made.value
    assert after == before
    assert all(after.values()), "the sample has every kind"


def test_a_correction_stands_for_the_old_record_and_the_history_stays(
    tmp_path: Path,
) -> None:
    with Store.open(tmp_path, NOW) as store:
        old = store.add(a_bottle(batch="1"), at=NOW)
        new = store.add(a_bottle(batch="2"), at=NOW, supersedes=old.uid)
        assert store.current(Bottle) == (new,)
        assert store.history(Bottle) == (old, new)
        assert store.latest(Bottle, old.uid) == new
        with pytest.raises(RecordError, match="corrected or withdrawn"):
            store.get(Bottle, old.number)


def test_a_record_is_corrected_once_only(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        old = store.add(a_bottle(), at=NOW)
        store.add(a_bottle(batch="2"), at=NOW, supersedes=old.uid)
        with pytest.raises(RecordError, match="contradicts"):
            store.add(a_bottle(batch="3"), at=NOW, supersedes=old.uid)


def test_a_withdrawn_record_does_not_count_but_stays(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        bottle = store.add(a_bottle(), at=NOW)
        store.add(Withdrawal(of_uid=bottle.uid, because="entered twice"), at=NOW)
        assert store.current(Bottle) == ()
        assert store.history(Bottle) == (bottle,)


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("statement", ["DELETE FROM {}", "UPDATE {} SET uid = 'x'"])
def test_no_statement_changes_or_deletes_a_record(
    tmp_path: Path, kind: str, statement: str
) -> None:
    with Store.open(tmp_path, NOW) as store:
        fill(store)
    connection = sqlite3.connect(tmp_path / FILE_NAME)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(statement.format(kind))
    connection.close()


def test_a_print_of_an_unknown_bottle_is_refused(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        printer = store.add(a_printer(), at=NOW)
        with pytest.raises(RecordError, match="contradicts"):
            store.add(a_print("nobody", printer.uid), at=NOW)


def test_a_fault_within_a_transaction_leaves_nothing(tmp_path: Path) -> None:
    def half_done(store: Store) -> None:
        with store.transaction():
            store.add(a_bottle(), at=NOW)
            raise KeyboardInterrupt

    with Store.open(tmp_path, NOW) as store:
        with pytest.raises(KeyboardInterrupt):
            half_done(store)
        assert store.history(Bottle) == ()


def test_looking_does_not_make_a_file(tmp_path: Path) -> None:
    folder = tmp_path / "nothing here"
    with Store.open(folder, NOW, create=False) as store:
        assert store.history(MadeCoupon) == ()
    assert not folder.exists()


def test_a_damaged_file_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text("this is no database " * 100)
    with pytest.raises(RecordError, match="damaged or is no database"):
        Store.open(tmp_path, NOW)


def test_a_file_with_holes_is_one_clear_line(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        fill(store)
    path = tmp_path / FILE_NAME
    content = bytearray(path.read_bytes())
    content[4096 : len(content) // 2] = bytes(len(content) // 2 - 4096)
    path.write_bytes(content)
    with pytest.raises(RecordError, match="damaged"):
        Store.open(tmp_path, NOW)


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipe (name TEXT)")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    with pytest.raises(RecordError, match="another program"):
        Store.open(tmp_path, NOW)
    assert path.read_bytes() == before


def test_a_data_folder_that_is_a_file_is_one_clear_line(tmp_path: Path) -> None:
    blocker = tmp_path / "file"
    blocker.write_text("")
    with pytest.raises(RecordError, match="--data-dir"):
        Store.open(blocker / "folder", NOW)


def test_a_full_disk_loses_nothing_that_was_there(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        bottle = store.add(a_bottle(), at=NOW)
        (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
        # SQLite's own limit answers as a full disk does
        store._connection.execute(f"PRAGMA max_page_count = {pages}")
        big = a_bottle(name="big", note="x" * 100_000)
        with pytest.raises(RecordError, match=r"disk is full; nothing was recorded"):
            store.add(big, at=NOW)
    with Store.open(tmp_path, NOW) as store:
        assert store.current(Bottle) == (bottle,)


def test_a_record_damaged_by_hand_is_named(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        fill(store)
        store._connection.execute("DROP TRIGGER measurement_keeps_its_rows")
        store._connection.execute("UPDATE measurement SET reading = '[1]'")
        with pytest.raises(RecordError, match="measurement 1 in the records"):
            store.current(StoredMeasurement)
