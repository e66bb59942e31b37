"""One rim from several photos: each piece of arc from the photo that shows it best.

Never averaged: light errs by the same amount over millimetres, and a weak edge would
spoil a strong one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import ROUGHNESS_CUTOFF_MM, lowpass
from analysis.rim_result import RimArc
from analysis.rim_uncertainty import light_mm, noise_of

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = NDArray[np.float64]

SMOOTH_MM = 3.0
"""Length over which the strengths of photos are compared: pieces, not samples."""
MUCH_BETTER = 1.3
"""A piece is taken from another photo than the best one where its edge is stronger by
this factor: every join costs something."""
LEAST_COMMON = 0.25
NOISE_LEFT = 0.35
"""Share of the noise of single samples that is left after a low-pass of 2.5 mm."""
_READ = 0.3
_CLEARLY = 1e-9
_SAME_RAD = 1e-9


def stitch(arcs: Sequence[RimArc]) -> RimArc:
    """Stitch arcs read at the same angles.

    Parameters
    ----------
    arcs : sequence of RimArc
        At least one; all with the same ``phi_rad``.  The first is the one to trust: the
        others are laid on it, and fill in where they are clearly stronger.

    Returns
    -------
    RimArc
        ``source`` counts through the arcs given, in their order.

    Raises
    ------
    ValueError
        No arcs, or arcs of different angles.

    Notes
    -----
    Each photo lays the circle's centre a little elsewhere, has its own scale, and makes
    an oval of a circle that it sees aslant; before they are joined, the waves of up to
    ``2 phi`` of the difference to the first are taken off, by least squares over what
    both show well.  Carried on from a short overlap that would be a guess: an arc with
    less than a quarter in common is left.
    """
    if not arcs:
        raise ValueError("nothing to stitch")
    phi = arcs[0].phi_rad
    if any(
        len(a.phi_rad) != len(phi) or np.abs(a.phi_rad - phi).max() > _SAME_RAD
        for a in arcs
    ):
        raise ValueError("arcs of different angles can't be stitched")
    joinable = [True, *(_common(arcs[0], arc) for arc in arcs[1:])]
    laid = np.array([_laid_on(arcs[0], arc) for arc in arcs])
    shown = np.array([_smooth(_shown(arc), phi * arc.radius_mm) for arc in arcs])
    usable = np.array([arc.used & k for arc, k in zip(arcs, joinable, strict=True)])
    shown = np.where(usable, shown, -1.0)
    shown[0] = np.where(usable[0], MUCH_BETTER * shown[0], -1.0)
    pick = np.argmax(shown, axis=0)
    every = np.arange(len(phi))

    def take(name: str) -> Floats:
        return np.asarray(np.array([getattr(arc, name) for arc in arcs])[pick, every])

    return RimArc(
        radius_mm=arcs[0].radius_mm,
        phi_rad=phi,
        residual_mm=laid[pick, every],
        u_mm=take("u_mm"),
        strength=take("strength"),
        used=np.asarray(usable.any(axis=0)),
        source=pick,
        smear_mm=arcs[0].smear_mm,
    )


def disagreement(first: RimArc, second: RimArc) -> float | None:
    """How many times its uncertainty the form of two arcs differs, root mean square.

    Over what both show well, after a Gaussian low-pass of 2.5 mm, each about its own
    circle and less the oval that its view may have made of it; None if that is less
    than a quarter of the arc.  In rendered pictures photos of one print differed by up
    to 1.1 (27 pairs), 99 % of different ones by 2.5 and more (343 pairs).
    """
    both = _both_read(first, second)
    if both.mean() < LEAST_COMMON:
        return None
    phi = first.phi_rad[both]
    difference = (second.residual_mm - first.residual_mm)[both]
    seen = _views(phi)
    difference -= seen @ np.linalg.lstsq(seen, difference, rcond=None)[0]
    along = phi * first.radius_mm
    form = lowpass(along, difference, ROUGHNESS_CUTOFF_MM)
    typical = np.hypot(*(_form_u(arc)[both] for arc in (first, second)))
    return float(np.sqrt(np.mean(form**2)) / np.median(typical))


def _form_u(arc: RimArc) -> Floats:
    """Give the u (n,) of an arc after the low-pass, which leaves light's part whole."""
    noise = NOISE_LEFT * noise_of(arc.u_mm, arc.strength)
    return np.hypot(noise, light_mm(arc.strength))


def _common(first: RimArc, other: RimArc) -> bool:
    """Whether both show enough of the same arc to be laid on each other."""
    return bool(_both_read(first, other).mean() >= LEAST_COMMON)


def _both_read(first: RimArc, other: RimArc) -> NDArray[np.bool_]:
    strength = np.minimum(first.strength, other.strength)
    return first.used & other.used & (strength > _READ)


def _shown(arc: RimArc) -> Floats:
    return np.where(arc.used, np.maximum(arc.strength, 0.0), 0.0)


def _smooth(values: Floats, along_mm: Floats) -> Floats:
    """Mean over a few millimetres."""
    reach = max(int(SMOOTH_MM / float(np.median(np.diff(along_mm)))) // 2, 1)
    window = np.ones(2 * reach + 1) / (2 * reach + 1)
    return np.convolve(np.pad(values, reach, mode="edge"), window, "valid")


def _views(phi_rad: Floats) -> Floats:
    """Give what two views of a rim differ by: size, place, how oval they make it."""
    waves = [wave(k * phi_rad) for k in (1, 2) for wave in (np.cos, np.sin)]
    return np.column_stack([np.ones_like(phi_rad), *waves])


def _laid_on(first: RimArc, other: RimArc) -> Floats:
    """Residuals of ``other`` about the circle of ``first``."""
    if other is first:
        return first.residual_mm
    weight = np.minimum(_shown(first), _shown(other)) ** 2
    weight = weight if weight.sum() > _CLEARLY else np.ones(len(weight))
    phi = first.phi_rad
    design = _views(phi)
    difference = other.residual_mm - first.residual_mm
    shift = np.zeros(design.shape[1])
    for _ in range(3):
        left = np.abs(difference - design @ shift)
        typical = 1.4826 * float(np.median(left[weight > 0])) + 1e-4
        robust = weight * (left < 4 * typical)
        root = np.sqrt(robust)[:, None]
        shift = np.linalg.lstsq(design * root, difference * root[:, 0], rcond=None)[0]
    return np.asarray(other.residual_mm - design @ shift)
