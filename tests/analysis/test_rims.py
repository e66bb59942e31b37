"""Photos of tiles measured together: stitched, listed once, missing ones named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from analysis.pipeline import measure, measure_photos
from analysis.result import Component, Measurement, Quantity, Refusal
from analysis.rim_result import Merged, RimMeasurement
from analysis.rim_values import MOST_SKEW_MM, TOO_ASIDE
from analysis.rims import gather
from patterns.flare import build_manifest
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from patterns.spec import default_flare_spec
from tests.analysis.drawn_tiles import Laid, Table, draw

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from patterns.manifest import Manifest
    from patterns.rim_manifest import RimManifest

MANIFEST = rim_manifest(default_rim_spec())
FLARE = build_manifest(default_flare_spec())


def _laid(indices: Sequence[int], turn_deg: float = 0.0) -> list[Laid]:
    return [
        Laid(
            tile=MANIFEST.tiles[index],
            x_mm=-35.0 + 35 * k,
            y_mm=-15.0 + 12 * k,
            turn_deg=120 * k + turn_deg,
        )
        for k, index in enumerate(indices)
    ]


def _photo(path: Path, tiles: Sequence[Laid], seed: int) -> Path:
    Image.fromarray(draw(Table(px_per_mm=13.0, tiles=tiles), seed=seed)).save(path)
    return path


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> tuple[Measurement, ...]:
    folder = tmp_path_factory.mktemp("rims")
    broken = Laid(
        tile=MANIFEST.tiles[9], x_mm=5.0, y_mm=-32.0, turn_deg=200.0, mirrored=True
    )
    paths = [
        _photo(folder / "one.png", [*_laid([0, 4]), broken], 1),
        _photo(folder / "two.png", _laid([4, 7], 180.0), 2),
    ]
    told: list[object] = []
    found = measure_photos(
        paths, [FLARE, MANIFEST], scale_from_coupon=True, begin=told.append
    )
    assert told == paths
    kept = [one for one in found if isinstance(one, Measurement)]
    assert len(kept) == len(paths)
    return tuple(kept)


def test_each_tile_stands_under_the_first_photo_that_shows_it(
    outcomes: tuple[Measurement, ...],
) -> None:
    first, second = outcomes
    ids = [tile.coupon_id for tile in MANIFEST.tiles]
    own = {c.coupon_id: c for c in first.coupons}
    assert set(own) == {ids[0], ids[4]}
    both = own[ids[4]]
    assert isinstance(both, RimMeasurement)
    assert both.photos == (first.photo, second.photo)
    later = {c.coupon_id: c for c in second.coupons}
    assert later[ids[4]] == Merged(coupon_id=ids[4], merged_into=first.photo)
    assert isinstance(later[ids[7]], RimMeasurement)


def test_a_drawn_rim_is_round(outcomes: tuple[Measurement, ...]) -> None:
    for outcome in outcomes:
        for tile in outcome.coupons:
            if isinstance(tile, RimMeasurement):
                assert tile.part_scale is None
                # the drawing's own stairs are 1/32 px, 2 um; noise some more
                assert abs(tile.values["sag"].value_mm) < 0.008


def test_form_is_not_told_of_a_tile_far_aside_alone(
    outcomes: tuple[Measurement, ...],
) -> None:
    """Two tiles show too little of the view for one of them 35 mm from the middle."""
    by_id = {
        tile.coupon_id: tile
        for outcome in outcomes
        for tile in outcome.coupons
        if isinstance(tile, RimMeasurement)
    }
    aside, seen_twice = (by_id[MANIFEST.tiles[k].coupon_id] for k in (0, 4))
    assert not {"form", "cos2phi"} & set(aside.values)
    assert aside.reasons["form_mm"] == aside.reasons["cos2phi_mm"] == TOO_ASIDE
    # one of its photos has it in the middle: that one speaks for its form
    assert seen_twice.values["form"].u_mm < MOST_SKEW_MM


def test_what_is_wrong_or_missing_is_named(outcomes: tuple[Measurement, ...]) -> None:
    first, second = outcomes
    (wrong,) = [said for said in first.warnings if said.startswith("Near")]
    assert "feet up" in wrong
    (missing,) = [said for said in first.warnings if said.startswith("Not found")]
    ids = [tile.coupon_id for tile in MANIFEST.tiles]
    assert all((name in missing) == (k not in (0, 4, 7)) for k, name in enumerate(ids))
    assert not second.warnings


def test_every_tile_is_drawn_where_it_lies(outcomes: tuple[Measurement, ...]) -> None:
    drawing = outcomes[1].rim_drawing
    assert drawing is not None
    assert len(drawing.tiles) == 2
    for tile in drawing.tiles:
        low, high = tile.outline_px.min(axis=0), tile.outline_px.max(axis=0)
        assert np.all(tile.rim_px > low - 3)
        assert np.all(tile.rim_px < high + 3)
        size = np.linalg.norm(tile.outward_px, axis=1)
        assert size == pytest.approx(13.0, rel=0.03)


def _in_profile(coupon_id: str, radius_mm: float | None) -> RimMeasurement:
    radius = (
        None
        if radius_mm is None
        else Quantity(
            value_mm=radius_mm,
            u_mm=0.03,
            method="silhouette",
            budget=(Component(name="edge noise", u_mm=0.03),),
        )
    )
    return RimMeasurement(
        coupon_id=coupon_id,
        kind="rim",
        photos=("profile.jpg",),
        tilt_deg=30.0,
        lipped=False,
        part_scale=None,
        u_part_scale=None,
        values={} if radius is None else {"edge_radius": radius},
        upper_mm={} if radius is not None else {"edge_radius": 0.09},
        chips=(),
        stubs=(),
        chip_limit_mm=None,
    )


@pytest.mark.parametrize("radius_mm", [0.25, None])
def test_a_profile_joins_its_tile_in_plan(
    outcomes: tuple[Measurement, ...], radius_mm: float | None
) -> None:
    plan = outcomes[1]
    standing = _in_profile(MANIFEST.tiles[7].coupon_id, radius_mm)
    stray = _in_profile(MANIFEST.tiles[11].coupon_id, radius_mm)
    profile = Measurement(photo="profile.jpg", scale=None, coupons=(standing, stray))
    first, second = gather([profile, plan], [])
    assert isinstance(first, Measurement)
    assert isinstance(second, Measurement)
    merged = Merged(coupon_id=standing.coupon_id, merged_into=plan.photo)
    assert first.coupons == (merged, stray)
    (whole,) = [c for c in second.coupons if c.coupon_id == standing.coupon_id]
    assert isinstance(whole, RimMeasurement)
    assert whole.photos == ("profile.jpg", plan.photo)
    assert "sag" in whole.values
    assert "edge_radius_mm" not in whole.reasons
    if radius_mm is None:
        assert whole.upper_mm["edge_radius"] == 0.09
    else:
        assert whole.values["edge_radius"].value_mm == radius_mm


def test_only_faults_are_a_refusal(tmp_path: Path) -> None:
    upside_down = Laid(
        tile=MANIFEST.tiles[3], x_mm=0.0, y_mm=0.0, turn_deg=20.0, mirrored=True
    )
    path = _photo(tmp_path / "wrong.png", [upside_down], 3)
    choices: tuple[list[Manifest | RimManifest], ...] = ([MANIFEST], [MANIFEST, FLARE])
    for manifests in choices:
        outcome = measure(path, manifests)
        assert isinstance(outcome, Refusal)
        assert outcome.code == "tile_wrong_face"


def test_a_photo_of_tiles_wants_a_ruler(tmp_path: Path) -> None:
    outcome = measure(_photo(tmp_path / "tiles.png", _laid([0, 4]), 4), [MANIFEST])
    assert isinstance(outcome, Refusal)
    assert outcome.code == "no_ruler"


def test_no_manifests_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="manifest"):
        measure_photos([], [])


def test_a_soft_photo_of_tiles_is_called_blurred(tmp_path: Path) -> None:
    path = tmp_path / "soft.png"
    table = Table(px_per_mm=13.0, tiles=_laid([0, 4]))
    Image.fromarray(draw(table, blur_px=9.0)).save(path)
    outcome = measure(path, [MANIFEST], scale_from_coupon=True)
    assert isinstance(outcome, Refusal)
    assert outcome.code == "blurred"
