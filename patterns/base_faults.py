"""Faults of a mesh: counted, with a place; one line where they can't be mended."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from patterns.base import Fault, FaultKind
from patterns.errors import FileError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

_WORDS: dict[FaultKind, str] = {
    "open_edges": "is open at {} edges",
    "flipped": "has a surface with one side, or {} triangles turned inside out",
    "double_shell": "is in {} pieces that don't touch",
    "self_intersection": "runs through itself at {} places",
    "hole_in_bottom": "has {} holes in its bottom",
    "zero_area": "has {} triangles without area",
    "unwelded": "has {} points that should be one",
}


@dataclass(slots=True)
class Findings:
    """What was found wrong with a file's mesh so far."""

    source: str
    faults: list[Fault] = field(default_factory=list)

    def mended(self, kind: FaultKind, count: int, where_mm: ArrayLike) -> None:
        """Note a fault that was put right, if there was one."""
        if count:
            self.faults.append(
                Fault(kind=kind, count=count, where_mm=_place(where_mm), mended=True)
            )

    def refused(self, kind: FaultKind, count: int, where_mm: ArrayLike) -> FileError:
        """Error for a fault that can't be put right without changing the shape."""
        x, y, z = _place(where_mm)
        words = _WORDS[kind].format(f"{count:,}")
        if count == 1:
            words = words.removesuffix("s")
        return FileError(
            f"{self.source} {words}, one near x {x:.2f}, y {y:.2f}, z {z:.2f} mm.",
            "Repair it in a mesh editor and export it again.",
        )


def _place(where_mm: ArrayLike) -> tuple[float, float, float]:
    import numpy as np

    x, y, z = np.asarray(where_mm, float).reshape(3).tolist()
    return x, y, z
