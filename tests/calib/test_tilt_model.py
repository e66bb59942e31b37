"""The model of a quantity against tilt: closed forms, and what it must find."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from calib.rim_profile import Steps
from calib.tilt_model import (
    TiltFit,
    TiltReading,
    fit_tilt,
    log_evidence,
)
from calib.tilt_prior import smooth_covariance
from patterns.errors import RecordError

Array = NDArray[np.float64]

TILTS = np.arange(30.0, 66.0, 5.0)
STEPS = Steps(layer_mm=0.05, taper_deg=15.0)


def no_steps(tilt_deg: Array) -> Array:
    return np.zeros_like(tilt_deg)


def bowl_mm(tilt_deg: Array) -> Array:
    return np.asarray(0.1 + 0.2 * ((tilt_deg - 47.0) / 17.5) ** 2)


def a_campaign(
    seed: int, *, prints: int = 1, lip_mm: float = -0.05, noise_mm: float = 0.01
) -> list[TiltReading]:
    rng = np.random.default_rng(seed)
    return [
        TiltReading(
            tilt_deg=float(tilt),
            lipped=lipped,
            batch=f"print {k}",
            value_mm=float(
                bowl_mm(np.array(tilt)) + lip_mm * lipped + rng.normal(0, noise_mm)
            ),
            u_mm=0.003,
        )
        for k in range(prints)
        for tilt in TILTS
        for lipped in (False, True)
    ]


def test_evidence_is_the_density_of_the_readings() -> None:
    """Outside check: scipy.stats.multivariate_normal."""
    rng = np.random.default_rng(3)
    root = rng.normal(size=(3, 6, 6))
    covariance = root @ root.transpose(0, 2, 1) + 0.5 * np.eye(6)
    values = rng.normal(size=6)
    ours = log_evidence(values, covariance)
    theirs = [multivariate_normal(cov=c).logpdf(values) for c in covariance]
    assert ours == pytest.approx(theirs, rel=1e-10)


def test_the_quadratic_prior_is_a_quadratic() -> None:
    """With next to no noise its posterior mean is numpy's polynomial fit."""
    x = np.linspace(-1, 1, 9)
    y = np.random.default_rng(4).normal(size=9)
    at = np.linspace(-1, 1, 50)

    def covariance(one: Array, other: Array) -> Array:
        return 1e4 * (1.0 + smooth_covariance(one, other, None))

    noise = np.eye(9)  # the same for all: least squares, if the prior is wide
    mean = covariance(at, x) @ np.linalg.solve(covariance(x, x) + noise, y)
    polynomial = np.polynomial.Polynomial.fit(x, y, 2)
    assert mean == pytest.approx(polynomial(at), abs=1e-3)  # the prior's pull, 1e-4


def test_the_fit_is_close_to_least_squares_where_a_quadratic_is_true() -> None:
    """Outside check: numpy's polynomial fit of the bare tiles."""
    readings = [r for r in a_campaign(1) if not r.lipped]
    fit = fit_tilt(readings, no_steps)
    polynomial = np.polynomial.Polynomial.fit(
        [r.tilt_deg for r in readings], [r.value_mm for r in readings], 2
    )
    # an outlier's weight and the share of the Gaussian process: half a standard error
    assert fit.mean_mm[0] == pytest.approx(polynomial(fit.tilt_deg), abs=0.006)
    assert np.isnan(fit.draws_mm[:, 1]).all(), "no lipped tile, no curve of them"


def test_evidence_tells_a_quadratic_from_another_curve() -> None:
    straight = fit_tilt(a_campaign(2, noise_mm=0.004), no_steps)
    assert straight.chosen == "quadratic"

    def kink(tilt: float) -> float:
        return 0.3 * float(np.exp(-(tilt - 30.0) / 4.0)) + 0.1

    bent = fit_tilt(
        [
            TiltReading(
                tilt_deg=t, lipped=False, batch="1", value_mm=kink(t), u_mm=0.003
            )
            for t in TILTS.tolist() * 2
        ],
        no_steps,
    )
    assert bent.chosen == "gaussian process"
    assert sum(bent.probability.values()) == pytest.approx(1.0)


def test_scatter_is_found_and_an_unlucky_tile_does_not_bend_the_curve() -> None:
    plain = fit_tilt(a_campaign(5, prints=3), STEPS.cusp_mm)
    # 48 tiles with 10 um: the scatter of a scatter is 1 / sqrt(2 x 48), a tenth
    assert plain.scatter_mm[0] == pytest.approx(0.01, rel=0.35)
    readings = a_campaign(5, prints=3)
    readings[8] = TiltReading(
        tilt_deg=50.0, lipped=False, batch="print 0", value_mm=0.5, u_mm=0.003
    )
    chipped = fit_tilt(readings, STEPS.cusp_mm)
    assert chipped.trust[8] < 0.1
    assert chipped.mean_mm == pytest.approx(plain.mean_mm, abs=0.012)


def test_repeated_prints_add_up() -> None:
    def doubt(fit: TiltFit) -> float:
        return float(np.median(fit.draws_mm[:, 0].std(axis=0)))

    one = fit_tilt(a_campaign(6), STEPS.cusp_mm)
    six = fit_tilt(
        [replaced(r, batch="one") for r in a_campaign(6, prints=4)], STEPS.cusp_mm
    )
    assert doubt(six) < 0.75 * doubt(one)  # a half, but sizes stay uncertain


def replaced(reading: TiltReading, *, batch: str) -> TiltReading:
    return TiltReading(
        tilt_deg=reading.tilt_deg,
        lipped=reading.lipped,
        batch=batch,
        value_mm=reading.value_mm,
        u_mm=reading.u_mm,
    )


def test_a_drifted_print_shows_and_a_good_one_does_not() -> None:
    steady = fit_tilt(a_campaign(7, prints=3), STEPS.cusp_mm)
    assert not any(batch.drifted for batch in steady.batches)
    moved = [
        TiltReading(
            tilt_deg=r.tilt_deg,
            lipped=r.lipped,
            batch=r.batch,
            value_mm=r.value_mm + 0.06 * (r.batch == "print 1"),
            u_mm=r.u_mm,
        )
        for r in a_campaign(7, prints=3)
    ]
    found = {b.batch: b for b in fit_tilt(moved, STEPS.cusp_mm).batches}
    drifted = found["print 1"]
    assert drifted.drifted
    assert abs(drifted.offset_mm - 0.06) < 3 * drifted.u_mm


def test_the_cusp_is_the_larger_face_s_step() -> None:
    """Table of cusps: flat h cos(tilt); wall h |sin cos(taper) - cos sin(taper)|."""
    # h = 0.05 mm: 30 degrees 0.043301 (flat); 60 degrees, wall: 0.05 sin(45)
    assert STEPS.cusp_mm(np.array([30.0, 60.0])) == pytest.approx(
        [0.043301, 0.035355], abs=1e-6
    )


@settings(max_examples=4, deadline=None)
@given(
    shift=st.floats(-1.0, 1.0),
    scale=st.floats(0.2, 5.0),
)
def test_units_and_origin_do_not_matter(shift: float, scale: float) -> None:
    readings = [r for r in a_campaign(8) if not r.lipped]
    moved = [
        TiltReading(
            tilt_deg=r.tilt_deg,
            lipped=False,
            batch=r.batch,
            value_mm=scale * r.value_mm + shift,
            u_mm=scale * r.u_mm,
        )
        for r in readings
    ]
    before, after = (fit_tilt(r, no_steps).mean_mm[0] for r in (readings, moved))
    assert after == pytest.approx(scale * before + shift, abs=1e-6)


def test_what_can_not_be_fitted_is_refused() -> None:
    two = [r for r in a_campaign(1) if r.tilt_deg < 40.0]
    with pytest.raises(RecordError, match="2 tilts"):
        fit_tilt(two, no_steps)
    broken = [*a_campaign(1), replaced(a_campaign(1)[0], batch="x")]
    object.__setattr__(broken[-1], "value_mm", float("nan"))
    with pytest.raises(RecordError, match="finite"):
        fit_tilt(broken, no_steps)
