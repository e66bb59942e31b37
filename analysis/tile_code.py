"""Read the back-edge code of a rim tile: twenty places, each cut or not.

A cut place shows the table (or its shade) where an uncut one shows the face, and a step
at its floor; which of the two is darker is light's business and not used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.register import apply

if TYPE_CHECKING:
    from collections.abc import Iterable

    from patterns.rim_manifest import RimTile

Floats = NDArray[np.float64]

WEAK = 0.25
MOST_WEAK = 2
_ACROSS = 7
_ALONG_MM = np.arange(-0.9, 4.01, 0.1)
_ZONES_MM = {
    "inside": (0.5, 1.15),
    "before": (1.05, 1.35),
    "behind": (1.65, 1.95),
    "face": (1.9, 2.7),
    "deeper": (3.1, 3.9),
}
_CLEAR = 0.6
_LEAST_GREY = 0.7
_LEAK = 0.04
"""Share of a clear step that blur may bring into a bare place."""

_ASIDE_MM = tuple(
    (x, y) for x in (0.0, -0.15, 0.15) for y in (0.0, -0.2, 0.2, -0.4, 0.4)
)
"""Without its notches a tile is laid to a few tenths of a millimetre only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TileCode:
    """``score`` (20,): 1 cut, -1 uncut, 0 undecided; ``margin`` is its least size."""

    score: Floats

    @property
    def bits(self) -> tuple[bool, ...]:
        """Cut or not, place by place."""
        return tuple(bool(one > 0) for one in self.score)

    @property
    def margin(self) -> float:
        """0 a guess, 1 clear."""
        return float(np.min(np.abs(self.score)))

    @property
    def guarded(self) -> bool:
        """Whether one guard is cut and the other is not, either way round."""
        return bool(self.score[0] * self.score[-1] < -(WEAK**2))

    @property
    def backwards(self) -> bool:
        """Whether the guards say that one looks at the wrong face, or a mirror."""
        return bool(self.score[0] < -WEAK and self.score[-1] > WEAK)


def read_tile_code(
    picture: NDArray[np.uint8], homography: Floats, layout: RimTile
) -> TileCode | None:
    """Look at the places where ``layout`` has them; None outside the picture.

    The places are tried some tenths of a millimetre aside as well, less than half a
    place, and the clearest reading is kept.

    Parameters
    ----------
    picture : (h, w, 3) array
    homography : (3, 3) array
        Tile's design mm to px, good to 0.3 mm.
    layout : RimTile
        Any tile with the same places.
    """
    readings = []
    for aside in _ASIDE_MM:
        seen = _columns(picture, homography, layout, aside)
        if seen is None:
            continue
        readings.append(_reading(seen))
        if readings[-1].guarded and readings[-1].margin > _CLEAR:
            break
    return max(readings, key=lambda code: (code.guarded, code.margin), default=None)


def _reading(seen: Floats) -> TileCode:
    level = {
        name: seen[:, (low <= _ALONG_MM) & (high >= _ALONG_MM)].mean(axis=1)
        for name, (low, high) in _ZONES_MM.items()
    }
    # shade comes and goes along the edge, so a place is held against its own face
    well = _difference(level["inside"], level["face"])
    floor = _difference(level["before"], level["behind"])
    calm = _difference(level["face"], level["deeper"])
    cut = np.maximum(well, floor) + _LEAST_GREY
    bare = float(np.median(calm)) + _LEAST_GREY
    clear = max(float(np.mean(np.sort(cut)[-4:])), 1.5 * bare)
    bare = max(bare, _LEAK * clear)
    middle = np.sqrt(clear * bare)
    score = np.log(cut / middle) / np.log(clear / middle)
    return TileCode(score=np.clip(score, -1, 1))


def matching(code: TileCode, tiles: Iterable[RimTile]) -> list[RimTile]:
    """Tiles whose word agrees with every place that is clear.

    None if too many are not: words differ in at least four places, so one or two open
    ones can't make one tile another.
    """
    weak = np.abs(code.score) < WEAK
    if weak.sum() > MOST_WEAK:
        return []
    bits = np.array(code.bits)
    return [
        tile
        for tile in tiles
        if np.all((np.array([n.cut for n in tile.notches]) == bits) | weak)
    ]


def _difference(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.abs(one - other).max(axis=1))


def _columns(
    picture: NDArray[np.uint8],
    homography: Floats,
    layout: RimTile,
    aside_mm: tuple[float, float] = (0.0, 0.0),
) -> Floats | None:
    """Median profiles (places, x, 3) from the back edge inwards, in grey levels."""
    middle = np.array([(n.y0_mm + n.y1_mm) / 2 for n in layout.notches])
    width = layout.notches[0].y1_mm - layout.notches[0].y0_mm
    across = np.linspace(-0.25, 0.25, _ACROSS) * width
    shape = (len(middle), _ACROSS, len(_ALONG_MM))
    x = np.broadcast_to(_ALONG_MM, shape)
    y = np.broadcast_to((middle[:, None] + across)[:, :, None], shape)
    px = apply(homography, np.column_stack([x.ravel(), y.ravel()]) + aside_mm)
    height, width_px = picture.shape[:2]
    if px.min() < 0 or px[:, 0].max() > width_px - 1 or px[:, 1].max() > height - 1:
        return None
    at = px.astype(np.float32).reshape(-1, len(_ALONG_MM), 2)
    seen = cv2.remap(picture, at[:, :, 0], at[:, :, 1], cv2.INTER_LINEAR)
    profile = np.median(seen.reshape(*shape, 3), axis=1)
    return np.asarray(profile, dtype=np.float64)
