"""Long walls: the closed form, drafts, whole quanta, squeezed-out resin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.flush_rounding import phase_rms_mm, whole_quanta
from calib.flush_wall import Flush, tabulate
from calib.squeeze_insets import EXTRA_MM, best_of, opinions, relieved
from calib.wall import Draws
from tests.calib.flat_samples import SETTING, resins

TABLE_MM = 3e-6  # what interpolating the table costs


def wall(run_mm: float = 0.0, count: int = 1, squeeze_mm: float = 0.0) -> Flush:
    draws = Draws(batches=(resins(count, squeeze_mm=squeeze_mm),))
    return Flush(edges=tabulate(draws, SETTING), run_mm=run_mm)


def test_closed_form_of_an_upright_wall() -> None:
    # check values: science.md 2l
    found = wall()
    assert found.body_mm[0] == pytest.approx(0.048272, abs=TABLE_MM + 5e-7)
    wanted = [0.223069] * 5 + [0.175916, 0.081102, 0.026853]
    assert found.exact_mm[0] == pytest.approx(wanted, abs=3 * TABLE_MM)


def test_the_same_stack_without_insets() -> None:
    # check values: science.md 2l, um outside the body's outline
    wanted = [217.3, 213.4, 206.5, 193.8, 168.2, 101.6, 36.3, 12.1]
    bare = wall().steps_mm(np.zeros(8))[0] * 1e3
    assert bare == pytest.approx(wanted, abs=0.06)


@given(run_mm=st.floats(-0.02, 0.04))
@settings(max_examples=15, deadline=None)
def test_exact_insets_leave_no_step_whatever_the_draft(run_mm: float) -> None:
    found = wall(run_mm)
    assert np.abs(found.steps_mm(found.exact_mm)).max() < 1e-5


def test_above_a_wall_that_leans_outwards_transition_layers_need_more() -> None:
    upright, leaning = wall().exact_mm[0], wall(-0.01).exact_mm[0]
    assert np.all(leaning[5:] > upright[5:])


@pytest.mark.parametrize("quantum_mm", [0.05, 0.0354, 0.0224])
def test_whole_quanta_make_up_for_each_other(quantum_mm: float) -> None:
    found = wall(count=8)
    steps = np.median(
        found.steps_mm(whole_quanta(found, quantum_mm) * quantum_mm), axis=0
    )
    nearest = np.round(np.median(found.exact_mm, axis=0) / quantum_mm) * quantum_mm
    plain = np.median(found.steps_mm(nearest), axis=0)
    # a layer's own mask carries about half of its outline's shift
    assert np.abs(steps).max() < 0.3 * quantum_mm
    assert np.mean(steps**2) <= np.mean(plain**2) * 1.01


def worst_on_pixels_mm(quanta: np.ndarray, quantum_mm: float, run_mm: float) -> float:
    """Mean over the raster's phases of a drafted wall's largest step, added up."""
    ones = resins()
    raised, count = len(SETTING.raised_s), 90
    passed = ones.transmission(SETTING.layer_mm)[0] ** np.arange(count)
    normal = np.full(count, SETTING.normal_s)
    raising = np.concatenate([SETTING.raised_s, normal[raised:]])
    insets = np.concatenate([quanta * quantum_mm, np.zeros(count - raised)])
    x = np.arange(-0.15, 0.25, 0.001)

    def stands_mm(layer: int, exposure_s: np.ndarray, edge_mm: np.ndarray) -> float:
        place = x[:, None] - edge_mm[layer:]
        own = ones.edge(place[None])[0][0]
        dose = own @ (exposure_s[layer:] * passed[: count - layer])
        return float(np.interp(-1.0, -dose, x))

    def held(edge_mm: np.ndarray) -> np.ndarray:
        return quantum_mm * np.round(edge_mm / quantum_mm)

    worst = []
    for phase in (np.arange(6) + 0.5) / 6:
        design = phase * quantum_mm - run_mm * np.arange(count)
        steps = []
        for layer in range(raised):
            near = design - design[layer]  # so that the table is about the outline
            shift = held(design) - design
            made = stands_mm(layer, raising, near + shift - insets)
            aim = stands_mm(layer, normal, near + shift)
            steps.append(made - aim)
        worst.append(np.abs(steps).max())
    return float(np.mean(worst))


@pytest.mark.parametrize("run_mm", [0.01, 0.014])
def test_quanta_of_a_drafted_wall_suit_all_phases(run_mm: float) -> None:
    found = wall(run_mm)
    nearest = np.round(found.exact_mm[0] / 0.05)
    chosen = worst_on_pixels_mm(whole_quanta(found, 0.05), 0.05, run_mm)
    assert chosen < 0.02
    assert chosen <= worst_on_pixels_mm(nearest, 0.05, run_mm) + 0.001
    rms = phase_rms_mm(found, whole_quanta(found, 0.05), 0.05)
    assert rms == pytest.approx(chosen, abs=0.003)


def of_two_opinions(light: int, squeezed: int) -> Flush:
    """Draws that take a flare for light, and others for squeezed-out resin."""
    one, other = resins(light), resins(squeezed, halo_share=0.02, squeeze_mm=0.1)
    return Flush(edges=tabulate(Draws(batches=(one, other)), SETTING), run_mm=0.0)


def test_unlikely_draws_do_not_drag_the_insets_along() -> None:
    most = wall(count=8).exact_mm
    found = of_two_opinions(8, 2).likely_mm
    assert found == pytest.approx(np.median(most, axis=0), abs=0.002)


def test_where_opinions_differ_the_least_uneven_insets_are_taken() -> None:
    found = of_two_opinions(6, 4)
    choices = list(opinions(found))
    assert len(choices) == 3
    best = best_of(found, choices)
    expected = [np.abs(found.steps_mm(c)).max(axis=1).mean() for c in (*choices, best)]
    assert expected[-1] <= min(expected) * 1.05  # ties are broken by the mean step


@pytest.mark.parametrize("squeeze_mm", [0.03, 0.08, 0.15])
def test_squeezed_out_resin_is_halved_and_the_extra_capped(squeeze_mm: float) -> None:
    found = wall(count=6, squeeze_mm=squeeze_mm)
    light = np.asarray(whole_quanta(found, 0.02) * 0.02, float)
    insets = relieved(found, light, 0.02)
    extra = insets - light
    assert np.all(np.diff(extra) < 1e-12)
    assert extra.min() > -1e-12
    assert extra.max() < EXTRA_MM + 1e-9
    left = np.abs(found.steps_mm(insets)).max(axis=1).mean()
    bare = np.abs(found.steps_mm(np.zeros(8))).max(axis=1).mean()
    without = np.abs(found.steps_mm(light)).max(axis=1).mean()
    assert left < 0.5 * bare
    assert left < without
