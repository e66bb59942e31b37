"""Read the edge code: sixteen places on the short ends, each cut or not.

A cut place shows a step along its two flanks and its floor; an uncut one shows a step
across its mouth.  Whether a step goes up or down is light's business and not used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.register import apply
from patterns.edgecode import decode, encode, usable_codes

if TYPE_CHECKING:
    from patterns.manifest import CodeNotch, Manifest

Floats = NDArray[np.float64]

_LINE_SPACING_MM = 0.1
_WINDOW_MM = 0.45
_SAMPLES = 19
_CALM_MM = 1.6
_WEAK = 0.25
_MOST_WEAK = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeReading:
    """``score`` (16,) above 0 for cut, below for not; ``code`` None if unreadable.

    ``margin`` is the smallest distance of a place's score from undecided.
    """

    score: Floats
    code: int | None
    margin: float
    why: str | None


def read_code(
    picture: NDArray[np.uint8], homography: Floats, manifest: Manifest
) -> CodeReading:
    """Read the word at the places where ``manifest`` has them.

    One or two places that can't be told are left open if exactly one word fits: words
    differ in at least four places, so all others being right this can't mislead.
    """
    score = _scores([_steps(picture, homography, n) for n in manifest.notches])
    if not np.all(np.isfinite(score)):
        return CodeReading(
            score=score, code=None, margin=0.0, why="part of it is outside the photo"
        )
    bits = tuple(bool(s > 0) for s in score)
    margin = float(np.min(np.abs(score)))
    code = decode(bits)
    if code is not None:
        return CodeReading(score=score, code=code, margin=margin, why=None)
    weak = np.flatnonzero(np.abs(score) < _WEAK)
    if 0 < len(weak) <= _MOST_WEAK:
        code = _fitting(bits, weak)
    why = None if code is not None else _why(len(weak))
    return CodeReading(score=score, code=code, margin=margin, why=why)


def _why(weak: int) -> str:
    if weak == 0:
        return "its check does not agree"
    return f"{weak} of 16 places can't be told cut from uncut"


def _fitting(bits: tuple[bool, ...], weak: NDArray[np.intp]) -> int | None:
    clear = [i for i in range(len(bits)) if i not in weak]
    found = [
        code
        for code in usable_codes()
        if all(encode(code)[i] == bits[i] for i in clear)
    ]
    return found[0] if len(found) == 1 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Steps:
    """Strength of the steps at one place, in grey levels.

    ``cut``: those a notch would show (the second weakest of flanks, floor: one may
    vanish in shade); ``mouth``: across its mouth; ``calm``: the same pattern as for
    ``cut``, farther in on the bare face.
    """

    cut: float
    mouth: float
    calm: float


def _scores(steps: list[_Steps]) -> Floats:
    """Place each on a log scale between the bare face (-1) and real edges (1)."""
    cut, mouth, calm = (
        np.array([getattr(one, name) for one in steps]) + 0.5
        for name in ("cut", "mouth", "calm")
    )
    edge = np.median(np.maximum(cut, mouth))
    bare = np.median(calm)
    middle = np.sqrt(edge * bare)
    return np.asarray(np.clip(np.log(cut / middle) / np.log(edge / middle), -1, 1))


def _steps(picture: NDArray[np.uint8], homography: Floats, notch: CodeNotch) -> _Steps:
    outward = 1.0 if notch.x_edge_mm > 0 else -1.0
    floor_x = notch.x_edge_mm - outward * notch.depth_mm
    return _Steps(
        cut=_notch(picture, homography, notch, floor_x),
        mouth=_across(picture, homography, notch, notch.x_edge_mm),
        calm=_notch(picture, homography, notch, floor_x - outward * _CALM_MM),
    )


def _notch(
    picture: NDArray[np.uint8], homography: Floats, notch: CodeNotch, floor_x: float
) -> float:
    outward = 1.0 if notch.x_edge_mm > 0 else -1.0
    along = floor_x + outward * np.arange(0.15, notch.depth_mm - 0.35, _LINE_SPACING_MM)
    flanks = [
        _step(
            picture,
            homography,
            np.column_stack(
                [along, np.full_like(along, notch.y_mm + side * notch.width_mm / 2)]
            ),
            np.array([0.0, 1.0]),
        )
        for side in (-1, 1)
    ]
    return sorted([*flanks, _across(picture, homography, notch, floor_x)])[1]


def _across(
    picture: NDArray[np.uint8], homography: Floats, notch: CodeNotch, x_mm: float
) -> float:
    half = notch.width_mm / 2
    y = notch.y_mm + np.arange(-half + 0.2, half - 0.15, _LINE_SPACING_MM)
    line = np.column_stack([np.full_like(y, x_mm), y])
    return _step(picture, homography, line, np.array([1.0, 0.0]))


def _step(
    picture: NDArray[np.uint8], homography: Floats, line_mm: Floats, normal: Floats
) -> float:
    """Strongest step of the line's mean profile along ``normal``, in grey levels."""
    along = np.linspace(-_WINDOW_MM, _WINDOW_MM, _SAMPLES)
    places = line_mm[:, None, :] + along[:, None] * normal
    px = apply(homography, places.reshape(-1, 2))
    height, width = picture.shape[:2]
    if px.min() < 0 or px[:, 0].max() > width - 1 or px[:, 1].max() > height - 1:
        return float("nan")
    at = px.astype(np.float32).reshape(*places.shape)
    seen = cv2.remap(picture, at[:, :, 0], at[:, :, 1], cv2.INTER_LINEAR)
    profile = seen.astype(np.float64).mean(axis=0)
    reach = 4  # samples: 0.2 mm
    change = np.abs(profile[reach:] - profile[:-reach]).max(axis=1)
    favour = 1 - 0.6 * (np.linspace(-1, 1, len(change))) ** 2
    return float(np.max(change * favour))
