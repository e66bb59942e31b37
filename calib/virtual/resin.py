"""Invented resins: what the virtual printer prints with.  No real bottle is meant."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.stats import chi2

Halo = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class InventedResin:
    """An invented resin in an invented printer.

    The light of a mask is blurred by a Gaussian core, which grows with depth because
    the beam spreads, and a wider halo made of further Gaussians.  Everything is
    relative to ``gel_s``, so no irradiance is needed.

    Parameters
    ----------
    name : str
        What to call it.
    depth_mm : float
        Depth over which the light falls to 1/e (Beer-Lambert).
    gel_s : float
        Exposure that just gels the film side of a lone layer.
    core_mm : float
        Standard deviation of the core at the film.
    spread : float
        Tangent of the beam's rms half-angle in the resin; the core's variance at depth
        z is ``core_mm**2 + (z * spread)**2``.
    halo : tuple of (share, sigma_mm)
        The rest of the light; the shares sum to less than 1.
    squeeze_mm : tuple of float
        Growth of the lowest layers that is not light: resin squeezed out under the
        plate.  It is added outside whatever the light cures.
    part_scale : float
        Printed over designed length after curing.
    """

    name: str
    depth_mm: float
    gel_s: float
    core_mm: float
    spread: float = 0.0
    halo: Halo = ()
    squeeze_mm: tuple[float, ...] = ()
    part_scale: float = 1.0
    invented: Literal[True] = field(default=True, init=False)


def gaussian_halo(share: float, sigma_mm: float) -> Halo:
    """One wide Gaussian."""
    return ((share, sigma_mm),)


def exponential_halo(share: float, length_mm: float, terms: int = 5) -> Halo:
    """Edge that falls as exp(-x / length): Gaussians of exponential variance.

    The Laplace distribution is a Gaussian whose variance is 2 length^2 times a unit
    exponential (Andrews and Mallows 1974, from memory); here in ``terms`` equal parts.
    """
    middle = (np.arange(terms) + 0.5) / terms
    sigma = length_mm * np.sqrt(-2 * np.log1p(-middle))
    return tuple((share / terms, float(s)) for s in sigma)


def lorentzian_halo(
    share: float, half_width_mm: float, *, terms: int = 6, widest_mm: float = 1.5
) -> Halo:
    """Edge with a tail like 1 / x, cut at ``widest_mm``.

    The Cauchy distribution is a Gaussian whose variance is width^2 over a chi-square
    variate with one degree of freedom (Student's t); here in ``terms`` equal parts.
    """
    middle = (np.arange(terms) + 0.5) / terms
    sigma = np.minimum(half_width_mm / np.sqrt(chi2.ppf(middle, 1)), widest_mm)
    return tuple((share / terms, float(s)) for s in sigma)


def invent_resin(
    rng: np.random.Generator, *, heavy: bool = False, squeezed: bool = False
) -> InventedResin:
    """Draw a resin for a closed-loop trial.

    Parameters
    ----------
    rng : numpy.random.Generator
        Where chance comes from.
    heavy : bool
        A heavy-tailed halo instead of a Gaussian one.
    squeezed : bool
        0.03-0.15 mm of squeezed-out resin on the first layer or two.
    """
    core_mm = float(rng.uniform(0.025, 0.055))
    share = float(rng.uniform(0.03, 0.16))
    if heavy:
        wide = float(rng.uniform(0.03, 0.10))
        family = (lorentzian_halo, exponential_halo)[int(rng.integers(2))]
        halo = family(share, wide)
    else:
        halo = gaussian_halo(share, float(rng.uniform(0.10, 0.25)))
    squeeze: tuple[float, ...] = ()
    if squeezed:
        first = float(rng.uniform(0.03, 0.15))
        second = first * float(rng.uniform(0.0, 0.5)) * float(rng.integers(2))
        squeeze = (first, second)
    return InventedResin(
        name="invented" + (" heavy" if heavy else "") + (" squeezed" * squeezed),
        depth_mm=float(np.exp(rng.uniform(np.log(0.06), np.log(0.20)))),
        gel_s=float(rng.uniform(0.6, 1.3)),
        core_mm=core_mm,
        spread=float(rng.uniform(0.0, 0.12)),
        halo=halo,
        squeeze_mm=squeeze,
        part_scale=float(rng.uniform(0.992, 1.002)),
    )
