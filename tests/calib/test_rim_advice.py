"""Tilt and lip suggested from curves whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib.prediction import Interval
from calib.rim_advice import RimSuggestion, suggest_tilt
from calib.rim_plots import plot_departure_vs_tilt
from calib.tilt_model import TiltReading, fit_tilt
from patterns.errors import RecordError
from tests.calib.test_tilt_model import STEPS, TILTS, a_campaign

Array = NDArray[np.float64]

FLAT = Interval(value_mm=0.05, u_mm=0.01, low_mm=0.03, high_mm=0.07)


def advise(readings: list[TiltReading], flat: Interval | None = None) -> RimSuggestion:
    return suggest_tilt(fit_tilt(readings, STEPS.cusp_mm), flat=flat)


def test_a_lip_that_helps_is_suggested_at_the_best_tilt() -> None:
    found = advise(a_campaign(11))
    assert found.lipped
    assert found.difference_seen
    assert found.tilt_low_deg <= 47.0 <= found.tilt_high_deg
    assert found.lip_gain is not None
    assert abs(found.lip_gain.value_mm - 0.05) < 3 * found.lip_gain.u_mm
    assert not found.treatments[0].at_end
    assert found.departure_95_mm > found.departure.value_mm
    assert "with the lip: it gains" in found.reason


def test_a_lip_that_changes_nothing_is_not_worth_its_work() -> None:
    found = advise(a_campaign(12, lip_mm=0.0))
    assert not found.lipped
    assert found.difference_seen is False
    assert "no difference seen" in found.reason


def test_a_lip_that_harms_is_told() -> None:
    found = advise(a_campaign(13, lip_mm=0.08))
    assert not found.lipped
    assert "it would cost" in found.reason


def test_a_best_at_the_end_says_test_farther() -> None:
    falling = [
        TiltReading(
            tilt_deg=float(t),
            lipped=False,
            batch="1",
            value_mm=0.3 - 0.004 * float(t),
            u_mm=0.003,
        )
        for t in TILTS
    ]
    found = advise(falling)
    assert found.tilt_deg == 65.0 == found.tilt_high_deg
    assert found.treatments[0].at_end
    assert "test farther, above 65" in " ".join(found.cautions)
    assert found.lip_gain is None
    assert "no lipped tile was measured" in found.reason


@pytest.mark.parametrize("seed", range(4))
def test_nothing_outside_the_tested_tilts_is_suggested(seed: int) -> None:
    rng = np.random.default_rng(seed)
    readings = [
        TiltReading(
            tilt_deg=float(t),
            lipped=bool(rng.random() < 0.5),
            batch="1",
            value_mm=float(rng.uniform(0.05, 0.3)),
            u_mm=0.01,
        )
        for t in TILTS
    ]
    found = advise(readings)
    low, high = found.tested_deg
    assert (low, high) == (30.0, 65.0)
    assert low <= found.tilt_low_deg <= found.tilt_deg <= found.tilt_high_deg <= high


def test_flat_is_compared() -> None:
    better = advise(a_campaign(11), FLAT)
    assert better.flat is not None
    # lipped best: 0.05 + half a cusp; the flat print's 0.05 is no different
    assert better.flat.gain.value_mm == pytest.approx(0.05 - better.departure.value_mm)
    bad = Interval(value_mm=0.4, u_mm=0.01, low_mm=0.38, high_mm=0.42)
    worse = advise(a_campaign(11), bad)
    assert worse.flat is not None
    assert worse.flat.tilt_is_better
    assert "worse than the suggested tilt" in worse.flat.words


def test_shared_doubt_widens_the_gain_not_the_tilt() -> None:
    fit = fit_tilt(a_campaign(11), STEPS.cusp_mm)
    sure, open_ = suggest_tilt(fit), suggest_tilt(fit, u_open_mm=(0.03, 0.03))
    assert sure.lip_gain is not None
    assert open_.lip_gain is not None
    assert open_.lip_gain.u_mm > 2 * sure.lip_gain.u_mm
    assert open_.tilt_low_deg == sure.tilt_low_deg
    with pytest.raises(RecordError, match="negative"):
        suggest_tilt(fit, u_open_mm=(-0.01, 0.0))


def skewed_mm(tilt_deg: Array, sag_mm: float, lean_mm: float) -> Array:
    """Sag that dies out with the tilt, lean that grows with it."""
    sag = sag_mm * np.exp(-(tilt_deg - 30.0) / 10.0)
    return np.asarray(0.1 + sag + lean_mm * np.exp((tilt_deg - 65.0) / 10.0))


def test_twelve_invented_campaigns() -> None:
    """Skewed synthetic curves; the virtual printer has its own campaigns."""
    short, covered = [], 0
    fine = np.arange(30.0, 65.01, 0.25)
    for seed in range(12):
        rng = np.random.default_rng([5, seed])
        sag, lean, help_ = rng.uniform((0.1, 0.1, 0.2), (0.5, 0.4, 1.1))
        curves = np.stack(
            [skewed_mm(fine, sag, lean), skewed_mm(fine, help_ * sag, lean) + 0.02]
        )
        readings = [
            TiltReading(
                tilt_deg=tilt,
                lipped=lipped,
                batch="1",
                value_mm=float(
                    np.interp(tilt, fine, curves[int(lipped)]) + rng.normal(0, 0.015)
                ),
                u_mm=0.006,
            )
            for tilt in TILTS.tolist()
            for lipped in (False, True)
        ]
        found = advise(readings)
        true = curves[int(found.lipped)]
        short.append(float(np.interp(found.tilt_deg, fine, true) - curves.min()))
        best = float(fine[np.argmin(true)])
        covered += found.tilt_low_deg <= best <= found.tilt_high_deg
    # the issue's own marks: 36 of 40 within 0.02 mm, 85 % of the intervals
    assert sum(mm <= 0.02 for mm in short) >= 11, short
    assert covered >= 10


def test_the_plot_shows_both_treatments_and_the_choice() -> None:
    fit = fit_tilt(a_campaign(11), STEPS.cusp_mm)
    axes = plot_departure_vs_tilt(fit, suggest_tilt(fit), ax=Figure().add_subplot())
    assert axes.get_xlabel() == "tilt (degrees)"
    assert axes.get_ylabel() == "largest departure of the rim (mm)"
    legend = axes.get_legend()
    assert legend is not None
    labels = [text.get_text() for text in legend.get_texts()]
    assert labels[:2] == ["bare", "lipped"]
    assert labels[2].startswith("suggested: 4")
