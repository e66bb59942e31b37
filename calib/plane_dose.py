"""Light of a mask with straight sides, blurred evenly in all directions.

What a kernel that depends on the distance alone holds of a polygon, seen from a point,
is an integral along its sides: ``1/(2 pi) sum of F(r) d(angle)``, with F(r) the share
of the kernel within r (divergence theorem).  Beside the winding number that is what is
lost: ``1 - F``, which has a closed form along a straight side for a Gaussian (Owen's
T function) and for a Lorentzian edge (an arcsine), and is summed for an exponential.
No grid is needed, so no raster is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import k1, owens_t

from calib import cure
from calib.stack import Halo, Resins

Array = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_TINY_MM = 1e-9
_R = 30.0 * np.linspace(1e-6, 1.0, 6000) ** 2  # decay lengths; then nothing is left
_RK1 = _R * k1(_R)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """The blur of one resin: a Gaussian core and a halo, alike in all directions."""

    core_mm: float
    halo: Halo
    halo_share: float
    halo_mm: float

    @classmethod
    def of(cls, resins: Resins, draw: int) -> Blur:
        """Take the blur of one draw."""
        return cls(
            core_mm=float(resins.core_mm[draw]),
            halo=resins.halo,
            halo_share=float(resins.halo_share[draw]),
            halo_mm=float(resins.halo_mm[draw]),
        )


def sides_of(rings: list[Array]) -> Array:
    """Sides (n, 4) x, y, x, y of closed rings (m, 2), in their order."""
    return np.vstack([np.hstack([r, np.roll(r, -1, axis=0)]) for r in rings])


def polygon_dose(points_mm: Array, sides_mm: Array, blur: Blur) -> Array:
    """Dose of a mask at points, 1 far inside and 0 far outside.

    Parameters
    ----------
    points_mm : (n, 2) array
        Where.
    sides_mm : (m, 4) array
        Sides of closed rings, the lit side on their left.
    blur : Blur
        Of the resin.

    Returns
    -------
    (n,) array
    """
    start = sides_mm[None, :, :2] - points_mm[:, None]
    end = sides_mm[None, :, 2:] - points_mm[:, None]
    side = end - start
    length = np.maximum(np.hypot(side[..., 0], side[..., 1]), _TINY_MM)
    away = (start[..., 0] * end[..., 1] - start[..., 1] * end[..., 0]) / length
    away = np.where(np.abs(away) < _TINY_MM, _TINY_MM, away)
    first = np.sum(start * side, axis=-1) / length
    last = np.sum(end * side, axis=-1) / length
    turn = np.arctan(last / away) - np.arctan(first / away)
    lost = _gaussian_lost(away, first, last, blur.core_mm)
    if blur.halo != "none":
        halo = _LOST[blur.halo](away, first, last, blur.halo_mm)
        lost = cure.mixed_edge(lost, halo, blur.halo_share)
    return np.asarray(np.sum(turn - lost, axis=1) / (2.0 * np.pi))


def _gaussian_lost(away: Array, first: Array, last: Array, sigma_mm: float) -> Array:
    h = away / sigma_mm
    return np.asarray(
        2.0 * np.pi * (owens_t(h, last / away) - owens_t(h, first / away))
    )


def _lorentzian_lost(away: Array, first: Array, last: Array, gamma_mm: float) -> Array:
    share = gamma_mm / np.hypot(away, gamma_mm) * np.sign(away)

    def up_to(along: Array) -> Array:
        return np.asarray(np.arcsin(share * along / np.hypot(along, away)))

    return up_to(last) - up_to(first)


def _exponential_lost(
    away: Array, first: Array, last: Array, length_mm: float
) -> Array:
    """Integrate ``(r / l) K1(r / l)`` over the angle, split at the foot point."""

    def up_to(along: Array) -> Array:
        angle = np.arctan(along / away)
        at = 0.5 * angle[..., None] * (_NODES + 1.0)
        r = np.abs(away[..., None]) / (np.cos(at) * length_mm)
        held = np.interp(r, _R, _RK1)
        return np.asarray(0.5 * angle * np.sum(_WEIGHTS * held, axis=-1))

    return up_to(last) - up_to(first)


_LOST = {
    "gaussian": _gaussian_lost,
    "lorentzian": _lorentzian_lost,
    "exponential": _exponential_lost,
}
