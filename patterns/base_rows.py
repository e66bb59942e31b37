"""The long, dull part of a 3MF model: rows of points and of triangles.

Nine tenths of a model are rows that all look alike.  They are taken out of the text
and read in one go, and the XML parser sees the rest; rows that look otherwise are left
to it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from patterns.base_raw import numbers_in

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

AXES = ("x", "y", "z")
CORNERS = ("v1", "v2", "v3")
if TYPE_CHECKING:
    Taker = Callable[[tuple[str, ...], NDArray[np.float64]], None]

_BLOCKS = {b"<vertices>": (b"vertex", AXES), b"<triangles>": (b"triangle", CORNERS)}
_LONGEST_TAG = 12
_BLANK = np.uint8(ord(" "))


class Sieve:
    """Takes rows out of a model's text as it streams by.

    ``passed`` bytes were left to the parser so far.
    """

    def __init__(self, take: Taker) -> None:
        self.passed = 0
        self._take = take
        self._text = b""
        self._inside: bytes | None = None
        self._off = False

    def sift(self, block: bytes) -> Iterator[bytes]:
        """Give back what is for the parser."""
        self._text += block
        while (left := len(self._text)) and not self._off:
            yield self._pass(self._rows() if self._inside else self._before_rows())
            if len(self._text) == left:
                break
        if self._off:
            yield self.rest()

    def rest(self) -> bytes:
        """Everything that was kept back."""
        text, self._text = self._text, b""
        return self._pass(text)

    def _pass(self, text: bytes) -> bytes:
        self.passed += len(text)
        return text

    def _before_rows(self) -> bytes:
        """Text up to the next block of rows, its tag included."""
        text = self._text
        if b"<!" in text:  # a comment or worse: what looks like rows may be none
            self._off = True
            return b""
        found = [(at, tag) for tag in _BLOCKS if (at := text.find(tag)) >= 0]
        if found:
            at, self._inside = min(found)
            cut = at + len(self._inside)
        else:
            cut = max(0, len(text) - _LONGEST_TAG)
        self._text = text[cut:]
        return text[:cut]

    def _rows(self) -> bytes:
        """Take whole rows; at their end, or where they look strange, step aside."""
        tag, names = _BLOCKS[self._inside or b""]
        stop = self._text.find(b"</")
        cut = self._text.rfind(b"/>", 0, stop if stop >= 0 else len(self._text)) + 2
        if cut >= 2:
            numbers = read_rows(self._text[:cut], tag, names)
            if numbers is None:
                self._off = True
                return b""
            self._take(names, numbers)
            self._text = self._text[cut:]
            stop -= cut
        if stop >= 0:
            self._inside = None
        return b""


def read_rows(
    text: bytes, tag: bytes, names: tuple[str, ...]
) -> NDArray[np.float64] | None:
    """Numbers (n, 3) of rows that all have the same three attributes, or None.

    Raises
    ------
    ValueError
        An attribute is not a number.
    """
    letters = np.frombuffer(text, np.uint8)
    quote = letters == ord('"')
    quoted = (np.cumsum(quote, dtype=np.uint8) & 1).astype(bool)  # but not the ends
    visible = letters > ord(" ")
    if (quoted & ~visible).any():
        return None
    first, second, third = (name.encode() + b"=" for name in names)
    row = b"<" + tag + first + b'"' + second + b'"' + third + b'"/>'
    start = text[: text.find(b'"')].split()
    count = int(np.count_nonzero(quote)) // 6
    alike = start == [b"<" + tag, first] and np.array_equal(
        letters[visible & ~quoted], np.tile(np.frombuffer(row, np.uint8), count)
    )
    if not alike:
        return None
    numbers = np.where(quote, _BLANK, letters)[quoted]
    return numbers_in(numbers, 3 * count).reshape(-1, 3)
