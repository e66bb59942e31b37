"""Drawn rulers: graduations of any kind, with known positions, for tests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

INCH_MM = 25.4


@dataclass(frozen=True, kw_only=True)
class Style:
    """A graduation: spacing and stroke lengths in mm; rank of each mark in a period.

    ``ranks[i]`` is 0 for the shortest stroke; ``lengths_mm[rank]`` its length.
    ``numerals_every`` marks carry a number ``numeral_mm`` high, 0 for none.
    """

    name: str
    spacing_mm: float
    ranks: tuple[int, ...]
    lengths_mm: tuple[float, ...]
    width_mm: float = 0.18
    numerals_every: int = 0
    numeral_mm: float = 2.6


def _ranks(period: int, *longer: tuple[int, ...]) -> tuple[int, ...]:
    ranks = [0] * period
    for rank, marks in enumerate(longer, start=1):
        for mark in marks:
            ranks[mark] = rank
    return tuple(ranks)


DECIMAL = _ranks(10, (5,), (0,))
HALVED = _ranks(20, tuple(range(2, 20, 2)), (10,), (0,))
SIXTEENTHS = _ranks(16, tuple(range(2, 16, 4)), (4, 12), (8,), (0,))
THIRTY_SECONDS = _ranks(
    32, tuple(range(2, 32, 4)), tuple(range(4, 32, 8)), (8, 24), (16,), (0,)
)
FIFTIETHS = _ranks(50, tuple(range(5, 50, 5)), (25,), (0,))

MILLIMETRES = Style(
    name="millimetres",
    spacing_mm=1.0,
    ranks=DECIMAL,
    lengths_mm=(3.3, 4.6, 6.0),
    numerals_every=10,
)
HALF_MILLIMETRES = Style(
    name="half millimetres",
    spacing_mm=0.5,
    ranks=HALVED,
    lengths_mm=(2.4, 3.5, 5.0, 6.5),
    width_mm=0.13,
    numerals_every=20,
    numeral_mm=2.0,
)
INCH_SIXTEENTHS = Style(
    name="1/16 inch",
    spacing_mm=INCH_MM / 16,
    ranks=SIXTEENTHS,
    lengths_mm=(2.4, 3.5, 5.0, 6.0, 7.5),
    numerals_every=16,
)


def decimal_inch(
    division: int, lengths_mm: tuple[float, ...], width_mm: float, *, numerals: bool
) -> Style:
    """A scale in 1/10, 1/20, 1/50 or 1/100 inch."""
    ranks = {10: DECIMAL, 20: HALVED, 50: DECIMAL, 51: FIFTIETHS, 100: DECIMAL}
    parts = 50 if division == 51 else division
    return Style(
        name=f"1/{parts} inch",
        spacing_mm=INCH_MM / parts,
        ranks=ranks[division],
        lengths_mm=lengths_mm[: max(ranks[division]) + 1],
        width_mm=width_mm,
        numerals_every=parts if numerals else 0,
        numeral_mm=3.5,
    )


def draw_marks(
    face: NDArray[np.float32],
    style: Style,
    *,
    px_per_mm: float,
    edge_px: tuple[float, float],
    length_mm: float,
    ink: float,
    down: bool = True,
) -> NDArray[np.float64]:
    """Draw a horizontal graduation into ``face`` (h, w), grey levels, in place.

    Returns (n, 3): millimetres, x and y of each stroke's beginning in pixels.
    """
    count = int(length_mm / style.spacing_mm) + 1
    sign = 1 if down else -1
    marks = []
    for number in range(count):
        mm = number * style.spacing_mm
        x = edge_px[0] + mm * px_per_mm
        reach = style.lengths_mm[style.ranks[number % len(style.ranks)]] * px_per_mm
        half = style.width_mm * px_per_mm / 2
        _fill(
            face,
            (x - half + 0.5, x + half + 0.5),
            (edge_px[1], edge_px[1] + sign * reach),
            ink,
        )
        marks.append((mm, x, edge_px[1]))
        if style.numerals_every and number % style.numerals_every == 0 and number:
            off = (max(style.lengths_mm) + 0.7 + style.numeral_mm / 2) * px_per_mm
            text = str(number // style.numerals_every)
            height = style.numeral_mm * px_per_mm
            _number(face, text, (x, edge_px[1] + sign * off), height, ink)
    return np.array(marks)


def _fill(
    face: NDArray[np.float32],
    columns: tuple[float, float],
    rows: tuple[float, float],
    ink: float,
) -> None:
    """Ink a rectangle with exact area coverage along x."""
    left, right = columns
    touched = np.arange(int(np.floor(left)), int(np.ceil(right)))
    touched = touched[(touched >= 0) & (touched < face.shape[1])]
    cover = np.clip(np.minimum(touched + 1, right) - np.maximum(touched, left), 0, 1)
    low, high = sorted(rows)
    band = slice(max(round(low), 0), max(round(high), 0))
    face[band, touched] += (ink - face[band, touched]) * cover.astype(np.float32)


def _number(
    face: NDArray[np.float32],
    text: str,
    middle: tuple[float, float],
    height: float,
    ink: float,
) -> None:
    """Write a number of a given height round its middle."""
    font = cv2.FONT_HERSHEY_SIMPLEX
    thick = max(int(height / 9), 1)
    (wide, tall), _ = cv2.getTextSize(text, font, 1.0, thick)
    corner = (
        int(middle[0] - wide * height / tall / 2),
        int(middle[1] + height / 2),
    )
    mask = np.zeros(face.shape, np.uint8)
    cv2.putText(mask, text, corner, font, height / tall, 255, thick, cv2.LINE_AA)
    face += (ink - face) * (mask.astype(np.float32) / 255)


def ruler_scene(
    style: Style,
    *,
    px_per_mm: float = 12.0,
    length_mm: float = 110.0,
    other: Style | None = None,
    paper: float = 225.0,
    ink: float = 35.0,
    table: float = 120.0,
    blur_px: float = 0.8,
    noise: float = 2.0,
    seed: int = 1,
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Draw a ruler 26 mm wide lying on a table; returns rgb8 and marks (mm, x, y)."""
    rng = np.random.default_rng(seed)
    width = int((length_mm + 24) * px_per_mm)
    height = int(62 * px_per_mm)
    face = np.full((height, width), table, np.float32)
    top, bottom = int(18 * px_per_mm), int(44 * px_per_mm)
    left, right = int(6 * px_per_mm), width - int(6 * px_per_mm)
    face[top:bottom, left:right] = paper
    marks = draw_marks(
        face,
        style,
        px_per_mm=px_per_mm,
        edge_px=(12.37 * px_per_mm, top + 1),
        length_mm=length_mm,
        ink=ink,
    )
    if other is not None:
        draw_marks(
            face,
            other,
            px_per_mm=px_per_mm,
            edge_px=(12.37 * px_per_mm, bottom - 1),
            length_mm=length_mm,
            ink=ink,
            down=False,
        )
    return finish(face, blur_px=blur_px, noise=noise, rng=rng), marks


def finish(
    face: NDArray[np.float32], *, blur_px: float, noise: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Blur, add noise, and make an RGB picture."""
    soft = np.asarray(cv2.GaussianBlur(face, (0, 0), blur_px))
    noisy = soft + rng.normal(0, noise, face.shape).astype(np.float32)
    grey = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)


def warp(
    rgb8: NDArray[np.uint8],
    marks: NDArray[np.float64],
    *,
    scale: float,
    turn_deg: float,
    tilt: float = 0.0,
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Scale, turn and tilt a picture; ``tilt`` is the relative change across it."""
    height, width = rgb8.shape[:2]
    angle = np.radians(turn_deg)
    turn = scale * np.array(
        [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    )
    to_middle = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1.0]])
    plane = np.eye(3)
    plane[:2, :2] = turn
    plane[2, 0] = tilt / width
    corners = np.array(
        [[0, 0, 1], [width, 0, 1], [0, height, 1], [width, height, 1]], float
    )
    moved = (plane @ to_middle @ corners.T).T
    moved = moved[:, :2] / moved[:, 2:]
    low, high = moved.min(axis=0), moved.max(axis=0)
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    whole = shift @ plane @ to_middle
    size = tuple(int(v) for v in np.ceil(high - low))
    soft = cv2.GaussianBlur(rgb8, (0, 0), 0.4 / scale) if scale < 1 else rgb8
    turned = cv2.warpPerspective(
        soft, whole, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    points = (whole @ np.column_stack([marks[:, 1:], np.ones(len(marks))]).T).T
    return np.asarray(turned, dtype=np.uint8), np.column_stack(
        [marks[:, 0], points[:, :2] / points[:, 2:]]
    )


def cut_out(
    rgb8: NDArray[np.uint8], from_px: float, width_px: float
) -> NDArray[np.uint8]:
    """Cut a strip of columns out and close the gap: a slip."""
    first, last = round(from_px), round(from_px + width_px)
    return np.ascontiguousarray(np.delete(rgb8, np.s_[first:last], axis=1))
