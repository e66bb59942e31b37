"""The dose in a real stack of masks, and the outline it gels.

Arrays run over draws of the resin (p), mask stacks (s) and layers (l or m); layer 0 is
the plate layer.  Growth is positive outwards from the outline the insets are counted
from.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib import cure

Array = NDArray[np.float64]
Halo = Literal["none", "gaussian", "exponential", "lorentzian"]
DoseFunction = Callable[[Array], tuple[Array, Array]]

GROWTH_RANGE_MM = (-1.0, 4.0)
"""Growth is searched for in here; a stack that gels nowhere reads the lower end."""

ROOT_STEPS = 60
_ROOT_TOLERANCE_MM = 2e-5  # of the last step; Newton then errs by its square
_TINY_DOSE = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class Resins:
    """A batch of resins of one halo family; every array has shape (p,).

    ``tc_s`` exposure that gels the film side of a wide layer; ``depth_mm`` penetration
    depth; ``core_mm`` standard deviation of the blur's Gaussian core; ``halo_share``
    and ``halo_mm`` share and scale (standard deviation, decay length, half-width) of
    the halo; ``squeeze_mm`` how far the outline of the plate layer, and
    ``squeeze_second_mm`` of the next, stands out for another reason than light.
    """

    halo: Halo
    tc_s: Array
    depth_mm: Array
    core_mm: Array
    halo_share: Array
    halo_mm: Array
    squeeze_mm: Array
    squeeze_second_mm: Array

    def __len__(self) -> int:
        return len(self.tc_s)

    def take(self, index: ArrayLike) -> Resins:
        """Pick draws by index or mask."""
        i = np.asarray(index)
        return Resins(
            halo=self.halo,
            tc_s=self.tc_s[i],
            depth_mm=self.depth_mm[i],
            core_mm=self.core_mm[i],
            halo_share=self.halo_share[i],
            halo_mm=self.halo_mm[i],
            squeeze_mm=self.squeeze_mm[i],
            squeeze_second_mm=self.squeeze_second_mm[i],
        )

    def edge(self, x_mm: Array) -> tuple[Array, Array]:
        """Edge profile at ``x_mm`` (p, ...), and its slope per mm."""
        sigma = _column(self.core_mm, x_mm)
        value = cure.gaussian_edge(x_mm, sigma)
        slope = cure.gaussian_edge_slope(x_mm, sigma)
        if self.halo == "none":
            return value, slope
        edge, edge_slope = _HALO_EDGES[self.halo]
        scale = _column(self.halo_mm, x_mm)
        share = _column(self.halo_share, x_mm)
        return (
            cure.mixed_edge(value, edge(x_mm, scale), share),
            cure.mixed_edge(slope, edge_slope(x_mm, scale), share),
        )

    def edge_inverse(self, level: Array) -> Array:
        """Where the edge profile has ``level`` (p, ...); the range's ends beyond it."""

        def log_excess(x_mm: Array) -> tuple[Array, Array]:
            value, slope = self.edge(x_mm)
            value = np.maximum(value, _TINY_DOSE)
            return np.log(value / level), slope / value

        return decreasing_root(log_excess, np.zeros_like(level))

    def transmission(self, layer_mm: float) -> Array:
        """Share of light that passes a layer, (p,)."""
        return cure.layer_transmission(layer_mm, self.depth_mm)


_HALO_BEYOND = {
    "gaussian": cure.gaussian_beyond,
    "exponential": cure.exponential_beyond,
    "lorentzian": cure.lorentzian_beyond,
}
_HALO_EDGES = {
    "gaussian": (cure.gaussian_edge, cure.gaussian_edge_slope),
    "exponential": (cure.exponential_edge, cure.exponential_edge_slope),
    "lorentzian": (cure.lorentzian_edge, cure.lorentzian_edge_slope),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Comb:
    """The row of teeth that a feature stands in, for halos as wide as a tooth.

    ``length_mm`` of the teeth before the plain core; from ``neighbour_mm`` to either
    side of a tooth's middle on, ``lit_share`` of the row is lit.
    """

    length_mm: float
    neighbour_mm: float
    lit_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskStacks:
    """Mask edges of several features that were exposed together.

    ``insets_mm`` (s, l): how far each layer's mask lies inside the feature's outline;
    ``comb``: the row it stands in, None for a long straight edge, ``column_half_mm``
    being half the width of the tooth there.
    ``exposure_by_layer_s`` (l,).  ``judged_layers``: only the lowest so many can show
    in a silhouette (the taper above hides).  ``column_*`` and ``column_of`` name the
    different insets of each stack once, since a layer's edge profile depends on
    nothing else.
    """

    insets_mm: Array
    exposure_by_layer_s: Array
    layer_mm: float
    judged_layers: int
    column_stack: NDArray[np.intp]
    column_inset_mm: Array
    column_half_mm: Array
    column_of: NDArray[np.intp]
    comb: Comb | None


def mask_stacks(
    insets_mm: Sequence[Sequence[float]] | Array,
    exposure_by_layer_s: Sequence[float] | Array,
    layer_mm: float,
    judged_layers: int,
    *,
    half_widths_mm: Array | None = None,
    comb: Comb | None = None,
) -> MaskStacks:
    """Gather the masks of several features, (s, l) insets, into one value.

    ``half_widths_mm`` (s, l) belongs to ``comb``.
    """
    insets = np.asarray(insets_mm, dtype=float)
    halves = np.zeros_like(insets) if half_widths_mm is None else half_widths_mm
    tags = np.repeat(np.arange(len(insets)), insets.shape[1])
    columns = np.column_stack([tags, insets.ravel(), halves.ravel()])
    unique, inverse = np.unique(columns, axis=0, return_inverse=True)
    return MaskStacks(
        insets_mm=insets,
        exposure_by_layer_s=np.asarray(exposure_by_layer_s, dtype=float),
        layer_mm=layer_mm,
        judged_layers=judged_layers,
        column_stack=unique[:, 0].astype(np.intp),
        column_inset_mm=unique[:, 1],
        column_half_mm=unique[:, 2],
        comb=comb,
        column_of=inverse.reshape(insets.shape),
    )


def log_peak_dose(stacks: MaskStacks, resins: Resins) -> DoseFunction:
    """Logarithm of the largest film-side dose of each stack, as a function of place.

    The dose on the film side of layer m is ``sum_(j >= m) t_j/tc q^(j-m) B(x + i_j)``:
    the layer's own exposure and all later ones, each at its own mask edge.  Squeezed-
    out resin moves the outline of the lowest two layers by a fixed amount, whatever
    the light.

    Returns
    -------
    callable
        From ``x_mm`` (p, s), the distance outwards from each stack's outline, to
        ``ln(dose / gel dose)`` (p, s) and its slope per mm.
    """
    weights = _later_layers(stacks, resins)
    lost_in_gaps = _lost_in_gaps(stacks, resins)
    squeezes = (resins.squeeze_mm, resins.squeeze_second_mm)
    moves = [m for m in squeezes[: stacks.judged_layers] if np.any(m)]
    still = np.zeros(len(resins))
    shift = stacks.column_inset_mm - np.stack([*moves, still], axis=1)[..., None]

    def of_layers(profile: Array) -> Array:
        """Sum edge profiles (p, moves + 1, columns) up to doses (p, s, m)."""
        by_layer = profile[..., stacks.column_of]
        moved = [by_layer[:, i] @ weights[..., i : i + 1] for i in range(len(moves))]
        moved.append(by_layer[:, -1] @ weights[..., len(moves) :])
        return np.concatenate(moved, axis=-1) if moves else moved[0]

    def log_peak(x_mm: Array) -> tuple[Array, Array]:
        place = x_mm[:, None, stacks.column_stack] + shift
        value, slope = resins.edge(place)
        if lost_in_gaps is not None:
            lost, lost_slope = lost_in_gaps(place)
            value, slope = value - lost, slope - lost_slope
        dose, steepness = of_layers(value), of_layers(slope)
        top = np.argmax(dose, axis=-1)
        top += dose.shape[-1] * np.arange(top.size).reshape(top.shape)
        peak = np.maximum(dose.ravel()[top], _TINY_DOSE)
        return np.log(peak), steepness.ravel()[top] / peak

    return log_peak


def silhouettes_mm(
    stacks: MaskStacks,
    resins: Resins,
    start_mm: Array | None = None,
    steps: int = ROOT_STEPS,
) -> Array:
    """How far each feature's silhouette lies outside its outline, (p, s).

    The silhouette is the outermost contour over all heights; within a layer the film
    side has the largest dose.  ``start_mm`` and ``steps``: see
    :func:`decreasing_root`.
    """
    shape = (len(resins), len(stacks.insets_mm))
    start = np.zeros(shape) if start_mm is None else np.broadcast_to(start_mm, shape)
    return decreasing_root(log_peak_dose(stacks, resins), start, steps)


def contours_mm(stacks: MaskStacks, resins: Resins) -> Array:
    """Growth on the film side of each judged layer, (p, s, m), squeeze included."""
    p, (s, _), m = len(resins), stacks.insets_mm.shape, stacks.judged_layers
    weights = _later_layers(stacks, resins)

    def log_dose(x_mm: Array) -> tuple[Array, Array]:
        value, slope = resins.edge(x_mm[..., None] + stacks.insets_mm[:, None, :])
        dose = np.einsum("psml,plm->psm", value, weights)
        dose = np.maximum(dose, _TINY_DOSE)
        return np.log(dose), np.einsum("psml,plm->psm", slope, weights) / dose

    growth = decreasing_root(log_dose, np.zeros((p, s, m)))
    growth[..., 0] += resins.squeeze_mm[:, None]
    if m > 1:
        growth[..., 1] += resins.squeeze_second_mm[:, None]
    return growth


def decreasing_root(
    function: DoseFunction, start: Array, steps: int = ROOT_STEPS
) -> Array:
    """Zeros of decreasing functions, all at once: Newton steps kept inside a bracket.

    Parameters
    ----------
    function : callable
        Gives value and slope at an array of places.
    start : float array
        First guess; the shape of the answer.
    steps : int
        At most so many; two or three will do from a guess that is nearly right.
    """
    x = start
    low = np.full_like(x, GROWTH_RANGE_MM[0])
    high = np.full_like(x, GROWTH_RANGE_MM[1])
    for _ in range(steps):
        value, slope = function(x)
        low = np.where(value > 0.0, x, low)
        high = np.where(value > 0.0, high, x)
        newton = x - value / np.minimum(slope, -_TINY_DOSE)
        inside = (newton > low) & (newton < high)
        following = np.where(inside, newton, 0.5 * (low + high))
        settled = np.all(np.abs(following - x) < _ROOT_TOLERANCE_MM)
        x = following
        if settled:
            break
    return x


def _lost_in_gaps(stacks: MaskStacks, resins: Resins) -> DoseFunction | None:
    """Halo light that a tooth's end lacks against a long edge, as a function of place.

    What comes from beyond the tooth's flanks, but for the core behind the row and the
    neighbours' teeth; these two change little along the end's small growth.
    """
    comb = stacks.comb
    if comb is None or resins.halo == "none":
        return None
    beyond = _HALO_BEYOND[resins.halo]
    scale, share = resins.halo_mm[:, None, None], resins.halo_share[:, None, None]
    half = stacks.column_half_mm
    core, _ = beyond(comb.length_mm, half, scale)
    near, _ = beyond(0.0, comb.neighbour_mm, scale)
    far, _ = beyond(comb.length_mm, comb.neighbour_mm, scale)
    kept = core + comb.lit_share * (near - far)

    def lost(x_mm: Array) -> tuple[Array, Array]:
        value, slope = beyond(x_mm, half, scale)
        return share * (value - kept), share * slope

    return lost


def _later_layers(stacks: MaskStacks, resins: Resins) -> Array:
    """Weight of layer l's edge profile in layer m's film-side dose, (p, l, m)."""
    layers = np.arange(len(stacks.exposure_by_layer_s))
    later = layers[:, None] - layers[None, : stacks.judged_layers]
    ratio = stacks.exposure_by_layer_s / resins.tc_s[:, None]
    passed = np.exp(-layers * stacks.layer_mm / resins.depth_mm[:, None])
    passed = passed[:, np.maximum(later, 0)]
    return np.asarray(np.where(later >= 0, ratio[:, :, None] * passed, 0.0))


def _column(values: Array, like: Array) -> Array:
    return values.reshape((-1,) + (1,) * (like.ndim - 1))
