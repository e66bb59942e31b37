"""Combine standard uncertainties as JCGM 100:2008 says: linear, covariances included.

Everything that is not known (noise of each edge, heights, view, light) is one input of
known variance; a result is a linear function of the inputs, so its variance and its
budget are sums over them (JCGM 100, 5.1.2 and 5.2.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from analysis.result import Component

Floats = NDArray[np.float64]

Source = Literal[
    "ruler", "pose", "heights", "edge noise", "light", "pixel raster", "model"
]
SOURCES: tuple[Source, ...] = get_args(Source)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeastSquares:
    """Weighted linear least squares, told as a linear map of its inputs.

    ``value`` (p,) estimates; ``gain`` (p, n): estimates = gain @ observations;
    ``covariance`` (p, p).
    """

    value: Floats
    gain: Floats
    covariance: Floats


def least_squares(design: Floats, observed: Floats, variance: Floats) -> LeastSquares:
    """Fit ``observed = design @ value`` with independent errors of known variance.

    Parameters
    ----------
    design : (n, p) array
        Full column rank; what is known beforehand enters as rows of its own.
    observed, variance : (n,) arrays

    Returns
    -------
    LeastSquares

    References
    ----------
    [gum_h3] is the worked example it is checked against.
    """
    root = 1.0 / np.sqrt(variance)
    q, r = np.linalg.qr(design * root[:, None])
    gain = np.linalg.solve(r, q.T * root)
    inverse = np.linalg.solve(r, np.eye(len(r)))
    return LeastSquares(
        value=gain @ observed, gain=gain, covariance=inverse @ inverse.T
    )


def budget(
    sensitivity: Floats, variance_by_source: dict[str, Floats]
) -> tuple[Component, ...]:
    """Split the variance of one linear result by source.

    Parameters
    ----------
    sensitivity : (n,) array
        Derivative of the result by each input.
    variance_by_source : dict of (n,) arrays
        Variance of each input, split by source; keys out of :data:`SOURCES`.

    Returns
    -------
    tuple of Component
        One for each source, in the order of :data:`SOURCES`, zeros included.
    """
    return tuple(
        Component(
            name=source,
            u_mm=float(np.sqrt(np.sum(sensitivity**2 * variance_by_source[source])))
            if source in variance_by_source
            else 0.0,
        )
        for source in SOURCES
    )


def with_component(
    components: tuple[Component, ...], name: str, u_mm: float
) -> tuple[Component, ...]:
    """Add an independent part to one line of a budget."""
    return tuple(
        Component(name=c.name, u_mm=float(np.hypot(c.u_mm, u_mm)))
        if c.name == name
        else c
        for c in components
    )


def combined_u(components: tuple[Component, ...]) -> float:
    """Combine the standard uncertainties of independent components."""
    return float(np.sqrt(sum(c.u_mm**2 for c in components)))


def weighted_mean(values: Floats, covariance: Floats) -> tuple[float, float, Floats]:
    """Mean of correlated readings with the least variance.

    Returns
    -------
    (float, float, (n,) array)
        Mean, its standard uncertainty, and the weights.
    """
    ones = np.ones(len(values))
    solved = np.linalg.solve(covariance, ones)
    weights = solved / (ones @ solved)
    variance = float(weights @ covariance @ weights)
    return float(weights @ values), float(np.sqrt(max(variance, 0.0))), weights
