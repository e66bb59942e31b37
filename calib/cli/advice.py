"""``rimgauge suggest`` and ``accept``: how to print this bottle flat."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from calib.cli.output import Report, keeps_records, now, open_store, reports

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@keeps_records
@reports
def suggest(*, data_dir: Path) -> Report:
    """Suggest."""
    raise NotImplementedError


@click.command()
@click.argument("number", type=int)
@click.option("--note", default="", help="What you took over, if not all of it.")
@keeps_records
@reports
def accept(number: int, *, note: str, data_dir: Path) -> Report:
    """Record that you took over suggestion NUMBER.

    \b
    Example:
      rimgauge accept 2 --note "insets only"
    """  # noqa: D301 \b is click's mark
    from calib.records import Accepted, StoredSuggestion

    with open_store(data_dir) as store:
        suggestion = store.get(StoredSuggestion, number)
        entry = store.add(Accepted(suggestion_uid=suggestion.uid, note=note), at=now())
    return Report(
        document={"ok": True, "suggestion": number, "number": entry.number},
        text=f"Noted: you took over suggestion {number}.",
    )
