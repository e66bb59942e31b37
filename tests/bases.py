"""Bases made for the tests: outlines, hollows, pockets, and tops as sculpted.

All stand on z = 0.  ``mesh(name)`` gives the triangles, ``ready(name)`` the base as the
program reads it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.base_reading import understand
from patterns.export import stl_bytes

if TYPE_CHECKING:
    from pathlib import Path

    from manifold3d import Manifold

    from patterns.base import Base

Points = NDArray[np.float64]
Faces = NDArray[np.int64]
Outline = Literal["disc", "oval", "hexagon", "rectangle", "wavy", "ell", "rounded"]


@dataclass(frozen=True, slots=True)
class Made:
    """How a test base is made.

    ``pockets`` (x, y, diameter, depth), ``holes`` (x, y, diameter) right through,
    ``slots`` (x, y, length, width) right through, all in mm; ``shell_mm`` wall and roof
    of a hollow one; ``relief_mm`` how high its top is sculpted, on ``rings`` rings.
    """

    outline: Outline
    length_mm: float
    width_mm: float
    height_mm: float = 4.0
    draft_deg: float = 0.0
    sides: int = 180
    pockets: tuple[tuple[float, float, float, float], ...] = ()
    holes: tuple[tuple[float, float, float], ...] = ()
    slots: tuple[tuple[float, float, float, float], ...] = ()
    shell_mm: float = 0.0
    relief_mm: float = 0.0
    rings: int = 1


MADE = {
    "disc_25": Made("disc", 25, 25, 3.5),
    "disc_32": Made("disc", 32, 32),
    "disc_40_drafted": Made("disc", 40, 40, 4, 15),
    "disc_100": Made("disc", 100, 100, 5, sides=512),
    "disc_20_coarse": Made("disc", 20, 20, 3, sides=36),
    "disc_50_flaring": Made("disc", 50, 50, 4, -8),
    "oval_60x35": Made("oval", 60, 35),
    "oval_75x42_drafted": Made("oval", 75, 42, 4, 12, sides=256),
    "oval_170x109": Made("oval", 170, 109, 6, 10, sides=512),
    "oval_120x92": Made("oval", 120, 92, 5, sides=512),
    "hexagon_40": Made("hexagon", 40, 40),
    "hexagon_32_drafted": Made("hexagon", 32, 32, 4, 15),
    "hexagon_90": Made("hexagon", 90, 90, 5),
    "rectangle_20x40": Made("rectangle", 40, 20, 3),
    "rectangle_25x50_drafted": Made("rectangle", 50, 25, 4, 10),
    "rectangle_100x60": Made("rectangle", 100, 60, 5),
    "square_25": Made("rectangle", 25, 25, 3.5),
    "rounded_30x60": Made("rounded", 60, 30),
    "rounded_50_drafted": Made("rounded", 50, 50, 4, 8),
    "wavy_50": Made("wavy", 50, 50, sides=360),
    "wavy_80_drafted": Made("wavy", 80, 80, 5, 10, sides=480),
    "ell_40": Made("ell", 40, 40),
    "ell_60_drafted": Made("ell", 60, 60, 5, 8),
    "hollow_disc_32": Made("disc", 32, 32, 4, 12, shell_mm=1.5),
    "hollow_disc_50": Made("disc", 50, 50, 5, shell_mm=1.8),
    "hollow_oval_105x70": Made("oval", 105, 70, 6, 10, sides=360, shell_mm=2.0),
    "hollow_hexagon_60": Made("hexagon", 60, 60, 5, shell_mm=2.0),
    "hollow_rectangle_60x100": Made("rectangle", 100, 60, 6, 5, shell_mm=2.0),
    "pocket_disc_25": Made("disc", 25, 25, 3.5, pockets=((0, 0, 5.1, 2.1),)),
    "pockets_oval_75": Made(
        "oval", 75, 42, 5, 8, pockets=((-20, 0, 5.1, 2.1), (20, 3, 3.1, 1.1))
    ),
    "pocket_near_rim_40": Made("disc", 40, 40, pockets=((16.5, 0, 5.0, 2.0),)),
    "pockets_square_50": Made(
        "rectangle", 50, 50, pockets=((-15, -15, 6, 2), (15, 15, 6, 2))
    ),
    "hole_3_disc_30": Made("disc", 30, 30, holes=((5, 0, 3.0),)),
    "holes_rectangle_60x30": Made(
        "rectangle", 60, 30, holes=((-20, 5, 3.0), (20, -5, 3.0))
    ),
    "slot_1_rectangle_50x25": Made("rectangle", 50, 25, slots=((0, 0, 20, 1.0),)),
    "slots_disc_40": Made("disc", 40, 40, slots=((0, 8, 15, 1.0), (0, -8, 15, 1.0))),
    "sculpted_disc_32": Made("disc", 32, 32, 4, 8, relief_mm=1.5, rings=60),
    "sculpted_hollow_oval_60": Made(
        "oval", 60, 35, 6, 8, shell_mm=2.0, relief_mm=1.5, rings=80
    ),
    "sculpted_wavy_90": Made("wavy", 90, 90, 6, sides=720, relief_mm=2.5, rings=350),
    "sculpted_disc_160_2m": Made(
        "disc", 160, 160, 8, 5, sides=2000, relief_mm=4.0, rings=499
    ),
}
NAMES = tuple(MADE)


def outline(made: Made) -> Points:
    """Points (n, 2) counter-clockwise, centred on their box (ell: on its elbow)."""
    a, b = made.length_mm / 2, made.width_mm / 2
    turn = np.linspace(0, 2 * np.pi, made.sides, endpoint=False)
    if made.outline == "hexagon":
        turn = np.arange(6) * np.pi / 3
    if made.outline == "rectangle":
        return np.array([(-a, -b), (a, -b), (a, b), (-a, b)])
    if made.outline == "ell":
        return np.array([(-a, -b), (a, -b), (a, 0), (0, 0), (0, b), (-a, b)])
    if made.outline == "rounded":
        return _rounded(a, b, 0.3 * b)
    wave = 1 + 0.05 * np.cos(7 * turn) if made.outline == "wavy" else 1.0
    wave = wave / np.max(wave)
    return np.column_stack([a * wave * np.cos(turn), b * wave * np.sin(turn)])


def _rounded(a: float, b: float, radius: float) -> Points:
    quarter = np.linspace(0, np.pi / 2, 17)
    arcs = []
    for k, (x, y) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        angle = quarter + k * np.pi / 2
        centre = (x * (a - radius), y * (b - radius))
        arcs.append(radius * np.column_stack([np.cos(angle), np.sin(angle)]) + centre)
    return np.vstack(arcs)


def inset(points: Points, by_mm: float) -> Points:
    """Move each edge inwards by a distance, point for point (mitred)."""
    along = np.roll(points, -1, axis=0) - points
    along /= np.linalg.norm(along, axis=1)[:, None]
    inwards = np.column_stack([-along[:, 1], along[:, 0]])
    before = np.roll(inwards, 1, axis=0)
    mitre = (inwards + before) / (1 + np.sum(inwards * before, axis=1))[:, None]
    return np.asarray(points + by_mm * mitre)


def sculpted(made: Made) -> tuple[Points, Faces]:
    """Closed mesh of an outline that is seen whole from one point, with its top."""
    bottom = outline(made)
    top = inset(bottom, made.height_mm * math.tan(math.radians(made.draft_deg)))
    hub = _hub(made)
    share = np.linspace(1, 0, made.rings, endpoint=False)
    level = hub + share[:, None, None] * (top - hub)
    relief = made.relief_mm * _relief(level, made.length_mm) * _faded(share)[:, None]
    layers = np.concatenate([level, made.height_mm + relief[..., None]], axis=2)
    floor = np.column_stack([bottom, np.zeros(len(bottom))])
    return stacked(np.concatenate([floor[None], layers]), hub)


def stacked(rings: Points, hub: Points) -> tuple[Points, Faces]:
    """Closed mesh of rings (k, n, 3), each joined to the next, the ends to a point."""
    k, n, _ = rings.shape
    ends = [(*hub, rings[0, 0, 2]), (*hub, rings[-1, :, 2].mean())]
    here = np.arange(n)
    after = np.roll(here, -1)
    last = n * (k - 1)
    faces = [
        np.column_stack([after, here, np.full(n, n * k)]),
        np.column_stack([here + last, after + last, np.full(n, n * k + 1)]),
    ]
    for low in range(0, last, n):
        high = low + n
        faces += [
            np.column_stack([low + here, low + after, high + after]),
            np.column_stack([low + here, high + after, high + here]),
        ]
    return np.vstack([rings.reshape(-1, 3), ends]), np.vstack(faces).astype(np.int64)


def _hub(made: Made) -> Points:
    if made.outline == "ell":
        return np.array([-made.length_mm / 4, -made.width_mm / 4])
    return np.zeros(2)


def _relief(level: Points, length_mm: float) -> Points:
    """Stones and ripples between 0 and 1, the same ones for every base."""
    x, y = np.moveaxis(level, -1, 0) / length_mm
    waves = np.sin(23 * x + 3 * np.cos(17 * y)) + np.sin(31 * y - 2 * x)
    return np.asarray(0.5 + 0.25 * waves)


def _faded(share: Points) -> Points:
    """No relief at the rim of the top, so that the wall ends level."""
    return np.minimum(1.0, 8 * (1 - share))


@cache
def mesh(name: str) -> tuple[Points, Faces]:
    """Vertices (n, 3) in mm and faces (m, 3) of a test base."""
    return build(MADE[name])


def build(made: Made) -> tuple[Points, Faces]:
    """Make a base: its outside, less what is taken out from below."""
    vertices, faces = sculpted(made)
    cutters = _cutters(made)
    if not cutters:
        return vertices, faces
    from manifold3d import Manifold, OpType

    from patterns.solids import mesh_arrays

    body = _solid(vertices, faces)
    return mesh_arrays(Manifold.batch_boolean([body, *cutters], OpType.Subtract))


def _cutters(made: Made) -> list[Manifold]:
    from manifold3d import Manifold

    high = made.height_mm + made.relief_mm + 2
    cutters = [
        Manifold.cylinder(depth + 1, d / 2, circular_segments=96).translate((x, y, -1))
        for x, y, d, depth in made.pockets
    ]
    cutters += [
        Manifold.cylinder(high, d / 2, circular_segments=96).translate((x, y, -1))
        for x, y, d in made.holes
    ]
    cutters += [
        Manifold.cube((length, width, high)).translate(
            (x - length / 2, y - width / 2, -1)
        )
        for x, y, length, width in made.slots
    ]
    if made.shell_mm:
        cutters.append(_inside(made))
    return cutters


def _inside(made: Made) -> Manifold:
    """What is taken out of a hollow one: its wall is equally thick all the way up."""
    depth = made.height_mm - made.shell_mm
    lean = math.tan(math.radians(made.draft_deg))
    rings = [
        np.column_stack([inset(outline(made), made.shell_mm + z * lean), np.full(n, z)])
        for z, n in ((-1.0, len(outline(made))), (depth, len(outline(made))))
    ]
    return _solid(*stacked(np.array(rings), _hub(made)))


def _solid(vertices: Points, faces: Faces) -> Manifold:
    from manifold3d import Manifold, Mesh64

    return Manifold(Mesh64(vertices, faces.astype(np.uint64)))


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles as the file writers want them."""

    vertices_mm: Points
    faces: Faces


def write_stl(path: Path, name: str) -> Path:
    """Write a test base as binary STL (which is single precision)."""
    path.write_bytes(stl_bytes(Mesh(*mesh(name))))
    return path


@cache
def ready(name: str) -> Base:
    """A test base as the program reads it."""
    return understand(*mesh(name), name=name)
