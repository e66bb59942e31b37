"""One figure for a finished rim that a person understands: its largest departure.

The departure of a rim is how far, at its worst place, the finished edge lies from the
edge that was meant, in mm.  It is the sum of

* shape: form (peak to valley), or the sag where that is more; the two show the same
  missing material and are never added;
* raggedness: the largest of three sigma of the roughness, the same from the lateral
  edge spread (10-90 is 2.563 sigma of a Gaussian edge), and the deepest chip;
* edge: what rounding takes off the corner along its bisector,
  r (1 / sin(corner / 2) - 1), for the corner of 90 degrees less the wall's taper;
* sanding, for lipped tiles: :data:`SANDING_MM`, the unevenness that sanding by hand
  leaves on the bottom face (common practice, no source).

A sum, because nothing keeps the worst of each from meeting at one place.

What is known only as an upper limit counts as anything from zero to it, what was not
measured at all as anything from zero to :data:`UNSEEN_MM` (common practice, no source);
their doubt is kept apart as ``u_open_mm``, because it is much the same for all tiles of
a kind and so tells little about the best tilt, but all about how good the best is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.rim_result import RimMeasurement, RimQuantity

SANDING_MM = 0.02
U_SANDING_MM = 0.01
TAPER_DEG = 15.0
UNSEEN_MM: dict[RimQuantity, float] = {"roughness_sigma": 0.01, "edge_radius": 0.2}
UNSEEN_CHIP_MM = 0.12
SIGMAS = 3.0
SIGMAS_10_90 = 2.563
COVERAGE_ONE_SIDED = 1.645


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """Largest departure of one finished rim, and what it is made of.

    ``u_mm`` from the measured values; ``u_open_mm`` from limits, from what was not
    measured (named in ``open``) and from sanding.  ``shape_mm``, ``ragged_mm``,
    ``edge_mm`` and ``sanding_mm`` add up to ``value_mm``; ``u_shape_mm`` is the shape's
    share in ``u_mm``.
    """

    value_mm: float
    u_mm: float
    u_shape_mm: float
    u_open_mm: float
    shape_mm: float
    ragged_mm: float
    edge_mm: float
    sanding_mm: float
    open: tuple[str, ...]

    @property
    def rest_mm(self) -> float:
        """All but the shape."""
        return self.ragged_mm + self.edge_mm + self.sanding_mm

    @property
    def u_rest_mm(self) -> float:
        """Uncertainty of all but the shape, from the measured values."""
        return math.sqrt(self.u_mm**2 - self.u_shape_mm**2)

    @property
    def upper_mm(self) -> float:
        """The departure that is not exceeded at 95 %."""
        u = math.hypot(self.u_mm, self.u_open_mm)
        return self.value_mm + COVERAGE_ONE_SIDED * u


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """A share of the departure with both kinds of doubt."""

    mm: float
    u_mm: float = 0.0
    u_open_mm: float = 0.0
    name: str | None = None

    def times(self, factor: float) -> _Part:
        return _Part(
            mm=factor * self.mm,
            u_mm=factor * self.u_mm,
            u_open_mm=factor * self.u_open_mm,
            name=self.name,
        )


def departure(
    measured: RimMeasurement, *, taper_deg: float = TAPER_DEG
) -> Departure | None:
    """Give the largest departure of a measured tile's rim.

    Parameters
    ----------
    measured : RimMeasurement
    taper_deg : float
        How far the wall leans inwards.

    Returns
    -------
    Departure or None
        None: neither form nor sag was measured, so the shape of the rim is unknown.
    """
    shape = _shape(measured)
    if shape is None:
        return None
    half_corner = math.radians(90.0 - taper_deg) / 2.0
    ragged = _ragged(measured)
    edge = _part(measured, "edge_radius").times(1.0 / math.sin(half_corner) - 1.0)
    sanding = (
        _Part(mm=SANDING_MM, u_open_mm=U_SANDING_MM)
        if measured.lipped
        else _Part(mm=0.0)
    )
    parts = (shape, ragged, edge, sanding)
    return Departure(
        value_mm=sum(part.mm for part in parts),
        u_mm=math.hypot(*(part.u_mm for part in parts)),
        u_shape_mm=shape.u_mm,
        u_open_mm=math.hypot(*(part.u_open_mm for part in parts)),
        shape_mm=shape.mm,
        ragged_mm=ragged.mm,
        edge_mm=edge.mm,
        sanding_mm=sanding.mm,
        open=tuple(part.name for part in parts if part.name),
    )


def _anything_to(limit_mm: float, name: str, from_mm: float = 0.0) -> _Part:
    """Rectangular between two values (JCGM 100:2008, 4.3.7)."""
    width = limit_mm - from_mm
    return _Part(mm=from_mm + width / 2.0, u_open_mm=width / math.sqrt(12.0), name=name)


def _known(measured: RimMeasurement, name: RimQuantity) -> _Part | None:
    """Take a quantity's size where there is a number or a limit."""
    if name in measured.values:
        quantity = measured.values[name]
        return _Part(mm=abs(quantity.value_mm), u_mm=quantity.u_mm)
    if name in measured.upper_mm:
        return _anything_to(measured.upper_mm[name], name)
    return None


def _part(measured: RimMeasurement, name: RimQuantity) -> _Part:
    return _known(measured, name) or _anything_to(UNSEEN_MM[name], name)


def _shape(measured: RimMeasurement) -> _Part | None:
    """Form or sag; of a sag alone the peak to valley is once to twice as much."""
    form, sag = _known(measured, "form"), _known(measured, "sag")
    if form is not None:
        return form if sag is None or sag.mm <= form.mm else sag
    if sag is None:
        return None
    wide = _anything_to(2.0 * sag.mm, "form", from_mm=sag.mm)
    return _Part(
        mm=wide.mm,
        u_mm=1.5 * sag.u_mm,
        u_open_mm=math.hypot(wide.u_open_mm, sag.u_open_mm),
        name="form",
    )


def _ragged(measured: RimMeasurement) -> _Part:
    """Roughness, edge spread or deepest chip, whichever is largest."""
    found = [_part(measured, "roughness_sigma").times(SIGMAS)]
    spread = _known(measured, "edge_spread")
    if spread is not None:
        found.append(spread.times(SIGMAS / SIGMAS_10_90))
    found += [_Part(mm=chip.depth_mm, u_mm=chip.u_depth_mm) for chip in measured.chips]
    largest = max(found, key=lambda part: part.mm)
    unseen = UNSEEN_CHIP_MM - largest.mm
    if measured.chip_limit_mm is not None or unseen <= 0.0:
        return largest
    return _Part(
        mm=largest.mm,
        u_mm=largest.u_mm,
        u_open_mm=math.hypot(largest.u_open_mm, unseen / math.sqrt(12.0)),
        name="chips",
    )
