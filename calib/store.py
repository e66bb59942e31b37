"""The user's records in one SQLite file; with :mod:`calib.migrations` the only SQL.

Append-only: a correction supersedes, a withdrawal hides, the history stays.
"""

from __future__ import annotations

import itertools
import json
import sqlite3
import uuid
from contextlib import contextmanager
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Generic, Self, TypeVar

from pydantic import TypeAdapter, ValidationError

from calib.migrations import (
    APPLICATION_ID,
    MIGRATIONS,
    Migration,
    migrate,
    pending,
    transaction,
    version,
)
from calib.records import (
    Accepted,
    Bottle,
    MadeCoupon,
    Print,
    Printer,
    Record,
    StoredFit,
    StoredMeasurement,
    StoredSuggestion,
    Withdrawal,
    WrittenBase,
)
from calib.store_faults import damaged, explained
from patterns.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime
    from pathlib import Path
    from types import TracebackType

FILE_NAME = "records.sqlite3"
KINDS: dict[str, type[Record]] = {
    "bottle": Bottle,
    "printer": Printer,
    "coupon": MadeCoupon,
    "print": Print,
    "measurement": StoredMeasurement,
    "fit": StoredFit,
    "suggestion": StoredSuggestion,
    "accepted": Accepted,
    "base": WrittenBase,
    "withdrawal": Withdrawal,
}
_TABLE_OF: dict[type[Any], str] = {cls: kind for kind, cls in KINDS.items()}
_JSON_COLUMNS = frozenset(
    {"exposure_by_layer_s", "reading", "measurement_uids", "summary"}
)

R = TypeVar("R", bound=Record)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry(Generic[R]):
    """A record with its place in the history; ``number`` is local to one file."""

    number: int
    uid: str
    recorded_at_utc: str
    supersedes: str | None
    value: R


class Store:
    """An open file of records; use it in a ``with`` statement."""

    def __init__(self, connection: sqlite3.Connection, path: Path | None) -> None:
        self._connection = connection
        self.path = path

    @classmethod
    def open(
        cls,
        folder: Path,
        at: datetime,
        *,
        create: bool = True,
        migrations: Sequence[Migration] = MIGRATIONS,
    ) -> Self:
        """Open the records of a data folder, bringing an old file up to date.

        Parameters
        ----------
        folder : Path
            Data folder.
        at : datetime
            Now, in UTC; noted beside a migration.
        create : bool
            Make folder and file if they aren't there; otherwise answer with an empty
            store that lives in memory only.
        migrations : sequence of Migration
            Steps to bring the file to.

        Raises
        ------
        RecordError
            Damaged, foreign or newer file; a folder that can't be used.
        """
        path = folder / FILE_NAME
        if not create and not path.exists():
            connection = sqlite3.connect(":memory:", isolation_level=None)
            migrate(connection, at, migrations)
            return cls(connection, None)
        with explained(path):
            folder.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(path, isolation_level=None, timeout=5.0)
            try:
                _refuse_foreign(connection, path)
                if version(connection) and pending(connection, migrations):
                    _copy(connection, path)
                migrate(connection, at, migrations)
                connection.execute("PRAGMA foreign_keys = ON")
            except BaseException:
                connection.close()
                raise
        return cls(connection, path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._connection.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything inside is kept, or nothing is."""
        with explained(self.path), transaction(self._connection):
            yield

    def add(self, value: R, *, at: datetime, supersedes: str | None = None) -> Entry[R]:
        """Append a record; ``supersedes`` is the uid of the one that it corrects."""
        entry = Entry(
            number=0,
            uid=uuid.uuid4().hex,
            recorded_at_utc=at.isoformat(),
            supersedes=supersedes,
            value=value,
        )
        return self.insert(entry)

    def insert(self, entry: Entry[R]) -> Entry[R]:
        """Append an entry that has its uid and time already, as an import does."""
        names = [field.name for field in fields(entry.value)]
        row = {name: _stored(getattr(entry.value, name)) for name in names}
        row |= {
            "uid": entry.uid,
            "recorded_at_utc": entry.recorded_at_utc,
            "supersedes": entry.supersedes,
        }
        table = _TABLE_OF[type(entry.value)]
        places = ", ".join(f":{name}" for name in row)
        with explained(self.path):
            number = self._connection.execute(
                # table and columns come from the dataclasses, never from input
                f"INSERT INTO {table} ({', '.join(row)}) VALUES ({places})",  # noqa: S608
                row,
            ).lastrowid
        return Entry(
            number=number or 0,
            uid=entry.uid,
            recorded_at_utc=entry.recorded_at_utc,
            supersedes=entry.supersedes,
            value=entry.value,
        )

    def history(self, kind: type[R]) -> tuple[Entry[R], ...]:
        """List all records of a kind, also superseded and withdrawn ones, in order."""
        adapter = TypeAdapter(kind)
        table = _TABLE_OF[kind]
        with explained(self.path):
            cursor = self._connection.execute(
                f"SELECT * FROM {table} ORDER BY number"  # noqa: S608 as above
            )
            names = [column[0] for column in cursor.description]
            rows = [dict(zip(names, row, strict=True)) for row in cursor]
        return tuple(_entry(row, adapter, table) for row in rows)

    def current(self, kind: type[R]) -> tuple[Entry[R], ...]:
        """List the records of a kind that count: not superseded, not withdrawn."""
        entries = self.history(kind)
        gone = {entry.supersedes for entry in entries}
        gone |= {entry.value.of_uid for entry in self.history(Withdrawal)}
        return tuple(entry for entry in entries if entry.uid not in gone)

    def get(self, kind: type[R], number: int) -> Entry[R]:
        """Give the current record with a number.

        Raises
        ------
        RecordError
            There is none, or it was corrected or withdrawn.
        """
        table = _TABLE_OF[kind]
        current = self.current(kind)
        for entry in current:
            if entry.number == number:
                return entry
        known = ", ".join(str(entry.number) for entry in current) or "none"
        gone = any(entry.number == number for entry in self.history(kind))
        why = "was corrected or withdrawn" if gone else "is not recorded"
        raise RecordError(
            f"{table} {number} {why}.",
            f"Numbers in use: {known}; `rimgauge history` lists them.",
        )

    def latest(self, kind: type[R], uid: str) -> Entry[R]:
        """Follow corrections from a record to the one that stands for it now."""
        entries = self.history(kind)
        successor = {entry.supersedes: entry.uid for entry in entries}
        while uid in successor:
            uid = successor[uid]
        return next(entry for entry in entries if entry.uid == uid)


def _stored(value: object) -> object:
    """Give a dataclass field as SQLite holds it."""
    if isinstance(value, tuple | dict):
        return json.dumps(value, sort_keys=True)
    return value


def _entry(row: dict[str, Any], adapter: Any, table: str) -> Entry[Any]:  # noqa: ANN401 pydantic's adapter is generic in what we don't know here
    head = {
        name: row.pop(name)
        for name in ("number", "uid", "recorded_at_utc", "supersedes")
    }
    try:
        for name in _JSON_COLUMNS & row.keys():
            row[name] = json.loads(row[name])
        return Entry(value=adapter.validate_python(row), **head)
    except (ValueError, ValidationError) as err:
        raise RecordError(
            f"{table} {head['number']} in the records is damaged.",
            "Go back to a copy or an export of the records.",
        ) from err


def _refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if tables and mark != APPLICATION_ID:
        raise RecordError(
            f"{path} is a database of another program.",
            "Choose another folder with --data-dir or RIMGAUGE_DATA.",
        )
    (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise damaged(path)


def _copy(connection: sqlite3.Connection, path: Path) -> Path:
    """Copy the file before its first pending step; never over an older copy."""
    stem = f"{path.stem}.version-{version(connection)}"
    target = path.with_name(f"{stem}{path.suffix}")
    for again in itertools.count(2):
        if not target.exists():
            break
        target = path.with_name(f"{stem}-{again}{path.suffix}")
    copy = sqlite3.connect(target)
    try:
        connection.backup(copy)
    except BaseException:
        copy.close()
        target.unlink(missing_ok=True)
        raise
    copy.close()
    return target
