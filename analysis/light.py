"""What an edge looks like in linear light, and whether a side lies in shadow.

Across an edge, from the part outwards, light falls to ``inside``, steps by ``step`` at
the edge and recovers by ``ramp`` with a length of its own (contact shadow: Green's
function of an occluded wide light is near enough to exponential; empirical).  Inside, a
slope and a second step at the rim of a recessed foot.  All of it is blurred by a
Gaussian of standard deviation ``sigma``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

TERMS = ("inside", "slope", "step", "ramp", "rim")
"""Linear terms of the edge model, in this order."""

STEP, RAMP = 2, 3
SHADOW_STEP = 0.20
"""A step just outside the edge below this share of the brighter level is shadow."""


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
    x = distance_px
    s, length = sigma_px[:, None], ramp_px[:, None]
    z = x / s
    up = ndtr(z)
    bell = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / np.sqrt(2 * np.pi)
    fade = np.exp(np.minimum(0.5 * (s / length) ** 2 - x / length, 60.0))
    ramp = up - fade * ndtr(z - s / length)
    slope = (x * (1.0 - up) - s * bell) / length
    finite = np.isfinite(rim_px)[:, None]
    rim_at = np.where(finite, rim_px[:, None], 0.0)
    rim = np.where(finite, 1.0 - ndtr((x + rim_at) / s), 0.0)
    return np.stack([np.ones_like(x), slope, up, ramp, rim], axis=-1)


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
