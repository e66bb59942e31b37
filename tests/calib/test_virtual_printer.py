"""The virtual printer against closed forms that owe nothing to the fitted model."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.virtual.part import PrintedPart, farthest_mm
from calib.virtual.printer import print_coupon, with_uniform_growth
from calib.virtual.resin import (
    InventedResin,
    exponential_halo,
    gaussian_halo,
    invent_resin,
    lorentzian_halo,
)
from calib.virtual.stack import print_stack
from patterns.errors import SpecError
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from patterns.manifest import Manifest

# 0.2 um rms was found for a wall on cells of 0.025 mm, 1.6 um at worst
WALL_MM = 0.0015
LAYER_MM = PIXEL_MM = 0.05


def resin(**changes: object) -> InventedResin:
    plain = InventedResin(name="test", depth_mm=0.1, gel_s=1.0, core_mm=0.04)
    return replace(plain, **changes)  # type: ignore[arg-type]


def wall(exposures_s: list[float], bottle: InventedResin) -> np.ndarray:
    return print_stack(
        exposures_s,
        [0] * len(exposures_s),
        bottle,
        layer_mm=LAYER_MM,
        pixel_mm=PIXEL_MM,
    )


@pytest.fixture(scope="module")
def manifest() -> Manifest:
    return build_manifest(default_flare_spec())


@pytest.fixture(scope="module")
def printed(manifest: Manifest) -> PrintedPart:
    """One print of the default coupon, with squeezed-out resin on the plate layer."""
    bottle = resin(
        halo=gaussian_halo(0.1, 0.2), spread=0.1, squeeze_mm=(0.05,), part_scale=0.996
    )
    return print_coupon(manifest, manifest.exposure_by_layer_s, bottle)


@pytest.mark.slow
def test_a_printed_coupon_shows_both_ladders(
    manifest: Manifest, printed: PrintedPart
) -> None:
    growth = printed.tooth_growth_mm
    assert printed.flare_mm > 0.1
    for tooth in manifest.teeth:
        if tooth.role == "reference":
            assert growth[tooth.name] == pytest.approx(0.0, abs=1e-3)
        elif tooth.role == "inset" and tooth.inset_mm < printed.flare_mm - 0.1:
            # printing through fills a recess a little, never empties it
            rest = printed.flare_mm - tooth.inset_mm
            assert rest - 1e-3 < growth[tooth.name] < rest + 0.01
    starts = sorted(
        (tooth.start_layer, growth[tooth.name])
        for tooth in manifest.teeth
        if tooth.role == "start" and tooth.side == "a"
    )
    sizes = [size for _, size in starts]
    assert all(a >= b - 1e-4 for a, b in itertools.pairwise(sizes))


@pytest.mark.slow
def test_both_sides_of_a_coupon_print_alike(
    manifest: Manifest, printed: PrintedPart
) -> None:
    growth = printed.tooth_growth_mm
    for tooth in manifest.teeth:
        if tooth.side == "a":
            twin = tooth.name.replace("a", "b")
            assert growth[tooth.name] == pytest.approx(growth[twin], abs=2e-4)


@pytest.mark.slow
def test_a_coupon_and_a_wall_agree(manifest: Manifest, printed: PrintedPart) -> None:
    """A tooth 3.2 mm wide loses little halo; coarser cells cost 1.4 um rms."""
    assert printed.resin is not None
    alone = wall(list(manifest.exposure_by_layer_s), printed.resin)
    foot = np.array(printed.growth_by_layer_mm)[: manifest.foot_layers]
    assert foot == pytest.approx(alone[: manifest.foot_layers], abs=0.004)


@pytest.mark.parametrize("ratio", [1.5, 3.0, 10.0, 50.0])
def test_a_lone_layer_grows_by_the_gaussian_closed_form(ratio: float) -> None:
    """w = sigma z(1 - 1/R): own derivation, in the project's science notes."""
    expected = 0.04 * NormalDist().inv_cdf(1 - 1 / ratio)
    assert wall([ratio], resin())[0] == pytest.approx(expected, abs=WALL_MM)


@pytest.mark.parametrize(("layers", "gain"), [(1, 1.0), (2, 1.606531), (5, 2.332876)])
def test_later_layers_add_up(layers: int, gain: float) -> None:
    """Beer-Lambert sums at h / depth = 0.5 (science notes, a geometric sum)."""
    expected = 0.04 * NormalDist().inv_cdf(1 - 1 / (6 * gain))
    assert wall([6.0] * layers, resin())[0] == pytest.approx(expected, abs=WALL_MM)


def test_a_spreading_beam_widens_with_depth() -> None:
    """Root of the layers' sum of Q(x / sigma(z)), solved apart (science notes)."""
    bottle = resin(gel_s=5.0, core_mm=0.03, spread=0.2)
    growth = wall([90.0] * 5 + [7.5] * 55, bottle)
    known = [0.068999, 0.051562, 0.022108, 0.022108]
    assert growth[[0, 4, 5, 20]] == pytest.approx(known, abs=WALL_MM)


def test_core_and_halo_together() -> None:
    """Contours of a stack over its body (science notes, summed on a fine grid)."""
    bottle = resin(halo=gaussian_halo(0.15, 0.2))
    growth = wall([30.0] * 5 + [20.0, 10.0, 5.0] + [2.5] * 40, bottle)
    above = [0.2173, 0.2134, 0.2065, 0.1938, 0.1682, 0.1016, 0.0363, 0.0121, 0.0]
    assert growth[20] == pytest.approx(0.048272, abs=WALL_MM)
    assert growth[:9] - growth[20] == pytest.approx(above, abs=WALL_MM)


def test_the_closed_form_insets_make_a_wall_straight() -> None:
    """Insets of 0.0487 mm (science notes), met by 1 pixel of that size."""
    pixel_mm = 0.048701
    inset = [1] * 6 + [0] * 40
    growth = print_stack(
        [30.0] * 6 + [2.5] * 40, inset, resin(), layer_mm=LAYER_MM, pixel_mm=pixel_mm
    )
    assert growth[:20] == pytest.approx(0.040210, abs=WALL_MM)


@settings(deadline=None, max_examples=25)
@given(
    dose=st.floats(1.5, 100.0),
    more=st.floats(1.05, 3.0),
    share=st.floats(0.0, 0.2),
    wide=st.floats(0.05, 0.3),
)
def test_more_light_never_prints_less(
    dose: float, more: float, share: float, wide: float
) -> None:
    bottle = resin(halo=gaussian_halo(share, wide))
    assert wall([dose * more], bottle)[0] > wall([dose], bottle)[0]


def test_halos_have_the_tails_they_are_named_for() -> None:
    """Exponential: w grows by length ln 2 a doubling; Lorentzian: in proportion to R.

    Closed forms of the science notes; a few Gaussians follow them within 20 %.
    """
    flat = resin(halo=exponential_halo(0.999, 0.05))
    step = wall([16.0], flat)[0] - wall([8.0], flat)[0]
    assert step == pytest.approx(0.05 * math.log(2), rel=0.2)
    heavy = resin(halo=lorentzian_halo(0.999, 0.02))
    near, far = wall([6.0], heavy)[0], wall([12.0], heavy)[0]
    exact = [math.tan(math.pi * (0.5 - 1 / r)) for r in (6, 12)]
    assert far / near == pytest.approx(exact[1] / exact[0], rel=0.2)


def test_the_raster_of_a_disc_adds_to_its_blur() -> None:
    """Stairs of an oblique edge are p / sqrt(12) rms (science notes 4d), and blur adds
    in squares: 4 um more growth here.  The rest, 1 um, is the rim's curvature."""
    exposures = [10.0] * 6
    disc = print_stack(
        exposures, [0] * 6, resin(), layer_mm=0.05, pixel_mm=0.05, shape="disc"
    )
    rough = resin(core_mm=math.hypot(0.04, 0.05 / math.sqrt(12)))
    assert disc == pytest.approx(wall(exposures, rough), abs=0.0015)
    assert disc.min() > wall(exposures, resin()).min() + 0.002


def test_squeezed_resin_is_added_outside_the_light() -> None:
    dry = wall([20.0, 20.0, 2.5, 2.5], resin())
    wet = wall([20.0, 20.0, 2.5, 2.5], resin(squeeze_mm=(0.08, 0.02)))
    assert wet - dry == pytest.approx([0.08, 0.02, 0.0, 0.0], abs=1e-9)


@pytest.mark.parametrize(
    ("first", "body", "scale"), [(0.35, 0.05, 0.992), (0.12, -0.03, 1.002), (0, 0, 1)]
)
def test_given_growth_is_exactly_there(
    manifest: Manifest, first: float, body: float, scale: float
) -> None:
    growth = [body + first] + [body] * (manifest.layers - 1)
    part = with_uniform_growth(manifest, growth, scale)
    clipper_mm = 5e-8  # outlines are offset on a grid of 10 nm
    assert part.flare_mm == pytest.approx(first, abs=clipper_mm)
    assert part.body_growth_mm == pytest.approx(body, abs=clipper_mm)
    for tooth in manifest.teeth:
        inset = tooth.inset_by_layer_mm[0] * scale
        known = max(first - inset, 0.0)
        assert part.tooth_growth_mm[tooth.name] == pytest.approx(known, abs=clipper_mm)


def test_the_farthest_point_on_a_line() -> None:
    square = np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 1.0), (0.0, 3.0)])
    x, sign = np.array([1.0, 1.0, 5.0]), np.array([1.0, -1.0, 1.0])
    assert farthest_mm((square,), x, sign) == pytest.approx([2.0, 0.0, -math.inf])


def test_invented_resins_say_so_and_repeat() -> None:
    first = invent_resin(np.random.default_rng(3), heavy=True, squeezed=True)
    again = invent_resin(np.random.default_rng(3), heavy=True, squeezed=True)
    assert first == again
    assert first.invented
    assert 0.03 <= first.squeeze_mm[0] <= 0.15
    assert sum(share for share, _ in first.halo) < 1


def test_a_missing_exposure_is_refused(manifest: Manifest) -> None:
    with pytest.raises(SpecError, match="3 exposures for 24 layers"):
        print_coupon(manifest, [1.0] * 3, resin())
    with pytest.raises(SpecError, match="2 insets for 1 layers"):
        print_stack([1.0], [0, 0], resin(), layer_mm=0.05, pixel_mm=0.05)
