"""Pictures of a fit, drawn on axes that the caller owns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.prediction import VOUCHED_RATIO, predict
from calib.wall import build_wall, draw

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from calib.advice import Suggestion
    from calib.posterior import Fit
    from calib.wall import Setting

_PLACES = 17
_DRAWS = 120


def plot_flare_vs_exposure(
    fit: Fit, setting: Setting, pixel_mm: float, *, ax: Axes
) -> Axes:
    """Draw the plate layer's flare without insets against the bottom exposure.

    The band is the 95 % interval, the model's own doubt included; exposures that were
    printed are marked by triangles on the axis.

    Parameters
    ----------
    fit : Fit
        What the bottle's prints told.
    setting : Setting
        Layers and exposures; only the bottom exposure is varied.
    pixel_mm : float
        Pitch of the mask's pixels.
    ax : Axes
        Where to draw.
    """
    low, high = VOUCHED_RATIO
    printed_s = np.array([o.bottom_exposure_s for o in fit.observations])
    seconds = np.geomspace(low * printed_s.min(), high * printed_s.max(), _PLACES)
    draws = draw(fit, _DRAWS)
    none = np.zeros(len(setting.raised_s), dtype=np.intp)
    flare = [
        predict(
            fit, build_wall(draws, setting.with_bottom(float(s)), pixel_mm), none
        ).first_layer
        for s in seconds
    ]
    ax.fill_between(
        seconds,
        [f.low_mm for f in flare],
        [f.high_mm for f in flare],
        color="0.85",
        label="95 % interval",
    )
    ax.plot(seconds, [f.value_mm for f in flare], color="C0", label="predicted flare")
    ax.plot(
        printed_s,
        np.zeros(len(printed_s)),
        linestyle="none",
        marker="^",
        color="C3",
        label="printed exposure",
    )
    ax.set_xlabel("bottom exposure (s)")
    ax.set_ylabel("flare of the plate layer (mm)")
    ax.legend()
    return ax


def plot_insets(suggestion: Suggestion, *, ax: Axes) -> Axes:
    """Draw the suggested inset of each layer, and the best single one beside it."""
    layers = np.array([layer.layer for layer in suggestion.layers])
    inset = [layer.inset_mm for layer in suggestion.layers]
    single = suggestion.single
    ax.plot(
        inset,
        layers,
        linestyle="-",
        marker="s",
        drawstyle="steps-mid",
        label="layer by layer",
    )
    ax.plot(
        np.where(layers < single.layers, single.inset_mm, 0.0),
        layers,
        linestyle="--",
        marker="x",
        label="one inset only",
    )
    ax.set_xlabel("inset (mm)")
    ax.set_ylabel("layer, counted from the plate")
    ax.locator_params(axis="y", integer=True)
    ax.legend()
    return ax
