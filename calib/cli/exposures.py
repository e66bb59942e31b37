"""Lists of numbers as a user gives them, and seconds of light layer by layer."""

from __future__ import annotations

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
            return tuple(float(part) for part in text.split(","))
        except ValueError:
            self.fail(f"{text!r} is not a list such as {self.example}.", param, ctx)


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
        return () if value == "none" else super().convert(value, param, ctx)


def equal_steps(first_s: float, last_s: float, layers: int) -> tuple[float, ...]:
    """Give transition exposures that lead down in equal steps, ends not included."""
    step = (last_s - first_s) / (layers + 1)
    return tuple(round(first_s + step * i, 3) for i in range(1, layers + 1))
