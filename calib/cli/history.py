"""``rimgauge history``, ``withdraw``, ``export`` and ``import``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.output import (
    Report,
    keeps_records,
    now,
    open_store,
    read_text,
    reports,
    table,
)

if TYPE_CHECKING:
    from calib.store import Entry, Store

_KINDS = (
    "bottle",
    "printer",
    "coupon",
    "print",
    "measurement",
    "suggestion",
    "base",
)


@click.command()
@click.option("--all", "everything", is_flag=True, help="Corrected and withdrawn too.")
@keeps_records
@reports
def history(*, data_dir: Path, everything: bool) -> Report:
    """List your records with their numbers, oldest first.

    \b
    Example:
      rimgauge history --all
    """  # noqa: D301 \b is click's mark
    from calib.cli.chronicle import chronicle

    with open_store(data_dir, create=False) as store:
        rows = chronicle(store, everything=everything)
    keys = ("recorded_at_utc", "kind", "number", "gist")
    records = [dict(zip(keys, row, strict=True)) for row in rows]
    minutes = [(when[:16].replace("T", " "), *rest) for when, *rest in rows]
    text = table(minutes, ("when (UTC)", "what", "no.", "")) if rows else "No records."
    return Report(document={"ok": True, "records": records}, text=text)


@click.command()
@click.argument("kind", type=click.Choice(_KINDS))
@click.argument("number", type=int)
@click.option("--because", required=True, help="Why it doesn't count.")
@keeps_records
@reports
def withdraw(kind: str, number: int, *, because: str, data_dir: Path) -> Report:
    """Take a record out of account; it stays in the history.

    \b
    Example:
      rimgauge withdraw print 4 --because "entered twice"
    """  # noqa: D301 \b is click's mark
    from calib.records import Withdrawal
    from calib.store import KINDS

    with open_store(data_dir) as store:
        entry: Entry[Any] = store.get(KINDS[kind], number)
        store.add(Withdrawal(of_uid=entry.uid, because=because), at=now())
    return Report(
        document={"ok": True, "kind": kind, "number": number},
        text=f"{kind} {number} no longer counts; it stays in the history.",
    )


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@keeps_records
@reports
def export(file: Path, *, data_dir: Path) -> Report:
    """Write all records, history included, to a new JSON FILE.

    \b
    Example:
      rimgauge export records-may.json
    """  # noqa: D301 \b is click's mark
    from calib.exchange import export_text
    from patterns.export import write_new

    with open_store(data_dir, create=False) as store:
        text = export_text(store)
        count = _count(store)
    write_new(file, text.encode())
    return Report(
        document={"ok": True, "file": str(file), "records": count},
        text=f"Wrote {count} records to {file}.",
    )


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@keeps_records
@reports
def import_(file: Path, *, data_dir: Path) -> Report:
    """Add the records of an exported FILE that aren't here yet.

    Nothing that is here is changed; importing twice adds nothing.

    \b
    Example:
      rimgauge import records-may.json
    """  # noqa: D301 \b is click's mark
    from calib.exchange import import_entries, parse

    entries = parse(read_text(file), str(file))
    with open_store(data_dir) as store:
        added = import_entries(store, entries)
    return Report(
        document={"ok": True, "added": added, "known": len(entries) - added},
        text=f"Added {added} records; {len(entries) - added} were here already.",
    )


def _count(store: Store) -> int:
    from calib.store import KINDS

    return sum(len(store.history(kind)) for kind in KINDS.values())
