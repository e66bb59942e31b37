"""The edge code is read right or not at all."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from analysis.code import read_code
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec
from tests.analysis.drawn_coupons import MANIFEST, Where, draw

if TYPE_CHECKING:
    from patterns.manifest import Manifest


def _homography(where: Where) -> np.ndarray:
    corners = np.array([[-50, -10, 0], [50, -10, 0], [50, 10, 0], [-50, 10, 0.0]])
    px = where.project(corners).astype(np.float32)
    flat = corners[:, :2].astype(np.float32)
    return np.asarray(cv2.getPerspectiveTransform(flat, px), dtype=np.float64)


def _covered(where: Where, manifest: Manifest, places: list[int]) -> np.ndarray:
    """Fill notches with the face's colour, as resin would."""
    picture = draw(where, manifest=manifest)
    for place in places:
        notch = manifest.notches[place]
        inward = -np.sign(notch.x_edge_mm)
        y = notch.width_mm / 2 + 0.5
        far = notch.x_edge_mm + inward * (notch.depth_mm + 0.5)
        box = np.array(
            [
                [x, notch.y_mm + dy, 0.0]
                for x, dy in (
                    (notch.x_edge_mm, -y),
                    (far, -y),
                    (far, y),
                    (notch.x_edge_mm, y),
                )
            ]
        )
        cv2.fillConvexPoly(
            picture, np.rint(where.project(box)).astype(np.int32), (90, 90, 90)
        )
    return picture


@pytest.mark.parametrize("code", [MANIFEST.code, 2, 700])
def test_codes_are_read(code: int) -> None:
    spec = replace(default_flare_spec(), code=code)
    where = Where(turn_deg=200.0, tilt_deg=(5.0, 5.0))
    manifest = build_manifest(spec)
    picture = draw(where, manifest=manifest)
    # read at the places of another coupon's manifest: the code is not known yet
    reading = read_code(picture, _homography(where), MANIFEST)
    assert reading.code == code
    assert reading.margin > 0.3


@pytest.mark.parametrize("count", [1, 2, 3])
def test_filled_notches_never_give_another_code(count: int) -> None:
    cut = [n.place for n in MANIFEST.notches if n.cut]
    where = Where(turn_deg=10.0)
    reading = read_code(
        _covered(where, MANIFEST, cut[:count]), _homography(where), MANIFEST
    )
    assert reading.code in {None, MANIFEST.code}
    assert (reading.code is None) == (reading.why is not None)


def test_an_end_outside_the_photo_is_said() -> None:
    where = Where(middle_px=(300.0, 700.0))
    reading = read_code(draw(where), _homography(where), MANIFEST)
    assert reading.code is None
    assert reading.why is not None
    assert "outside" in reading.why
