"""The coupon a user gets: its sizes, ladders, solid and the promises on its raster."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, FillRule, Manifold, Mesh64

from patterns import FlareSpec, build, default_flare_spec
from patterns.errors import SpecError
from patterns.flare import build_manifest, start_layers
from patterns.solids import ring_area, stack

if TYPE_CHECKING:
    from patterns.manifest import Manifest, Tooth


@pytest.fixture(scope="module")
def manifest() -> Manifest:
    return build_manifest(default_flare_spec())


def teeth(manifest: Manifest, side: str, role: str) -> list[Tooth]:
    return [t for t in manifest.teeth if t.side == side and t.role == role]


def test_default_coupon_fits_and_is_thick_enough_not_to_curl(
    manifest: Manifest,
) -> None:
    x, y, z = manifest.size_mm
    assert x <= 115
    assert y <= 65
    assert z == pytest.approx(1.2, abs=1e-9)
    assert manifest.foot_mm == pytest.approx(0.40, abs=1e-9)
    assert 2e3 < manifest.volume_mm3 < 6e3  # a few millilitres


@pytest.mark.parametrize("side", ["a", "b"])
def test_each_side_carries_both_ladders_and_references_at_ends_and_between(
    manifest: Manifest, side: str
) -> None:
    row = sorted((t for t in manifest.teeth if t.side == side), key=lambda t: t.x_mm)
    assert [row[0].role, row[-1].role] == ["reference", "reference"]
    assert len(teeth(manifest, side, "reference")) >= 4
    insets = sorted(t.inset_mm for t in teeth(manifest, side, "inset"))
    assert insets.count(0.0) >= 2
    assert insets[-1] == pytest.approx(0.50, abs=1e-9)
    starts = sorted(t.start_layer for t in teeth(manifest, side, "start"))
    assert starts == list(range(manifest.foot_layers))
    kinds = [t.role for t in row if t.role != "reference"]
    first_start, last_start = (
        kinds.index("start"),
        len(kinds) - kinds[::-1].index("start"),
    )
    between = [t.x_mm for t in row if t.role == "reference"]
    assert any(row[0].x_mm < x < row[-1].x_mm for x in between)
    assert set(kinds[first_start:last_start]) == {"start"}


def test_far_side_carries_the_same_order_reversed(manifest: Manifest) -> None:
    a = [(t.role, t.inset_mm, t.start_layer) for t in manifest.teeth if t.side == "a"]
    b = {t.x_mm: t for t in manifest.teeth if t.side == "b"}
    turned = [b[x] for x in sorted(b, reverse=True)]
    assert a == [(t.role, t.inset_mm, t.start_layer) for t in turned]


def test_start_tooth_lacks_exactly_its_lowest_layers(manifest: Manifest) -> None:
    for tooth in teeth(manifest, "a", "start"):
        foot = np.array(tooth.inset_by_layer_mm[: manifest.foot_layers])
        expected = np.where(
            np.arange(manifest.foot_layers) < tooth.start_layer, 1.0, 0.0
        )
        np.testing.assert_allclose(foot, expected, atol=1e-9)


def test_reference_tooth_shows_the_body_alone(manifest: Manifest) -> None:
    for tooth in teeth(manifest, "b", "reference"):
        assert min(tooth.inset_by_layer_mm[: manifest.foot_layers]) == pytest.approx(1)
        body = tooth.inset_by_layer_mm[manifest.foot_layers :]
        assert body[: manifest.vertical_layers] == (0.0,) * manifest.vertical_layers


def test_body_narrows_so_that_no_wall_shows_at_10_degrees(manifest: Manifest) -> None:
    first = manifest.foot_layers + manifest.vertical_layers
    inset = np.array(manifest.body_inset_by_layer_mm)
    depth = manifest.layer_mm * (np.arange(manifest.layers) - first + 1)
    tapered = inset[first:]
    slope = np.polyfit(depth[first:], tapered, 1)[0]
    assert slope > np.tan(np.radians(10))
    steps = np.diff(np.concatenate([[0.0], tapered]))
    # about 0.03 mm per layer on average, in whole pixels
    assert np.mean(steps) == pytest.approx(0.03, abs=0.005)


rasters = st.builds(
    FlareSpec,
    pixel_x_mm=st.floats(0.02, 0.05),
    pixel_y_mm=st.floats(0.02, 0.05),
    layer_mm=st.sampled_from([0.02, 0.03, 0.05, 0.1]),
    bottom_exposures_s=st.lists(st.floats(5, 60), min_size=1, max_size=8).map(tuple),
    transition_exposures_s=st.lists(st.floats(2, 30), max_size=8).map(tuple),
    normal_exposure_s=st.floats(1.0, 5.0),
    plate_x_mm=st.just(120.0),
)


def _off_raster(values_mm: list[float], pixel_mm: float) -> float:
    pixels = np.array(values_mm) / pixel_mm
    return float(np.abs(pixels - np.round(pixels)).max())


@settings(max_examples=15, deadline=None)
@given(spec=rasters)
def test_everything_lateral_lies_on_whole_pixels(spec: FlareSpec) -> None:
    manifest = build_manifest(spec)
    xs, ys = [], []
    for tooth in manifest.teeth:
        half = tooth.width_mm / 2
        xs += [tooth.x_mm - half, tooth.x_mm + half, *tooth.flank_inset_by_layer_mm]
        ys += [tooth.y_end_mm, tooth.y_root_mm, *tooth.inset_by_layer_mm]
    for strip in manifest.strips:
        xs += [strip.x_mm - strip.length_mm / 2, strip.x_mm + strip.length_mm / 2]
        ys += [strip.width_mm / 2, *strip.inset_by_layer_mm]
    # coordinates are kept to a nanometre: 1e-6 / 0.02 of a pixel, doubled
    assert _off_raster(xs, spec.pixel_x_mm) < 1e-4
    assert _off_raster(ys, spec.pixel_y_mm) < 1e-4
    pitches = {round(b.x_mm - a.x_mm, 6) for a, b in _neighbours(manifest, "a")}
    assert len(pitches) == 1


def _neighbours(manifest: Manifest, side: str) -> list[tuple[Tooth, Tooth]]:
    row = sorted((t for t in manifest.teeth if t.side == side), key=lambda t: t.x_mm)
    return list(itertools.pairwise(row))


@settings(max_examples=4, deadline=None)
@given(spec=rasters)
def test_any_printable_spec_gives_one_closed_body_of_the_closed_formula_volume(
    spec: FlareSpec,
) -> None:
    manifest = build_manifest(spec)
    rows = len(spec.bottom_exposures_s) + len(spec.transition_exposures_s) + 2
    assert manifest.foot_layers >= rows
    assert manifest.foot_mm >= 0.40 - 1e-9
    assert manifest.thickness_mm >= manifest.foot_mm + max(0.6, 10 * spec.layer_mm) - (
        1e-9
    )
    solid = stack(manifest.sections, manifest.holes)
    assert len(solid.decompose()) == 1
    # manifold3d's volume against rectangles and circles added up on a grid
    assert solid.volume() == pytest.approx(manifest.volume_mm3, abs=0.1)


def test_volume_and_closedness_agree_with_trimesh() -> None:
    """Outside check: trimesh computes both from the triangles alone."""
    import trimesh

    coupon = build(default_flare_spec())
    mesh = trimesh.Trimesh(coupon.vertices_mm, coupon.faces, process=False)
    assert mesh.is_volume
    assert mesh.body_count == 1
    assert mesh.volume == pytest.approx(coupon.manifest.volume_mm3, abs=0.1)
    np.testing.assert_allclose(mesh.extents, coupon.manifest.size_mm, atol=1e-6)


@pytest.mark.parametrize("height", [0.3, 0.5, 0.7])
def test_slicing_anywhere_in_a_layer_gives_that_layers_mask(height: float) -> None:
    coupon = build(default_flare_spec())
    manifest = coupon.manifest
    solid = Manifold(
        Mesh64(
            vert_properties=np.array(coupon.vertices_mm),
            tri_verts=np.array(coupon.faces, np.uint64),
        )
    )
    for section in manifest.sections:
        wanted = sum(ring_area(ring) for ring in section.rings_mm)
        for layer in range(section.first_layer, section.last_layer + 1):
            cut = solid.slice((layer + height) * manifest.layer_mm)
            # 4 nm of float rounding along 900 mm of outline
            assert cut.area() == pytest.approx(wanted, abs=0.01)


def test_foot_lies_inside_the_body_or_level_with_it(manifest: Manifest) -> None:
    def shape(index: int) -> CrossSection:
        rings = [np.asarray(r) for r in manifest.sections[index].rings_mm]
        return CrossSection(rings, FillRule.EvenOdd)

    body = next(
        i
        for i, s in enumerate(manifest.sections)
        if s.first_layer <= manifest.foot_layers <= s.last_layer
    )
    # holes widen away from the plate (undercut), so they are filled for this check
    filled = shape(body) + CrossSection(
        [
            np.array([h.x_mm, h.y_mm])
            + 2.5
            * np.column_stack(
                [np.cos(np.linspace(0, 6.2, 40)), np.sin(np.linspace(0, 6.2, 40))]
            )
            for h in manifest.holes
        ],
        FillRule.NonZero,
    )
    for i in range(body):
        assert (shape(i) - filled).area() < 1e-6


def test_holes_are_placed_so_that_no_turn_or_mirror_maps_them_onto_themselves(
    manifest: Manifest,
) -> None:
    holes = np.array([(h.x_mm, h.y_mm) for h in manifest.holes])
    assert len(holes) >= 6
    for sx, sy in ((-1, 1), (1, -1), (-1, -1)):
        image = holes * (sx, sy)
        nearest = np.linalg.norm(holes[:, None] - image[None], axis=2).min(1)
        assert nearest.max() > 2.0  # mm: most of a hole's diameter


def test_holes_are_undercut_behind_the_face(manifest: Manifest) -> None:
    for hole in manifest.holes:
        widths = np.array(hole.diameter_by_layer_mm)
        assert widths[0] == pytest.approx(hole.diameter_mm)
        assert (np.diff(widths) >= 0).all()
        assert widths[-1] > widths[0] + 2 * np.tan(np.radians(10)) * 0.6


def test_thin_layers_thin_the_start_ladder_out_but_keep_both_its_ends() -> None:
    spec = FlareSpec(
        pixel_x_mm=0.03,
        pixel_y_mm=0.03,
        layer_mm=0.02,
        bottom_exposures_s=(30.0,) * 6,
        transition_exposures_s=(20.0, 10.0, 5.0),
        normal_exposure_s=2.0,
        plate_x_mm=120.0,
    )
    starts = start_layers(spec)
    assert starts[:2] == (0, 1)
    assert starts[-1] == spec.foot_layers - 1
    assert len(starts) == 8


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"pixel_x_mm": 0.0}, "pixel_x_mm"),
        ({"pixel_y_mm": float("nan")}, "pixel_y_mm"),
        ({"layer_mm": 0.5}, "layer_mm"),
        ({"bottom_exposures_s": ()}, "bottom layer"),
        ({"bottom_exposures_s": (-3.0,)}, "exposure_s"),
        ({"normal_exposure_s": float("inf")}, "exposure_s"),
        ({"insets_mm": (0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5)}, "insets_mm"),
        ({"insets_mm": (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.95)}, "reference"),
        ({"vertical_layers": 2}, "vertical_layers"),
        ({"tooth_width_mm": 9.0}, "tooth_width_mm"),
    ],
)
def test_a_spec_that_cant_be_made_is_refused_with_the_reason(
    change: dict[str, object], says: str
) -> None:
    from dataclasses import asdict

    fields = asdict(default_flare_spec()) | change
    with pytest.raises(SpecError, match=says):
        FlareSpec(**fields)


def test_a_plate_too_small_is_refused() -> None:
    from dataclasses import replace

    with pytest.raises(SpecError, match="does not fit"):
        build(replace(default_flare_spec(), plate_x_mm=80.0))


def test_walls_under_two_pixels_are_refused() -> None:
    from dataclasses import replace

    from patterns.checks import check_walls

    manifest = build_manifest(default_flare_spec())
    coarse = replace(manifest, pixel_x_mm=0.4, pixel_y_mm=0.4)
    with pytest.raises(SpecError, match="two pixels"):
        check_walls(coarse)
