"""What the user asks for in a set of rim tiles: tilts, treatments, supports, plate."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Literal

from patterns.errors import SpecError
from patterns.rimcode import INDICES, SET_CODES
from patterns.spec import EXPOSURE_RANGE_S, LAYER_RANGE_MM, PIXEL_RANGE_MM
from patterns.tilt_steps import coincidence_deg

Treatment = Literal["bare", "lipped"]
TREATMENTS: tuple[Treatment, ...] = ("bare", "lipped")
TILT_RANGE_DEG = (20.0, 75.0)
# The code's last notch comes nearest to the rim: it must leave a wall that prints.
MIN_HORN_MM = 0.25
NOTCH_REACH_MM = 11.3
NOTCH_FLOOR_MM = 1.8


@dataclass(frozen=True, slots=True, kw_only=True)
class RimSpec:
    """A set of rim tiles: printer raster and exposure given, all else defaulted.

    Parameters
    ----------
    pixel_x_mm, pixel_y_mm : float
        Pitch of the mask's pixels; tiles tilt along y, the plate's short side.
    layer_mm : float
        Layer height.
    normal_exposure_s : float
        Exposure of the layers above the raft.
    tilts_deg : tuple of float
        Growing, 20 to 75, a degree apart after rounding.  The coincidence angle of
        layer and pixel joins them when it lies in their range and a degree or more
        from each.
    treatments : tuple of str
        ``bare``, ``lipped`` or both.
    radius_mm, taper_deg, thickness_mm : float
        The tile; a half disc.
    lip_width_mm : float
        Width of the ring under the rim that is sanded off.
    lip_depths_mm : tuple of float
        One for all, or one for each of ``tilts_deg`` (and the smallest for the
        coincidence angle): tilts a degree apart sweep the depth at one tilt.  A contact
        leaves a pit or stub of about half its width, light prints through by about two
        penetration depths (0.1 mm, the sum over the layers above), and hand sanding
        wants 0.2 mm to stop in: 0.5 mm.  Common practice, no source.
    rim_spacing_mm : float
        Distance of the contacts along the rim at its lowest point; it grows to one and
        a half times that at the ends of the row.
    face_spacing_mm : float
        Distance of the contacts on the rest of the underside.
    contact_mm : float
        Diameter of a contact.
    rim_row_deg : float
        How far up the rim the row goes, to both sides of the lowest point.
    hang_limit_mm : float
        How far a layer may reach past the layer below it.
    span_limit_mm : float
        Largest gap between contacts on the underside: twice the distance from its
        farthest point to the nearest contact.
    plate_x_mm, plate_y_mm : float
        Room on the build plate.
    set_code : int or None
        0 to 31, in every tile's code; None derives it from the rest.

    Raises
    ------
    SpecError
        A value that can't be made, with the reason.
    """

    pixel_x_mm: float
    pixel_y_mm: float
    layer_mm: float
    normal_exposure_s: float
    tilts_deg: tuple[float, ...] = (30.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 65.0)
    treatments: tuple[Treatment, ...] = TREATMENTS
    radius_mm: float = 12.5
    taper_deg: float = 15.0
    thickness_mm: float = 3.0
    lip_width_mm: float = 1.5
    lip_depths_mm: tuple[float, ...] = (0.5,)
    rim_spacing_mm: float = 1.5
    face_spacing_mm: float = 3.5
    contact_mm: float = 0.4
    rim_row_deg: float = 78.0
    hang_limit_mm: float = 1.0
    span_limit_mm: float = 6.5
    plate_x_mm: float = 115.0
    plate_y_mm: float = 65.0
    set_code: int | None = None

    def __post_init__(self) -> None:
        self._check_sizes()
        self._check_tilts()
        self._check_treatments()

    @property
    def all_tilts_deg(self) -> tuple[float, ...]:
        """The tilts with the coincidence angle, growing."""
        extra = coincidence_deg(self.layer_mm, self.pixel_y_mm)
        inside = self.tilts_deg[0] < extra < self.tilts_deg[-1]
        if inside and min(abs(extra - tilt) for tilt in self.tilts_deg) > 1.0:
            return tuple(sorted((*self.tilts_deg, round(extra, 6))))
        return self.tilts_deg

    @property
    def set_number(self) -> int:
        """The set's code, given or derived."""
        if self.set_code is None:
            return int(self.sha256()[:12], 16) % SET_CODES
        return self.set_code

    def lip_depth_mm(self, tilt_deg: float) -> float:
        """Depth of the lip of a tile at one of ``all_tilts_deg``."""
        if len(self.lip_depths_mm) == len(self.tilts_deg):
            by_tilt = dict(zip(self.tilts_deg, self.lip_depths_mm, strict=True))
            return by_tilt.get(tilt_deg, min(self.lip_depths_mm))
        return self.lip_depths_mm[0]

    def sha256(self) -> str:
        """Hash of everything but the set's code, from unrounded values."""
        fields = {k: v for k, v in asdict(self).items() if k != "set_code"}
        return hashlib.sha256(json.dumps(fields, sort_keys=True).encode()).hexdigest()

    def _check_sizes(self) -> None:
        ranges = {
            "pixel_x_mm": PIXEL_RANGE_MM,
            "pixel_y_mm": PIXEL_RANGE_MM,
            "layer_mm": LAYER_RANGE_MM,
            "normal_exposure_s": EXPOSURE_RANGE_S,
            "radius_mm": (12.5, 20.0),
            "taper_deg": (5.0, 20.0),
            "thickness_mm": (2.0, 3.5),
            "lip_width_mm": (1.0, 2.5),
            "rim_spacing_mm": (1.0, 2.0),
            "face_spacing_mm": (2.5, 5.0),
            "contact_mm": (0.25, 0.8),
            "rim_row_deg": (60.0, 79.0),
            "hang_limit_mm": (0.3, 3.0),
            "span_limit_mm": (4.0, 12.0),
            "plate_x_mm": (35.0, 1000.0),
            "plate_y_mm": (25.0, 1000.0),
        }
        for name, (low, high) in ranges.items():
            value = getattr(self, name)
            if not low <= value <= high:  # NaN fails too
                raise SpecError(
                    f"{name} = {value} is outside {low:g} to {high:g}.",
                    f"Give {name} within that range.",
                )
        lean = self.thickness_mm * math.tan(math.radians(self.taper_deg))
        horn = math.sqrt((self.radius_mm - lean) ** 2 - NOTCH_FLOOR_MM**2)
        if horn - NOTCH_REACH_MM < MIN_HORN_MM:
            raise SpecError(
                "The code's first notch would come too near the rim.",
                "Choose a larger radius, or less taper or thickness.",
            )
        _check_set_code(self.set_code)

    def _check_tilts(self) -> None:
        tilts = self.tilts_deg
        low, high = TILT_RANGE_DEG
        if not tilts or not all(low <= tilt <= high for tilt in tilts):
            raise SpecError(
                f"Tilts must lie between {low:g} and {high:g} degrees, not {tilts}.",
                "A base printed flat is what the flare coupon is for.",
            )
        rounded = [round(tilt) for tilt in tilts]
        if any(b <= a for a, b in pairwise(rounded)):
            raise SpecError(
                f"Tilts must grow by a degree or more after rounding, not {tilts}.",
                "The code on a tile carries whole degrees: space them wider.",
            )

    def _check_treatments(self) -> None:
        wanted = self.treatments
        if not wanted or len(set(wanted)) < len(wanted) or set(wanted) - {*TREATMENTS}:
            raise SpecError(
                f"treatments must be bare, lipped or both, not {wanted}.",
                "Name each at most once.",
            )
        if len(self.all_tilts_deg) * len(wanted) > INDICES:
            raise SpecError(f"A set holds at most {INDICES} tiles.", "Use fewer tilts.")
        depths = self.lip_depths_mm
        if len(depths) not in (1, len(self.tilts_deg)) or not all(
            0.3 <= depth <= 1.5 for depth in depths
        ):
            raise SpecError(
                f"lip_depths_mm must be one depth or one for each tilt, 0.3 to 1.5 mm, "
                f"not {depths}.",
                "Below 0.3 mm the contacts reach the rim that counts.",
            )


def default_rim_spec() -> RimSpec:
    """Build the spec that `coupon rims` uses when nothing is said."""
    return RimSpec(
        pixel_x_mm=0.05, pixel_y_mm=0.05, layer_mm=0.05, normal_exposure_s=2.5
    )


def _check_set_code(code: int | None) -> None:
    if code is not None and code not in range(SET_CODES):
        raise SpecError(
            f"set_code {code} is not in use.", f"Take one of 0 to {SET_CODES - 1}."
        )
