"""How every command speaks: result on stdout, narration on stderr, one JSON shape."""

from __future__ import annotations

import functools
import json
import math
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from calib.store import Store
    from patterns.errors import RimgaugeError

Command = TypeVar("Command", bound="Callable[..., Any]")

CAUTIONS = (
    "Liquid resin: nitrile gloves, eye protection, fresh air; an allergy to it stays.",
    "Prying the print off: blade away from your hands, the plate held fast.",
    "Wash solvent burns easily: closed vessel, no flame or spark; cure dry parts only.",
    "The safety data sheets of your resin and solvent come before anything said here.",
)


def caution_lines() -> list[str]:
    """Tell the cautions, before anything that is printed."""
    told = (f"  - {caution}" for caution in CAUTIONS)
    return ["Before you start, read the cautions on the sheet:", *told]


class ExitCode(IntEnum):
    """What the shell is told."""

    DONE = 0
    BUG = 1
    USER = 2
    INTERRUPTED = 130


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What a command found: for programs, for people, and for the shell."""

    document: Any
    text: str
    status: ExitCode = ExitCode.DONE


def reports(command: Callable[..., Report]) -> Callable[..., ExitCode]:
    """Give a command ``--json`` and print its report."""

    @click.option(
        "--json",
        "as_json",
        is_flag=True,
        help="Print one JSON document on standard output, errors included.",
    )
    @functools.wraps(command)
    def run(*args: Any, as_json: bool, **kwargs: Any) -> ExitCode:  # noqa: ANN401 whatever the command takes
        report = command(*args, **kwargs)
        click.echo(as_document(report.document) if as_json else report.text)
        return report.status

    return run


def as_document(document: object) -> str:
    """Write a document as JSON."""
    return json.dumps(plain(document), indent=1, allow_nan=False)


def plain(value: Any) -> Any:  # noqa: ANN401 JSON
    """Leave out what JSON can't say: numbers that aren't finite become null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return value


def error_document(code: str, message: str, remedy: str) -> dict[str, Any]:
    """Give the one shape that errors have."""
    error = {"code": code, "message": message, "remedy": remedy}
    return {"ok": False, "error": error}


def complain(code: str, message: str, remedy: str, *, as_json: bool) -> None:
    """Tell an error: one line on stderr, or the one document on stdout."""
    if as_json:
        click.echo(as_document(error_document(code, message, remedy)))
    else:
        mark = click.style("error:", fg="red", bold=True)
        click.echo(f"{mark} {message} {remedy}".rstrip(), err=True)


def narrate(text: str) -> None:
    """Say on stderr what is going on."""
    click.echo(click.style(text, dim=True), err=True)


def warn(text: str) -> None:
    """Say on stderr what the user should know; the result stands all the same."""
    click.echo(f"{click.style('note:', fg='yellow')} {text}", err=True)


def strong(text: str) -> str:
    """Set a result off, where the terminal can."""
    return click.style(text, bold=True)


def keeps_records(command: Command) -> Command:
    """Give a command ``--data-dir``."""
    return click.option(
        "--data-dir",
        type=click.Path(path_type=Path, file_okay=True),
        envvar="RIMGAUGE_DATA",
        default=_user_folder,
        show_default="your data folder",
        help="Folder of your records (environment: RIMGAUGE_DATA).",
    )(command)


def open_store(data_dir: Path, *, create: bool = True) -> Store:
    """Open the records; without ``create`` a missing file reads as an empty one."""
    from calib.store import Store

    return Store.open(data_dir, now(), create=create)


def now() -> datetime:
    """Read the clock, in UTC."""
    return datetime.now(UTC)


def require(**values: object) -> dict[str, Any]:
    """Ask for what is missing: on a terminal one by one, else all by name at once.

    Parameters
    ----------
    **values : object
        Options of the running command by their parameter names; None is missing.

    Raises
    ------
    click.UsageError
        Something is missing and nobody can be asked.
    """
    missing = [name for name, value in values.items() if value is None]
    if not missing:
        return values
    context = click.get_current_context()
    parameters = {p.name: p for p in context.command.params}
    options = [p for name in missing if isinstance(p := parameters[name], click.Option)]
    if context.params.get("as_json") or not _somebody_is_there():
        told = "\n".join(f"  {o.opts[0]}: {o.help}" for o in options)
        raise click.UsageError(f"Please say also\n{told}")
    asked = {
        str(o.name): click.prompt((o.help or "").rstrip("."), type=o.type, err=True)
        for o in options
    }
    return values | asked


def read_text(path: Path) -> str:
    """Read a text file that the user named.

    Raises
    ------
    FileError
        It can't be read or isn't text.
    """
    from patterns.errors import FileError

    try:
        return path.read_text(encoding="utf-8")
    except OSError as err:
        raise FileError(f"{path} can't be read: {err.strerror}.") from err
    except UnicodeDecodeError as err:
        raise FileError(f"{path} is not a text file.", "Check its name.") from err


def table(rows: Sequence[Sequence[object]], heads: Sequence[str]) -> str:
    """Set rows in columns under their heads."""
    cells = [[str(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(heads))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        for row in cells
    ]
    return "\n".join(line.rstrip() for line in lines)


def _somebody_is_there() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _user_folder() -> str:
    from platformdirs import user_data_dir

    return user_data_dir("rimgauge", appauthor=False)


def explain(error: RimgaugeError, *, as_json: bool) -> ExitCode:
    """Tell one of our own errors."""
    complain(error.code, error.message, error.remedy, as_json=as_json)
    return ExitCode(error.exit_code)
