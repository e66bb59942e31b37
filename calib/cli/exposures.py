"""Seconds of light as a user gives them: a few numbers, expanded layer by layer."""

from __future__ import annotations

import click


class SecondsList(click.ParamType[tuple[float, ...]]):
    """Seconds, one for each layer, divided by commas; ``none`` for no layer."""

    name = "seconds,..."

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
        if text == "none":
            return ()
        try:
            return tuple(float(part) for part in text.split(","))
        except ValueError:
            self.fail(
                f"{text!r} is not a list such as 20,14,8 or the word none.", param, ctx
            )


def equal_steps(first_s: float, last_s: float, layers: int) -> tuple[float, ...]:
    """Give transition exposures that lead down in equal steps, ends not included."""
    step = (last_s - first_s) / (layers + 1)
    return tuple(round(first_s + step * i, 3) for i in range(1, layers + 1))
