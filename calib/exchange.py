"""Export and import of the records as JSON.

An export holds the whole history.  An import appends what isn't there yet: it changes
and overwrites nothing, and importing the same file twice adds nothing.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

from pydantic import TypeAdapter, ValidationError

from calib.store import KINDS, Entry
from patterns.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from calib.records import Record
    from calib.store import Store

SCHEMAS = (1, 2)
"""Schemas that can be read; an export has the lowest that holds its records."""

_SINCE = {"base": 2}  # kinds that a program of schema 1 doesn't know


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One record as it stands in an export."""

    kind: Literal[
        "bottle",
        "printer",
        "coupon",
        "print",
        "measurement",
        "fit",
        "suggestion",
        "accepted",
        "base",
        "withdrawal",
    ]
    uid: str
    recorded_at_utc: str
    supersedes: str | None
    value: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Document:
    """A whole export."""

    rimgauge_records: int
    entries: tuple[_Line, ...]


def export_text(store: Store) -> str:
    """Write all records as JSON; the same records give the same bytes."""
    entries = tuple(
        _Line(
            kind=kind,  # type: ignore[arg-type] # the keys of KINDS are the literals
            uid=entry.uid,
            recorded_at_utc=entry.recorded_at_utc,
            supersedes=entry.supersedes,
            value=asdict(entry.value),
        )
        for kind, cls in KINDS.items()
        for entry in store.history(cls)
    )
    schema = max((_SINCE.get(line.kind, 1) for line in entries), default=1)
    document = _Document(rimgauge_records=schema, entries=entries)
    return json.dumps(asdict(document), indent=1, sort_keys=True) + "\n"


def parse(text: str, source: str) -> tuple[Entry[Record], ...]:
    """Read an export; all its faults are reported at once.

    Raises
    ------
    RecordError
        Not an export, another schema, or damaged records.
    """
    try:
        head = json.loads(text)
    except ValueError as err:
        raise RecordError(
            f"{source} is not JSON.", "Give a file that `rimgauge export` wrote."
        ) from err
    schema = head.get("rimgauge_records") if isinstance(head, dict) else None
    if schema not in SCHEMAS:
        raise RecordError(
            f"{source} is not an export of records that this program can read "
            f"(schema {schema!r}; it reads {' and '.join(map(str, SCHEMAS))}).",
            "Give a file that `rimgauge export` wrote, or install the newer rimgauge.",
        )
    try:
        document = TypeAdapter(_Document).validate_json(text, extra="forbid")
    except ValidationError as err:
        raise _faulty(source, [_told("", err)]) from err
    entries, faults = [], []
    for place, line in enumerate(document.entries):
        where = f"entry {place} ({line.kind})"
        try:
            value = TypeAdapter(KINDS[line.kind]).validate_python(
                line.value, extra="forbid"
            )
        except ValidationError as err:
            faults.append(_told(where, err))
        except RecordError as err:
            faults.append(f"{where}: {err.message}")
        else:
            entries.append(
                Entry(
                    number=0,
                    uid=line.uid,
                    recorded_at_utc=line.recorded_at_utc,
                    supersedes=line.supersedes,
                    value=value,
                )
            )
    if faults:
        raise _faulty(source, faults)
    return tuple(entries)


def import_entries(store: Store, entries: Iterable[Entry[Any]]) -> int:
    """Append the entries that the store doesn't have; say how many those were.

    Raises
    ------
    RecordError
        An entry contradicts one that is there; nothing is imported then.
    """
    known = {
        entry.uid: _content(entry)
        for cls in KINDS.values()
        for entry in store.history(cls)
    }
    added = 0
    with store.transaction():
        for entry in entries:
            if entry.uid not in known:
                store.insert(entry)
                added += 1
            elif known[entry.uid] != _content(entry):
                raise RecordError(
                    f"Record {entry.uid} differs from the one that is here.",
                    "Import into an empty data folder (--data-dir) and compare.",
                )
    return added


def _content(entry: Entry[Record]) -> tuple[str, str | None, Record]:
    return entry.recorded_at_utc, entry.supersedes, entry.value


def _told(where: str, err: ValidationError) -> str:
    return "; ".join(
        ".".join(str(part) for part in (where, *fault["loc"]) if part != "")
        + f": {fault['msg']}"
        for fault in err.errors()
    )


def _faulty(source: str, faults: list[str]) -> RecordError:
    return RecordError(
        f"{source} is damaged: {'; '.join(faults)}.",
        "Export the records again; nothing was imported.",
    )
