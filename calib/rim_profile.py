"""A bottle's rim tiles: which were measured on which print, and what they advise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.rim_result import RimMeasurement, RimQuantity
from calib.departure_model import DepartureReading, fit_departure
from calib.prediction import Interval
from calib.records import Print, StoredMeasurement
from calib.rim_advice import RimSuggestion, expected, suggest_tilt
from calib.rim_merit import Departure, departure
from calib.rim_readings import QUANTITIES, combine_tiles, rim_from_dict
from calib.tilt_model import LEAST_TILTS, TiltFit, TiltReading, fit_tilt
from patterns.errors import RecordError
from patterns.tilt_steps import flat_cusp_mm, wall_cusp_mm

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from calib.store import Entry, Store
    from patterns.rim_manifest import RimManifest

Array = NDArray[np.float64]

_NOT_OF_TILT = frozenset({"radius", "back_straightness"})
_FEW_DRAWS = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """What the geometric steps depend on beside the tilt."""

    layer_mm: float
    taper_deg: float

    def cusp_mm(self, tilt_deg: Array) -> Array:
        """Larger step of the two faces that meet at the rim's lowest point, (k,)."""
        return np.array(
            [
                max(
                    flat_cusp_mm(self.layer_mm, tilt),
                    wall_cusp_mm(self.layer_mm, tilt, self.taper_deg),
                )
                for tilt in np.asarray(tilt_deg).tolist()
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredTile:
    """A tile with its measurements joined, and the number of its print."""

    print_number: int
    tile: RimMeasurement


@dataclass(frozen=True, slots=True, kw_only=True)
class RimProfile:
    """All tiles of a bottle on a printer that were measured.

    ``lips_mm``: tilt in degrees and depth of each lip of the newest set.
    """

    tiles: tuple[MeasuredTile, ...]
    measurement_uids: tuple[str, ...]
    steps: Steps
    lips_mm: tuple[tuple[float, float], ...] = ()

    @property
    def print_numbers(self) -> tuple[int, ...]:
        """Prints that the tiles came from, in order."""
        return tuple(sorted({measured.print_number for measured in self.tiles}))

    def lip_depth_mm(self, tilt_deg: float) -> float | None:
        """Depth of the lip of the tile nearest to a tilt; None: none had one."""
        nearest = min(
            self.lips_mm, key=lambda lip: abs(lip[0] - tilt_deg), default=None
        )
        return None if nearest is None else nearest[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class RimAdvice:
    """Suggestion with the fit behind it and each quantity at the suggested place.

    ``u_open_mm``: doubt that all bare and that all lipped tiles share.
    """

    suggestion: RimSuggestion
    fit: TiltFit
    quantities: dict[RimQuantity, Interval]
    u_open_mm: tuple[float, float]

    def departure_at(self, tilt_deg: float, *, lipped: bool) -> Interval | None:
        """Give the departure to expect at a tilt; None where none like it was tested.

        Parameters
        ----------
        tilt_deg : float
        lipped : bool
        """
        low, high = self.suggestion.tested_deg
        printed = {t.lipped for t in self.suggestion.treatments}
        if lipped not in printed or not low <= tilt_deg <= high:
            return None
        return expected(self.fit, tilt_deg, self.u_open_mm, lipped=lipped)


def gather_tiles(
    store: Store, rims: Iterable[RimManifest], prints: Sequence[Entry[Print]]
) -> RimProfile | None:
    """Collect the measured tiles of some prints; None if there are none.

    Parameters
    ----------
    store : Store
    rims : iterable of RimManifest
        Sets that are known.
    prints : sequence of Entry
        The bottle's current prints on one printer.

    Raises
    ------
    RecordError
        A measured set's manifest isn't known.
    """
    numbers = {entry.uid: entry.number for entry in prints}
    grouped: dict[tuple[int, str], list[RimMeasurement]] = {}
    uids = []
    for entry in store.current(StoredMeasurement):
        made = store.latest(Print, entry.value.print_uid)
        if made.uid in numbers and entry.value.reading.get("kind") == "rim":
            tile = rim_from_dict(entry.value.reading)
            grouped.setdefault((made.number, tile.coupon_id), []).append(tile)
            uids.append(entry.uid)
    if not grouped:
        return None
    newest = max(number for number, _ in grouped)
    set_id = next(e.value.coupon_id for e in prints if e.number == newest)
    manifest = _of_set(set_id or "", rims)
    return RimProfile(
        tiles=tuple(
            MeasuredTile(print_number=number, tile=combine_tiles(tiles))
            for (number, _), tiles in sorted(grouped.items())
        ),
        measurement_uids=tuple(uids),
        steps=Steps(layer_mm=manifest.layer_mm, taper_deg=manifest.tiles[0].taper_deg),
        lips_mm=tuple(
            (tile.tilt_deg, tile.lip_depth_mm)
            for tile in manifest.tiles
            if tile.lip_depth_mm is not None
        ),
    )


def advise_tilt(profile: RimProfile, flat: Interval | None = None) -> RimAdvice:
    """Suggest tilt and lip from a bottle's tiles.

    Parameters
    ----------
    profile : RimProfile
    flat : Interval or None
        Departure of a flat print, where a flare coupon told it.

    Raises
    ------
    RecordError
        Tiles of fewer than three tilts show their form.
    """
    scored = [
        (measured, merit)
        for measured in profile.tiles
        if (merit := departure(measured.tile, taper_deg=profile.steps.taper_deg))
    ]
    fit = fit_departure(
        [
            DepartureReading(
                tilt_deg=measured.tile.tilt_deg,
                lipped=measured.tile.lipped,
                batch=str(measured.print_number),
                departure=merit,
            )
            for measured, merit in scored
        ],
        profile.steps.cusp_mm,
    )
    u_open_mm = _open(scored, lipped=False), _open(scored, lipped=True)
    suggestion = suggest_tilt(
        fit,
        u_open_mm=u_open_mm,
        flat=flat,
        unscored=len(profile.tiles) - len(scored),
        edges_seen=any(_edge_seen(measured.tile) for measured, _ in scored),
    )
    return RimAdvice(
        suggestion=suggestion,
        fit=fit,
        quantities=_quantities(profile, suggestion),
        u_open_mm=u_open_mm,
    )


def departure_of_step(step: Interval) -> Interval:
    """Turn the largest step of a flat print, inwards or outwards, into a departure."""
    if step.value_mm >= 0.0:
        return step
    return Interval(
        value_mm=-step.value_mm,
        u_mm=step.u_mm,
        low_mm=-step.high_mm,
        high_mm=-step.low_mm,
    )


def fit_quantity(profile: RimProfile, name: RimQuantity, draws: int) -> TiltFit | None:
    """Fit one quantity against tilt; None where too few tiles have it."""
    readings = [
        _reading(m, m.tile.values[name].value_mm, m.tile.values[name].u_mm)
        for m in profile.tiles
        if name in m.tile.values
    ]
    if len({reading.tilt_deg for reading in readings}) < LEAST_TILTS:
        return None
    return fit_tilt(readings, profile.steps.cusp_mm, draws)


def _reading(measured: MeasuredTile, value_mm: float, u_mm: float) -> TiltReading:
    return TiltReading(
        tilt_deg=measured.tile.tilt_deg,
        lipped=measured.tile.lipped,
        batch=str(measured.print_number),
        value_mm=value_mm,
        u_mm=u_mm,
    )


def _edge_seen(tile: RimMeasurement) -> bool:
    return "edge_radius" in tile.values or "edge_radius" in tile.upper_mm


def _open(scored: Sequence[tuple[MeasuredTile, Departure]], *, lipped: bool) -> float:
    """Doubt that the tiles of a treatment share."""
    doubts = [d.u_open_mm for m, d in scored if m.tile.lipped == lipped]
    return float(np.median(doubts)) if doubts else 0.0


def _quantities(
    profile: RimProfile, suggestion: RimSuggestion
) -> dict[RimQuantity, Interval]:
    """Each quantity at the suggested tilt and treatment."""
    found: dict[RimQuantity, Interval] = {}
    for name in QUANTITIES:
        fit = None if name in _NOT_OF_TILT else fit_quantity(profile, name, _FEW_DRAWS)
        if fit is None:
            continue
        place = int(np.argmin(np.abs(fit.tilt_deg - suggestion.tilt_deg)))
        draws = fit.draws_mm[:, int(suggestion.lipped), place]
        if np.isnan(draws).any():
            continue
        low, high = np.quantile(draws, (0.025, 0.975)).tolist()
        found[name] = Interval(
            value_mm=float(draws.mean()),
            u_mm=float(draws.std()),
            low_mm=low,
            high_mm=high,
        )
    return found


def _of_set(set_id: str, rims: Iterable[RimManifest]) -> RimManifest:
    for manifest in rims:
        if manifest.set_id == set_id:
            return manifest
    raise RecordError(
        f"The manifest of set {set_id} is not in the records.",
        "Import the records it was made in, or make it again with "
        "`rimgauge coupon rims`.",
    )
