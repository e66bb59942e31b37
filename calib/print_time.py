"""How long a print takes: light, lift and wait of every layer, added up.

What moves the plate is the machine's own, so its seconds are the user's to give; a
time that was not given is left out of the sum and named, never guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from patterns.errors import RecordError

if TYPE_CHECKING:
    from calib.wall import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """Seconds of a layer that are not light; None: not known.

    ``lift_s``: up and down again.  ``wait_s``: pauses of a layer, before and after the
    light.  ``raised_lift_s`` and ``raised_wait_s`` are those of bottom and transition
    layers where they differ; None: the same as the others.  ``lift_mm_per_s`` is how
    fast the plate first leaves the film, which suction asks for.
    """

    lift_s: float | None = None
    wait_s: float | None = None
    raised_lift_s: float | None = None
    raised_wait_s: float | None = None
    lift_mm_per_s: float | None = None

    def __post_init__(self) -> None:
        for name in ("lift_s", "wait_s", "raised_lift_s", "raised_wait_s"):
            _check(name, getattr(self, name), least=0.0, most=3600.0)
        _check("lift_mm_per_s", self.lift_mm_per_s, least=0.001, most=100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintTime:
    """What a print takes.  ``unknown`` names what was not given and is not counted."""

    layers: int
    light_s: float
    lift_s: float
    wait_s: float
    unknown: tuple[str, ...]

    @property
    def counted_s(self) -> float:
        """All that is known; of the light alone where nothing else is."""
        return self.light_s + self.lift_s + self.wait_s


def layer_count(height_mm: float, layer_mm: float) -> int:
    """Layers of a part, the last one cut through counted.

    A height within a thousandth of a layer of a whole number is that number.
    """
    return max(math.ceil(height_mm / layer_mm - 1e-3), 1)


def print_time(height_mm: float, setting: Setting, motion: Motion) -> PrintTime:
    """Add up the layers of a print.

    Parameters
    ----------
    height_mm : float
        From the plate to the last layer.
    setting : Setting
        Seconds of light of raised and normal layers, and the layer's height.
    motion : Motion
        Seconds that are not light.
    """
    layers = layer_count(height_mm, setting.layer_mm)
    raised = min(len(setting.raised_s), layers)
    normal = layers - raised
    light_s = math.fsum(setting.raised_s[:raised]) + normal * setting.normal_s
    lift_s = _both(raised, normal, motion.raised_lift_s, motion.lift_s)
    wait_s = _both(raised, normal, motion.raised_wait_s, motion.wait_s)
    return PrintTime(
        layers=layers,
        light_s=light_s,
        lift_s=lift_s or 0.0,
        wait_s=wait_s or 0.0,
        unknown=tuple(
            name
            for name, seconds in (("lift", lift_s), ("wait", wait_s))
            if seconds is None
        ),
    )


def _both(
    raised: int, normal: int, raised_s: float | None, normal_s: float | None
) -> float | None:
    if normal_s is None:
        return None
    return raised * (normal_s if raised_s is None else raised_s) + normal * normal_s


def _check(name: str, value: float | None, *, least: float, most: float) -> None:
    if value is not None and not least <= value <= most:  # NaN fails too
        raise RecordError(
            f"{name} = {value} is outside {least:g} to {most:g}.",
            "Give the number that the printer or the slicer shows.",
        )
