"""Tiles are found and read wherever they lie, and each one that can't be is named."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.rims import why_no_tiles
from analysis.tiles import FoundTiles, find_tiles
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from tests.analysis.drawn_tiles import Laid, Table, as_photo, draw, fibres

if TYPE_CHECKING:
    from collections.abc import Sequence

    from patterns.rim_manifest import RimManifest

Floats = NDArray[np.float64]

MANIFEST = rim_manifest(default_rim_spec())
TILES = MANIFEST.tiles
# The finder's own registration; a tenth of a millimetre at 14 px/mm is enough to read
# a code and to start the fit of the pose from.
PLACE_TOLERANCE_MM = 0.2


def _ring(indices: Sequence[int], radius_mm: float = 32.0) -> list[Laid]:
    angles = 2 * np.pi * np.arange(len(indices)) / len(indices) + 0.3
    return [
        Laid(
            tile=TILES[index],
            x_mm=1.25 * radius_mm * float(np.cos(angle)),
            y_mm=0.8 * radius_mm * float(np.sin(angle)),
            turn_deg=float(np.degrees(angle)) + 17 * (index % 3 - 1),
        )
        for index, angle in zip(indices, angles, strict=True)
    ]


def _found(
    table: Table, manifests: Sequence[RimManifest] = (MANIFEST,), **drawing: object
) -> FoundTiles:
    return find_tiles(as_photo(draw(table, **drawing)), manifests)  # type: ignore[arg-type]


def _ids(found: FoundTiles) -> set[str]:
    return {one.tile.coupon_id for one in found.tiles}


def _wanted(laid: Sequence[Laid]) -> set[str]:
    return {one.tile.coupon_id for one in laid}


def _codes(found: FoundTiles) -> list[str]:
    return sorted(fault.code for fault in found.faults)


def _place_error_mm(found: FoundTiles, table: Table) -> float:
    spots = np.array([[0.0, 0.0], [12.5, 0.0], [0.0, 12.0], [0.0, -12.0]])
    laid = {one.tile.coupon_id: one for one in table.tiles}
    off = [
        apply_px(one.homography, spots) - table.tile_px(laid[one.tile.coupon_id], spots)
        for one in found.tiles
    ]
    return float(np.max(np.linalg.norm(off, axis=2))) / table.px_per_mm


def apply_px(homography: Floats, points: Floats) -> Floats:
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


@pytest.mark.parametrize(
    ("indices", "tilt_deg", "drawing"),
    [
        ([0], (2.0, -3.0), {"face": 70.0, "ground": 215.0}),
        ([3, 8, 12, 15], (-8.0, 6.0), {"face": 200.0, "ground": 80.0}),
        ([1, 2, 5, 9, 11, 14], (5.0, 9.0), {"face": 110.0, "ground": 165.0}),
        ([4, 7, 10], (0.0, 4.0), {"face": 60.0, "ground": 250.0, "blur_px": 2.0}),
    ],
)
def test_tiles_are_found_and_read_in_a_ring(
    indices: list[int], tilt_deg: tuple[float, float], drawing: dict[str, float]
) -> None:
    table = Table(px_per_mm=12.5, tilt_deg=tilt_deg, tiles=_ring(indices))
    found = find_tiles(as_photo(draw(table, **drawing)), [MANIFEST])  # type: ignore[arg-type]
    assert _ids(found) == _wanted(table.tiles)
    assert not found.faults
    assert _place_error_mm(found, table) < PLACE_TOLERANCE_MM


def test_they_are_found_on_wood_beside_clutter() -> None:
    table = Table(px_per_mm=12.5, tiles=_ring([0, 6, 13]))
    found = _found(table, face=90.0, background=fibres(seed=4))
    assert _ids(found) == _wanted(table.tiles)


def test_eighteen_tiles_in_one_photo() -> None:
    tiles = [TILES[k % len(TILES)] for k in range(18)]
    laid = [
        Laid(
            tile=tile,
            x_mm=-75 + 30 * (k % 6),
            y_mm=-32 + 32 * (k // 6),
            turn_deg=25 * k,
        )
        for k, tile in enumerate(tiles[: len(TILES)])
    ]
    table = Table(width_px=2800, height_px=1900, px_per_mm=13.0, tiles=laid)
    found = _found(table)
    assert _ids(found) == _wanted(laid)


BAD = {
    "tile_cut_off": Laid(tile=TILES[5], x_mm=77.0, y_mm=5.0, turn_deg=100.0),
    "tile_broken": Laid(tile=TILES[5], x_mm=-3.0, y_mm=0.0, turn_deg=30.0, broken=True),
    "tile_wrong_face": Laid(
        tile=TILES[5], x_mm=-3.0, y_mm=0.0, turn_deg=30.0, mirrored=True
    ),
    "tile_code": Laid(
        tile=TILES[5], x_mm=-3.0, y_mm=0.0, turn_deg=30.0, filled=(0, 1, 2, 3, 4, 5)
    ),
    "tile_twice": Laid(tile=TILES[2], x_mm=-3.0, y_mm=0.0, turn_deg=80.0),
}


@pytest.mark.parametrize("code", BAD)
def test_a_bad_tile_is_named_and_the_rest_is_read(code: str) -> None:
    good = _ring([2, 9, 14])
    found = _found(Table(px_per_mm=12.5, tiles=[*good, BAD[code]]))
    assert set(_codes(found)) == {code}
    rest = _wanted(good) - ({TILES[2].coupon_id} if code == "tile_twice" else set())
    assert _ids(found) == rest


@pytest.mark.parametrize("aside_mm", [25.05, 13.0])
def test_touching_tiles_are_named_and_the_rest_is_read(aside_mm: float) -> None:
    turns = (0.0, 180.0) if aside_mm > 20 else (90.0, 270.0)
    shift = (aside_mm, 0.0) if aside_mm > 20 else (0.0, 0.05)
    pair = [
        Laid(tile=TILES[1], x_mm=0.0, y_mm=20.0, turn_deg=turns[0]),
        Laid(tile=TILES[4], x_mm=shift[0], y_mm=20.0 - shift[1], turn_deg=turns[1]),
    ]
    good = Laid(tile=TILES[8], x_mm=-30.0, y_mm=-25.0, turn_deg=200.0)
    found = _found(Table(px_per_mm=12.5, tiles=[good, *pair]))
    assert _ids(found) == {good.tile.coupon_id}
    assert "tiles_touching" in _codes(found)


def test_a_tile_of_another_set_is_named() -> None:
    other = rim_manifest(
        replace(default_rim_spec(), set_code=(MANIFEST.set_code + 1) % 32)
    )
    stray = Laid(tile=other.tiles[3], x_mm=-3.0, y_mm=0.0, turn_deg=30.0)
    table = Table(px_per_mm=12.5, tiles=[*_ring([1, 6]), stray])
    found = _found(table)
    assert _codes(found) == ["tile_unknown"]
    assert f"set {other.set_code}" in found.faults[0].message
    both = _found(table, (MANIFEST, other))
    assert _ids(both) == _wanted(table.tiles)


def test_a_ruler_of_another_colour_is_no_broken_tile() -> None:
    good = _ring([2, 9, 14])
    picture = draw(Table(px_per_mm=12.5, tiles=good))
    cv2.circle(picture, (1000, 750), 155, (150, 150, 150), -1)
    cv2.rectangle(picture, (800, 760), (1200, 930), (215, 215, 215), -1)
    found = find_tiles(as_photo(picture), [MANIFEST])
    assert _ids(found) == _wanted(good)
    assert not found.faults


@pytest.mark.parametrize("blur_px", [0.9, 7.0])
def test_a_photo_without_a_readable_tile_says_why(blur_px: float) -> None:
    tile = Laid(tile=TILES[3], x_mm=0.0, y_mm=0.0, turn_deg=0.0)
    picture = draw(Table(px_per_mm=12.5, tiles=[tile]), blur_px=blur_px)
    picture[830:] = picture[5, 5]  # something lies over a quarter of it
    photo = as_photo(picture)
    found = find_tiles(photo, [MANIFEST])
    assert not found.tiles
    why = why_no_tiles(photo, found, TILES[0])
    assert why is not None
    assert why.code == ("tile_broken" if blur_px < 2 else "blurred")


def test_too_few_px_is_named() -> None:
    found = _found(Table(px_per_mm=8.5, tiles=_ring([1, 6, 7])))
    assert _codes(found) == ["too_few_px"] * 3


def test_nothing_is_found_where_nothing_lies() -> None:
    assert not _found(Table(tiles=[]), background=fibres(seed=9)).tiles
    with pytest.raises(ValueError, match="manifest"):
        find_tiles(as_photo(draw(Table())), [])


@pytest.mark.parametrize("seed", range(4))
def test_a_damaged_code_is_never_another_tiles(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tile = TILES[int(rng.integers(len(TILES)))]
    cut = [n.place for n in tile.notches if n.cut]
    filled = tuple(int(p) for p in rng.choice(cut, size=2, replace=False))
    table = Table(
        px_per_mm=12.5,
        tiles=[Laid(tile=tile, x_mm=0.0, y_mm=0.0, turn_deg=70.0, filled=filled)],
    )
    assert _ids(_found(table)) <= {tile.coupon_id}


def test_tiles_of_a_set_share_one_layout() -> None:
    places = [(n.y0_mm, n.y1_mm) for n in TILES[0].notches]
    assert all([(n.y0_mm, n.y1_mm) for n in t.notches] == places for t in TILES)
