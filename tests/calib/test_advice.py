"""The suggestion, tried on walls of invented resins.  All data here is invented."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from calib.adhesion import Outcome, adhesion_floor
from calib.advice import Suggestion, suggest
from calib.insets import layer_insets_px, single_inset, unevenness_mm
from calib.observations import Observation, observe
from calib.plots import plot_flare_vs_exposure, plot_insets
from calib.posterior import Fit, fit
from calib.prediction import predict
from calib.second_print import OPEN_WEIGHT
from calib.virtual.printer import print_coupon
from calib.virtual.resin import InventedResin, gaussian_halo, invent_resin
from calib.wall import Draws, Setting, build_wall, draw, steps_mm
from patterns.errors import RecordError
from tests.calib.closed_loop import (
    PIXEL_MM,
    coupon,
    read_directly,
    run_trials,
    wall_steps_mm,
)
from tests.calib.test_fitting import SETTING, bottle, observed

TRANSITIONS = Setting(
    layer_mm=0.05,
    normal_s=2.5,
    raised_s=(30.0,) * 4 + (20.0, 11.0, 6.0),
    bottom_layers=4,
)
INVENTED = InventedResin(
    name="invented",
    depth_mm=0.11,
    gel_s=0.9,
    core_mm=0.04,
    spread=0.05,
    halo=gaussian_halo(0.10, 0.18),
)


def held(exposure_s: float, outcome: str = "held") -> Outcome:
    return Outcome(
        outcome=outcome,  # type: ignore[arg-type]
        bottom_exposure_s=exposure_s,
        bottom_layers=5,
        contact_area_mm2=2400.0,
    )


@pytest.fixture(scope="module")
def fitted() -> Fit:
    return fit((observed(bottle(), np.random.default_rng(5)),))


@pytest.fixture(scope="module")
def advice(fitted: Fit) -> Suggestion:
    return suggest(fitted, SETTING, PIXEL_MM)


@pytest.fixture(scope="module")
def squeezed() -> Suggestion:
    resins = bottle(halo_share=0.03, squeeze_mm=0.14)
    return suggest(
        fit((observed(resins, np.random.default_rng(2)),)), SETTING, PIXEL_MM
    )


def test_wall_printed_as_suggested_is_straight(advice: Suggestion) -> None:
    """Every layer's outline within 0.05 mm, printed by another route than the fit."""
    plain = wall_steps_mm(SETTING, (0,) * 5, INVENTED)
    insets = tuple(layer.inset_px for layer in advice.layers)
    left = wall_steps_mm(SETTING, insets, INVENTED)
    assert np.abs(plain).max() > 0.15
    assert np.abs(left).max() < 0.03
    assert advice.within_tolerance


def test_transition_layers_get_their_own_insets(fitted: Fit) -> None:
    advice = suggest(fitted, TRANSITIONS, PIXEL_MM)
    insets = [layer.inset_px for layer in advice.layers]
    assert advice.transition_layers == 3
    assert insets[4] > 0
    assert insets == sorted(insets, reverse=True)
    left = wall_steps_mm(TRANSITIONS, tuple(insets), INVENTED)
    single = [
        advice.single.inset_px if j < advice.single.layers else 0
        for j in range(len(insets))
    ]
    stepped = wall_steps_mm(TRANSITIONS, tuple(single), INVENTED)
    assert np.abs(left).max() < np.abs(stepped).max()
    # the step that one inset leaves is said to within what the fit knows
    assert advice.single.leaves.value_mm == pytest.approx(
        stepped[advice.single.leaves_layer], abs=0.02
    )


def test_without_outcomes_only_the_inset_moves(advice: Suggestion) -> None:
    assert advice.bottom_exposure_s == SETTING.bottom_s
    assert "No print's outcome is recorded" in advice.cautions[0]
    assert "floor" in advice.reason


def test_reason_says_when_exposure_is_no_lever(fitted: Fit) -> None:
    advice = suggest(fitted, SETTING, PIXEL_MM, (held(27.0),))
    assert "not your lever" in advice.reason
    assert f"{advice.layers[0].inset_mm:.2f} mm" in advice.reason
    assert "does not prove" in advice.floor.reason


@pytest.mark.parametrize(
    ("outcomes", "floor_s", "known"),
    [
        ((), 30.0, False),
        ((held(30.0),), 30.0, True),
        ((held(30.0), held(18.0)), 18.0, True),
        ((held(30.0), held(18.0), held(12.0, "fell off")), 18.0, True),
        ((held(30.0), held(18.0), held(20.0, "partly")), 30.0, True),
        ((held(30.0, "fell off"),), 37.5, False),
    ],
)
def test_floor_is_what_prints_speak_for(
    outcomes: tuple[Outcome, ...], floor_s: float, *, known: bool
) -> None:
    floor = adhesion_floor(30.0, outcomes)
    assert floor.bottom_exposure_s == floor_s
    assert floor.known is known


def test_never_below_the_floor(fitted: Fit) -> None:
    for outcomes in ((held(30.0, "fell off"),), (held(20.0),), (held(30.0),)):
        advice = suggest(fitted, SETTING, PIXEL_MM, outcomes)
        assert advice.bottom_exposure_s >= advice.floor.bottom_exposure_s


def test_squeezed_out_resin_is_owned_up_to(squeezed: Suggestion) -> None:
    assert squeezed.squeeze is not None
    assert squeezed.squeeze.low_mm <= 0.14 <= squeezed.squeeze.high_mm
    assert squeezed.second_print_s is not None
    assert any("squeezed-out" in said for said in squeezed.cautions)


def test_interval_widens_away_from_the_printed_exposure(fitted: Fit) -> None:
    draws = draw(fitted, 100)
    none = np.zeros(5, dtype=np.intp)
    u = []
    for ratio in (1.0, 0.6, 0.4, 0.3):
        setting = SETTING.with_bottom(ratio * SETTING.bottom_s)
        u.append(predict(fitted, build_wall(draws, setting, PIXEL_MM), none))
    relative = [p.first_layer.u_mm / p.first_layer.value_mm for p in u]
    assert relative == sorted(relative)
    assert [p.vouched for p in u] == [True, True, True, False]


def test_rounding_takes_up_what_layers_above_left_over() -> None:
    """Better than rounding each layer by itself, for one known resin."""
    draws = Draws(batches=(bottle(),))
    wall = build_wall(draws, TRANSITIONS, PIXEL_MM)
    best = layer_insets_px(wall, draws)
    plain = np.zeros(7, dtype=np.intp)
    assert unevenness_mm(wall, best) < 0.015  # a third of a pixel
    single = single_inset(wall)
    stepped = np.where(np.arange(7) < single.layers, single.inset_px, 0)
    worst = [np.abs(steps_mm(wall, n)).max() for n in (best, stepped, plain)]
    assert worst == sorted(worst)


@pytest.mark.parametrize(
    ("tolerance_mm", "pixel_mm", "setting"),
    [
        (0.0, 0.05, SETTING),
        (0.05, 0.0, SETTING),
        (
            0.05,
            0.05,
            Setting(layer_mm=0.05, normal_s=2.5, raised_s=(), bottom_layers=0),
        ),
    ],
)
def test_nonsense_is_refused(
    fitted: Fit, tolerance_mm: float, pixel_mm: float, setting: Setting
) -> None:
    with pytest.raises(RecordError):
        suggest(fitted, setting, pixel_mm, tolerance_mm=tolerance_mm)


def test_pictures_name_their_units(fitted: Fit, advice: Suggestion) -> None:
    axes = Figure().subplots(1, 2)
    plot_flare_vs_exposure(fitted, SETTING, PIXEL_MM, ax=axes[0])
    plot_insets(advice, ax=axes[1])
    assert "(s)" in axes[0].get_xlabel()
    assert "(mm)" in axes[0].get_ylabel()
    assert "(mm)" in axes[1].get_xlabel()


@pytest.mark.slow
def test_closed_loop_sample() -> None:
    """One squeezed resin of the full set (`python -m tests.calib.closed_loop`)."""
    (trial,) = run_trials(1, seed=3)
    assert trial is not None
    assert trial.floor_kept
    assert trial.worst_mm < 0.05 or trial.owned_up


@pytest.mark.parametrize("setting", [SETTING, TRANSITIONS], ids=["plain", "fading"])
def test_no_other_single_inset_is_evener(fitted: Fit, setting: Setting) -> None:
    """Against every inset up to 0.6 mm, none skipped, for every count of layers."""
    wall = build_wall(draw(fitted, 60), setting, PIXEL_MM)
    index = np.arange(len(setting.raised_s))
    found = single_inset(wall)
    least = min(
        unevenness_mm(wall, np.where(index < count, inset, 0))
        for count in range(1, len(index) + 1)
        for inset in range(13)
    )
    chosen = np.where(index < found.layers, found.inset_px, 0)
    assert unevenness_mm(wall, chosen) <= least + 1e-9


@pytest.mark.parametrize("floor_s", [15.0, 30.0])
def test_the_second_coupon_asked_for_tells_light_from_squeezed_out_resin(
    floor_s: float,
) -> None:
    """An unsqueezed resin whose first print leaves the two open; the second doesn't."""
    rng = np.random.default_rng([901, 2, 0])
    manifest, present = coupon(transitions=bool(rng.integers(2)))
    resin = invent_resin(rng, heavy=bool(rng.integers(2)))

    def printed(exposures: tuple[float, ...]) -> Observation:
        read = read_directly(manifest, print_coupon(manifest, exposures, resin), rng)
        return observe(manifest, read, exposures, manifest.layer_mm)

    first = printed(manifest.exposure_by_layer_s)
    open_fit = fit((first,))
    assert open_fit.squeeze_weight > OPEN_WEIGHT
    asked = suggest(open_fit, present, PIXEL_MM, (held(floor_s),))
    assert asked.second_print_s is not None
    # shorter where a shorter one held, else longer: never below the floor
    assert asked.second_print_s == pytest.approx(21.5 if floor_s < 30.0 else 42.0)
    assert any(f"{asked.second_print_s:g} s" in said for said in asked.cautions)
    raised = tuple(float(s) for s in present.with_bottom(asked.second_print_s).raised_s)
    body = manifest.exposure_by_layer_s[len(raised) :]
    closed = fit((first, printed((*raised, *body))))
    assert closed.squeeze_weight < OPEN_WEIGHT
    again = suggest(closed, present, PIXEL_MM, (held(floor_s),))
    assert again.second_print_s is None


def test_nothing_more_is_asked_for_where_one_print_is_enough(
    fitted: Fit, advice: Suggestion
) -> None:
    assert fitted.squeeze_weight < OPEN_WEIGHT
    assert advice.second_print_s is None
