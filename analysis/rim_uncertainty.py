"""Uncertainty of what is measured on a rim: noise, light, view, scale and model.

Every functional is linear in the readings along the arc, so its variance is
gain . covariance . gain (JCGM 100:2008, 5.2.2).  Noise is each sample's own; what the
light does to the edge is alike over millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.result import Component, Quantity
from analysis.uncertainty import combined_u

if TYPE_CHECKING:
    from analysis.rim_result import RimQuantity

Floats = NDArray[np.float64]

LIGHT_MM = 0.0012
LIGHT_POWER = 1.5
"""Standard error of a reading by its light: this over strength to this power."""
LIGHT_LENGTH_MM = 4.0
"""Over this length along the arc it is alike (exponential correlation)."""
NOISE_WIDENED = 1.4
"""Neighbouring samples err alike (correlation 0.45 at 0.1 mm, 0.05 at 0.2 mm)."""
NOISE_LAG = 2
"""Samples this far apart share no pixels any more."""
EDGE_PX = 0.12
"""Tone curve and sharpening move all edges alike (0.1-0.15 px)."""
VIEW_LENGTH_MM = {"sag": 0.4, "form": 0.4, "cos2phi": 0.8, "radius": 0.4}
"""Change for a radian of error in the line of sight, for a rim of 12.5 mm."""
SKEWED: tuple[RimQuantity, ...] = ("form", "cos2phi")
"""What :func:`skew_mm` goes into."""
MODEL_MM = {"sag": 0.0011, "form": 0.002, "cos2phi": 0.0035, "radius": 0.002}
"""The edge's model, and what the corners, which are not read, would add."""
END_SHARE = {"sag": 0.06, "form": 0.05, "cos2phi": 0.23, "radius": 0.1}
"""... the latter as a share of the roughness."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RimDoubt:
    """What is not known about a rim's reading, beside its own samples.

    ``edge_mm``: error of all edges alike, from 0.12 px; ``roughness_mm``: as seen;
    ``skew_mm``: of form and cos 2 phi, see :func:`skew_mm`.
    """

    u_view_rad: float
    u_scale_ratio: float
    edge_mm: float
    roughness_mm: float
    radius_mm: float
    skew_mm: float


def skew_mm(radius_mm: float, slope: float, u_view_rad: float) -> float:
    """Give the u of cos 2 phi and sin 2 phi by the view.

    Where the line of sight meets the plane at a ``slope`` (tangent of its angle from
    upright), an error of the plane's tilt stretches the picture one way by that error
    times the slope, and makes half of it times R of a circle.
    """
    return 0.5 * radius_mm * slope * u_view_rad


def light_mm(strength: Floats) -> Floats:
    """Give the standard error (n,) of readings by their light, from its strength."""
    return np.asarray(LIGHT_MM / np.clip(strength, 0.1, 1.0) ** LIGHT_POWER)


def short_scatter_mm(place_mm: Floats) -> float:
    """Scatter of samples (n,) from one to the second next, robust; 0 if there is none.

    What is not noise in it are waves of roughness of 0.4 mm and less.
    """
    step = np.abs(place_mm[NOISE_LAG:] - place_mm[:-NOISE_LAG])
    step = step[np.isfinite(step)]
    return 1.4826 * float(np.median(step)) / np.sqrt(2) if len(step) else 0.0


def seen_noise(noise_mm: Floats, place_mm: Floats) -> Floats:
    """Widen the noise (n,) of samples to the scatter that is seen between them.

    A picture's noise is not white (sharpening, JPEG), and so the fits think too well of
    themselves, by a factor of two or so.
    """
    typical = max(float(np.nanmedian(noise_mm)), 1e-9)
    return np.asarray(noise_mm * max(1.0, short_scatter_mm(place_mm) / typical))


def noise_of(u_mm: Floats, strength: Floats) -> Floats:
    """Split the noise (n,) off the u of one sample."""
    return np.sqrt(np.maximum(u_mm**2 - light_mm(strength) ** 2, 1e-12))


def rim_quantity(
    name: RimQuantity,
    value_mm: float,
    gain: Floats,
    along_mm: Floats,
    u_mm: Floats,
    strength: Floats,
    doubt: RimDoubt,
    method: str,
) -> Quantity:
    """One functional with its budget; ``gain``, ``u_mm``, ``strength`` (n,)."""
    light = light_mm(strength)
    weighted = gain * light
    apart = np.abs(along_mm[:, None] - along_mm) / LIGHT_LENGTH_MM
    by_light = float(np.sqrt(weighted @ np.exp(-apart) @ weighted))
    by_noise = NOISE_WIDENED * float(np.linalg.norm(gain * noise_of(u_mm, strength)))
    if name == "radius":
        by_light = float(np.hypot(by_light, doubt.edge_mm))
    size = doubt.radius_mm / 12.5
    length = doubt.radius_mm if name == "radius" else abs(value_mm)
    by_view = VIEW_LENGTH_MM[name] * size * doubt.u_view_rad
    if name in SKEWED:
        by_view = float(np.hypot(by_view, doubt.skew_mm))
    parts = (
        Component(name="ruler", u_mm=length * doubt.u_scale_ratio),
        Component(name="pose", u_mm=by_view),
        Component(name="edge noise", u_mm=by_noise),
        Component(name="light", u_mm=by_light),
        Component(
            name="model",
            u_mm=float(np.hypot(MODEL_MM[name], END_SHARE[name] * doubt.roughness_mm)),
        ),
    )
    return Quantity(
        value_mm=value_mm, u_mm=combined_u(parts), method=method, budget=parts
    )
