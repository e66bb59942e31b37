"""What the tooth edges of a coupon should show: the model behind the ladders' fit.

What an edge shows in the plane of the plate face is

    baseline(x) + hinge(foot, body),   foot = max_j F_j - inset_j - slope z_j,
                                       body = max_j     - inset_j - slope z_j

with F_j the growth of foot layer j beyond the body's.  Each group of edges (one side's
ends, one side's flanks facing one way) has a quadratic baseline: body growth and curl.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.outline import RECESS_MM

Floats = NDArray[np.float64]

ROUNDING_MM = 0.004
"""Height of the rounded hinge over its corner: body light prints through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Teeth:
    """What the fit needs to know of each tooth edge, (n,) arrays of EdgeReadings rows.

    ``row`` into the readings; ``group`` 0 .. groups - 1; ``end`` True for tooth ends;
    ``x`` along the coupon, -1 to 1.
    """

    row: NDArray[np.intp]
    group: NDArray[np.intp]
    end: NDArray[np.bool_]
    x: Floats
    groups: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Places of the parameters in the vector."""

    groups: int
    foot: int
    poses: int

    @property
    def flare(self) -> slice:
        """Growth of each foot layer."""
        return slice(3 * self.groups, 3 * self.groups + self.foot)

    @property
    def height(self) -> int:
        """Foot height minus nominal."""
        return 3 * self.groups + self.foot

    @property
    def light(self) -> slice:
        """Shift of foot edges against body edges, one for each group."""
        return slice(self.height + 1, self.height + 1 + self.groups)

    @property
    def oblique(self) -> int:
        """Shift of foot edges on flanks that grows with the slope of the sight."""
        return self.height + 1 + self.groups

    @property
    def pose(self) -> slice:
        """Errors of the pose, in units of their standard uncertainty."""
        return slice(self.oblique + 1, self.oblique + 1 + self.poses)

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.oblique + 1 + self.poses


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What the model says of n edges.

    ``place_mm`` (n,) in the plane of the plate face, ``jacobian`` (n, p); ``share``
    (n,) how far the foot forms the edge as seen; ``around_mm`` (n,) everything but the
    tooth's own growth: baseline, parallax, light, pose.
    """

    place_mm: Floats
    jacobian: Floats
    share: Floats
    around_mm: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class HingeModel:
    """The forward model: what does not change during a fit.

    ``inset`` (n, layers), ``slope`` (n,), ``z`` (layers + 1,) mm as printed;
    ``slope_by``, ``place_by`` (n, k) effects of unit errors of the pose.
    """

    teeth: Teeth
    layout: Layout
    inset: Floats
    slope: Floats
    slope_by: Floats
    place_by: Floats
    z: Floats

    def at(self, value: Floats) -> Shown:
        """Give the edges' places for a parameter vector (p,)."""
        layout, n, foot = self.layout, len(self.slope), self.layout.foot
        every, group = np.arange(n), self.teeth.group
        slope = self.slope - self.slope_by @ value[layout.pose]
        f_place, f_layer, f_z = _outermost(
            value[layout.flare] - self.inset[:, :foot], slope, self.z[: foot + 1]
        )
        b_place, _, b_z = _outermost(
            -self.inset[:, foot:], slope, self.z[foot:] + value[layout.height]
        )
        # the light's shift belongs to the foot's edges alone
        askew = np.where(self.teeth.end, 0.0, slope)
        light = value[layout.light][group] + value[layout.oblique] * askew
        half = 0.5 * (f_place + light - b_place)
        round_ = np.hypot(half, ROUNDING_MM)
        share = 0.5 * (1 + half / round_)
        J = np.zeros((n, layout.size))
        J[every, 3 * group] = 1.0
        J[every, 3 * group + 1] = self.teeth.x
        J[every, 3 * group + 2] = self.teeth.x**2
        J[:, layout.pose] = self.place_by
        base = J @ value
        parallax = share * (-slope * f_z) + (1 - share) * b_place
        J[every, layout.flare.start + f_layer] += share
        J[:, layout.height] = -(1 - share) * slope
        J[:, layout.pose] += (share * f_z + (1 - share) * b_z)[:, None] * self.slope_by
        J[every, layout.light.start + group] = share
        J[:, layout.oblique] = share * askew
        return Shown(
            place_mm=base + b_place + half + round_,
            jacobian=J,
            share=share,
            around_mm=base + parallax + share * light,
        )

    def proud_mm(self, value: Floats) -> Floats:
        """How far the foot stands out beyond the body (n,), seen or hidden."""
        reach = value[self.layout.flare] - self.inset[:, : self.layout.foot]
        return np.asarray(reach.max(axis=1))

    def plain(self) -> NDArray[np.bool_]:
        """Edges that show the body alone (n,): the whole foot far inside."""
        return np.asarray(self.inset[:, : self.layout.foot].min(axis=1) > RECESS_MM)


def _outermost(
    reach: Floats, slope: Floats, z: Floats
) -> tuple[Floats, NDArray[np.intp], Floats]:
    both = np.concatenate(
        [reach - slope[:, None] * z[:-1], reach - slope[:, None] * z[1:]], axis=1
    )
    which = np.argmax(both, axis=1)
    heights = np.concatenate([z[:-1], z[1:]])
    return both.max(axis=1), which % reach.shape[1], heights[which]
