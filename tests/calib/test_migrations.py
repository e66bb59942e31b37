"""Old files are brought up to date, one whole step at a time."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from pathlib import Path

import pytest

from calib.migrations import MIGRATIONS, Migration, pending, version
from calib.records import Bottle
from calib.store import FILE_NAME, KINDS, Store
from patterns.errors import RecordError
from tests.calib.samples import NOW, fill

FORMATS = Path(__file__).parents[1] / "formats"
LATER = Migration(
    number=3,
    name="later",
    statements=("ALTER TABLE bottle ADD COLUMN colour TEXT", "CREATE TABLE x (y)"),
)
BROKEN = Migration(
    number=3, name="broken", statements=("CREATE TABLE half (x)", "NO SUCH STATEMENT")
)


RELEASED = {
    1: "60048737d3cd7230df243090a40fa632b7ff57bc21878a29d171230e409db7e4",
    2: "383a6034bff912d67d4cd85a10a00dac3ce841329ff7715eba28a6b4b5345f90",
}


def test_released_steps_are_never_edited() -> None:
    found = {
        step.number: hashlib.sha256("".join(step.statements).encode()).hexdigest()
        for step in MIGRATIONS
    }
    assert found == RELEASED, "add a new step instead"


def test_steps_are_numbered_without_gaps() -> None:
    assert [step.number for step in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_a_new_step_runs_once_and_a_copy_is_made_before(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        fill(store)
    for _ in range(2):
        with Store.open(tmp_path, NOW, migrations=(*MIGRATIONS, LATER)) as store:
            assert version(store._connection) == 3
    copies = sorted(tmp_path.glob("records.version-2*"))
    assert [copy.name for copy in copies] == ["records.version-2.sqlite3"]
    copied = sqlite3.connect(copies[0])
    assert version(copied) == 2
    assert copied.execute("SELECT count(*) FROM bottle").fetchone() == (2,)
    copied.close()


def test_a_copy_never_goes_over_an_older_one(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW):
        pass
    older = tmp_path / "records.version-2.sqlite3"
    older.write_text("an older copy")
    with Store.open(tmp_path, NOW, migrations=(*MIGRATIONS, LATER)):
        pass
    assert older.read_text() == "an older copy"
    assert (tmp_path / "records.version-2-2.sqlite3").exists()


def test_a_step_that_fails_is_undone_and_stays_pending(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW) as store:
        fill(store)
    with pytest.raises(RecordError):
        Store.open(tmp_path, NOW, migrations=(*MIGRATIONS, BROKEN))
    with Store.open(tmp_path, NOW) as store:
        assert version(store._connection) == 2
        assert pending(store._connection, (*MIGRATIONS, BROKEN)) == (BROKEN,)
        tables = store._connection.execute("SELECT name FROM sqlite_master").fetchall()
        assert ("half",) not in tables


def test_newer_records_are_refused_untouched(tmp_path: Path) -> None:
    with Store.open(tmp_path, NOW, migrations=(*MIGRATIONS, LATER)):
        pass
    before = (tmp_path / FILE_NAME).read_bytes()
    with pytest.raises(RecordError, match=r"version 3, this program knows 2"):
        Store.open(tmp_path, NOW)
    assert (tmp_path / FILE_NAME).read_bytes() == before


@pytest.mark.parametrize("number", [1, 2])
def test_records_of_every_version_open_for_ever(number: int, tmp_path: Path) -> None:
    shutil.copy(FORMATS / f"records-{number}.sqlite3", tmp_path / FILE_NAME)
    with Store.open(tmp_path, NOW) as store:
        assert [entry.value.resin for entry in store.history(Bottle)] == [
            "invented gray",
            "invented grey",
        ]
        counts = {kind: len(store.history(cls)) for kind, cls in KINDS.items()}
    assert counts == {
        "bottle": 2,
        "printer": 1,
        "coupon": 1,
        "print": 2,
        "measurement": 1,
        "fit": 1,
        "suggestion": 1,
        "accepted": 1,
        "base": number - 1,
        "withdrawal": 1,
    }
