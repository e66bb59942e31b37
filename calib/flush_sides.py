"""Insets of the sides and corners of a ring, in every raised layer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.flush_outline import RingShape
from calib.flush_plane import ALONG_MM
from calib.lattice import FREE_QUANTUM_MM

if TYPE_CHECKING:
    from calib.flush_model import FlatModel

Array = NDArray[np.float64]

_TIGHT_PER_MM = 1.0 / 3.0  # curves tighter than this keep no lattice direction
_BEND_STEP_PER_MM = 0.02


@dataclass(frozen=True, kw_only=True)
class Sides:
    """Insets (J, n) of a ring's sides, and profiles (J, k, places) of its corners.

    ``curve_mm`` (J, n): how much of a side's inset is owed to its curve; ``held_mm``
    (n,): quantum that the insets of a side are whole ones of.
    """

    shape: RingShape
    inset_mm: Array
    curve_mm: Array
    held_mm: Array
    profiles_mm: Array

    @classmethod
    def of(cls, shape: RingShape, run_mm: float, model: FlatModel) -> Sides:
        """Look every side and corner of a ring up."""
        bend = shape.curvature_per_mm
        curve = model.curve_mm(bend, run_mm)
        inset = model.smooth_mm(run_mm)[:, None] + curve
        stairs = model.stairs_of(shape)
        loose = np.abs(bend) < _TIGHT_PER_MM
        bends = np.round(bend / _BEND_STEP_PER_MM) * _BEND_STEP_PER_MM
        held = np.full(len(loose), FREE_QUANTUM_MM)
        for quantum in set(stairs.quantum_mm[loose].tolist()):
            ours = loose & (stairs.quantum_mm == quantum)
            ours &= stairs.shown > model.showing(run_mm, quantum)
            held[ours] = quantum
            for step in set(bends[ours].tolist()):
                same = ours & (bends == step)
                moves = model.quanta(run_mm, quantum, step)[:, None]
                inset[:, same] = moves * stairs.move_mm[same]
        corners = [
            model.corner_mm(angle, run_mm) for angle in shape.inside_deg.tolist()
        ]
        room = (len(corners), model.layers, len(ALONG_MM))
        profiles = np.reshape(np.array(corners), room)
        return cls(
            shape=shape,
            inset_mm=inset,
            curve_mm=curve,
            held_mm=held,
            profiles_mm=np.moveaxis(profiles, 0, 1),
        )

    def over(self, others: Sides, layers: int) -> Sides:
        """Take the lowest layers from others."""

        def joined(ours: Array, theirs: Array) -> Array:
            return np.concatenate([theirs[:layers], ours[layers:]])

        return replace(
            self,
            inset_mm=joined(self.inset_mm, others.inset_mm),
            curve_mm=joined(self.curve_mm, others.curve_mm),
            profiles_mm=joined(self.profiles_mm, others.profiles_mm),
        )

    @property
    def plain_mm(self) -> float:
        """Quantum of the greater part of the ring."""
        kinds, kind = np.unique(self.held_mm, return_inverse=True)
        return float(kinds[np.argmax(np.bincount(kind, self.shape.length_mm))])

    def kinds(self) -> tuple[Array, Array]:
        """Shares (k,) of the ring by what its sides are held to, and insets (k, J).

        As on a straight wall.
        """
        _, kind = np.unique(self.held_mm, return_inverse=True)
        length = np.bincount(kind, self.shape.length_mm)
        insets = [
            np.bincount(kind, self.shape.length_mm * inset)
            for inset in self.inset_mm - self.curve_mm
        ]
        return length / length.sum(), (np.array(insets) / length).T
