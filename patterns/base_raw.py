"""A mesh as a file has it, and what can be wrong with the file itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.errors import FileError

if TYPE_CHECKING:
    from pathlib import Path

MOST_TRIANGLES = 2_000_000
Bytes = NDArray[np.uint8]
_TOO_LARGE = 2.0**53
Told = Callable[[str, float], None]
Unit = Literal["um", "mm", "cm", "inch", "ft", "m"]
MM: dict[Unit, float] = {
    "um": 1e-3,
    "mm": 1.0,
    "cm": 10.0,
    "inch": 25.4,
    "ft": 304.8,
    "m": 1000.0,
}


@dataclass(frozen=True, slots=True)
class RawMesh:
    """Triangles as they were written.

    ``vertices`` (n, 3) in the file's unit, single precision where the file has no more;
    ``faces`` (m, 3); ``unit`` None when the file doesn't say.
    """

    name: str
    vertices: NDArray[np.floating]
    faces: NDArray[np.int64]
    unit: Unit | None = None

    @classmethod
    def soup(cls, name: str, corners: NDArray[np.floating]) -> RawMesh:
        """Triangles that share nothing: three corners (3 m, 3) each."""
        return cls(name, corners, np.arange(len(corners)).reshape(-1, 3))


def numbers_in(text: Bytes, count: int) -> NDArray[np.float64]:
    """Parse numbers set apart by blanks, as `float` would.

    Raises
    ------
    ValueError
        They are not so many, or not numbers.
    """
    numbers = np.fromstring(text.tobytes(), sep=" ")
    if len(numbers) != count:
        raise ValueError
    return numbers


def whole(numbers: NDArray[np.float64]) -> NDArray[np.int64]:
    """Numbers of points, as which they were read.

    Raises
    ------
    ValueError
        One is not a whole number.
    """
    sound = np.abs(numbers) < _TOO_LARGE  # nor is one that is no number
    if not sound.all() or (numbers % 1.0).any():
        raise ValueError("a point's number is not whole")
    return numbers.astype(np.int64)


def damaged(path: Path, what: str) -> FileError:
    """Error for a file that can't be used as it is."""
    return FileError(f"{path.name}: {what}.", "Export the base again.")


def too_many(path: Path, count: int | None = None) -> FileError:
    """Error for a mesh too large."""
    has = f"{count:,}" if count else f"more than {MOST_TRIANGLES:,}"
    return FileError(
        f"{path.name} has {has} triangles; {MOST_TRIANGLES:,} are read at most.",
        "Reduce the mesh: a pixel is larger than its triangles.",
    )
