"""Several photos of one print: one result, what they share not averaged down.

Edge noise, light, view and pose are each photo's own; the ruler, the model, the mask's
raster and the part's heights are the same in all and stay as they are (JCGM 100, F.1.2:
a common cause is one input).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.result import Component, Quantity
from analysis.uncertainty import SOURCES, combined_u, weighted_mean

if TYPE_CHECKING:
    from collections.abc import Sequence


SHARED = ("ruler", "heights", "pixel raster", "model")


def combine_quantities(quantities: Sequence[Quantity]) -> Quantity:
    """Combine one quantity as measured in several photos of one print.

    Parameters
    ----------
    quantities : sequence of Quantity
        At least one, each with a budget.

    Returns
    -------
    Quantity
        Mean of least variance; each shared component enters as one common cause.
        Where the photos scatter by more than their own components allow, these are
        widened by the Birge ratio (common practice, no source).

    Raises
    ------
    ValueError
        No quantities.
    """
    if not quantities:
        raise ValueError("nothing to combine")
    if len(quantities) == 1:
        return quantities[0]
    parts = np.array(
        [[_part(q, source) for source in SOURCES] for q in quantities]
    )  # (photos, sources)
    shared = np.array([source in SHARED for source in SOURCES])
    own = np.sqrt(np.sum(parts[:, ~shared] ** 2, axis=1))
    values = np.array([q.value_mm for q in quantities])
    common = parts[:, shared] @ parts[:, shared].T
    _, _, weights = weighted_mean(values, common + np.diag(own**2))
    # correlated readings can ask for a weight below zero: no reading speaks against
    weights = np.maximum(weights, 0.0)
    weights /= weights.sum()
    value = float(weights @ values)
    birge = _birge(values, own)
    budget = tuple(
        Component(
            name=source,
            u_mm=float(weights @ parts[:, k])
            if source in SHARED
            else birge * float(np.sqrt(np.sum((weights * parts[:, k]) ** 2))),
        )
        for k, source in enumerate(SOURCES)
    )
    return Quantity(
        value_mm=value,
        u_mm=combined_u(budget),
        method=f"{len(quantities)} photos combined; {quantities[0].method}",
        budget=budget,
    )


def _part(quantity: Quantity, source: str) -> float:
    return sum(c.u_mm for c in quantity.budget if c.name == source)


def _birge(values: np.ndarray, own: np.ndarray) -> float:
    """Scatter over what the readings' own components allow, at least 1."""
    weights = 1.0 / np.maximum(own, 1e-9) ** 2
    mean = float(np.sum(weights * values) / np.sum(weights))
    chi2 = float(np.sum(weights * (values - mean) ** 2))
    return float(max((chi2 / (len(values) - 1)) ** 0.5, 1.0))
