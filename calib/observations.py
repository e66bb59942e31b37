"""What the fit is given: readings of one print, with the masks and exposures behind.

Teeth with the same masks (the two sides carry the same ladder) stay apart here; their
covariance says what they share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.stack import (
    ROOT_STEPS,
    Comb,
    MaskStacks,
    Resins,
    log_peak_dose,
    mask_stacks,
    silhouettes_mm,
)
from patterns.errors import RecordError

if TYPE_CHECKING:
    from analysis.result import CouponMeasurement
    from patterns.manifest import Manifest, Tooth

Array = NDArray[np.float64]
_Masks = tuple[tuple[float, ...], tuple[float, ...]]

_READ_END = 11.0 / 12.0

FARTHEST_STEP_MM = 0.3
FLATTEST_SLOPE = 1e-3  # per mm; a flatter dose has no outline to speak of


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """Readings of one printed coupon.

    ``stacks`` holds the masks of every kind of feature once; reading i compares the
    silhouette of feature ``feature[i]`` with that of ``baseline[i]`` (-1: with its own
    design outline, an absolute growth).  ``bottom_exposure_s`` is the plate layer's.
    """

    stacks: MaskStacks
    feature: NDArray[np.intp]
    baseline: NDArray[np.intp]
    reading_mm: Array
    covariance_mm2: Array
    bottom_exposure_s: float
    normal_exposure_s: float
    body_known: bool

    @property
    def seen_outline_mm(self) -> Array:
        """Roughly where each feature's silhouette lies, (1, s)."""
        kinds = len(self.stacks.insets_mm)
        absolute = self.baseline < 0
        body_mm = np.mean(self.reading_mm[absolute]) if np.any(absolute) else 0.02
        seen = self.reading_mm + np.where(absolute, 0.0, body_mm)
        count = np.bincount(self.feature, minlength=kinds)
        total = np.bincount(self.feature, seen, kinds)
        return np.where(count > 0, total / np.maximum(count, 1), body_mm)[None]


def observe(
    manifest: Manifest,
    measurement: CouponMeasurement,
    exposure_by_layer_s: tuple[float, ...],
    layer_mm: float,
) -> Observation:
    """Join a measurement with the record of the print it was made on.

    Parameters
    ----------
    manifest : Manifest
        The coupon's masks.
    measurement : CouponMeasurement
        Its readings; teeth not ``used`` are left out.
    exposure_by_layer_s : tuple of float
        What the printer really gave, one per layer.
    layer_mm : float
        Layer height it was printed with.

    Raises
    ------
    RecordError
        The record doesn't belong to this coupon, or nothing was read on it.
    """
    _check_record(manifest, measurement, exposure_by_layer_s, layer_mm)
    kinds: dict[_Masks, int] = {}
    of_tooth = {
        t.name: kinds.setdefault(_tooth_masks(t), len(kinds)) for t in manifest.teeth
    }
    baseline_of = {
        t.side: of_tooth[t.name] for t in manifest.teeth if t.role == "reference"
    }
    read = {t.name: t for t in measurement.teeth}
    names = [n for n in measurement.covariance_names if read[n].role != "reference"]
    keep = [measurement.covariance_names.index(n) for n in names]
    feature = [of_tooth[n] for n in names]
    baseline = [baseline_of[read[n].side] for n in names]
    value = [float(read[n].growth_mm or 0.0) for n in names]
    covariance = measurement.growth_cov_mm2[np.ix_(keep, keep)]
    body = measurement.body_growth
    if body is not None:
        strip = manifest.strips[0]
        long = (strip.length_mm / 2.0,) * manifest.layers
        masks = (strip.inset_by_layer_mm, long)
        feature.append(kinds.setdefault(masks, len(kinds)))
        baseline.append(-1)
        value.append(body.value_mm)
        covariance = np.pad(covariance, (0, 1))
        covariance[-1, -1] = body.u_mm**2
    return Observation(
        stacks=mask_stacks(
            np.array([insets for insets, _ in kinds]),
            exposure_by_layer_s,
            layer_mm,
            manifest.foot_layers + manifest.vertical_layers,
            half_widths_mm=np.array([halves for _, halves in kinds]),
            comb=_comb(manifest),
        ),
        feature=np.array(feature, dtype=np.intp),
        baseline=np.array(baseline, dtype=np.intp),
        reading_mm=np.array(value),
        covariance_mm2=covariance,
        bottom_exposure_s=exposure_by_layer_s[0],
        normal_exposure_s=exposure_by_layer_s[-1],
        body_known=body is not None,
    )


def _tooth_masks(tooth: Tooth) -> _Masks:
    """Insets and half widths of a tooth, layer by layer.

    The end is read over its middle half; for a tail like 1/x that is as if the tooth
    were narrower by a twelfth.
    """
    halves = tuple(
        _READ_END * (tooth.width_mm / 2.0 - flank)
        for flank in tooth.flank_inset_by_layer_mm
    )
    return tooth.inset_by_layer_mm, halves


def _comb(manifest: Manifest) -> Comb:
    """Row of teeth that all teeth of a coupon stand in."""
    first, second = sorted(t.x_mm for t in manifest.teeth if t.side == "a")[:2]
    tooth, pitch_mm = manifest.teeth[0], second - first
    return Comb(
        length_mm=abs(tooth.y_end_mm - tooth.y_root_mm),
        neighbour_mm=pitch_mm - tooth.width_mm / 2.0,
        lit_share=tooth.width_mm / pitch_mm,
    )


def readings_mm(
    observation: Observation,
    resins: Resins,
    start_mm: Array,
    steps: int = ROOT_STEPS,
) -> tuple[Array, Array]:
    """Give the readings of each resin, (p, n), and the silhouettes behind, (p, s)."""
    outline = silhouettes_mm(observation.stacks, resins, start_mm, steps)
    return read_off(observation, outline), outline


def rough_readings_mm(
    observation: Observation, resins: Resins, seen_mm: Array
) -> Array:
    """Give the readings (p, n) to first order from where the silhouettes were seen.

    Exact where model and readings agree; one look at the dose instead of a search.
    ``seen_mm`` is the observation's ``seen_outline_mm``.
    """
    seen = np.repeat(seen_mm, len(resins), axis=0)
    level, slope = log_peak_dose(observation.stacks, resins)(seen)
    step = level / np.minimum(slope, -FLATTEST_SLOPE)
    return read_off(
        observation, seen - np.clip(step, -FARTHEST_STEP_MM, FARTHEST_STEP_MM)
    )


def read_off(observation: Observation, per_feature: Array) -> Array:
    """Difference of feature and baseline along the last axis, (..., s) to (..., n)."""
    relative = observation.baseline >= 0
    against = np.where(relative, per_feature[..., observation.baseline], 0.0)
    return np.asarray(per_feature[..., observation.feature] - against)


def _check_record(
    manifest: Manifest,
    measurement: CouponMeasurement,
    exposure_by_layer_s: tuple[float, ...],
    layer_mm: float,
) -> None:
    if measurement.coupon_id != manifest.coupon_id:
        raise RecordError(
            f"The measurement is of coupon {measurement.coupon_id}, the manifest of "
            f"{manifest.coupon_id}.",
            "Give the manifest of the coupon that was measured.",
        )
    if len(exposure_by_layer_s) != manifest.layers or not np.isclose(
        layer_mm, manifest.layer_mm
    ):
        raise RecordError(
            f"The print has {len(exposure_by_layer_s)} layers of {layer_mm:g} mm, the "
            f"coupon {manifest.layers} of {manifest.layer_mm:g} mm.",
            "Correct the print's record, or make a coupon for this layer height.",
        )
    if not any(t.role != "reference" and t.used for t in measurement.teeth):
        raise RecordError(
            "No tooth of the coupon was read, so there is nothing to fit.",
            "Take another photo in more even light.",
        )
