"""Flare from edges whose truth is known: heights, tilt, curl, shadow, near flush."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.camera import View, turn
from analysis.flare import measure_readings
from analysis.outline import projected_outline, sight, straight_edges
from analysis.pose import Pose
from analysis.reading import EdgeReadings
from analysis.result import CouponMeasurement, Refusal
from analysis.sides import side_fault
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from patterns.manifest import Manifest

Floats = NDArray[np.float64]
NOISE_MM = 0.002


@pytest.fixture(scope="module")
def manifest() -> Manifest:
    return build_manifest(default_flare_spec())


def pose(
    tilt_deg: tuple[float, float] = (0.0, 0.0), distance_mm: float = 200.0
) -> Pose:
    view = View(
        rotation=turn(np.radians([*tilt_deg, 0.0])),
        origin_px=np.zeros(2),
        centre_px=np.array([2000.0, 1500.0]),
        half_diagonal_px=2500.0,
        scale_px_per_mm=22.0,
        inverse_distance_per_mm=1 / distance_mm,
        k1=0.0,
    )
    # line of sight to 3 mrad (turns), 3 % of the distance, the rest to a few um
    sigma = np.array(
        [2e-3, 2e-3, 5e-5, 0.05, 0.05, 3e-4, 0.03 * 1e3 / distance_mm, 1e-4, 0.02]
    )
    return Pose(
        view=view,
        names=(),
        covariance=np.diag(sigma**2),
        part_scale=0.997,
        u_part_scale=0.002,
        scale_source="ruler",
        u_scale_ratio=0.003,
        px_per_mm=22.0,
        u_px_per_mm=0.07,
        tilt_rad=0.0,
        u_view_rad=0.003,
        bow_mm=0.0,
        u_bow_mm=0.06,
        residual_px=0.1,
    )


def growth_by_layer(
    manifest: Manifest, flare_mm: float, body_mm: float = 0.01
) -> Floats:
    z = np.arange(manifest.layers) * manifest.layer_mm
    return np.asarray(body_mm + flare_mm * np.maximum(0.0, 1 - z / 0.3))


def read(
    manifest: Manifest,
    seen_from: Pose,
    growth_mm: Floats,
    *,
    seed: int = 0,
    shift_mm: Floats | float = 0.0,
    lifted_mm: float = 0.0,
) -> EdgeReadings:
    """Edges as a perfect reader would find them, with noise."""
    edges = straight_edges(manifest)
    seen = sight(edges, seen_from)
    inset = seen_from.printed(np.array([e.inset_by_layer_mm for e in edges]))
    z = seen_from.printed(np.arange(manifest.layers + 1.0) * manifest.layer_mm)
    true_z = z.copy()
    true_z[manifest.foot_layers :] += lifted_mm
    place = projected_outline(inset, growth_mm, true_z, seen.slope).place_mm
    n = len(edges)
    rng = np.random.default_rng(seed)
    return EdgeReadings(
        edges=edges,
        seen=seen,
        inset_mm=inset,
        z_mm=z,
        place_mm=place + rng.normal(0, NOISE_MM, n) + shift_mm,
        u_mm=np.full(n, NOISE_MM),
        ratio=np.full(n, 0.5),
        open_contrast=np.full(n, 0.7),
        misfit=np.ones(n),
        blur_px=np.ones(n),
        good=np.ones(n, dtype=bool),
        reason=(None,) * n,
    )


def measured(
    readings: EdgeReadings, manifest: Manifest, seen_from: Pose
) -> CouponMeasurement:
    result = measure_readings(readings, manifest, seen_from)
    assert not isinstance(result, Refusal), result
    return result


@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (8.0, -5.0), (-9.0, 3.0)])
@pytest.mark.parametrize("flare_mm", [0.04, 0.2, 0.35])
def test_flare_is_found_at_any_tilt(
    manifest: Manifest, tilt_deg: tuple[float, float], flare_mm: float
) -> None:
    here = pose(tilt_deg)
    coupon = measured(
        read(manifest, here, growth_by_layer(manifest, flare_mm)), manifest, here
    )
    assert coupon.flare is not None
    # noise 2 um an edge; heights and view are known exactly here
    assert coupon.flare.value_mm == pytest.approx(flare_mm, abs=0.005)
    assert 0.001 < coupon.flare.u_mm < 0.008
    assert coupon.flare_upper_mm is None


def test_body_growth_and_flush_inset_are_found(manifest: Manifest) -> None:
    here = pose((3.0, 2.0))
    coupon = measured(
        read(manifest, here, growth_by_layer(manifest, 0.2, 0.03)), manifest, here
    )
    assert coupon.body_growth is not None
    assert coupon.flush_inset is not None
    assert coupon.body_growth.value_mm == pytest.approx(0.03, abs=0.004)
    # an inset of the design shrinks with the part
    assert coupon.flush_inset.value_mm == pytest.approx(0.2 / 0.997, abs=0.006)


@pytest.mark.parametrize("lifted_mm", [-0.1, 0.1])
def test_wrong_ledge_height_stays_within_u(
    manifest: Manifest, lifted_mm: float
) -> None:
    here = pose((10.0, 0.0), distance_mm=140.0)
    readings = read(manifest, here, growth_by_layer(manifest, 0.2), lifted_mm=lifted_mm)
    coupon = measured(readings, manifest, here)
    assert coupon.flare is not None
    assert abs(coupon.flare.value_mm - 0.2) < 2 * coupon.flare.u_mm
    assert coupon.flare.value_mm == pytest.approx(0.2, abs=0.009)


def test_error_over_u_is_near_one_when_everything_is_drawn(manifest: Manifest) -> None:
    rng = np.random.default_rng(7)
    scores = []
    for seed in range(40):
        truth = pose((float(rng.normal(0, 3)), float(rng.normal(0, 3))), 150.0)
        error = rng.normal(0, np.sqrt(np.diag(truth.covariance)))
        believed = replace(truth, view=truth.view.moved(error))
        flare = float(rng.uniform(0.05, 0.3))
        growth = growth_by_layer(manifest, flare)
        lifted = float(rng.normal(0, 0.05))
        true = read(manifest, truth, growth, seed=seed, lifted_mm=lifted)
        px = true.edge_px()
        wrong = read(manifest, believed, growth)
        place = np.sum((px - wrong.seen.centre_px) * wrong.seen.normal_px, axis=1)
        place /= wrong.seen.px_per_mm
        coupon = measured(replace(wrong, place_mm=place), manifest, believed)
        assert coupon.flare is not None
        scores.append((coupon.flare.value_mm - flare) / coupon.flare.u_mm)
    # light and model are part of u and not drawn here
    assert 0.2 < np.sqrt(np.mean(np.square(scores))) < 1.3
    assert np.max(np.abs(scores)) < 3


def test_curl_bends_the_baseline_not_the_flare(manifest: Manifest) -> None:
    here = pose()
    x = np.array([e.point_mm[0] for e in straight_edges(manifest)])
    readings = read(
        manifest, here, growth_by_layer(manifest, 0.15), shift_mm=0.03 * (x / 54) ** 2
    )
    coupon = measured(readings, manifest, here)
    assert coupon.flare is not None
    assert coupon.flare.value_mm == pytest.approx(0.15, abs=0.005)


def test_reference_reads_zero_and_inset_teeth_their_share(manifest: Manifest) -> None:
    here = pose((0.0, 4.0))
    coupon = measured(
        read(manifest, here, growth_by_layer(manifest, 0.25)), manifest, here
    )
    for tooth in coupon.teeth:
        if not tooth.used or tooth.growth_mm is None:
            continue
        if tooth.role == "reference":
            assert tooth.growth_mm == pytest.approx(0.0, abs=0.008)
        if tooth.role == "inset":
            wanted = max(0.25 - 0.997 * tooth.inset_mm, 0.0)
            assert tooth.growth_mm == pytest.approx(wanted, abs=0.008)
    assert len(coupon.covariance_names) == len(coupon.growth_cov_mm2)
    used = [t for t in coupon.teeth if t.used]
    assert set(coupon.covariance_names) == {t.name for t in used}
    assert np.linalg.eigvalsh(coupon.growth_cov_mm2).min() > 0
    by_name = dict(
        zip(coupon.covariance_names, np.diag(coupon.growth_cov_mm2), strict=True)
    )
    assert all(
        by_name[t.name] == pytest.approx((t.u_growth_mm or 0) ** 2) for t in used
    )


def test_no_flare_gives_an_upper_limit_and_says_why(manifest: Manifest) -> None:
    here = pose()
    coupon = measured(
        read(manifest, here, growth_by_layer(manifest, 0.0)), manifest, here
    )
    assert coupon.flare is None
    assert coupon.flare_upper_mm is not None
    assert 0 < coupon.flare_upper_mm < 0.03
    assert "flare_mm" in coupon.reasons
    assert coupon.flush_inset is None
    assert "flush_inset_mm" in coupon.reasons
    assert any("bracket" in warning for warning in coupon.warnings)


def test_flare_past_the_ladder_is_measured_but_not_bracketed(
    manifest: Manifest,
) -> None:
    here = pose()
    growth = growth_by_layer(manifest, 0.6)
    coupon = measured(read(manifest, here, growth), manifest, here)
    assert coupon.flare is not None
    assert coupon.flare.value_mm == pytest.approx(0.6, abs=0.006)
    assert coupon.flush_inset is None


def shaded(readings: EdgeReadings, group: str, out_mm: float) -> EdgeReadings:
    rows = readings.chosen(group)
    ratio, place = readings.ratio.copy(), readings.place_mm.copy()
    ratio[rows] = 0.1
    place[rows] += out_mm * (1 + 0.3 * np.sin(np.arange(len(rows))))
    return replace(readings, ratio=ratio, place_mm=place)


def test_a_shaded_side_does_not_spoil_the_other(manifest: Manifest) -> None:
    here = pose()
    readings = shaded(
        read(manifest, here, growth_by_layer(manifest, 0.2)), "end b", 0.25
    )
    coupon = measured(readings, manifest, here)
    assert coupon.flare is not None
    assert coupon.flare.value_mm == pytest.approx(0.2, abs=0.006)
    assert all(not t.used for t in coupon.teeth if t.side == "b")
    assert all(t.reason for t in coupon.teeth if not t.used)
    assert any("Side b" in warning for warning in coupon.warnings)


def test_both_sides_shaded_is_refused(manifest: Manifest) -> None:
    here = pose()
    readings = read(manifest, here, growth_by_layer(manifest, 0.2))
    readings = shaded(shaded(readings, "end a", 0.1), "end b", 0.1)
    result = measure_readings(readings, manifest, here)
    assert isinstance(result, Refusal)
    assert result.code == "one_sided_light"


def test_part_as_bright_as_the_table_is_refused(manifest: Manifest) -> None:
    here = pose()
    readings = read(manifest, here, growth_by_layer(manifest, 0.2))
    n = len(readings.edges)
    readings = replace(readings, ratio=np.full(n, 0.08), open_contrast=np.full(n, 0.15))
    result = measure_readings(readings, manifest, here)
    assert isinstance(result, Refusal)
    assert result.code == "low_contrast"


def test_a_side_that_looks_clean_but_lies_off_is_dropped(manifest: Manifest) -> None:
    here = pose()
    readings = read(manifest, here, growth_by_layer(manifest, 0.2))
    rows = readings.chosen("end b")
    place, ratio = readings.place_mm.copy(), readings.ratio.copy()
    place[rows] += 0.12
    ratio[rows] = 0.3
    coupon = measured(replace(readings, place_mm=place, ratio=ratio), manifest, here)
    assert {t.side for t in coupon.teeth if t.used} == {"a"}
    assert coupon.body_growth is None or coupon.body_growth.value_mm < 0.02


def test_scattering_references_drop_a_side(manifest: Manifest) -> None:
    here = pose()
    readings = read(manifest, here, growth_by_layer(manifest, 0.2))
    place = readings.place_mm.copy()
    plain = {t.name for t in manifest.teeth if t.role == "reference"}
    rows = [i for i in readings.chosen("end a") if readings.edges[i].owner in plain]
    place[rows] += np.array([0.03, -0.03, 0.03, -0.03, 0.03])
    fault = side_fault(replace(readings, place_mm=place), manifest, "a")
    assert fault is not None
    assert "scatter" in fault


def test_one_damaged_tooth_is_left_out_with_a_reason(manifest: Manifest) -> None:
    here = pose()
    readings = read(manifest, here, growth_by_layer(manifest, 0.2))
    row = readings.chosen("end a")[7]
    place = readings.place_mm.copy()
    place[row] += 0.08
    coupon = measured(replace(readings, place_mm=place), manifest, here)
    damaged = next(t for t in coupon.teeth if t.name == readings.edges[row].owner)
    assert not damaged.used
    assert damaged.reason
    assert coupon.flare is not None
    assert coupon.flare.value_mm == pytest.approx(0.2, abs=0.005)


def test_a_foot_that_hides_the_body_is_said(manifest: Manifest) -> None:
    """At 10 degrees a foot level with the body hides it on the side leaning away."""
    here = pose((10.0, 0.0), 140.0)
    coupon = measured(
        read(manifest, here, growth_by_layer(manifest, 0.2)), manifest, here
    )
    hidden = [t for t in coupon.teeth if t.reason and "line of sight" in t.reason]
    assert hidden
    assert all(t.growth_mm is None and not t.used for t in hidden)


def test_budget_adds_up(manifest: Manifest) -> None:
    here = pose()
    coupon = measured(
        read(manifest, here, growth_by_layer(manifest, 0.2)), manifest, here
    )
    for quantity in (coupon.flare, coupon.body_growth):
        assert quantity is not None
        total = np.sqrt(sum(c.u_mm**2 for c in quantity.budget))
        assert quantity.u_mm == pytest.approx(total, rel=1e-6)
