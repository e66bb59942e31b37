"""The cure model's parameters, their wide priors, and the families weighed.

A family is a halo shape, with or without a plate-layer term.  Its parameters live on a
standard normal scale z: the prior of each is uniform over a range (of the logarithm,
for lengths and ratios), reached through the normal distribution function, so that the
prior is N(0, 1) for every z and a posterior spread near 1 says 'not reached'.  The
ranges are wide on purpose: published constants differ by up to 7 and 70 times between
laboratories for one batch (Kolibaba et al. 2024, Addit. Manuf. 84:104082).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib import cure
from calib.stack import Halo, Resins

Array = NDArray[np.float64]


STARTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One parameter: its range, whether the range is of the logarithm, its meaning.

    ``starts_z``: where to start it when nothing is known, :data:`STARTS` places.
    """

    name: str
    low: float
    high: float
    logarithmic: bool
    meaning: str
    starts_z: tuple[float, ...] = (0.0, 0.0, 0.0)

    def value(self, z: Array) -> Array:
        """From the standard normal scale to the parameter's own unit."""
        low, high = self.low, self.high
        if self.logarithmic:
            return np.asarray(low * (high / low) ** ndtr(z))
        return np.asarray(low + (high - low) * ndtr(z))


DOSE = Parameter(
    name="dose_ratio",
    low=1.15,
    high=40.0,
    logarithmic=True,
    meaning="dose of a normal layer over the dose that just gels",
)
DEPTH = Parameter(
    name="depth_mm",
    low=0.02,
    high=1.0,
    logarithmic=True,
    meaning="how deep light goes into the resin",
)
CORE = Parameter(
    name="core_mm",
    low=0.004,
    high=0.12,
    logarithmic=True,
    meaning="sharpness of the printer's light",
)
SHARE = Parameter(
    name="halo_share",
    low=0.002,
    high=0.6,
    logarithmic=True,
    meaning="share of the light in the wide halo",
    starts_z=(-0.5, 0.5, 1.0),
)
SQUEEZE = Parameter(
    name="squeeze_mm",
    low=0.0,
    high=0.2,
    logarithmic=False,
    meaning="resin squeezed out of the plate layer",
    starts_z=(-1.0, -0.2, 0.4),
)
SQUEEZE_SECOND = Parameter(
    name="squeeze_second_ratio",
    low=0.0,
    high=0.6,
    logarithmic=False,
    meaning="share of the squeeze in the second layer",
)

_HALO_SCALES: dict[Halo, tuple[float, float]] = {
    "gaussian": (0.03, 1.2),
    "exponential": (0.02, 0.8),
    "lorentzian": (0.003, 0.3),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One way to model the print; ``prior_weight`` before any data."""

    halo: Halo
    squeezed: bool
    prior_weight: float

    @property
    def name(self) -> str:
        """Plain words for reports."""
        halo = "Gaussian edge" if self.halo == "none" else f"{self.halo} halo"
        return halo + (", plate-layer term" if self.squeezed else "")

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Free parameters, in the order of z."""
        chosen = [DOSE, DEPTH, CORE]
        if self.halo != "none":
            low, high = _HALO_SCALES[self.halo]
            scale = Parameter(
                name="halo_mm",
                low=low,
                high=high,
                logarithmic=True,
                meaning="width of the halo",
            )
            chosen += [SHARE, scale]
        if self.squeezed:
            chosen += [SQUEEZE, SQUEEZE_SECOND]
        return tuple(chosen)

    def carry(self, other: Family, z: Array) -> tuple[Array, ...]:
        """Places here that correspond to another family's z (k',).

        What the other lacks is tried at its starting values, all together.
        """
        known = dict(zip((p.name for p in other.parameters), z, strict=True))
        lacking = any(p.name not in known for p in self.parameters)
        return tuple(
            np.array([known.get(p.name, p.starts_z[i]) for p in self.parameters])
            for i in range(STARTS if lacking else 1)
        )

    def resins(self, z: Array, normal_exposure_s: float, layer_mm: float) -> Resins:
        """Resins at places (p, k) of the standard normal scale.

        ``normal_exposure_s`` and ``layer_mm`` are those the dose ratio refers to.
        """
        value = {p.name: p.value(z[:, i]) for i, p in enumerate(self.parameters)}
        nothing = np.zeros(len(z))
        depth = value["depth_mm"]
        gain = cure.stack_gain(np.inf, cure.layer_transmission(layer_mm, depth))
        squeeze = value.get("squeeze_mm", nothing)
        return Resins(
            halo=self.halo,
            tc_s=normal_exposure_s * gain / value["dose_ratio"],
            depth_mm=depth,
            core_mm=value["core_mm"],
            halo_share=value.get("halo_share", nothing),
            halo_mm=value.get("halo_mm", nothing + 1.0),
            squeeze_mm=squeeze,
            squeeze_second_mm=squeeze * value.get("squeeze_second_ratio", nothing),
        )


_SQUEEZED_SHARE = 0.15  # reports of it are few and weak (no measured table found)
_HALO_WEIGHTS: dict[Halo, float] = {
    "none": 0.1,  # a Gaussian edge alone is insufficient (Reid et al. 2024)
    "gaussian": 0.3,
    "exponential": 0.3,
    "lorentzian": 0.3,
}

FAMILIES = tuple(
    Family(
        halo=halo,
        squeezed=squeezed,
        prior_weight=weight * (_SQUEEZED_SHARE if squeezed else 1.0 - _SQUEEZED_SHARE),
    )
    for squeezed in (False, True)
    for halo, weight in _HALO_WEIGHTS.items()
)
