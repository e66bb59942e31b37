"""What an edge looks like in linear light, and whether a side lies in shadow.

Across an edge, from the part outwards, light falls to ``inside``, steps by ``step`` at
the edge and recovers by ``ramp`` with a length of its own (contact shadow: Green's
function of an occluded wide light is near enough to exponential; empirical).  Inside, a
slope and a second step at the rim of a recessed foot.  All of it is blurred by a
Gaussian of standard deviation ``sigma``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

TERMS = ("inside", "slope", "step", "ramp", "rim")
"""Linear terms of the edge model, in this order."""

STEP, RAMP = 2, 3
SHADOW_STEP = 0.20
"""A step just outside the edge below this share of the brighter level is shadow."""
_FAR = 1e3  # blurs, stands for no rim at all


def edge_terms(
    distance_px: Floats, sigma_px: Floats, ramp_px: Floats, rim_px: Floats
) -> Floats:
    """Blurred terms of the edge model at a signed distance outside the edge.

    Parameters
    ----------
    distance_px : (e, n) array
        Distance outside the edge of each sample.
    sigma_px, ramp_px, rim_px : (e,) arrays
        Blur, recovery length, and how far inside the edge the foot's rim lies
        (``inf``: none).

    Returns
    -------
    (e, n, 5) array in the order of :data:`TERMS`.

    Notes
    -----
    step: Phi(x/s).  ramp: Phi(x/s) - exp(s^2/(2 L^2) - x/L) Phi(x/s - s/L), the
    convolution of H(x)(1 - exp(-x/L)) with the Gaussian.  slope: convolution of
    min(x, 0), x Phi(-x/s) - s phi(x/s), over L.  Derived here, checked by quadrature
    in the tests.
    """
    return EdgeTerms.at(distance_px, sigma_px, ramp_px, rim_px).value()


@dataclass(frozen=True, slots=True)
class EdgeTerms:
    """Parts of the terms of :func:`edge_terms`, (e, n) arrays, for their derivatives.

    ``z`` and ``rim_z`` are distances in blurs, ``bell`` is the Gaussian at ``z``;
    ``rim_z`` is None where no edge has a foot's rim.
    """

    sigma_px: Floats
    ramp_px: Floats
    z: Floats
    up: Floats
    bell: Floats
    ramp: Floats
    slope: Floats
    rim_z: Floats | None

    @classmethod
    def at(
        cls, distance_px: Floats, sigma_px: Floats, ramp_px: Floats, rim_px: Floats
    ) -> EdgeTerms:
        """Arguments as of :func:`edge_terms`."""
        x, s, length = distance_px, sigma_px[:, None], ramp_px[:, None]
        z = x / s
        up, bell = ndtr(z), _bell(z)
        fade = np.exp(np.minimum(0.5 * (s / length) ** 2 - x / length, 60.0))
        rim_z = None
        if np.isfinite(rim_px).any():
            rim_z = np.minimum((x + rim_px[:, None]) / s, _FAR)
        return cls(
            sigma_px=s,
            ramp_px=length,
            z=z,
            up=up,
            bell=bell,
            ramp=up - fade * ndtr(z - s / length),
            slope=(x * (1.0 - up) - s * bell) / length,
            rim_z=rim_z,
        )

    def value(self) -> Floats:
        """Give the terms (e, n, 5)."""
        one = np.ones_like(self.z)
        rim = np.zeros_like(one) if self.rim_z is None else ndtr(-self.rim_z)
        return np.stack([one, self.slope, self.up, self.ramp, rim], axis=-1)

    def by_px(self, levels: Floats) -> Floats:
        """Slope (e, n) of the light by the distance, for levels (e, 5) of the terms.

        The ramp R and the step U obey R' = (U - R) / L.
        """
        _, slope, step, ramp, rim = levels.T[..., None]
        out = slope * (1.0 - self.up) + ramp * (self.up - self.ramp)
        out = out / self.ramp_px + step * self.bell / self.sigma_px
        if self.rim_z is not None:
            out -= rim * _bell(self.rim_z) / self.sigma_px
        return np.asarray(out)

    def by_log_blur(self, levels: Floats) -> Floats:
        """Slope (e, n) of the light by the logarithm of the blur.

        A wider Gaussian diffuses: d/d ln(s) = s^2 d^2/dx^2.
        """
        _, slope, step, ramp, rim = levels.T[..., None]
        s, length = self.sigma_px, self.ramp_px
        bend = self.bell / s - (self.up - self.ramp) / length
        out = (ramp * s * s * bend - slope * s * self.bell) / length
        out = out - step * self.z * self.bell
        if self.rim_z is not None:
            out += rim * self.rim_z * _bell(self.rim_z)
        return np.asarray(out)


def _bell(z: Floats) -> Floats:
    bell: Floats = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / np.sqrt(2 * np.pi)
    return bell


def shadow_ratio(inside: Floats, step: Floats, ramp: Floats) -> Floats:
    """Step just outside the edge over the brighter of part and open table.

    Parameters
    ----------
    inside, step, ramp : (e,) arrays
        Levels of the edge model, linear light.

    Returns
    -------
    (e,) array; negative where the step goes against the open table's brightness.
    """
    far = inside + step + ramp
    toward = np.where(far >= inside, 1.0, -1.0)
    bright = np.maximum(np.maximum(inside, far), 1e-6)
    ratio: Floats = toward * step / bright
    return ratio
