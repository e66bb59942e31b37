"""What the user's records hold: frozen values, checked when they are made.

A record names another by its ``uid``, which stays the same in every copy and export.
Corrections are new records that supersede old ones; nothing here is ever changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from patterns.errors import RecordError

Surface = Literal["rigid", "flexible"]
Outcome = Literal["held", "partly", "fell off"]
PrintedAs = Literal["tilted", "lipped", "flat"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bottle:
    """One bottle of resin; another batch of the same resin is another bottle."""

    name: str
    resin: str
    batch: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        _check_name("bottle", self.name)
        _check_name("resin", self.resin)


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """One printer: its raster, its plate and when that plate was last levelled."""

    name: str
    pixel_x_mm: float
    pixel_y_mm: float
    plate_x_mm: float
    plate_y_mm: float
    surface: Surface
    relevelled_on: str
    note: str = ""

    def __post_init__(self) -> None:
        _check_name("printer", self.name)
        for name in ("pixel_x_mm", "pixel_y_mm", "plate_x_mm", "plate_y_mm"):
            _check_positive(name, getattr(self, name))
        try:
            date.fromisoformat(self.relevelled_on)
        except ValueError as err:
            raise RecordError(
                f"relevelled_on = {self.relevelled_on!r} is not a date.",
                "Write it as year-month-day, for example 2026-05-31.",
            ) from err


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeCoupon:
    """A coupon this user has made: its manifest, whole, as it was written."""

    coupon_id: str
    code: int
    manifest_json: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Print:
    """One print as it was really run, and whether it stayed on the plate.

    ``coupon_id`` is None for a part that is no coupon; such prints tell about adhesion
    only.  ``temperature_c`` is None when the user said that it isn't known.
    """

    bottle_uid: str
    printer_uid: str
    coupon_id: str | None
    exposure_by_layer_s: tuple[float, ...]
    bottom_layers: int
    transition_layers: int
    layer_mm: float
    wait_before_exposure_s: float
    temperature_c: float | None
    outcome: Outcome
    contact_area_mm2: float
    note: str = ""

    def __post_init__(self) -> None:
        _check_positive("layer_mm", self.layer_mm)
        _check_positive("contact_area_mm2", self.contact_area_mm2)
        for seconds in self.exposure_by_layer_s:
            _check_positive("exposure_by_layer_s", seconds)
        if not 0 <= self.wait_before_exposure_s <= 3600:  # NaN fails too
            raise RecordError(
                f"wait_before_exposure_s = {self.wait_before_exposure_s} is outside "
                "0 to 3600 s.",
                "Give the pause between the plate's arrival and the light in seconds.",
            )
        if self.temperature_c is not None and not 0 <= self.temperature_c <= 80:
            raise RecordError(
                f"temperature_c = {self.temperature_c} is outside 0 to 80 degrees.",
                "Give the resin's temperature in degrees Celsius.",
            )
        raised = self.bottom_layers + self.transition_layers
        if (
            self.bottom_layers < 1
            or self.transition_layers < 0
            or raised > len(self.exposure_by_layer_s)
        ):
            raise RecordError(
                f"{self.bottom_layers} bottom and {self.transition_layers} transition "
                f"layers don't fit {len(self.exposure_by_layer_s)} layers.",
                "Give the numbers that the slicer shows.",
            )

    @property
    def bottom_exposure_s(self) -> float:
        """Exposure of the plate layer."""
        return self.exposure_by_layer_s[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredMeasurement:
    """What one photo said about the coupon of one print.

    ``reading`` is the measured coupon as :mod:`calib.readings` writes it.
    """

    print_uid: str
    coupon_id: str
    photo: str
    photo_sha256: str
    reading: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFit:
    """What the cure model made of a bottle's measurements, for the history."""

    bottle_uid: str
    measurement_uids: tuple[str, ...]
    summary: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSuggestion:
    """What the program advised, and on which fit it rests."""

    bottle_uid: str
    fit_uid: str
    tolerance_mm: float
    summary: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """What the user took over from a suggestion."""

    suggestion_uid: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenBase:
    """A base of the user's own, written ready to print.

    ``bottle_uid`` is None for a base that no bottle was named for.  ``guess``: its
    insets are by rule, not measured.  ``source`` and ``source_sha256`` tell which file
    it came from, ``copies`` how many of it are on the plate; ``summary`` holds what
    was decided, as plain values.
    """

    bottle_uid: str | None
    printer_uid: str
    name: str
    source: str
    source_sha256: str
    printed_as: PrintedAs
    guess: bool
    copies: int
    summary: dict[str, Any]

    def __post_init__(self) -> None:
        _check_name("name", self.name)
        _check_positive("copies", self.copies)


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawal:
    """A record that no longer counts, and why; the record itself stays."""

    of_uid: str
    because: str

    def __post_init__(self) -> None:
        _check_name("because", self.because)


Record = (
    Bottle
    | Printer
    | MadeCoupon
    | Print
    | StoredMeasurement
    | StoredFit
    | StoredSuggestion
    | Accepted
    | WrittenBase
    | Withdrawal
)


def _check_name(what: str, text: str) -> None:
    if not text.strip() or not text.isprintable():
        raise RecordError(
            f"{what} = {text!r} is no name.",
            "Give a name of one line that isn't empty.",
        )


def _check_positive(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise RecordError(
            f"{what} = {value} is not a positive number.", "Check the number."
        )
