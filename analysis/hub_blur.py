"""How blurred the picture is in the plane of the hub's top, from its straight sides.

A step blurred by a Gaussian and sharpened is fitted to each; the modulation transfer by
ISO 12233 is a second way.  Window and bins of that way change the modulation by up to 3
% themselves, so the fitted steps are put through the same steps and compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.hub_edges import side_lights, side_step
from analysis.slanted_edge import transfer

if TYPE_CHECKING:
    from analysis.hub import Hub
    from analysis.hub_edges import SideStep
    from analysis.photo import Photo

_MOST_SHARPEN = 1.5
_SHARP_SHARE = 30.0
_CLEAR = 15.0
"""Step over misfit from which a modulation is good to 2 %."""

_DOUBT = 0.05
"""How far the modulations may differ: path-traced pictures, whose blur is not quite a
Gaussian (demosaicking, tone curve, noise), show 2 to 3.5 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """The picture's blur at sharp edges.

    ``sigma_px`` is the standard deviation of a Gaussian, a pixel's own width included,
    before the camera sharpened the picture by the share ``sharpen``.  Shade and worn
    edges only widen, so it is that of the sharper edges.  ``transfer_ratio`` is the
    frequency of half modulation by ISO 12233 over that of the fitted step, the median
    of the clear edges; NaN if none is clear.
    """

    sigma_px: float
    sharpen: float
    transfer_ratio: float
    edges: int

    @property
    def agrees(self) -> bool:
        """Whether fitted edges and modulation transfer tell the same."""
        return not abs(self.transfer_ratio - 1) > _DOUBT


def hub_blur(photo: Photo, hub: Hub) -> Blur | None:
    """Measure the blur at the ends of the hub's straight sides, clear of the bays."""
    sides = side_lights(photo, hub.view, hub.stand)
    free = [step for side in sides if (step := side_step(side, None)) is not None]
    if not free:
        return None
    sharpen = float(np.median([step.sharpen for step in free]))
    sharpen = float(np.clip(sharpen, 0.0, _MOST_SHARPEN))
    steps = [s for side in sides if (s := side_step(side, sharpen)) is not None]
    ratios = [_ratio(step) for step in steps if step.clear > _CLEAR]
    return Blur(
        sigma_px=float(np.percentile([s.sigma_px for s in steps], _SHARP_SHARE)),
        sharpen=sharpen,
        transfer_ratio=float(np.median(ratios)) if ratios else float("nan"),
        edges=len(steps),
    )


def _ratio(step: SideStep) -> float:
    seen = transfer(step.distance_px, step.flat)
    told = transfer(step.distance_px, step.step)
    return seen.mtf50_per_px / told.mtf50_per_px
