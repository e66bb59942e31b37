"""Steps that layers leave on a tilted base: pure geometry, no resin.

Angles in degrees from the build plate: 0 is flat.  The cusp is the largest distance,
square to the true face, between the face and the corner of a step (Dolenc & Makela
1994, Comput.-Aided Des. 26(2):119-126; from memory): h |n_z|, with n_z the part of the
face's normal along the build direction.
"""

from __future__ import annotations

import math


def flat_cusp_mm(layer_mm: float, tilt_deg: float) -> float:
    """Cusp of the base's flat face: h cos(tilt)."""
    return layer_mm * abs(math.cos(math.radians(tilt_deg)))


def wall_cusp_mm(
    layer_mm: float, tilt_deg: float, taper_deg: float, phi_deg: float = 0.0
) -> float:
    """Cusp of the rim's wall: h |sin(tilt) cos(taper) cos(phi) - cos(tilt) sin(taper)|.

    Parameters
    ----------
    layer_mm, tilt_deg : float
    taper_deg : float
        How far the wall leans inwards going away from the base.
    phi_deg : float
        Place along the rim, 0 at the lowest point.
    """
    tilt, taper = math.radians(tilt_deg), math.radians(taper_deg)
    outwards = math.sin(tilt) * math.cos(taper) * math.cos(math.radians(phi_deg))
    return layer_mm * abs(outwards - math.cos(tilt) * math.sin(taper))


def tread_mm(layer_mm: float, tilt_deg: float) -> float:
    """Depth of a step on the flat face, along the plate: h / tan(tilt); flat: inf."""
    slope = math.tan(math.radians(tilt_deg))
    return layer_mm / slope if slope > 0 else math.inf


def coincidence_deg(layer_mm: float, pixel_mm: float) -> float:
    """Tilt at which a tread is one pixel: atan(h / pixel pitch along the tilt)."""
    return math.degrees(math.atan2(layer_mm, pixel_mm))
