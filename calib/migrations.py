"""The records' numbered steps; a released step is never edited, a new one is added.

Each step is a list of statements that runs in one transaction together with the note
that it ran.  Tables are STRICT and append-only: triggers refuse UPDATE and DELETE.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from patterns.errors import RecordError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Sequence
    from datetime import datetime

APPLICATION_ID = 0x52474147  # "RGAG": marks the file as ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """One numbered step."""

    number: int
    name: str
    statements: tuple[str, ...]


def _table(name: str, columns: str) -> tuple[str, ...]:
    """Statements for one append-only table of records."""
    return (
        f"""CREATE TABLE {name} (
            number INTEGER PRIMARY KEY,
            uid TEXT NOT NULL UNIQUE,
            recorded_at_utc TEXT NOT NULL,
            supersedes TEXT UNIQUE REFERENCES {name}(uid),
            {columns}
        ) STRICT""",
        f"""CREATE TRIGGER {name}_keeps_its_rows BEFORE UPDATE ON {name}
            BEGIN SELECT RAISE(ABORT, 'records are append-only'); END""",
        f"""CREATE TRIGGER {name}_loses_no_rows BEFORE DELETE ON {name}
            BEGIN SELECT RAISE(ABORT, 'records are append-only'); END""",
    )


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        number=1,
        name="bottle profiles",
        statements=(
            *_table(
                "bottle",
                """name TEXT NOT NULL, resin TEXT NOT NULL, batch TEXT NOT NULL,
                note TEXT NOT NULL""",
            ),
            *_table(
                "printer",
                """name TEXT NOT NULL,
                pixel_x_mm REAL NOT NULL CHECK (pixel_x_mm > 0),
                pixel_y_mm REAL NOT NULL CHECK (pixel_y_mm > 0),
                plate_x_mm REAL NOT NULL CHECK (plate_x_mm > 0),
                plate_y_mm REAL NOT NULL CHECK (plate_y_mm > 0),
                surface TEXT NOT NULL CHECK (surface IN ('rigid', 'flexible')),
                relevelled_on TEXT NOT NULL, note TEXT NOT NULL""",
            ),
            *_table(
                "coupon",
                """coupon_id TEXT NOT NULL, code INTEGER NOT NULL,
                manifest_json TEXT NOT NULL CHECK (json_valid(manifest_json))""",
            ),
            *_table(
                "print",
                """bottle_uid TEXT NOT NULL REFERENCES bottle(uid),
                printer_uid TEXT NOT NULL REFERENCES printer(uid),
                coupon_id TEXT,
                exposure_by_layer_s TEXT NOT NULL
                    CHECK (json_valid(exposure_by_layer_s)),
                bottom_layers INTEGER NOT NULL CHECK (bottom_layers > 0),
                transition_layers INTEGER NOT NULL CHECK (transition_layers >= 0),
                layer_mm REAL NOT NULL CHECK (layer_mm > 0),
                wait_before_exposure_s REAL NOT NULL
                    CHECK (wait_before_exposure_s >= 0),
                temperature_c REAL,
                outcome TEXT NOT NULL
                    CHECK (outcome IN ('held', 'partly', 'fell off')),
                contact_area_mm2 REAL NOT NULL CHECK (contact_area_mm2 > 0),
                note TEXT NOT NULL""",
            ),
            *_table(
                "measurement",
                """print_uid TEXT NOT NULL REFERENCES print(uid),
                coupon_id TEXT NOT NULL, photo TEXT NOT NULL,
                photo_sha256 TEXT NOT NULL,
                reading TEXT NOT NULL CHECK (json_valid(reading))""",
            ),
            *_table(
                "fit",
                """bottle_uid TEXT NOT NULL REFERENCES bottle(uid),
                measurement_uids TEXT NOT NULL CHECK (json_valid(measurement_uids)),
                summary TEXT NOT NULL CHECK (json_valid(summary))""",
            ),
            *_table(
                "suggestion",
                """bottle_uid TEXT NOT NULL REFERENCES bottle(uid),
                fit_uid TEXT NOT NULL REFERENCES fit(uid),
                tolerance_mm REAL NOT NULL CHECK (tolerance_mm > 0),
                summary TEXT NOT NULL CHECK (json_valid(summary))""",
            ),
            *_table(
                "accepted",
                """suggestion_uid TEXT NOT NULL REFERENCES suggestion(uid),
                note TEXT NOT NULL""",
            ),
            *_table("withdrawal", "of_uid TEXT NOT NULL, because TEXT NOT NULL"),
        ),
    ),
    Migration(
        number=2,
        name="bases written",
        statements=_table(
            "base",
            """bottle_uid TEXT REFERENCES bottle(uid),
            printer_uid TEXT NOT NULL REFERENCES printer(uid),
            name TEXT NOT NULL, source TEXT NOT NULL, source_sha256 TEXT NOT NULL,
            printed_as TEXT NOT NULL
                CHECK (printed_as IN ('tilted', 'lipped', 'flat')),
            guess INTEGER NOT NULL CHECK (guess IN (0, 1)),
            copies INTEGER NOT NULL CHECK (copies > 0),
            summary TEXT NOT NULL CHECK (json_valid(summary))""",
        ),
    ),
)

_LEDGER = """CREATE TABLE migration (
    number INTEGER PRIMARY KEY, name TEXT NOT NULL, applied_at_utc TEXT NOT NULL
) STRICT"""


def version(connection: sqlite3.Connection) -> int:
    """Give the number of the last step that ran; 0 for a file without records."""
    found = connection.execute(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'migration'"
    ).fetchone()
    if found is None:
        return 0
    (last,) = connection.execute("SELECT max(number) FROM migration").fetchone()
    return int(last or 0)


def pending(
    connection: sqlite3.Connection, migrations: Sequence[Migration] = MIGRATIONS
) -> tuple[Migration, ...]:
    """List the steps that have not run yet, in order.

    Raises
    ------
    RecordError
        The records come from a newer program.
    """
    done, newest = version(connection), migrations[-1].number
    if done > newest:
        raise RecordError(
            f"The records have version {done}, this program knows {newest}.",
            "Install the newer rimgauge that wrote them; nothing was changed.",
        )
    return tuple(step for step in migrations if step.number > done)


def migrate(
    connection: sqlite3.Connection,
    at: datetime,
    migrations: Sequence[Migration] = MIGRATIONS,
) -> None:
    """Run every pending step, each in a transaction of its own."""
    for step in pending(connection, migrations):
        with transaction(connection):
            if version(connection) >= step.number:
                continue  # another process was faster
            if version(connection) == 0:
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(_LEDGER)
            for statement in step.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migration VALUES (?, ?, ?)",
                (step.number, step.name, at.isoformat()),
            )


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing, also when interrupted."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
