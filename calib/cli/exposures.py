"""Lists of numbers as a user gives them, and seconds of light layer by layer."""

from __future__ import annotations

import math

import click


class NumberList(click.ParamType[tuple[float, ...]]):
    """Numbers divided by commas.

    Parameters
    ----------
    unit : str
        What they are, for the help.
    example : str
        A list to show where one can't be read.
    """

    def __init__(self, unit: str, example: str) -> None:
        self.name = f"{unit},..."
        self.example = example

    def convert(
        self,
        value: object,
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> tuple[float, ...]:
        """Read the list."""
        if isinstance(value, tuple):
            return value
        text = str(value).strip()
        try:
            numbers = tuple(float(part) for part in text.split(","))
        except ValueError:
            numbers = ()
        if not numbers or not all(map(math.isfinite, numbers)):
            self.fail(f"{text!r} is not a list such as {self.example}.", param, ctx)
        return numbers


class SecondsList(NumberList):
    """Seconds, one for each layer, divided by commas; ``none`` for no layer."""

    def __init__(self) -> None:
        super().__init__("seconds", "20,14,8 or the word none")

    def convert(
        self,
        value: object,
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> tuple[float, ...]:
        """Read the list."""
        if value == "none":
            return ()
        seconds = super().convert(value, param, ctx)
        if min(seconds, default=1.0) <= 0.0:
            self.fail(f"{value} holds a layer without light.", param, ctx)
        return seconds


def equal_steps(first_s: float, last_s: float, layers: int) -> tuple[float, ...]:
    """Give transition exposures that lead down in equal steps, ends not included."""
    step = (last_s - first_s) / (layers + 1)
    return tuple(round(first_s + step * i, 3) for i in range(1, layers + 1))
