"""What the user asks for: the printer's raster, the exposures, the coupon's sizes."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass

from patterns.errors import SpecError

PIXEL_RANGE_MM = (0.010, 0.120)
LAYER_RANGE_MM = (0.010, 0.200)
EXPOSURE_RANGE_S = (0.05, 600.0)
MIN_FOOT_MM = 0.40
MIN_THICKNESS_MM = 1.2
MIN_BODY_MM = 0.6
MIN_BODY_LAYERS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class FlareSpec:
    """A flare coupon: printer raster and exposures given, all else defaulted.

    Parameters
    ----------
    pixel_x_mm, pixel_y_mm : float
        Pitch of the mask's pixels along the coupon's long and short side.
    layer_mm : float
        Layer height.
    bottom_exposures_s, transition_exposures_s : tuple of float
        One exposure for each bottom and each transition layer, plate layer first.
    normal_exposure_s : float
        Exposure of every other layer.
    wait_before_exposure_s : float or None
        Pause between the plate's arrival and the light; None: not stated.
    plate_x_mm, plate_y_mm : float
        Room on the build plate along the coupon's long and short side.
    tooth_width_mm, tooth_gap_mm, tooth_length_mm : float
        Size of a tooth; rounded to whole pixels.
    insets_mm : tuple of float
        Steps of the inset ladder, growing, without the zeros that are always there.
    reference_inset_mm : float
        Inset of the reference teeth and of the start ladder's missing layers.
    hole_diameter_mm : float
        Fiducial holes at the plate face.
    vertical_layers : int
        Body layers, counted from the foot, that keep the full outline (4 to 8).
    taper_mm_per_layer : float
        Mean narrowing of the body above them.
    code : int or None
        Identity in the edge code; None derives one from the rest of the spec.

    Raises
    ------
    SpecError
        A value that can't be made, with the reason.
    """

    pixel_x_mm: float
    pixel_y_mm: float
    layer_mm: float
    bottom_exposures_s: tuple[float, ...]
    transition_exposures_s: tuple[float, ...]
    normal_exposure_s: float
    wait_before_exposure_s: float | None = None
    plate_x_mm: float = 115.0
    plate_y_mm: float = 65.0
    tooth_width_mm: float = 3.2
    tooth_gap_mm: float = 1.5
    tooth_length_mm: float = 3.0
    insets_mm: tuple[float, ...] = (
        0.05,
        0.10,
        0.15,
        0.20,
        0.25,
        0.30,
        0.40,
        0.50,
    )
    reference_inset_mm: float = 1.0
    hole_diameter_mm: float = 3.0
    vertical_layers: int = 6
    taper_mm_per_layer: float = 0.03
    code: int | None = None

    def __post_init__(self) -> None:
        self._check_raster()
        self._check_exposures()
        self._check_sizes()

    @property
    def foot_layers(self) -> int:
        """Bottom and transition layers and two more, at least 0.40 mm."""
        raised = len(self.bottom_exposures_s) + len(self.transition_exposures_s) + 2
        return max(raised, layers_for(MIN_FOOT_MM, self.layer_mm))

    @property
    def layers(self) -> int:
        """All layers: foot, then the larger of 0.6 mm and 10 layers; 1.2 mm at least.

        Thinner coupons curl (common practice, no source).
        """
        body = max(layers_for(MIN_BODY_MM, self.layer_mm), MIN_BODY_LAYERS)
        return max(self.foot_layers + body, layers_for(MIN_THICKNESS_MM, self.layer_mm))

    @property
    def exposure_by_layer_s(self) -> tuple[float, ...]:
        """Exposure of each layer, plate layer first."""
        raised = self.bottom_exposures_s + self.transition_exposures_s
        return raised + (self.normal_exposure_s,) * (self.layers - len(raised))

    def sha256(self) -> str:
        """Hash of everything but the code, from unrounded values."""
        fields = {k: v for k, v in asdict(self).items() if k != "code"}
        return hashlib.sha256(json.dumps(fields, sort_keys=True).encode()).hexdigest()

    def _check_raster(self) -> None:
        for name in ("pixel_x_mm", "pixel_y_mm"):
            _check_range(name, getattr(self, name), PIXEL_RANGE_MM, "mm")
        _check_range("layer_mm", self.layer_mm, LAYER_RANGE_MM, "mm")

    def _check_exposures(self) -> None:
        if not self.bottom_exposures_s:
            raise SpecError(
                "A flare coupon needs at least one bottom layer.",
                "Give the number and seconds of your bottom layers.",
            )
        for seconds in (
            *self.bottom_exposures_s,
            *self.transition_exposures_s,
            self.normal_exposure_s,
        ):
            _check_range("exposure_s", seconds, EXPOSURE_RANGE_S, "s")
        wait = self.wait_before_exposure_s
        if wait is not None:
            _check_range("wait_before_exposure_s", wait, (0.0, 600.0), "s")

    def _check_sizes(self) -> None:
        _check_range("tooth_width_mm", self.tooth_width_mm, (3.0, 4.0), "mm")
        _check_range("tooth_gap_mm", self.tooth_gap_mm, (1.2, 3.0), "mm")
        _check_range("tooth_length_mm", self.tooth_length_mm, (2.5, 4.0), "mm")
        _check_range("reference_inset_mm", self.reference_inset_mm, (0.7, 1.2), "mm")
        _check_range("hole_diameter_mm", self.hole_diameter_mm, (2.0, 4.0), "mm")
        _check_range("vertical_layers", self.vertical_layers, (4, 8), "layers")
        _check_range("taper_mm_per_layer", self.taper_mm_per_layer, (0.0, 0.06), "mm")
        steps = self.insets_mm
        pixel = max(self.pixel_x_mm, self.pixel_y_mm)
        if len(steps) != 8 or any(
            b - a < 0.99 * pixel for a, b in zip((0.0, *steps), steps, strict=False)
        ):
            raise SpecError(
                f"insets_mm must be 8 growing steps at least one pixel ({pixel} mm) "
                f"apart, not {steps}.",
                "Leave insets_mm at its default, or space the steps wider.",
            )
        if steps[-1] >= self.reference_inset_mm - 0.2:
            raise SpecError(
                f"The largest inset ({steps[-1]} mm) comes too near the reference "
                f"inset ({self.reference_inset_mm} mm).",
                "Keep at least 0.2 mm between them.",
            )


def layers_for(height_mm: float, layer_mm: float) -> int:
    """Smallest number of whole layers that reach a height."""
    return math.ceil(height_mm / layer_mm - 1e-9)


def default_flare_spec() -> FlareSpec:
    """Build the spec that `coupon flare` uses when nothing is said."""
    return FlareSpec(
        pixel_x_mm=0.05,
        pixel_y_mm=0.05,
        layer_mm=0.05,
        bottom_exposures_s=(30.0,) * 5,
        transition_exposures_s=(),
        normal_exposure_s=2.5,
    )


def _check_range(
    name: str, value: float, allowed: tuple[float, float], unit: str
) -> None:
    low, high = allowed
    if not low <= value <= high:  # NaN fails too
        raise SpecError(
            f"{name} = {value} is outside {low} to {high} {unit}.",
            f"Give {name} in {unit}.",
        )
