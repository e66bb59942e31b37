"""Options that several commands have."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from collections.abc import Callable

Command = TypeVar("Command", bound="Callable[..., Any]")


class Within(click.FloatRange):
    """A number within a range; what is no number lies in none."""

    def convert(
        self,
        value: Any,  # noqa: ANN401 click's
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> float:
        """Read the number."""
        number = float(super().convert(value, param, ctx))
        if math.isnan(number):
            self.fail(f"{value} is no number.", param, ctx)
        return number


def of_bottle(command: Command) -> Command:
    """Give a command ``--bottle`` and ``--printer``."""
    return _all(
        *(
            click.option(
                f"--{what}",
                help=f"Name of the {what}; may be left out if there is one.",
            )
            for what in ("bottle", "printer")
        )
    )(command)


def tolerance(meaning: str) -> Callable[[Command], Command]:
    """Give ``--tolerance-mm``."""
    return click.option(
        "--tolerance-mm",
        type=Within(0.0, 1.0, min_open=True),
        default=0.05,
        show_default=True,
        help=meaning,
    )


def pictures(meaning: str) -> Callable[[Command], Command]:
    """Give ``--pictures``, a folder for them."""
    return click.option(
        "--pictures", type=click.Path(path_type=Path), metavar="DIR", help=meaning
    )


def made_into(what: str) -> Callable[[Command], Command]:
    """Give ``--out``, a folder that must be named."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path),
        metavar="DIR",
        required=True,
        help=f"Folder for {what}; made if missing.",
    )


def raster(along_x: str, along_y: str) -> Callable[[Command], Command]:
    """Give the pixels' pitches and ``--layer-mm``, with the coupons' defaults."""
    return _all(
        _number("--pixel-x-mm", 0.05, along_x),
        _number("--pixel-y-mm", 0.05, along_y),
        _number("--layer-mm", 0.05, "Layer height."),
    )


def normal_exposure(meaning: str) -> Callable[[Command], Command]:
    """Give ``--normal-exposure-s``, with the coupons' default."""
    return _number("--normal-exposure-s", 2.5, meaning)


def plate_room(along_x: str, along_y: str) -> Callable[[Command], Command]:
    """Give the room on the plate, with the coupons' defaults."""
    return _all(
        _number("--plate-x-mm", 115.0, along_x),
        _number("--plate-y-mm", 65.0, along_y),
    )


def _number(name: str, default: float, meaning: str) -> Callable[[Command], Command]:
    return click.option(
        name, type=float, default=default, show_default=True, help=meaning
    )


def _all(*options: Callable[[Command], Command]) -> Callable[[Command], Command]:
    """Join options to one, in the order in which they are to be listed."""

    def give(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return give
