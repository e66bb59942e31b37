"""Long and short strokes: which scale it is, and whether marks were lost."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.ruler_hierarchy import (
    FAMILIES,
    GUARD_GAIN,
    SLIP_GAIN,
    fit_families,
    guarded_span,
    slip_evidence,
)
from analysis.ruler_strokes import Strokes
from analysis.ruler_unit import ENOUGH, RIVALS_MM, Looks, metric_evidence


def _strokes(ranks: np.ndarray, *, seed: int = 1, scatter: float = 0.2) -> Strokes:
    """Strokes whose length grows by 1.2 pitches a rank, with scatter."""
    rng = np.random.default_rng(seed)
    count = len(ranks)
    return Strokes(
        index=np.arange(count),
        centre=np.arange(count, dtype=float),
        present=rng.random(count) > 0.05,
        above=1.5 + 1.2 * ranks + rng.normal(0, scatter, count),
        below=1.5 + rng.normal(0, scatter, count),
        weight=1.0 + rng.normal(0, 0.1, count),
        position_px=np.column_stack([10.0 * np.arange(count), np.zeros(count)]),
        polarity=-1,
        scatter=0.01,
        width=0.2,
        texture=np.zeros((113, count)),
        rows_pitch=np.linspace(-14, 14, 113),
        band=(-1.5, 1.5),
    )


def _ranks(name: str, count: int, offset: int) -> np.ndarray:
    family = next(family for family in FAMILIES if family.name == name)
    classes = np.array(family.classes)
    label = classes[(np.arange(count) - offset) % family.period]
    return np.asarray(classes.max() - label)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    "name", ["tens with fives", "twenties with halves", "eighths", "sixteenths"]
)
def test_each_scale_is_told_from_all_others(name: str, seed: int) -> None:
    fits = fit_families(_strokes(_ranks(name, 90, 3 + seed), seed=seed))
    assert fits[0].family.name == name
    # which of the two longest classes is the longer, the fit need not say
    assert (fits[0].offset - 3 - seed) % (fits[0].family.period // 2) == 0
    kind = fits[0].family.kind
    lead = min(f.bic for f in fits if f.family.kind != kind) - fits[0].bic
    assert lead > 10  # 'very strong' by Kass and Raftery 1995 (from memory)


def test_strokes_of_one_length_are_no_scale() -> None:
    assert fit_families(_strokes(np.zeros(90)))[0].family.kind == "plain"


@pytest.mark.parametrize(("lost", "at"), [(1, 25), (2, 45), (3, 62), (4, 38)])
def test_a_slip_shows(lost: int, at: int) -> None:
    whole = _ranks("tens with fives", 100, 3)
    assert slip_evidence(fit_families(_strokes(whole))[0]) < SLIP_GAIN / 2
    slipped = np.delete(whole, np.s_[at : at + lost])
    assert slip_evidence(fit_families(_strokes(slipped))[0]) > SLIP_GAIN


def test_ends_that_nothing_guards_are_given_up() -> None:
    fit = fit_families(_strokes(_ranks("tens with fives", 88, 4)))[0]
    span = guarded_span(fit)
    assert span is not None
    assert GUARD_GAIN > SLIP_GAIN
    # the first long strokes are marks 4 and 9, the last ones 79 and 84
    assert 4 <= span[0] <= 14
    assert 74 <= span[1] <= 84


def test_looks_tell_millimetres_from_tenths_of_an_inch() -> None:
    rivals = RIVALS_MM[1.0]
    steel = Looks(stroke=3.5, width=0.15, numeral=1.5, pitch_px=18.0)
    tenths = Looks(stroke=1.6, width=0.12, numeral=1.3, pitch_px=40.0)
    fiftieths = Looks(stroke=7.5, width=0.4, numeral=None, pitch_px=12.0)
    assert metric_evidence(1.0, steel, rivals) > ENOUGH
    assert metric_evidence(1.0, tenths, rivals) < -ENOUGH
    assert metric_evidence(1.0, fiftieths, rivals) < -ENOUGH


def test_width_that_blur_may_have_made_proves_nothing() -> None:
    narrow = Looks(stroke=2.0, width=0.1, numeral=None, pitch_px=20.0)
    blurred = Looks(stroke=2.0, width=0.25, numeral=None, pitch_px=20.0)
    wide = Looks(stroke=2.0, width=0.25, numeral=None, pitch_px=60.0)
    tenth = RIVALS_MM[1.0][:1]
    assert metric_evidence(1.0, narrow, tenth) < metric_evidence(1.0, blurred, tenth)
    assert metric_evidence(1.0, blurred, tenth) < ENOUGH
    assert metric_evidence(1.0, wide, tenth) > metric_evidence(1.0, blurred, tenth)


def test_nothing_is_left_to_prove_once_all_rivals_are_excluded() -> None:
    seen = Looks(stroke=1.0, width=0.1, numeral=None, pitch_px=20.0)
    assert metric_evidence(1.0, seen, []) == float("inf")
