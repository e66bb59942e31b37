"""What must hold for a base to be written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from patterns.errors import SpecError

if TYPE_CHECKING:
    import manifold3d

_CRUMB_MM3 = 1e-6
_REPORT = "Please report it with the base's file."


def one_body(
    solid: manifold3d.Manifold, name: str, how: str, remedy: str = _REPORT
) -> manifold3d.Manifold:
    """Leave out crumbs of a union; what is left must be one closed body.

    Parameters
    ----------
    solid : Manifold
    name : str
        Of the base.
    how, remedy : str
        What was done to it, and what to do when it falls into pieces.

    Raises
    ------
    SpecError
        It is open, empty or in pieces.
    """
    from manifold3d import Error

    if solid.status() != Error.NoError or solid.is_empty():
        raise SpecError(f"The solid of {name} is not closed.", _REPORT)
    pieces = [p for p in solid.decompose() if abs(p.volume()) > _CRUMB_MM3]
    if len(pieces) != 1:
        raise SpecError(f"{name}, {how}, falls into {len(pieces)} pieces.", remedy)
    return pieces[0]
