"""What SQLite and the file system complain of, in one clear line each."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING

from patterns.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_OTHER_FOLDER = (
    "Check the folder's permissions, or choose another folder with --data-dir or "
    "RIMGAUGE_DATA."
)
_COPY = "Move it away and put back a copy, or start afresh and use `rimgauge import`."
_ROOM = "Make room and give the command again."
# primary name of the error: message, remedy
_STORIES = {
    "SQLITE_NOTADB": ("{path} is damaged or is no database.", _COPY),
    "SQLITE_CORRUPT": ("{path} is damaged.", _COPY),
    "SQLITE_CANTOPEN": ("{path} can't be opened.", _OTHER_FOLDER),
    "SQLITE_READONLY": ("{path} can't be written to.", _OTHER_FOLDER),
    "SQLITE_FULL": ("The disk is full; nothing was recorded in {path}.", _ROOM),
    "SQLITE_IOERR": (
        "The disk is full or fails; nothing was recorded in {path}.",
        _ROOM,
    ),
    "SQLITE_CONSTRAINT": (
        "A record contradicts those in {path}; nothing was recorded.",
        "Check which record it names or corrects.",
    ),
    "SQLITE_BUSY": (
        "{path} is in use by another program; nothing was recorded.",
        "Wait until that is done and give the command again.",
    ),
}


def damaged(path: Path) -> RecordError:
    """Make the error for a file that isn't what it was."""
    return RecordError(*_story("SQLITE_CORRUPT", path))


def _story(name: str, path: Path | None) -> tuple[str, str]:
    """Find message and remedy for an SQLite error, by its primary name."""
    for start, (message, remedy) in _STORIES.items():
        if name.startswith(start):
            return message.format(path=path), remedy
    return f"{path} can't be used ({name}).", "Go back to a copy of the records."


@contextmanager
def explained(path: Path | None) -> Iterator[None]:
    """Turn what SQLite and the file system say into one clear line."""
    try:
        yield
    except sqlite3.Error as err:
        name = getattr(err, "sqlite_errorname", "SQLITE_CORRUPT")
        raise RecordError(*_story(name, path)) from err
    except OSError as err:
        raise RecordError(
            f"{path} can't be opened: {err.strerror}.",
            "Choose another folder with --data-dir or RIMGAUGE_DATA.",
        ) from err
