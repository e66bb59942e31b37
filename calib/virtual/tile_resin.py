"""Invented resins for tilted prints: how a rim comes out of them.  No bottle is meant.

Every law here is invented for the virtual printer's own sake; none of it is fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np

LipEffect = Literal["helps", "nothing", "harms"]
BestTilt = Literal["inside", "low end", "high end"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerLight:
    """The light of one layer: what a tile's outline and its print-through come from.

    Parameters
    ----------
    dose : float
        Of one layer at the film, over the dose that gels.
    depth_mm : float
        Depth over which the light falls to 1/e.
    core_mm : float
        Standard deviation of the blur of a mask.
    halo : tuple of (share, sigma_mm)
        One wider Gaussian.
    """

    dose: float = 2.5
    depth_mm: float = 0.11
    core_mm: float = 0.04
    halo: tuple[float, float] = (0.08, 0.18)


@dataclass(frozen=True, slots=True, kw_only=True)
class InventedRimResin:
    """An invented resin, and what lifting, supports and sanding do to a rim in it.

    The rim loses material where it was young and soft when it was pulled:
    ``start_mm`` at the very start, fading over ``start_height_mm``; ``peel_mm`` with
    the area peeled while it was soft, and ``lean_mm`` with the part's height, for the
    lift also bends a tall part about its foot; both fade over ``reach_mm``, counted
    along the bottom face from its lowest point.  Between two contacts all three are
    larger, by a share of ``hang``.

    Parameters
    ----------
    light : LayerLight
        Dose and blur.
    start_mm, peel_mm, lean_mm : float
        Loss at the start, by peeling 12 mm2 and by leaning, both at 45 degrees.
    start_height_mm, reach_mm : float
        Lengths over which these fade.
    hang : float
        Share of the loss that depends on the distance to the nearest contact.
    lip_share : float
        Share of peel and lean that a lip takes on itself; the start it takes anyhow.
    sanding_mm : float
        Rim lost when the lip is sanded off.
    chip_chance : float
        Chance that freeing one contact chips a bare rim.
    chip_depth_mm : float
        Median depth of a chip.
    roughness_mm, ragged_mm : float
        Standard deviations of the rim that is not steps, coarse and fine.
    oval_mm : float
        Uneven shrinkage: the part of the rim that goes with cos 2 phi.
    edge_radius_mm, sanded_radius_mm : float
        Of the rim's edge as printed, and after sanding.
    scatter : float
        Relative scatter of the losses from tile to tile.
    part_scale : float
        Printed over designed length.
    """

    name: str
    light: LayerLight = field(default_factory=LayerLight)
    start_mm: float = 0.05
    peel_mm: float = 0.05
    lean_mm: float = 0.04
    start_height_mm: float = 0.3
    reach_mm: float = 0.9
    hang: float = 0.4
    lip_share: float = 0.5
    sanding_mm: float = 0.01
    chip_chance: float = 0.1
    chip_depth_mm: float = 0.10
    roughness_mm: float = 0.006
    ragged_mm: float = 0.004
    oval_mm: float = 0.0
    edge_radius_mm: float = 0.12
    sanded_radius_mm: float = 0.06
    scatter: float = 0.12
    part_scale: float = 0.997
    invented: Literal[True] = field(default=True, init=False)


def invent_rim_resin(
    rng: np.random.Generator,
    *,
    best: BestTilt = "inside",
    lip: LipEffect = "helps",
) -> InventedRimResin:
    """Draw a resin whose best tilt lies in some place and whose lip does something.

    Parameters
    ----------
    rng : numpy.random.Generator
        Where chance comes from.
    best : {"inside", "low end", "high end"}
        Where the best tilt lies within 30 to 65 degrees.
    lip : {"helps", "nothing", "harms"}
        What a lip does once it is sanded off.
    """
    peel, lean = {
        "inside": (rng.uniform(0.08, 0.15), rng.uniform(0.03, 0.055)),
        "low end": (rng.uniform(0.005, 0.015), rng.uniform(0.05, 0.10)),
        "high end": (rng.uniform(0.12, 0.20), rng.uniform(0.0, 0.006)),
    }[best]
    start, share, sanding = {
        "helps": (
            rng.uniform(0.04, 0.10),
            rng.uniform(0.5, 0.8),
            rng.uniform(0.0, 0.015),
        ),
        "nothing": (rng.uniform(0.0, 0.01), 0.25, rng.uniform(0.0, 0.004)),
        "harms": (rng.uniform(0.0, 0.01), 0.0, rng.uniform(0.05, 0.10)),
    }[lip]
    helped = lip == "helps"
    return InventedRimResin(
        name=f"invented, best {best}, lip {lip}",
        light=LayerLight(
            dose=float(rng.uniform(1.8, 3.2)),
            depth_mm=float(rng.uniform(0.07, 0.15)),
            core_mm=float(rng.uniform(0.03, 0.05)),
            halo=(float(rng.uniform(0.03, 0.12)), float(rng.uniform(0.12, 0.25))),
        ),
        start_mm=float(start),
        peel_mm=float(peel),
        lean_mm=float(lean),
        start_height_mm=float(rng.uniform(0.2, 0.4)),
        reach_mm=float(rng.uniform(0.6, 1.1)),
        hang=float(rng.uniform(0.1, 0.5)),
        lip_share=float(share),
        sanding_mm=float(sanding),
        chip_chance=float(rng.uniform(0.01, 0.06)) if helped else 0.004,
        chip_depth_mm=float(rng.uniform(0.06, 0.12)),
        roughness_mm=float(rng.uniform(0.003, 0.010)),
        ragged_mm=float(rng.uniform(0.002, 0.010)),
        oval_mm=float(rng.normal(0.0, 0.008)),
        edge_radius_mm=float(rng.uniform(0.06, 0.20)),
        sanded_radius_mm=float(rng.uniform(0.03, 0.12)),
        scatter=float(rng.uniform(0.05, 0.15)),
        part_scale=float(rng.uniform(0.993, 1.002)),
    )
