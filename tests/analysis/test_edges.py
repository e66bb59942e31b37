"""Edges to a fraction of a pixel: the noise's limit, shadows, and both signs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from analysis.edges import (
    EdgeFits,
    fit_edges,
    group_priors,
    loose_priors,
    picture_blur,
)
from analysis.light import edge_terms, shadow_ratio
from analysis.profiles import Lines, sample_profiles

Floats = NDArray[np.float64]

TILE_PX = 70
HALF_PX = 24.5
INNER_PX, OUTER_PX = 12.0, 24.0
PIXEL_VARIANCE = 1 / 12  # a pixel's own aperture adds to the blur (science: e-SFR)


def tiles(
    offsets_px: Floats,
    *,
    sigma_px: float,
    noise: float,
    part: float = 0.3,
    table: float = 0.9,
    shadow: float = 0.0,
    shadow_px: float = 12.0,
    slant: float = 0.05,
    seed: int = 0,
) -> tuple[NDArray[np.float32], Lines]:
    """One picture with an edge in each tile, and where to look for it."""
    n = len(offsets_px)
    normal = np.array([np.cos(slant), np.sin(slant)])
    centre = np.array([30.0, 35.0])
    y, x = np.mgrid[0:TILE_PX, 0:TILE_PX]
    along = (x - centre[0]) * normal[0] + (y - centre[1]) * normal[1]
    columns = []
    for offset in offsets_px:
        distance = (along - offset)[None].reshape(1, -1)
        terms = edge_terms(
            distance, np.array([sigma_px]), np.array([shadow_px]), np.array([np.inf])
        )[0]
        step = table - part - shadow
        light = terms @ np.array([part, 0.0, step, shadow, 0.0])
        columns.append(light.reshape(TILE_PX, TILE_PX))
    picture = np.concatenate(columns, axis=1)
    rng = np.random.default_rng(seed)
    picture = (picture + rng.normal(0, noise, picture.shape)).astype(np.float32)
    ones = np.ones(n)
    lines = Lines(
        centre_px=centre + np.column_stack([TILE_PX * np.arange(n), np.zeros(n)]),
        normal_px=np.tile(normal, (n, 1)),
        half_px=HALF_PX * ones,
        inner_px=INNER_PX * ones,
        outer_px=OUTER_PX * ones,
        lowest_px=-5 * ones,
        highest_px=8 * ones,
        rim_px=np.inf * ones,
    )
    return picture, lines


def fitted(
    picture: NDArray[np.float32],
    lines: Lines,
    *,
    sigma_px: float,
    free: bool = False,
    together: bool = False,
) -> EdgeFits:
    def region(x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        return picture[y0:y1, x0:x1]

    height, width = picture.shape
    profiles = sample_profiles(region, (width, height), lines)
    n = len(lines)
    priors = loose_priors(n)
    fits = None
    for _ in range(3 if together else 1):
        fits = fit_edges(
            profiles,
            lines,
            sigma_px=np.full(n, sigma_px),
            ramp_px=np.full(n, 12.0),
            priors=priors,
            free_blur=free,
        )
        priors = group_priors(fits, lines, np.zeros(n, dtype=np.intp))
    assert fits is not None
    return fits


def scatter_over_bound(sigma_px: float) -> float:
    """Scatter of 80 edges in noise over sigma(x0) = 1.8828 (n/C) sqrt(s/L) px.

    The bound is science notes 6c (derived there; also Gatherer 1993, CSL-TR-93-560).
    As in a photo, the edges tell each other what their light is like.
    """
    n, noise, contrast = 80, 0.006, 0.6
    offsets = np.random.default_rng(1).uniform(-0.5, 0.5, n)
    picture, lines = tiles(offsets, sigma_px=sigma_px, noise=noise, seed=2)
    fits = fitted(picture, lines, sigma_px=sigma_px, together=True)
    assert fits.found.all()
    error = fits.offset_px - offsets
    bound = 1.882792528 * noise / contrast * np.sqrt(sigma_px / (2 * HALF_PX))
    assert abs(np.mean(error)) < 4 * bound / np.sqrt(n) + 0.002
    return float(np.std(error) / bound)


@pytest.mark.parametrize("sigma_px", [1.0, 1.5, 2.0])
def test_scatter_stays_near_the_bound__cramer_rao(sigma_px: float) -> None:
    """Levels and shadow are fitted too, so 1.5 times; 80 edges tell it to 8 %."""
    assert scatter_over_bound(sigma_px) < 1.5


def test_stated_uncertainty_covers_the_scatter() -> None:
    offsets = np.random.default_rng(3).uniform(-0.5, 0.5, 60)
    picture, lines = tiles(offsets, sigma_px=1.3, noise=0.02, shadow=0.2, seed=4)
    fits = fitted(picture, lines, sigma_px=1.3)
    score = (fits.offset_px - offsets) / fits.u_px
    assert 0.5 < np.sqrt(np.mean(score**2)) < 1.5


@settings(max_examples=15, deadline=None)
@given(
    part=st.floats(0.05, 0.35),
    table=st.floats(0.55, 0.95),
    dark_part=st.booleans(),
    shadow_share=st.floats(0.0, 0.6),
    offset=st.floats(-3.0, 6.0),
)
def test_shadow_and_sign_do_not_move_an_edge(
    *, part: float, table: float, dark_part: bool, shadow_share: float, offset: float
) -> None:
    if not dark_part:
        part, table = table, part
    picture, lines = tiles(
        np.array([offset]),
        sigma_px=1.2,
        noise=0.0,
        part=part,
        table=table,
        shadow=shadow_share * (table - part),
    )
    fits = fitted(picture, lines, sigma_px=1.2)
    assert fits.found[0]
    # bins of half a pixel smear a straight slope by nothing, a curve by 0.01 px
    assert fits.offset_px[0] == pytest.approx(offset, abs=0.02)


def test_blur_is_measured() -> None:
    picture, lines = tiles(np.zeros(9), sigma_px=1.4, noise=0.003, seed=5)
    fits = fitted(picture, lines, sigma_px=1.0, free=True)
    blur = picture_blur(fits, np.zeros(9, dtype=np.intp))
    # bins of half a pixel add (1/2)^2 / 12 to the variance
    assert blur[0] == pytest.approx(np.hypot(1.4, 0.5 / np.sqrt(12)), abs=0.05)


def test_an_edge_outside_the_picture_is_not_found() -> None:
    picture, lines = tiles(np.zeros(2), sigma_px=1.2, noise=0.001)
    fits = fitted(picture[:, :TILE_PX], lines, sigma_px=1.2)
    assert fits.found.tolist() == [True, False]


def test_flat_light_gives_no_certain_edge() -> None:
    picture, lines = tiles(np.zeros(3), sigma_px=1.2, noise=0.01, part=0.5, table=0.5)
    fits = fitted(picture, lines, sigma_px=1.2)
    ratio = shadow_ratio(fits.terms[:, 0], fits.terms[:, 2], fits.terms[:, 3])
    assert (np.abs(ratio) < 0.05).all()


@pytest.mark.parametrize("x", [-2.0, -0.3, 0.0, 0.4, 3.0])
def test_terms_are_the_convolutions_they_claim(x: float) -> None:
    """Independent route: numerical quadrature of the unblurred shapes."""
    s, length, rim = 0.8, 2.5, 1.7

    def blurred(shape: object) -> float:
        def integrand(t: float) -> float:
            bell = np.exp(-0.5 * ((x - t) / s) ** 2) / (s * np.sqrt(2 * np.pi))
            return float(shape(t) * bell)  # type: ignore[operator]

        marks = [-rim, 0.0]
        value, _ = quad(integrand, x - 9 * s, x + 9 * s, points=marks, limit=200)
        return float(value)

    terms = edge_terms(
        np.array([[x]]), np.array([s]), np.array([length]), np.array([rim])
    )[0, 0]
    wanted = [
        1.0,
        blurred(lambda t: min(t, 0.0) / length),
        blurred(lambda t: float(t > 0)),
        blurred(lambda t: (1 - np.exp(-t / length)) if t > 0 else 0.0),
        blurred(lambda t: float(t < -rim)),
    ]
    assert terms == pytest.approx(wanted, abs=1e-7)


def test_shadow_ratio_is_signed_towards_the_open_table() -> None:
    ratio = shadow_ratio(
        np.array([0.2, 0.2, 0.8]),
        np.array([0.3, -0.1, -0.4]),
        np.array([0.3, 0.7, 0.0]),
    )
    assert ratio == pytest.approx([0.375, -0.125, 0.5])


def test_gaussian_step_is_the_normal_integral__gaussian_edge() -> None:
    """ESF = Phi(x/s), 10-90 width 2.563103131 s (science notes 6b)."""
    half = 2.563103131 / 2
    x = np.array([[-half, half]])
    terms = edge_terms(x, np.ones(1), np.ones(1), np.full(1, np.inf))
    assert terms[0, :, 2] == pytest.approx([0.1, 0.9], abs=1e-9)
    assert terms[0, :, 2] == pytest.approx(ndtr(x[0]))


def oversampled_edge(sigma_px: float, slant: float) -> NDArray[np.float32]:
    """Draw a slanted step by 8 x 8 points a pixel, blurred by scipy: no edge model."""
    fine = (np.arange(8 * TILE_PX) + 0.5) / 8 - 0.5
    across = (fine[None, :] - 30.0) * np.cos(slant) + (fine[:, None] - 35.0) * np.sin(
        slant
    )
    step = np.where(across > 0, 0.9, 0.3)
    blurred = gaussian_filter(step, 8 * sigma_px, mode="nearest")
    pixels = blurred.reshape(TILE_PX, 8, TILE_PX, 8).mean((1, 3))
    return np.asarray(pixels, np.float32)


def mtf50_of(picture: NDArray[np.float32], slant: float) -> float:
    """MTF50 in cycles per pixel by ISO 12233's slanted edge (4 bins a pixel)."""
    y, x = np.mgrid[0:TILE_PX, 0:TILE_PX]
    across = (x - 30.0) * np.cos(slant) + (y - 35.0) * np.sin(slant)
    bins = np.floor(across * 4).astype(int)
    inside = np.abs(bins) < 96
    index = bins[inside] + 95
    spread = np.bincount(index, picture[inside]) / np.bincount(index)
    line = (spread[2:] - spread[:-2]) / 2 * np.hamming(len(spread) - 2)
    frequency = np.fft.rfftfreq(len(line), 0.25)
    response = np.abs(np.fft.rfft(line))
    inner = np.pi * frequency / 2
    correction = np.divide(
        inner, np.sin(inner), out=np.ones_like(inner), where=inner > 0
    )
    response = response / response[0] * np.minimum(correction, 10)
    first = int(np.argmax(response < 0.5))
    return float(
        np.interp(0.5, response[[first, first - 1]], frequency[[first, first - 1]])
    )


@pytest.mark.parametrize("sigma_px", [1.0, 1.5, 2.0])
def test_blur_agrees_with_the_slanted_edge_mtf__iso_12233(sigma_px: float) -> None:
    """MTF50 = 0.187390625 / s for a Gaussian of s; s2 + 1/12 with a pixel's aperture.

    The 4 bins a pixel cost up to 0.8 % and the fit's pixel grid as much: 2 %.
    """
    slant = 0.0873  # 5 degrees
    picture = oversampled_edge(sigma_px, slant)
    expected = 0.187390625 / np.hypot(sigma_px, np.sqrt(PIXEL_VARIANCE))
    assert mtf50_of(picture, slant) == pytest.approx(expected, rel=0.02)
    _, lines = tiles(np.zeros(1), sigma_px=sigma_px, noise=0.0, slant=slant)
    fits = fitted(picture, lines, sigma_px=1.2, free=True)
    assert 0.187390625 / float(fits.sigma_px[0]) == pytest.approx(expected, rel=0.02)
