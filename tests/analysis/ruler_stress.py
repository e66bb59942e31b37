"""Spoil real ruler photographs in known ways: every reading must be right or refused.

Run from the repository's folder, all photos take about ten minutes::

    python -m tests.analysis.ruler_stress ../shared/rulers [NAME ...]

Prints one line per case and a count; exit status 1 if any reading was wrong.
"""

from __future__ import annotations

import importlib.util
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.photo import Photo, read_photo, srgb_lut
from analysis.result import Refusal, RulerReading
from analysis.ruler import read_ruler
from tests.analysis.drawn_rulers import decimal_inch, draw_marks, warp

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterator


WRONG_RATIO = 0.01
OTHER_EDGE_MM = 7.0  # beyond the longest strokes of the edge that was measured
LONG_STROKES_MM = (4.0, 5.5, 7.0, 8.5)


@dataclass(frozen=True, kw_only=True)
class Case:
    """A spoilt picture and where its true millimetre marks are: (n, 3) mm, x, y."""

    name: str
    rgb8: NDArray[np.uint8]
    marks: NDArray[np.float64]


def as_photo(rgb8: NDArray[np.uint8]) -> Photo:
    """Make a photo of pixels."""
    lut = np.repeat(srgb_lut()[:, None], 3, axis=1)
    return Photo(
        path="spoilt",
        rgb8=np.ascontiguousarray(rgb8),
        linear_lut=lut,
        focal35_mm=None,
        reduced=1.0,
    )


def verdict(case: Case, lengths_error: Callable[..., Any]) -> str:
    """Read a case: ``right``, a refusal's code, or ``WRONG`` with the worst error.

    ``other edge``: another row of marks was read, for which there is no truth; in
    perspective its scale differs by some per cent.
    """
    reading = read_ruler(as_photo(case.rgb8))
    if isinstance(reading, Refusal):
        return reading.code
    kept = reading.kept
    marks = [
        {"mm": mm, "x_px": x, "y_px": y}
        for mm, (x, y) in zip(
            reading.marks_mm[kept], reading.marks_px[kept], strict=True
        )
    ]
    if _off_line_mm(case.marks, reading) > OTHER_EDGE_MM:
        return "other edge"
    errors = lengths_error(marks, case.marks[:, 0], case.marks[:, 1:])
    if errors is None:
        return "WRONG: not on the ruler"
    worst = float(np.abs(errors).max())
    if worst < WRONG_RATIO:
        return "right"
    return f"WRONG: {100 * worst:.1f} % at {reading.graduation_mm} mm a mark"


def _off_line_mm(marks: NDArray[np.float64], reading: RulerReading) -> float:
    """How far the reading's marks lie from the line of the true ones."""
    centre = marks[:, 1:].mean(axis=0)
    along = np.linalg.svd(marks[:, 1:] - centre, full_matrices=False)[2][0]
    across = (reading.marks_px[reading.kept] - centre) @ [-along[1], along[0]]
    return float(np.median(np.abs(across))) / _px_per_mm(marks)


def _px_per_mm(marks: NDArray[np.float64]) -> float:
    """Mean scale along the true marks."""
    along = np.linalg.norm(np.diff(marks[:, 1:], axis=0), axis=1)
    return float(along.sum() / np.abs(np.diff(marks[:, 0])).sum())


def level(
    rgb8: NDArray[np.uint8], marks: NDArray[np.float64]
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Turn the picture so that the ruler's line is horizontal, mm rightward."""
    along = marks[-1, 1:] - marks[0, 1:]
    turn = -float(np.degrees(np.arctan2(along[1], along[0])))
    return warp(rgb8, marks, scale=1.0, turn_deg=turn)


def painted_out(
    rgb8: NDArray[np.uint8], marks: NDArray[np.float64]
) -> NDArray[np.uint8]:
    """Paint over the marks of a levelled picture with the colour of the face."""
    painted = rgb8.copy()
    pitch = np.ptp(marks[:, 1]) / np.ptp(marks[:, 0])
    fit = np.polynomial.Polynomial.fit(marks[:, 1], marks[:, 2], 2)
    first = max(int(marks[:, 1].min() - 5 * pitch), 0)
    last = min(int(marks[:, 1].max() + 5 * pitch), rgb8.shape[1])
    middle = int(np.median(marks[:, 2]))
    reach = int(7 * pitch)
    window = rgb8[max(middle - reach, 0) : middle + reach, first:last]
    colour = np.percentile(window.reshape(-1, 3), 70, axis=0)
    for x in range(first, last):
        y = int(fit(x))
        painted[max(y - reach, 0) : max(y + reach, 0), x] = colour
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 2, painted.shape)
    return np.clip(painted + noise, 0, 255).astype(np.uint8)


def drawn(
    rgb8: NDArray[np.uint8], marks: NDArray[np.float64], division: int, width_mm: float
) -> Case:
    """Paint the edge over and draw a scale in fractions of an inch, true to size."""
    face = painted_out(rgb8, marks)
    px_per_mm = float(np.ptp(marks[:, 1]) / np.ptp(marks[:, 0]))
    style = decimal_inch(division, LONG_STROKES_MM, width_mm, numerals=False)
    grey = face[:, :, 1].astype(np.float32)
    length = min(np.ptp(marks[:, 0]), 150.0)
    draw_marks(
        grey,
        style,
        px_per_mm=px_per_mm,
        edge_px=(
            float(marks[:, 1].min()),
            float(np.median(marks[:, 2]) - 5 * px_per_mm),
        ),
        length_mm=length,
        ink=30.0,
    )
    soft = np.asarray(cv2.GaussianBlur(grey, (0, 0), 0.8))
    rgb = np.repeat(np.clip(soft, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    x = np.linspace(marks[:, 1].min(), marks[:, 1].max(), 40)
    truth = np.column_stack(
        [(x - x[0]) / px_per_mm, x, np.full_like(x, np.median(marks[:, 2]))]
    )
    return Case(name=f"drawn 1/{division} inch {width_mm} mm", rgb8=rgb, marks=truth)


def slips(
    rgb8: NDArray[np.uint8], marks: NDArray[np.float64], unit_mm: float
) -> Iterator[Case]:
    """Cut one to three marks out of a levelled picture and close it up."""
    for count, share in ((1, 0.35), (2, 0.5), (3, 0.65), (1, 0.7), (2, 0.25)):
        at_mm = marks[:, 0].min() + share * np.ptp(marks[:, 0]) + 0.5 * unit_mm
        order = np.argsort(marks[:, 0])
        ends = np.interp(
            [at_mm, at_mm + count * unit_mm], marks[order, 0], marks[order, 1]
        )
        first, last = (round(float(end)) for end in ends)
        cut = np.delete(rgb8, np.s_[first:last], axis=1)
        left = marks[:, 1] < first
        right = marks[:, 1] >= last
        moved = marks.copy()
        moved[right, 1] -= last - first
        yield Case(name=f"slip {count} at {share}", rgb8=cut, marks=moved[left | right])


def cases(
    rgb8: NDArray[np.uint8], marks: NDArray[np.float64], unit_mm: float
) -> Iterator[Case]:
    """Give every way of spoiling one photo."""
    yield Case(name="as it is", rgb8=rgb8, marks=marks)
    turned, moved = warp(rgb8, marks, scale=0.6, turn_deg=23, tilt=0.15)
    yield Case(name="warped", rgb8=turned, marks=moved)
    mirrored = marks * [1, -1, 1] + [0, rgb8.shape[1] - 1, 0]
    yield Case(name="mirrored", rgb8=rgb8[:, ::-1], marks=mirrored)
    yield Case(name="inverted", rgb8=255 - rgb8, marks=marks)
    blurred = np.asarray(cv2.GaussianBlur(rgb8, (0, 0), rgb8.shape[1] / 2500), np.uint8)
    yield Case(name="blurred", rgb8=blurred, marks=marks)
    _, packed = cv2.imencode(".jpg", rgb8, [cv2.IMWRITE_JPEG_QUALITY, 60])
    yield Case(
        name="JPEG 60", rgb8=np.asarray(cv2.imdecode(packed, 1), np.uint8), marks=marks
    )
    flat, lined = level(rgb8, marks)
    yield Case(name="painted out", rgb8=painted_out(flat, lined), marks=lined)
    yield from slips(flat, lined, unit_mm)
    for division in (10, 20, 50, 51):
        for width_mm in (0.15, 0.3):
            yield drawn(flat, lined, division, width_mm)


def photos(
    folder: Path, names: Container[str] | None = None
) -> Iterator[tuple[str, NDArray[np.uint8], NDArray[np.float64], float]]:
    """Give every readable photo, or those named, with its upright true marks."""
    score = scorer(folder)
    for truth in json.loads((folder / "truth.json").read_text())["photos"]:
        wanted = names is None or truth["name"] in names
        if not wanted or not str(truth["expected"]).startswith("read_mm"):
            continue
        photo = read_photo(folder / truth["file"])
        if isinstance(photo, Refusal):
            continue
        stored = [[mark["x"], mark["y"]] for mark in truth["marks"]]
        points = score.upright(
            stored, truth.get("exif_orientation"), truth["width"], truth["height"]
        )
        mm = np.array([mark["mm"] for mark in truth["marks"]], float)
        marks = np.column_stack([mm, points])
        yield truth["name"], photo.rgb8, marks, float(truth["graduation_mm"])


def scorer(folder: Path) -> Any:  # noqa: ANN401  a module
    """Load the folder's own scorer."""
    spec = importlib.util.spec_from_file_location("score", folder / "score.py")
    if spec is None or spec.loader is None:
        raise FileNotFoundError(folder / "score.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main(arguments: list[str]) -> int:
    """Run all cases, or those of the photos named."""
    folder = Path(arguments[0])
    errors = scorer(folder).lengths_error
    count: dict[str, int] = {}
    for name, rgb8, marks, unit_mm in photos(folder, arguments[1:] or None):
        for case in cases(rgb8, marks, unit_mm):
            said = verdict(case, errors)
            print(f"{name:18s} {case.name:24s} {said}", flush=True)
            kind = said.split(":")[0]
            count[kind] = count.get(kind, 0) + 1
    print(count)
    return 1 if count.get("WRONG") else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
