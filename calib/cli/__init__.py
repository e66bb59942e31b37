"""The command line, ``rimgauge``.

``main`` returns an :class:`ExitCode`: 0 done, 2 anything the user can mend, 1 a fault
of ours, 130 interrupted.
"""

from __future__ import annotations

import errno
import os
import sys
import traceback
from typing import TYPE_CHECKING

import click

from calib.cli.output import ExitCode, complain, explain
from patterns.errors import RimgaugeError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["ExitCode", "main"]


def main(arguments: Sequence[str] | None = None) -> ExitCode:  # noqa: PLR0911 one return for each way to end
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str or None
        Words after ``rimgauge``; None takes them from the command line.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    as_json = "--json" in words
    try:
        status = _run(words)
        sys.stdout.flush()
    except (BrokenPipeError, SystemExit):
        # The reader went away, as `head` does; what was asked for is done.  Where click
        # notices first it ends the program, which nothing else here does.
        _give_up_stdout()
        return ExitCode.DONE
    except (click.Abort, KeyboardInterrupt):
        complain(
            "interrupted", "Interrupted; nothing half-written.", "", as_json=as_json
        )
        return ExitCode.INTERRUPTED
    except RimgaugeError as error:
        return explain(error, as_json=as_json)
    except click.ClickException as error:
        return _usage(error, as_json=as_json)
    except OSError as error:
        return _system(error, as_json=as_json)
    except Exception as error:  # noqa: BLE001 the last line of defence
        return _bug(error, as_json=as_json)
    return status


def _run(words: list[str]) -> ExitCode:
    # Our matrices are small: more threads only wait for each other, which burns time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from calib.cli.commands import rimgauge

    colour = False if os.environ.get("NO_COLOR") else None
    status = rimgauge.main(
        words, prog_name="rimgauge", standalone_mode=False, color=colour
    )
    return ExitCode(status or 0)


def _usage(error: click.ClickException, *, as_json: bool) -> ExitCode:
    if not as_json:
        error.show()
        return ExitCode.USER
    context = getattr(error, "ctx", None)
    path = context.command_path if context else "rimgauge"
    complain("usage", error.format_message(), f"See `{path} --help`.", as_json=True)
    return ExitCode.USER


def _give_up_stdout() -> None:
    """Send what is still unwritten nowhere, or it fails again when Python ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def _system(error: OSError, *, as_json: bool) -> ExitCode:
    if error.errno == errno.ENOSPC and error.filename is None:
        _give_up_stdout()  # standard output itself is on the full disk
        as_json = False
    what = error.filename or "A file"
    complain(
        "file",
        f"{what} can't be used: {error.strerror or error}.",
        "Check the path, the permissions and the room on the disk.",
        as_json=as_json,
    )
    return ExitCode.USER


def _bug(error: Exception, *, as_json: bool) -> ExitCode:
    traceback.print_exception(error, file=sys.stderr)
    complain(
        "bug",
        f"This is a fault in rimgauge, not yours ({type(error).__name__}: {error}).",
        "Please report it with the lines above; your records are as they were.",
        as_json=as_json,
    )
    return ExitCode.BUG
