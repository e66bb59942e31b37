"""What a rim tile looks like from its bottom face: outline, edges, template.

Tile frame of :mod:`patterns.rim_manifest`, design millimetres; all normals point out of
the body, so growth of the body moves every edge along its own by the same amount.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.template import END, Template

if TYPE_CHECKING:
    from patterns.rim_manifest import RimTile

Floats = NDArray[np.float64]
EdgeKind = Literal["back", "floor", "wall", "arc"]

_STEP_MM = 0.5
_CLEAR_MM = 0.3
_ARC_STEPS = 72
_ARC_CLEAR_RAD = np.deg2rad(4.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TileEdge:
    """A straight piece of edge (or a short piece of the arc) with its middle.

    ``normal`` is a unit vector out of the body; the piece reaches ``half_mm`` to either
    side of ``middle_mm``.
    """

    kind: EdgeKind
    middle_mm: tuple[float, float]
    normal: tuple[float, float]
    half_mm: float


def runs(tile: RimTile) -> list[tuple[bool, float, float]]:
    """Pieces of the back edge from -radius to radius: cut or not, y from, y to."""
    pieces = [(False, -tile.radius_mm, tile.notches[0].y0_mm)]
    pieces += [(notch.cut, notch.y0_mm, notch.y1_mm) for notch in tile.notches]
    pieces.append((False, tile.notches[-1].y1_mm, tile.radius_mm))
    merged = []
    for cut, group in groupby(pieces, key=lambda piece: piece[0]):
        members = list(group)
        merged.append((cut, members[0][1], members[-1][2]))
    return merged


def outline_mm(tile: RimTile) -> Floats:
    """Draw the closed outline of the bottom face as a polygon (n, 2)."""
    phi = np.linspace(np.pi / 2, -np.pi / 2, 2 * _ARC_STEPS + 1)
    arc = tile.radius_mm * np.column_stack([np.cos(phi), -np.sin(phi)])
    back = []
    for cut, low, high in reversed(runs(tile)):
        x = tile.notch_depth_mm if cut else 0.0
        back += [(x, high), (x, low)]
    return np.vstack([arc, back[1:-1]])


def edges(tile: RimTile) -> list[TileEdge]:
    """Every piece of edge that is long enough to be looked at."""
    found = []
    depth = tile.notch_depth_mm
    for cut, low, high in runs(tile):
        half = (high - low) / 2 - _CLEAR_MM
        found.append(
            TileEdge(
                kind="floor" if cut else "back",
                middle_mm=(depth if cut else 0.0, (low + high) / 2),
                normal=(-1.0, 0.0),
                half_mm=half,
            )
        )
        if cut:
            found += [
                TileEdge(
                    kind="wall",
                    middle_mm=(depth / 2, y),
                    normal=(0.0, sign),
                    half_mm=depth / 2 - _CLEAR_MM,
                )
                for y, sign in ((low, 1.0), (high, -1.0))
            ]
    limit = np.pi / 2 - _ARC_CLEAR_RAD
    for phi in np.linspace(-limit, limit, _ARC_STEPS // 2):
        normal = (float(np.cos(phi)), float(-np.sin(phi)))
        found.append(
            TileEdge(
                kind="arc",
                middle_mm=(tile.radius_mm * normal[0], tile.radius_mm * normal[1]),
                normal=normal,
                half_mm=_CLEAR_MM,
            )
        )
    return found


def tile_template(tile: RimTile, *, with_notches: bool) -> Template:
    """Edge points for :func:`analysis.register.register`.

    Without notches (the code is not known yet) only the arc and the margins of the back
    edge are drawn, which all tiles of a layout share.
    """
    rows = []
    pieces = edges(tile)
    if not with_notches:
        pieces = [p for p in pieces if p.kind == "arc"] + _margins(tile)
    for edge in pieces:
        middle, normal = np.array(edge.middle_mm), np.array(edge.normal)
        along = np.array([-normal[1], normal[0]])
        count = 1 if edge.kind == "arc" else 1 + 2 * int(edge.half_mm / _STEP_MM)
        rows += [
            (*(middle + aside * along), *normal)
            for aside in np.linspace(-edge.half_mm, edge.half_mm, count + 2)[1:-1]
        ]
    table = np.array(rows)
    return Template(
        points_mm=table[:, :2],
        normals=table[:, 2:],
        kind=np.full(len(table), END, dtype=np.int64),
        part=np.zeros(len(table), dtype=np.int64),
        half_mm=(tile.radius_mm, tile.radius_mm),
    )


def _margins(tile: RimTile) -> list[TileEdge]:
    ends = (
        (-tile.radius_mm, tile.notches[0].y0_mm),
        (tile.notches[-1].y1_mm, tile.radius_mm),
    )
    return [
        TileEdge(
            kind="back",
            middle_mm=(0.0, (low + high) / 2),
            normal=(-1.0, 0.0),
            half_mm=(high - low) / 2 - _CLEAR_MM,
        )
        for low, high in ends
    ]
