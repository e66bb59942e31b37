"""Meshes written as text: ASCII STL and OBJ, a few megabytes at a time."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from patterns.base_raw import (
    MOST_TRIANGLES,
    Bytes,
    RawMesh,
    Told,
    damaged,
    numbers_in,
    too_many,
    whole,
)
from patterns.base_rays import spread

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from patterns.base_edges import Ints

_CHUNK = 1 << 24
_LONGEST_LINE = 1 << 20
_MOST_POINTS = 3 * MOST_TRIANGLES
_FACET = 21
"""Words of a facet: facet normal x y z, outer loop, three of vertex x y z, two ends."""
_KEYWORDS = {0: b"facet", 5: b"outer", 7: b"vertex", 11: b"vertex", 15: b"vertex"}
_CORNERS = (8, 11, 12, 15, 16, 19)
"""Words where the numbers of a corner begin, and the one behind them."""
_LOWER = np.uint8(0x20)  # the bit that makes a letter small


def load_ascii_stl(path: Path, told: Told) -> RawMesh:
    """Read facets from text; names of solids and the facets' normals don't matter.

    Raises
    ------
    FileError
        Cut off, damaged or too large.
    """
    corners: list[NDArray[np.float64]] = []
    count = 0
    closed = False
    for chunk in _chunks(path, b"endfacet", told):
        text = _without_names(chunk)
        words = np.flatnonzero(_word_begins(text))
        closed = not len(words)
        if len(words) % _FACET or not _all_facets(text, words.reshape(-1, _FACET)):
            raise damaged(path, f"it is cut off or no mesh, after {count} triangles")
        corners.append(_corners(path, text, words.reshape(-1, _FACET)))
        count += len(words) // _FACET
        if count > MOST_TRIANGLES:
            raise too_many(path)
    if not closed:
        raise damaged(path, f"it is cut off after {count} triangles")
    return RawMesh.soup(path.stem, np.concatenate(corners))


def _without_names(chunk: bytes) -> Bytes:
    """Leave out the lines that start and end a solid."""
    if b"olid" in chunk or b"OLID" in chunk:
        chunk = re.sub(rb"(?im)^\s*(?:end)?solid[^\n]*", b"", chunk)
    return np.frombuffer(chunk, np.uint8)


def _word_begins(text: Bytes) -> NDArray[np.bool_]:
    """Which letters are the first of a word."""
    begins = text > ord(" ")
    begins[1:] &= ~begins[:-1]
    return begins


def _all_facets(text: Bytes, words: Ints) -> bool:
    """Whether the words (n, 21) that begin there are those of facets."""
    for place, keyword in _KEYWORDS.items():
        letters = text[words[:, [place]] + np.arange(len(keyword) + 1)]
        small = letters[:, :-1] | _LOWER
        if (small != np.frombuffer(keyword, np.uint8)).any():
            return False
        if (letters[:, -1] > ord(" ")).any():
            return False
    return True


def _corners(path: Path, text: Bytes, words: Ints) -> NDArray[np.float64]:
    """Corners (3 n, 3) of facets."""
    cuts = words[:, _CORNERS].ravel()
    runs = np.diff(cuts, prepend=0, append=len(text))
    corner = np.repeat(np.arange(len(runs)) % 2 == 1, runs)
    return _numbers(path, text[corner], 9 * len(words)).reshape(-1, 3)


def _numbers(path: Path, text: Bytes, count: int) -> NDArray[np.float64]:
    try:
        return numbers_in(text, count)
    except ValueError as err:
        raise damaged(path, "it has words where numbers should be") from err


def _chunks(path: Path, end: bytes, told: Told) -> Iterator[bytes]:
    """Parts of a file, each up to the last ``end`` in it."""
    size = path.stat().st_size
    done = 0
    with path.open("rb") as file:
        rest = b""
        while block := file.read(_CHUNK):
            told("reading", done / size)
            done += len(block)
            block = rest + block
            cut = block.rfind(end)
            if cut < 0 and len(block) > _CHUNK + _LONGEST_LINE:
                raise damaged(path, "it is not a mesh")
            cut += len(end) if cut >= 0 else 1
            if cut:
                yield block[:cut]
            rest = block[cut:]
    if rest:
        yield rest


def load_obj(path: Path, told: Told) -> RawMesh:
    """Read points and faces; faces of more corners are split into fans.

    Raises
    ------
    FileError
        Damaged or too large.
    """
    points: list[NDArray[np.float64]] = []
    faces: list[NDArray[np.int64]] = []
    n_points = n_faces = 0
    for chunk in _chunks(path, b"\n", told):
        lines = _Lines(chunk.replace(b"\\\r\n", b"  ").replace(b"\\\n", b" "))
        is_point, is_face = lines.start_with(b"v"), lines.start_with(b"f")
        if is_point.any():
            points.append(_points(path, lines, is_point))
        if is_face.any():
            before = n_points + np.cumsum(is_point)[is_face]
            faces.append(_faces(path, lines, is_face, before))
            n_faces += len(faces[-1])
        n_points += int(np.count_nonzero(is_point))
        if n_faces > MOST_TRIANGLES or n_points > _MOST_POINTS:
            raise too_many(path)
    if not faces:
        raise damaged(path, "it holds no faces")
    return RawMesh(path.stem, np.concatenate(points), np.concatenate(faces))


class _Lines:
    """Lines of a text, and the words in each."""

    def __init__(self, text: bytes) -> None:
        self.bytes = np.frombuffer(text + b"\n", np.uint8)
        ends = np.flatnonzero(self.bytes == ord("\n"))
        self.starts = np.concatenate([[0], ends[:-1] + 1])
        self.lengths = ends + 1 - self.starts
        # two bytes tell v from vn and vt; every line has its end, so two are there
        self._second = np.minimum(self.starts + 1, len(self.bytes) - 1)

    def start_with(self, letter: bytes) -> NDArray[np.bool_]:
        """Which lines start with a letter and a blank."""
        blank = self.bytes[self._second] <= ord(" ")
        return np.asarray((self.bytes[self.starts] == ord(letter)) & blank)

    def words(self, which: NDArray[np.bool_]) -> tuple[Bytes, Ints]:
        """Give some lines without their first word, and how many words each has."""
        text = self.bytes[np.repeat(which, self.lengths)].copy()
        lengths = self.lengths[which]
        starts = np.cumsum(lengths) - lengths
        text[starts] = ord(" ")
        return text, np.add.reduceat(_word_begins(text), starts, dtype=np.int64)


def _points(path: Path, lines: _Lines, which: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Points (n, 3); a weight or a colour behind them doesn't matter."""
    text, counts = lines.words(which)
    numbers = _numbers(path, text, int(counts.sum()))
    if counts.min() < 3:
        raise damaged(path, "a point has fewer than three coordinates")
    first = np.cumsum(counts) - counts
    return np.asarray(numbers[first[:, None] + np.arange(3)])


def _faces(
    path: Path,
    lines: _Lines,
    which: NDArray[np.bool_],
    before: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Triangles (m, 3) from faces; ``before``: points read when each is met."""
    text, counts = lines.words(which)
    if (text == ord("/")).any():  # point/texture/normal
        text = np.frombuffer(re.sub(rb"/\S*", b"", text.tobytes()), np.uint8)
    try:
        index = whole(_numbers(path, text, int(counts.sum())))
    except ValueError as err:
        raise damaged(path, str(err)) from err
    if counts.min() < 3:
        raise damaged(path, "a face has fewer than three corners")
    back = np.repeat(before, counts)
    index = np.where(index < 0, back + index, index - 1)
    first = np.cumsum(counts) - counts
    face, step = spread(counts - 2)
    fan = first[face]
    return np.column_stack([index[fan], index[fan + step + 1], index[fan + step + 2]])
