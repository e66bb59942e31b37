"""A drawn ruler: any common style, marks exactly where the truth says.

Ruler frame: x along the scale, 0 mm mark at x = 0, graduated edge on y = 0, the body
at negative y, the face at the height ``thickness_mm`` or on a bevel towards y = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from matplotlib.textpath import TextPath
from numpy.typing import NDArray

Points = NDArray[np.float64]
Rings = tuple[Points, ...]

MM_PER_INCH = 25.4
INCH_PARTS = 16
STEP_MM = 2.0  # edges longer than this are cut, so that they may bend in the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruler:
    """How a ruler looks.

    ``strokes_mm`` are the lengths of the unit, five and ten marks (half-millimetres
    are 0.68 of a unit mark).  ``error_mm`` bounds the smooth graduation error;
    ``error_seed`` fixes it.  ``bevel_mm`` is the width of the slope towards the edge,
    ``edge_height_mm`` the height there.
    """

    style: str
    length_mm: float
    width_mm: float
    thickness_mm: float
    strokes_mm: tuple[float, float, float]
    line_mm: float
    gap_mm: float
    ends_mm: tuple[float, float]
    face_rgb: tuple[float, float, float]
    ink_rgb: tuple[float, float, float]
    half_mm: bool = False
    far_edge: Literal["plain", "inch", "mm"] = "plain"
    numerals: Literal["cm", "mm", "none"] = "cm"
    bevel_mm: float = 0.0
    edge_height_mm: float = 0.0
    error_mm: float = 0.02
    error_seed: int = 0

    @property
    def graduation_mm(self) -> float:
        """Finest graduation of the near edge."""
        return 0.5 if self.half_mm else 1.0

    @property
    def edge_or_face_mm(self) -> float:
        """Height of the graduated edge."""
        return self.edge_height_mm if self.bevel_mm else self.thickness_mm

    def height_mm(self, y_mm: Points) -> Points:
        """Height of the face at some y."""
        if self.bevel_mm == 0:
            return np.full_like(y_mm, self.thickness_mm)
        return np.interp(
            -y_mm, [0.0, self.bevel_mm], [self.edge_height_mm, self.thickness_mm]
        )

    def place_mm(self, value_mm: Points) -> Points:
        """Where the marks of some values really are: a smooth error, no more."""
        rng = np.random.default_rng(self.error_seed)
        slope, wave, shift = rng.uniform(-1, 1, 3) * [0.45, 0.45, 0.1]
        phase = rng.uniform(0, 2 * np.pi)
        along = value_mm / self.length_mm
        bend = slope * along + wave * np.sin(8 * along + phase) + shift
        return np.asarray(value_mm + self.error_mm * bend)


STEEL = Ruler(
    style="steel",
    length_mm=150,
    width_mm=19,
    thickness_mm=0.8,
    strokes_mm=(3.5, 5.0, 6.5),
    line_mm=0.13,
    gap_mm=0.0,
    ends_mm=(0.0, 6.0),
    face_rgb=(0.52, 0.52, 0.51),
    ink_rgb=(0.03, 0.03, 0.03),
    numerals="mm",
    error_mm=0.013,
)
WHITE_PLASTIC = Ruler(
    style="white plastic",
    length_mm=150,
    width_mm=28,
    thickness_mm=2.0,
    strokes_mm=(3.0, 4.5, 6.0),
    line_mm=0.20,
    gap_mm=0.25,
    ends_mm=(5.0, 5.0),
    face_rgb=(0.80, 0.80, 0.77),
    ink_rgb=(0.03, 0.03, 0.04),
    bevel_mm=7.0,
    edge_height_mm=0.9,
    error_mm=0.035,
)
WOODEN = Ruler(
    style="wooden",
    length_mm=200,
    width_mm=26,
    thickness_mm=2.4,
    strokes_mm=(2.6, 4.0, 5.4),
    line_mm=0.22,
    gap_mm=0.15,
    ends_mm=(4.0, 4.0),
    face_rgb=(0.55, 0.40, 0.22),
    ink_rgb=(0.05, 0.03, 0.02),
    bevel_mm=5.0,
    edge_height_mm=1.2,
    far_edge="inch",
    error_mm=0.05,
)
DARK_PLASTIC = Ruler(
    style="light marks on dark plastic",
    length_mm=200,
    width_mm=24,
    thickness_mm=1.2,
    strokes_mm=(3.2, 4.6, 6.2),
    line_mm=0.22,
    gap_mm=0.3,
    ends_mm=(5.0, 5.0),
    face_rgb=(0.03, 0.05, 0.09),
    ink_rgb=(0.75, 0.75, 0.75),
    far_edge="mm",
    error_mm=0.035,
)
STYLES = (STEEL, WHITE_PLASTIC, WOODEN, DARK_PLASTIC)


def outline_mm(ruler: Ruler) -> Points:
    """(n, 2) ring of the ruler's outline, counter-clockwise."""
    x0, x1 = -ruler.ends_mm[0], ruler.length_mm + ruler.ends_mm[1]
    return subdivided(rectangle(x0, x1, -ruler.width_mm, 0.0))


def marks_mm(ruler: Ruler) -> tuple[Points, Points]:
    """Values of the near edge's marks, and their places (n, 2) at the graduated end."""
    step = ruler.graduation_mm
    value = step * np.arange(round(ruler.length_mm / step) + 1, dtype=np.float64)
    place = np.column_stack((ruler.place_mm(value), np.full(len(value), -ruler.gap_mm)))
    return value, place


def ink_mm(ruler: Ruler) -> Rings:
    """Rings of everything printed on the face: marks of both edges and numerals."""
    value, place = marks_mm(ruler)
    rings = [
        _stroke(ruler, x, -ruler.gap_mm, _stroke_length(ruler, v))
        for v, x in zip(value, place[:, 0], strict=True)
    ]
    rings += _numerals(ruler)
    if ruler.far_edge == "inch":
        rings += _inch_edge(ruler)
    elif ruler.far_edge == "mm":
        whole = value[value == np.rint(value)]
        rings += [
            _stroke(
                ruler,
                float(x),
                _stroke_length(ruler, v) + ruler.gap_mm - ruler.width_mm,
                _stroke_length(ruler, v),
            )
            for v, x in zip(whole, ruler.place_mm(whole), strict=True)
        ]
    return tuple(rings)


def rectangle(x0: float, x1: float, y0: float, y1: float) -> Points:
    """Counter-clockwise corners."""
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def subdivided(ring: Points, step_mm: float = STEP_MM) -> Points:
    """Cut long edges of a closed ring into equal pieces."""
    ends = np.roll(ring, -1, axis=0)
    pieces = np.maximum(
        np.ceil(np.linalg.norm(ends - ring, axis=1) / step_mm).astype(int), 1
    )
    edge = np.repeat(np.arange(len(ring)), pieces)
    part = np.arange(len(edge)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    t = (part / pieces[edge])[:, None]
    return np.asarray(ring[edge] + t * (ends - ring)[edge])


def _stroke_length(ruler: Ruler, value_mm: float) -> float:
    unit, five, ten = ruler.strokes_mm
    if value_mm % 1:
        return 0.68 * unit
    return ten if value_mm % 10 == 0 else five if value_mm % 5 == 0 else unit


def _stroke(ruler: Ruler, x_mm: float, y_mm: float, length_mm: float) -> Points:
    """One mark from y downwards."""
    half = ruler.line_mm / 2
    return subdivided(
        rectangle(float(x_mm) - half, float(x_mm) + half, y_mm - length_mm, y_mm), 0.7
    )


def _numerals(ruler: Ruler) -> list[Points]:
    if ruler.numerals == "none":
        return []
    per = 10 if ruler.numerals == "cm" else 1
    top = -ruler.gap_mm - ruler.strokes_mm[2] - 0.7
    return [
        ring
        for value in range(0, int(ruler.length_mm) + 1, 10)
        for ring in _text(str(value // per), value, top)
    ]


def _inch_edge(ruler: Ruler) -> list[Points]:
    """Sixteenths of an inch along the far edge."""
    unit, five, ten = ruler.strokes_mm
    lengths = {16: 1.15 * ten, 8: 0.9 * ten, 4: five, 2: unit, 1: 0.7 * unit}
    count = int(ruler.length_mm / MM_PER_INCH * INCH_PARTS)
    rings = []
    for k in range(count + 1):
        length = next(lengths[d] for d in (16, 8, 4, 2, 1) if k % d == 0)
        x = float(ruler.place_mm(np.array(k * MM_PER_INCH / INCH_PARTS)))
        rings.append(_stroke(ruler, x, length + ruler.gap_mm - ruler.width_mm, length))
    return rings


def _text(
    text: str, x_mm: float, top_mm: float, height_mm: float = 2.4
) -> list[Points]:
    """Outline a numeral, centred on x, its top at y."""
    glyphs = TextPath((0.0, 0.0), text, size=1)
    rings = [np.asarray(ring, float)[:-1] for ring in glyphs.to_polygons()]
    points = np.concatenate(rings)
    low, high = points.min(axis=0), points.max(axis=0)
    size = height_mm / (high[1] - low[1])
    anchor = np.array([(low[0] + high[0]) / 2, high[1]])
    return [(ring - anchor) * size + [x_mm, top_mm] for ring in rings]
