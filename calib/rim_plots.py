"""Picture of the rim's departure against tilt, drawn on axes that the caller owns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from calib.rim_advice import RimSuggestion
    from calib.tilt_model import TiltFit

_LOOKS = (("bare", "C0", "o", "-"), ("lipped", "C1", "s", "--"))
_APART_DEG = 0.25  # the two treatments of a tilt, side by side


def plot_departure_vs_tilt(
    fit: TiltFit, suggestion: RimSuggestion, *, ax: Axes
) -> Axes:
    """Draw the departure of bare and lipped tiles, 95 % bands and the chosen tilt.

    Parameters
    ----------
    fit : TiltFit
        Of the departures.
    suggestion : RimSuggestion
        What was made of it.
    ax : Axes
        Where to draw.
    """
    for side, (name, colour, marker, line) in enumerate(_LOOKS):
        tiles = [r for r in fit.readings if r.lipped == bool(side)]
        if not tiles:
            continue
        low, high = np.quantile(fit.draws_mm[:, side], (0.025, 0.975), axis=0)
        ax.fill_between(fit.tilt_deg, low, high, color=colour, alpha=0.2, linewidth=0)
        ax.plot(
            fit.tilt_deg, fit.mean_mm[side], color=colour, linestyle=line, label=name
        )
        ax.errorbar(
            [r.tilt_deg + (2 * side - 1) * _APART_DEG for r in tiles],
            [r.value_mm for r in tiles],
            yerr=[1.96 * r.u_mm for r in tiles],
            color=colour,
            marker=marker,
            linestyle="none",
            markersize=4,
            linewidth=0.8,
        )
    which = "with the lip" if suggestion.lipped else "bare"
    ax.axvline(
        suggestion.tilt_deg,
        color="0.2",
        linewidth=1,
        label=f"suggested: {suggestion.tilt_deg:.0f} degrees, {which}",
    )
    ax.axvspan(
        suggestion.tilt_low_deg,
        suggestion.tilt_high_deg,
        color="0.5",
        alpha=0.12,
        linewidth=0,
        label="95 % interval of the best tilt",
    )
    ax.set_ylim(bottom=0.0)
    ax.set_xlabel("tilt (degrees)")
    ax.set_ylabel("largest departure of the rim (mm)")
    ax.legend()
    return ax
