"""The fit on invented resins whose truth is known.  All data here is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.observations import Observation, observe, read_off
from calib.posterior import Fit, fit
from calib.stack import Resins, silhouettes_mm
from calib.virtual.printer import with_uniform_growth
from calib.wall import Setting, build_wall, draw, steps_mm
from patterns.errors import RecordError
from tests.calib.closed_loop import coupon, read_directly

Array = NDArray[np.float64]

MANIFEST, SETTING = coupon(transitions=False)
TOOTH_U_MM = 0.003


def bottle(**changes: float) -> Resins:
    values = {
        "tc_s": 0.9,
        "depth_mm": 0.11,
        "core_mm": 0.04,
        "halo_share": 0.10,
        "halo_mm": 0.18,
        "squeeze_mm": 0.0,
        "squeeze_second_mm": 0.0,
    } | changes
    return Resins(halo="gaussian", **{k: np.array([v]) for k, v in values.items()})


PART = with_uniform_growth(MANIFEST, [0.0] * MANIFEST.layers)
SEEN = read_directly(MANIFEST, PART, np.random.default_rng(0))
TEMPLATE = observe(MANIFEST, SEEN, MANIFEST.exposure_by_layer_s, MANIFEST.layer_mm)
"""An observation of the coupon whose readings are still to be filled in."""


def observed(resins: Resins, rng: np.random.Generator) -> Observation:
    """Readings that the model itself gives, with noise."""
    true = read_off(TEMPLATE, silhouettes_mm(TEMPLATE.stacks, resins))[0]
    noise = rng.normal(0.0, TOOTH_U_MM, len(true))
    return replace(
        TEMPLATE,
        reading_mm=true + noise,
        covariance_mm2=TOOTH_U_MM**2 * np.eye(len(true)),
    )


def flare(fitted: Fit, setting: Setting) -> tuple[float, float]:
    """Predicted plate-layer flare and the spread of the draws, mm."""
    wall = build_wall(draw(fitted, 200), setting, 0.05)
    step = steps_mm(wall, np.zeros(len(setting.raised_s), dtype=np.intp))[:, 0]
    return float(np.mean(step)), float(np.std(step))


def true_flare(resins: Resins, setting: Setting) -> float:
    from calib.wall import Draws

    wall = build_wall(Draws(batches=(resins,)), setting, 0.05)
    return float(steps_mm(wall, np.zeros(len(setting.raised_s), dtype=np.intp))[0, 0])


def test_flare_of_the_print_itself_is_found() -> None:
    fitted = fit((observed(bottle(), np.random.default_rng(5)),))
    value, spread = flare(fitted, SETTING)
    # eight teeth show it, each to 3 um
    assert value == pytest.approx(true_flare(bottle(), SETTING), abs=0.006)
    assert spread < 0.006
    assert fitted.fit_probability > 0.001


@pytest.mark.slow
def test_predictions_are_as_uncertain_as_they_say() -> None:
    """Coverage over seeds, at 0.6 times the printed exposure."""
    lower = SETTING.with_bottom(0.6 * SETTING.bottom_s)
    ratios = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        resins = bottle(
            depth_mm=float(rng.uniform(0.07, 0.15)),
            core_mm=float(rng.uniform(0.03, 0.05)),
            halo_share=float(rng.uniform(0.04, 0.14)),
        )
        value, spread = flare(fit((observed(resins, rng),)), lower)
        ratios.append((value - true_flare(resins, lower)) / np.hypot(spread, 0.002))
    size = float(np.sqrt(np.mean(np.square(ratios))))
    # RMS of five unit normals lies below 1.75 with 99 % probability; the prior's own
    # width makes smaller values likelier
    assert 0.1 < size < 1.75


def test_squeezed_out_resin_is_told_from_light() -> None:
    rng = np.random.default_rng(2)
    plain = fit((observed(bottle(halo_share=0.03), rng),))
    squeezed = fit((observed(bottle(halo_share=0.03, squeeze_mm=0.12), rng),))
    assert plain.squeeze_weight < 0.5
    assert squeezed.squeeze_weight > 0.9


def test_second_print_narrows_the_prediction() -> None:
    rng = np.random.default_rng(3)
    resins = bottle(halo_share=0.07)
    first = observed(resins, rng)
    seconds = np.where(
        first.stacks.exposure_by_layer_s > 10.0, 15.0, first.stacks.exposure_by_layer_s
    )
    stacks = replace(first.stacks, exposure_by_layer_s=seconds)
    true = read_off(first, silhouettes_mm(stacks, resins))[0]
    second = replace(
        first,
        stacks=stacks,
        reading_mm=true + rng.normal(0.0, TOOTH_U_MM, len(true)),
        bottom_exposure_s=15.0,
    )
    lower = SETTING.with_bottom(15.0)
    _, alone = flare(fit((first,)), lower)
    value, both = flare(fit((first, second)), lower)
    assert both < alone
    assert value == pytest.approx(true_flare(resins, lower), abs=0.006)


def test_readings_no_resin_gives_are_reported() -> None:
    """A tooth that starts higher stands out further: against any light or squeeze."""
    rng = np.random.default_rng(4)
    o = observed(bottle(), rng)
    wrong = np.where(np.arange(len(o.reading_mm)) % 2 == 0, 0.04, -0.04)
    assert fit((replace(o, reading_mm=o.reading_mm + wrong),)).fit_probability < 0.001


def test_parameters_the_data_cannot_reach_are_named() -> None:
    fitted = fit((observed(bottle(halo_share=0.0), np.random.default_rng(6)),))
    assert fitted.unreached


def test_same_readings_give_the_same_fit() -> None:
    o = observed(bottle(), np.random.default_rng(7))
    np.testing.assert_array_equal(fit((o,)).weights, fit((o,)).weights)


def test_no_measurement_is_refused() -> None:
    with pytest.raises(RecordError, match="no measurement"):
        fit(())


def test_record_of_another_coupon_is_refused() -> None:
    seen = SEEN
    exposures = MANIFEST.exposure_by_layer_s
    with pytest.raises(RecordError, match="layers of"):
        observe(MANIFEST, seen, exposures[:-1], MANIFEST.layer_mm)
    with pytest.raises(RecordError, match="layers of"):
        observe(MANIFEST, seen, exposures, 0.04)
    with pytest.raises(RecordError, match="The measurement is of coupon"):
        observe(MANIFEST, replace(seen, coupon_id="other"), exposures, 0.05)
    nothing = tuple(replace(t, used=False) for t in seen.teeth)
    with pytest.raises(RecordError, match="No tooth"):
        observe(MANIFEST, replace(seen, teeth=nothing), exposures, 0.05)
