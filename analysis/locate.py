"""Find the coupon in a photo, read which one it is, and measure its hole rims."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.blur import edge_blur_px
from analysis.candidates import (
    Guess,
    guesses,
    opened_guesses,
    partial_guesses,
    shrunk,
)
from analysis.code import read_code
from analysis.holes import measure_holes
from analysis.legible import (
    MAX_BLUR_PX,
    levels_fault,
    sharpest_blur_px,
    tooth_levels,
    why_nothing,
)
from analysis.located import Located
from analysis.refusals import refuse
from analysis.register import Support, apply, register, support
from analysis.result import Refusal
from analysis.template import HOLE, STRIP, Template, template_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.code import CodeReading
    from analysis.photo import Photo
    from patterns.manifest import Manifest

Floats = NDArray[np.float64]

SEARCH_LONGEST_PX = 1400
MIN_PX_PER_MM = 10.0
MIN_HOLES = 6
_COARSE_WINDOWS_MM = (2.0, 1.2, 0.7, 0.45)
_FINE_WINDOWS_MM = (0.45,)
_FOUND = 0.5
_AHEAD = 0.2
_MOSTLY = 0.5
_TRIED = 3
_LEAST_PX_PER_MM = 1.5
_MOST_SQUASH = 1.5
_MOST_KEYSTONE = 1.6
_BESIDE_MM = ((1.2, 0.9), (-1.1, 0.8), (1.2, -0.8), (-1.2, -0.9))
_FLIPS = ((1, 1), (-1, -1), (1, -1), (-1, 1))


def locate(photo: Photo, manifests: Sequence[Manifest]) -> Located | Refusal:
    """Find the coupon.

    Parameters
    ----------
    photo : Photo
    manifests : sequence of Manifest
        Coupons that may be in the photo, at least one.

    Returns
    -------
    Located, or a refusal: `no_coupon`, `cut_off`, `mirrored_or_wrong_face`,
    `too_few_px`, `blurred`, `code_unreadable`, `unknown_coupon`, `ambiguous_coupon`,
    `low_contrast`, `exposure`, `see_through`.

    Raises
    ------
    ValueError
        No manifests.
    """
    if not manifests:
        raise ValueError("locate wants at least one manifest")
    template = template_of(manifests[0])
    found = _find(photo, template)
    if found is None:
        return why_nothing(photo)
    homography, _ = found
    if np.linalg.det(homography) < 0:
        return refuse("mirrored_or_wrong_face")
    outline = apply(homography, template.outline_mm())
    if _leaves(photo, outline):
        return refuse("cut_off")
    px_per_mm = _px_per_mm(homography)
    if px_per_mm < MIN_PX_PER_MM:
        return refuse("too_few_px", px_per_mm=px_per_mm)
    homography = register(photo.rgb8, homography, template, _FINE_WINDOWS_MM)
    return _identify(photo, homography, manifests)


def _identify(
    photo: Photo, homography: Floats, manifests: Sequence[Manifest]
) -> Located | Refusal:
    ends_blur_px = edge_blur_px(photo, homography, manifests[0])
    holes, holes_blur_px = measure_holes(
        photo, homography, manifests[0].holes, ends_blur_px
    )
    blur_px = float(np.nanmin([ends_blur_px, holes_blur_px]))
    if ends_blur_px > MAX_BLUR_PX and sharpest_blur_px(photo) > MAX_BLUR_PX:
        return refuse("blurred", blur_px=ends_blur_px)
    reading = read_code(photo.rgb8, homography, manifests[0])
    manifest = _choose(reading, manifests)
    if isinstance(manifest, Refusal):
        return manifest
    if sum(hole.used for hole in holes) < MIN_HOLES:
        return refuse("low_contrast")
    levels = tooth_levels(photo, homography, manifest)
    fault = levels_fault(levels)
    if fault is not None:
        return fault
    face, table = np.median(levels[:, :, 1], axis=1)
    return Located(
        manifest=manifest,
        homography=homography,
        outline_px=apply(homography, template_of(manifest).outline_mm()),
        px_per_mm=_px_per_mm(homography),
        holes=holes,
        blur_px=blur_px,
        face_level=float(face),
        table_level=float(table),
        code_margin=reading.margin,
    )


def _choose(reading: CodeReading, manifests: Sequence[Manifest]) -> Manifest | Refusal:
    if reading.code is None:
        return refuse("code_unreadable", why=reading.why)
    known = {m.coupon_id: m for m in manifests if m.code == reading.code}
    if not known:
        return refuse("unknown_coupon", number=reading.code)
    if len(known) > 1:
        return refuse("ambiguous_coupon", number=reading.code)
    return next(iter(known.values()))


def _find(photo: Photo, template: Template) -> tuple[Floats, Support] | None:
    """Search small, lay the template on the best guesses, keep the best supported."""
    factor = min(1.0, SEARCH_LONGEST_PX / max(photo.rgb8.shape))
    small = shrunk(photo.rgb8, factor)
    found = None
    for guess in (guesses, opened_guesses, partial_guesses):
        found = _best(small, guess(small, template), template)
        if found is not None:
            break
    if found is None:
        return None
    shift = 0.5 / factor - 0.5
    back = np.array([[1 / factor, 0, shift], [0, 1 / factor, shift], [0, 0, 1]])
    return back @ found[0], found[1]


def _best(
    small: NDArray[np.uint8], ranked: list[Guess], template: Template
) -> tuple[Floats, Support] | None:
    best: tuple[Floats, Support] | None = None
    for guess in ranked[:_TRIED]:
        homography = register(small, guess.homography, template, _COARSE_WINDOWS_MM)
        homography = _right_way(small, homography, template)
        if not sane(homography, template):
            continue
        seen = support(small, homography, template)
        if best is None or seen.overall > best[1].overall:
            best = homography, seen
        if seen.overall > _FOUND:
            break
    return best if best and _convincing(small, *best, template) else None


def sane(homography: Floats, template: Template) -> bool:
    """Whether a homography could be a photo of a flat thing from above."""
    corners = template.outline_mm()
    weight = np.column_stack([corners, np.ones(4)]) @ homography[2]
    if weight.min() <= 0 or weight.max() > _MOST_KEYSTONE * weight.min():
        return False
    ends = apply(homography, np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    stretch = np.linalg.svd([ends[0] - ends[1], ends[2] - ends[3]], compute_uv=False)
    return bool(
        stretch[1] > _LEAST_PX_PER_MM and stretch[0] < _MOST_SQUASH * stretch[1]
    )


def _convincing(
    picture: NDArray[np.uint8], homography: Floats, seen: Support, template: Template
) -> bool:
    """Compare with the same template laid beside: texture agrees there as well."""
    if seen.overall < _FOUND or seen.inside < _MOSTLY:
        return False
    beside = max(
        support(picture, homography @ _shift(dx, dy), template).overall
        for dx, dy in _BESIDE_MM
    )
    return seen.overall > beside + _AHEAD


def _shift(dx_mm: float, dy_mm: float) -> Floats:
    return np.array([[1, 0, dx_mm], [0, 1, dy_mm], [0, 0, 1.0]])


def _right_way(
    picture: NDArray[np.uint8], homography: Floats, template: Template
) -> Floats:
    """Turn or mirror the template to where its holes and windows are seen."""

    def agreement(flip: tuple[int, int]) -> float:
        seen = support(picture, homography @ np.diag([*flip, 1.0]), template).seen
        return float(seen[HOLE] + seen[STRIP])

    flip = max(_FLIPS, key=agreement)
    return homography @ np.diag([*flip, 1.0])


def _leaves(photo: Photo, outline_px: Floats) -> bool:
    limit = np.array([photo.width_px - 1.0, photo.height_px - 1.0])
    return bool(np.any(outline_px < 1) or np.any(outline_px > limit - 1))


def _px_per_mm(homography: Floats) -> float:
    """Scale at the coupon's middle, geometric mean of both directions."""
    ends = apply(homography, np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    return float(np.sqrt(abs(np.linalg.det([ends[0] - ends[1], ends[2] - ends[3]]))))
