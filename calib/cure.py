"""The cure model, one formula per function.

Light enters at the film side of a layer and decays towards the plate.  Everything is
dimensionless but lengths: a dose is an exposure over the exposure ``tc_s`` that just
gels the film side of a single wide layer, so no lamp power and no literature constant
is needed.  ``x_mm`` is the distance from the mask's edge, positive outwards; an edge
profile is 1 far inside and 0 far outside, and a contour is where the dose is 1.

The working curve is Jacobs' (P. F. Jacobs, Rapid Prototyping & Manufacturing, 1992;
I. Gibson, D. Rosen, B. Stucker, Additive Manufacturing Technologies, 2nd ed., ch. 4,
eq. 4.16; that book's eq. 4.30 for mask projection is a misprint).  Sums over later
layers follow the construction of Gong et al. 2015, RSC Adv. 5:106621.  Edge formulas
without a source are derived from the convolution of a half-plane with the named blur.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Array = NDArray[np.float64]
Numbers = float | NDArray[np.float64]


def cure_depth_mm(dose_ratio: Numbers, depth_mm: Numbers) -> Array:
    """Depth to which a single exposure gels: ``Dp ln(t / tc)``, the working curve.

    Parameters
    ----------
    dose_ratio : float or array
        Exposure over the exposure that just gels the film side; positive.
    depth_mm : float or array
        Penetration depth Dp.

    Returns
    -------
    float array, mm
        Negative where the exposure gels nothing.
    """
    return np.asarray(depth_mm * np.log(dose_ratio))


def dose_for_depth(cured_mm: Numbers, depth_mm: Numbers) -> Array:
    """Exposure ratio that gels to a depth: the inverse of :func:`cure_depth_mm`."""
    return np.asarray(np.exp(np.divide(cured_mm, depth_mm)))


def layer_transmission(layer_mm: Numbers, depth_mm: Numbers) -> Array:
    """Share of the light that passes one layer, ``q = exp(-h / Dp)`` (Beer-Lambert)."""
    return np.asarray(np.exp(-np.divide(layer_mm, depth_mm)))


def stack_gain(layers: Numbers, transmission: Numbers) -> Array:
    """Film-side dose of a layer and those after it, over its own dose alone.

    ``(1 - q^N) / (1 - q)`` for N equal exposures, the layer's own included; ``inf``
    layers give ``1 / (1 - q)``.
    """
    q = np.asarray(transmission)
    return np.asarray((1.0 - q ** np.asarray(layers, dtype=float)) / (1.0 - q))


def print_through_mm(
    dose_ratio: Numbers,
    layers: Numbers,
    layer_mm: Numbers,
    depth_mm: Numbers,
) -> Array:
    """Cured depth below a face that looks at the plate, after ``layers`` exposures.

    ``Dp ln[(t / tc) q (1 - q^N) / (1 - q)]``.
    """
    q = layer_transmission(layer_mm, depth_mm)
    return cure_depth_mm(np.asarray(dose_ratio) * q * stack_gain(layers, q), depth_mm)


def gaussian_edge(x_mm: Numbers, sigma_mm: Numbers) -> Array:
    """Mask edge blurred by a Gaussian: ``erfc(x / (sigma sqrt 2)) / 2``."""
    return np.asarray(ndtr(-np.divide(x_mm, sigma_mm)))


def gaussian_edge_slope(x_mm: Numbers, sigma_mm: Numbers) -> Array:
    """Give the derivative of :func:`gaussian_edge` by x, per mm (negative)."""
    t = np.divide(x_mm, sigma_mm)
    return np.asarray(-np.exp(-0.5 * t * t) / (np.sqrt(2.0 * np.pi) * sigma_mm))


def gaussian_contour_mm(dose_ratio: Numbers, sigma_mm: Numbers) -> Array:
    """Growth of a Gaussian edge, ``sigma z(1 - 1/R)``; zero at R = 2.

    Parameters
    ----------
    dose_ratio : float or array
        R, the total dose far inside over the gel dose; above 1.
    sigma_mm : float or array
        Standard deviation of the blur.
    """
    return np.asarray(sigma_mm * ndtri(1.0 - np.divide(1.0, dose_ratio)))


def gaussian_latitude_mm(dose_ratio: Numbers, sigma_mm: Numbers) -> Array:
    """Growth per unit of ln(exposure), Gaussian: ``sigma / (R phi(w/sigma))``."""
    z = ndtri(1.0 - np.divide(1.0, dose_ratio))
    return np.asarray(
        sigma_mm * np.sqrt(2.0 * np.pi) * np.exp(0.5 * z * z) / np.asarray(dose_ratio)
    )


def exponential_edge(x_mm: Numbers, length_mm: Numbers) -> Array:
    """Mask edge blurred by a two-sided exponential: ``exp(-x / lam) / 2`` outside."""
    t = np.divide(x_mm, length_mm)
    tail = 0.5 * np.exp(-np.abs(t))
    return np.asarray(np.where(t >= 0.0, tail, 1.0 - tail))


def exponential_edge_slope(x_mm: Numbers, length_mm: Numbers) -> Array:
    """Give the derivative of :func:`exponential_edge` by x, per mm (negative)."""
    return np.asarray(-0.5 * np.exp(-np.abs(np.divide(x_mm, length_mm))) / length_mm)


def exponential_contour_mm(dose_ratio: Numbers, length_mm: Numbers) -> Array:
    """Growth of an exponential edge: ``lam ln(R/2)``, or ``lam ln(2(1-1/R))`` below 2.

    The same log law as the broadening of scattering slurries (Gentry & Halloran 2013,
    J. Eur. Ceram. Soc. 33:1981, from memory).
    """
    r = np.asarray(dose_ratio, dtype=float)
    return np.asarray(
        length_mm * np.where(r >= 2.0, np.log(r / 2.0), np.log(2.0 * (1.0 - 1.0 / r)))
    )


def exponential_latitude_mm(dose_ratio: Numbers, length_mm: Numbers) -> Array:
    """Growth per unit of ln(exposure), exponential: lam, or lam/(R-1) below R = 2."""
    r = np.asarray(dose_ratio, dtype=float)
    return np.asarray(length_mm * np.where(r >= 2.0, 1.0, 1.0 / (r - 1.0)))


def lorentzian_edge(x_mm: Numbers, gamma_mm: Numbers) -> Array:
    """Mask edge blurred by a Lorentzian of half-width gamma: ``1/2 - atan(x/g)/pi``.

    Reid et al. 2024, 3D Print. Addit. Manuf. 11(2):517, found such tails.
    """
    return np.asarray(0.5 - np.arctan(np.divide(x_mm, gamma_mm)) / np.pi)


def lorentzian_edge_slope(x_mm: Numbers, gamma_mm: Numbers) -> Array:
    """Give the derivative of :func:`lorentzian_edge` by x, per mm (negative)."""
    t = np.divide(x_mm, gamma_mm)
    return np.asarray(-1.0 / (np.pi * gamma_mm * (1.0 + t * t)))


def lorentzian_contour_mm(dose_ratio: Numbers, gamma_mm: Numbers) -> Array:
    """Growth of a Lorentzian edge, ``gamma tan(pi (1/2 - 1/R))``; linear at large R."""
    return np.asarray(gamma_mm * np.tan(np.pi * (0.5 - np.divide(1.0, dose_ratio))))


def lorentzian_latitude_mm(dose_ratio: Numbers, gamma_mm: Numbers) -> Array:
    """Growth per unit of ln(exposure) of a Lorentzian edge."""
    t = np.pi / np.asarray(dose_ratio, dtype=float)
    return np.asarray(gamma_mm * t / np.sin(t) ** 2)


def gaussian_beyond(
    x_mm: Numbers, half_mm: Numbers, sigma_mm: Numbers
) -> tuple[Array, Array]:
    """Light of a Gaussian blur from beyond the flanks of a strip, and its slope by x.

    At a distance x before the end of a half-plane, the share that comes from more than
    ``half_mm`` to either side: the product of both tails.
    """
    lateral = 2.0 * ndtr(-np.divide(half_mm, sigma_mm))
    return (
        np.asarray(lateral * gaussian_edge(x_mm, sigma_mm)),
        np.asarray(lateral * gaussian_edge_slope(x_mm, sigma_mm)),
    )


def exponential_beyond(
    x_mm: Numbers, half_mm: Numbers, length_mm: Numbers
) -> tuple[Array, Array]:
    """Like :func:`gaussian_beyond` for an exponential, both directions independent."""
    lateral = np.exp(-np.divide(half_mm, length_mm))
    return (
        np.asarray(lateral * exponential_edge(x_mm, length_mm)),
        np.asarray(lateral * exponential_edge_slope(x_mm, length_mm)),
    )


def lorentzian_beyond(
    x_mm: Numbers, half_mm: Numbers, gamma_mm: Numbers
) -> tuple[Array, Array]:
    """Like :func:`gaussian_beyond` for the round (bivariate Cauchy) Lorentzian.

    ``1/2 - [atan X + atan H - atan(X H / sqrt(1 + X^2 + H^2))] / pi`` in units of
    gamma, the distribution function of the bivariate Cauchy (from memory; integrated
    numerically in the tests).
    """
    x, h = np.divide(x_mm, gamma_mm), np.divide(half_mm, gamma_mm)
    distance = np.sqrt(1.0 + x * x + h * h)
    angle = np.arctan(x) + np.arctan(h) - np.arctan(x * h / distance)
    slope = -(1.0 - h / distance) / (np.pi * gamma_mm * (1.0 + x * x))
    return np.asarray(0.5 - angle / np.pi), np.asarray(slope)


def mixed_edge(core: Numbers, halo: Numbers, halo_share: Numbers) -> Array:
    """Edge profile with a part of the light in a halo: ``(1-eta) core + eta halo``."""
    return np.asarray(core + np.asarray(halo_share) * np.subtract(halo, core))


def flush_level(dose_ratio: Numbers, transmission: Numbers) -> Array:
    """Edge-profile value that a layer's mask must have on a straight wall.

    Where every layer's film-side contour stands on one vertical line, the dose that
    the later layers bring there is 1 at their own film side, hence q here, and the
    layer itself owes ``a B = 1 - q``: ``B = (1 - q) / a``.
    """
    return np.asarray((1.0 - np.asarray(transmission)) / np.asarray(dose_ratio))
