"""At which tilt to print, and whether the lip is worth its sanding."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.prediction import Interval
from calib.rim_merit import COVERAGE_ONE_SIDED
from patterns.errors import RecordError

if TYPE_CHECKING:
    from calib.tilt_model import TiltFit

Array = NDArray[np.float64]

WORTH_SANDING_MM = 0.005
WORTH_TILTING_MM = 0.01
_END_DEG = 1.0
_COVERAGE = (0.025, 0.975)
_SEED = 21
_ODD_TRUST = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentAdvice:
    """Best tilt of bare or of lipped tiles, and what is expected there.

    ``tilt_low_deg`` to ``tilt_high_deg`` is the 95 % interval of the best tilt;
    ``at_end``: the best is an end of the tested range, so it may lie beyond.
    """

    lipped: bool
    tilt_deg: float
    tilt_low_deg: float
    tilt_high_deg: float
    departure: Interval
    at_end: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatComparison:
    """Departure of a flat print against the suggested tilt; gain positive: tilt."""

    flat: Interval
    gain: Interval
    tilt_is_better: bool | None

    @property
    def words(self) -> str:
        """Say in a sentence how flat compares."""
        told = f"{abs(self.gain.value_mm):.3f} mm (u {self.gain.u_mm:.3f})"
        flat = f"Printed flat, {self.flat.value_mm:.3f} mm are expected"
        if self.tilt_is_better is None:
            return f"{flat}: no difference seen from the suggested tilt."
        if self.tilt_is_better:
            return f"{flat}: {told} worse than the suggested tilt."
        better = f"{flat}: {told} better than the suggested tilt"
        return f"{better}, and nothing to support or to sand."


@dataclass(frozen=True, slots=True, kw_only=True)
class RimSuggestion:
    """Tilt and lip, how sure they are, and why.

    ``departure`` is the expected one at the suggested tilt, with its 95 % interval;
    ``departure_95_mm`` the one that 19 of 20 tiles stay below, scatter counted.
    ``treatments`` has the best of bare and of lipped tiles, as far as measured.
    ``lip_gain`` is what the lip takes off the departure, each treatment at its best
    tilt, sanding counted; None where one of them was not measured.
    ``difference_seen``: its 95 % interval doesn't hold zero.  ``scatter_mm`` is the
    standard deviation from tile to tile.
    """

    tilt_deg: float
    lipped: bool
    tilt_low_deg: float
    tilt_high_deg: float
    departure: Interval
    departure_95_mm: float
    treatments: tuple[TreatmentAdvice, ...]
    lip_gain: Interval | None
    difference_seen: bool | None
    flat: FlatComparison | None
    scatter_mm: float
    tested_deg: tuple[float, float]
    smooth: str
    smooth_probability: float
    reason: str
    cautions: tuple[str, ...]


def suggest_tilt(
    fit: TiltFit,
    *,
    u_open_mm: tuple[float, float] = (0.0, 0.0),
    flat: Interval | None = None,
    unscored: int = 0,
    edges_seen: bool = True,
) -> RimSuggestion:
    """Suggest tilt and lip from the departure's fit.

    Parameters
    ----------
    fit : TiltFit
        Of the departures of all measured tiles.
    u_open_mm : tuple of float
        Doubt of the departure that all bare and all lipped tiles share.
    flat : Interval or None
        Departure to expect of a flat print, where a flare coupon told it.
    unscored : int
        Tiles whose departure could not be told.
    edges_seen : bool
        Whether any tile's profile was photographed.

    Raises
    ------
    RecordError
        A doubt is negative.
    """
    if min(u_open_mm) < 0.0:
        raise RecordError(
            f"A doubt of {min(u_open_mm)} mm is negative.", "Measure the tiles again."
        )
    open_mm = _open_draws(len(fit.draws_mm), u_open_mm)
    treatments = tuple(
        _best(fit, side, open_mm[:, side])
        for side in (0, 1)
        if not np.isnan(fit.draws_mm[0, side, 0])
    )
    gain = _gain(fit, open_mm) if len(treatments) > 1 else None
    lip = gain is not None and gain.value_mm > WORTH_SANDING_MM
    chosen = treatments[-1] if lip else treatments[0]
    seen = None if gain is None else not gain.low_mm <= 0.0 <= gain.high_mm
    against = None if flat is None else _against_flat(flat, chosen.departure)
    scatter_mm = fit.scatter_mm[int(chosen.lipped)]
    u = float(np.hypot(chosen.departure.u_mm, scatter_mm))
    return RimSuggestion(
        tilt_deg=chosen.tilt_deg,
        lipped=chosen.lipped,
        tilt_low_deg=chosen.tilt_low_deg,
        tilt_high_deg=chosen.tilt_high_deg,
        departure=chosen.departure,
        departure_95_mm=chosen.departure.value_mm + COVERAGE_ONE_SIDED * u,
        treatments=treatments,
        lip_gain=gain,
        difference_seen=seen,
        flat=against,
        scatter_mm=scatter_mm,
        tested_deg=(float(fit.tilt_deg[0]), float(fit.tilt_deg[-1])),
        smooth=fit.chosen,
        smooth_probability=fit.probability[fit.chosen],
        reason=_reason(chosen, gain, seen=seen),
        cautions=(
            *_end_words(fit, chosen),
            *_tile_words(fit, unscored, edges_seen=edges_seen),
        ),
    )


def expected(
    fit: TiltFit, tilt_deg: float, u_open_mm: tuple[float, float], *, lipped: bool
) -> Interval:
    """Departure to expect at a tilt within those tested, as near as it was worked out.

    Parameters
    ----------
    fit, u_open_mm
        As for :func:`suggest_tilt`.
    tilt_deg : float
    lipped : bool
        Of a treatment that was printed.
    """
    place, side = int(np.argmin(np.abs(fit.tilt_deg - tilt_deg))), int(lipped)
    open_mm = _open_draws(len(fit.draws_mm), u_open_mm)
    return _interval(fit.draws_mm[:, side, place] + open_mm[:, side])


def _open_draws(draws: int, u_open_mm: tuple[float, float]) -> Array:
    """Draws (m, 2) of what all tiles of a treatment may share."""
    rng = np.random.default_rng(_SEED)
    return np.asarray(rng.standard_normal((draws, 2)) * u_open_mm)


def _best(fit: TiltFit, side: int, open_mm: Array) -> TreatmentAdvice:
    """Where the expected departure is least."""
    draws = fit.draws_mm[:, side]
    tilt = fit.tilt_deg
    place = int(np.argmin(draws.mean(axis=0)))
    where = tilt[np.argmin(draws, axis=1)]
    low, high = np.quantile(where, _COVERAGE)
    near = tilt[place]
    return TreatmentAdvice(
        lipped=bool(side),
        tilt_deg=float(near),
        tilt_low_deg=float(max(low - _half_step(tilt), tilt[0])),
        tilt_high_deg=float(min(high + _half_step(tilt), tilt[-1])),
        departure=_interval(draws[:, place] + open_mm),
        at_end=bool(min(near - tilt[0], tilt[-1] - near) <= _END_DEG),
    )


def _half_step(tilt: Array) -> float:
    return float(np.diff(tilt).max()) / 2.0


def _gain(fit: TiltFit, open_mm: Array) -> Interval:
    """Bare less lipped, each where it is expected to be best."""
    at = np.argmin(fit.mean_mm, axis=1)
    bare, lip = (fit.draws_mm[:, side, at[side]] + open_mm[:, side] for side in (0, 1))
    return _interval(bare - lip)


def _interval(draws: Array) -> Interval:
    low, high = np.quantile(draws, _COVERAGE)
    return Interval(
        value_mm=float(draws.mean()),
        u_mm=float(draws.std()),
        low_mm=float(low),
        high_mm=float(high),
    )


def _against_flat(flat: Interval, tilted: Interval) -> FlatComparison:
    u = float(np.hypot(flat.u_mm, tilted.u_mm))
    gain = flat.value_mm - tilted.value_mm
    interval = Interval(
        value_mm=gain, u_mm=u, low_mm=gain - 1.96 * u, high_mm=gain + 1.96 * u
    )
    sure = interval.low_mm > 0.0 or interval.high_mm < 0.0
    worth = abs(gain) > WORTH_TILTING_MM
    return FlatComparison(
        flat=flat, gain=interval, tilt_is_better=gain > 0.0 if sure and worth else None
    )


def _reason(
    chosen: TreatmentAdvice, gain: Interval | None, *, seen: bool | None
) -> str:
    """One sentence: what the lever is."""
    tilt = f"{chosen.tilt_deg:.0f} degrees"
    if gain is None:
        other = "bare" if chosen.lipped else "lipped"
        return (
            f"Print at {tilt}; no {other} tile was measured, so what the lip gains "
            "is not known."
        )
    told = f"{abs(gain.value_mm):.3f} mm (u {gain.u_mm:.3f}), sanding counted"
    if chosen.lipped:
        led = "gains" if seen else "leads by"
        doubt = "" if seen else "; no difference seen beyond doubt"
        return f"Print at {tilt} with the lip: it {led} {told}{doubt}."
    if not seen:
        return f"Print at {tilt} without the lip: no difference seen from it, {told}."
    if gain.value_mm > 0.0:
        return f"Print at {tilt} without the lip: its {told}, aren't worth the work."
    return f"Print at {tilt} without the lip: it would cost {told}."


def _end_words(fit: TiltFit, chosen: TreatmentAdvice) -> list[str]:
    """Say where a better tilt may lie outside those tested."""
    if not chosen.at_end:
        return []
    low, high = fit.tilt_deg[0], fit.tilt_deg[-1]
    below = chosen.tilt_deg - low < high - chosen.tilt_deg
    where = f"below {low:.0f}" if below else f"above {high:.0f}"
    told = f"The best tilt is an end of those tested: test farther, {where} degrees"
    return [f"{told}; nothing is claimed there."]


def _tile_words(fit: TiltFit, unscored: int, *, edges_seen: bool) -> list[str]:
    """Say what is odd about the tiles."""
    said = [
        f"Print {b.batch} lies {b.offset_mm:+.3f} mm (u {b.u_mm:.3f}) from the others: "
        "something drifted between them; print the set again."
        for b in fit.batches
        if b.drifted
    ]
    odd = int(np.sum(fit.trust < _ODD_TRUST))
    if odd:
        said.append(
            f"{odd} of {len(fit.trust)} tiles lie off the curve by more than the "
            "scatter of the others and count less."
        )
    if unscored:
        said.append(f"{unscored} tiles show neither form nor sag and don't count.")
    if not edges_seen:
        said.append(
            "No edge radius was measured, so how sharp sanding leaves the edge isn't "
            "known: photograph the tiles' profiles on the edge stand."
        )
    return said
