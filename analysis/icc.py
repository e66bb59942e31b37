"""Tone curves of an embedded RGB colour profile: from stored value to linear light.

ICC.1 profile format, tags rTRC, gTRC, bTRC of type ``curv`` or ``para`` (layout from
memory; checked in the tests against the colour management module of Pillow).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_HEADER_BYTES = 128
_FIXED = 65536.0
_PARAMETERS = (1, 3, 4, 5, 7)


def tone_curves(profile: bytes) -> NDArray[np.float32] | None:
    """Linear light for the 256 stored values of each channel.

    Parameters
    ----------
    profile : bytes
        The embedded profile.

    Returns
    -------
    (256, 3) float32 array, 0 to 1, columns red, green, blue; None if the profile is
    damaged or is not of the matrix and tone curve kind.
    """
    try:
        tags = _tags(profile)
        columns = [_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC")]
    except (KeyError, ValueError, IndexError, struct.error):
        return None
    curves = np.column_stack(columns).astype(np.float32)
    monotone = bool(np.all(np.diff(curves, axis=0) >= 0))
    return curves if monotone and np.all(np.ptp(curves, axis=0) > 0.5) else None


def _tags(profile: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack_from(">I", profile, _HEADER_BYTES)
    tags = {}
    for index in range(min(count, 100)):
        name, offset, size = struct.unpack_from(
            ">4sII", profile, _HEADER_BYTES + 4 + 12 * index
        )
        tags[name] = profile[offset : offset + size]
    return tags


def _curve(tag: bytes) -> NDArray[np.float64]:
    v: NDArray[np.float64] = np.arange(256) / 255.0
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return v
        if count == 1:
            (gamma,) = struct.unpack_from(">H", tag, 12)
            return np.asarray(v ** (gamma / 256.0))
        table = np.array(struct.unpack_from(f">{count}H", tag, 12)) / 65535.0
        return np.asarray(np.interp(v, np.linspace(0, 1, count), table))
    if tag[:4] == b"para":
        return _parametric(tag, v)
    raise ValueError("unknown kind of tone curve")


def _parametric(tag: bytes, v: NDArray[np.float64]) -> NDArray[np.float64]:
    """ICC parametric curves 0 to 4: y = (a v + b)^g + e from d on, c v + f below."""
    (kind,) = struct.unpack_from(">H", tag, 8)
    raw: tuple[int, ...] = struct.unpack_from(f">{_PARAMETERS[kind]}i", tag, 12)
    values = [value / _FIXED for value in raw]
    g, a, b, c, d, e, f = values + [1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0][len(raw) :]
    if kind in (1, 2):  # the break lies where the power's argument reaches zero
        c, d, e, f = 0.0, -b / a, c, c
    power = np.maximum(a * v + b, 0.0) ** g + e
    return np.where(v >= d, power, c * v + f)
