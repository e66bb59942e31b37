"""Virtual campaigns of tilted tiles: print sets, read them, suggest, judge.

    python -m tests.calib.rim_campaigns --campaigns 40 --seed 1 [--json]

Everything is invented data.  Sets are printed by the virtual printer, which knows
nothing of the model that is fitted; the tiles' true values get the noise that photos
have, profiles among them (no pictures here).  The truth is the same figure of merit on
true rims, averaged over tiles at every 5 degrees, with a cubic spline between.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from analysis.result import Quantity
from analysis.rim_result import Chip, RimMeasurement, RimQuantity
from calib.rim_advice import RimSuggestion
from calib.rim_merit import departure
from calib.rim_profile import MeasuredTile, RimProfile, Steps, advise_tilt
from calib.virtual.tile_resin import InventedRimResin, invent_rim_resin
from calib.virtual.tilted import PrintedTile, PrinterGrid, print_tile
from patterns.rim_manifest import RimTile
from tests.rim_truth import RimTruth, rim_truth

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.virtual.tile_resin import BestTilt, LipEffect

Array = NDArray[np.float64]

TILTS_DEG = tuple(range(30, 70, 5))
TRUTH_DEG = np.array(TILTS_DEG, float)
FINE_DEG = np.arange(30.0, 65.01, 0.5)
TRUTH_TILES = 16  # averaged at each tilt, the same chance at all of them
GRID = PrinterGrid()
TAPER_DEG = 15.0
CLOSE_MM = 0.02
GROUPED = 16  # samples in one reading, 0.2 mm

# standard uncertainties of what photos gave: science and trials with such tiles
U_MM: dict[RimQuantity, float] = {
    "sag": 0.004,
    "form": 0.007,
    "cos2phi": 0.004,
    "roughness_sigma": 0.001,
    "edge_spread": 0.006,
    "edge_radius": 0.03,
}
LEAST_MM: dict[RimQuantity, float] = {"edge_spread": 0.012, "edge_radius": 0.1}
CHIP_LIMIT_MM, U_CHIP_MM = 0.08, 0.01
REFUSED = 0.1  # share of tiles that no photo reads


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """True mean departure (2, tilts) at :data:`FINE_DEG`, bare then lipped."""

    departure_mm: Array

    def best(self, side: int) -> float:
        """Best tilt of a treatment."""
        return float(FINE_DEG[np.argmin(self.departure_mm[side])])

    def at(self, tilt_deg: float, side: int) -> float:
        """Departure at a tilt."""
        return float(np.interp(tilt_deg, FINE_DEG, self.departure_mm[side]))

    @property
    def gain_mm(self) -> float:
        """What the lip gains, each treatment at its best."""
        least = self.departure_mm.min(axis=1)
        return float(least[0] - least[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """What one campaign came to."""

    resin: InventedRimResin
    truth: Truth
    suggestion: RimSuggestion
    seconds: float

    @property
    def short_mm(self) -> float:
        """Merit of what is suggested, beyond the best of all."""
        got = self.truth.at(self.suggestion.tilt_deg, int(self.suggestion.lipped))
        return got - float(self.truth.departure_mm.min())

    @property
    def covered(self) -> bool:
        """The interval of the best tilt of the suggested treatment holds the truth."""
        best = self.truth.best(int(self.suggestion.lipped))
        low, high = self.suggestion.tilt_low_deg, self.suggestion.tilt_high_deg
        return low - 1e-9 <= best <= high + 1e-9

    @property
    def gain_covered(self) -> bool | None:
        """The interval of the lip's gain holds the truth; None without one."""
        gain = self.suggestion.lip_gain
        return (
            None if gain is None else gain.low_mm <= self.truth.gain_mm <= gain.high_mm
        )


def bare_tile(tilt_deg: float, *, lipped: bool) -> RimTile:
    """Tile without a code: the printer needs none."""
    return RimTile(
        coupon_id=f"virtual-t{tilt_deg:g}-{'lipped' if lipped else 'bare'}",
        index=0,
        code=0,
        tilt_deg=tilt_deg,
        lipped=lipped,
        radius_mm=12.5,
        thickness_mm=3.0,
        taper_deg=TAPER_DEG,
        notch_depth_mm=1.5,
        notches=(),
        feet=(),
        lip_width_mm=1.5 if lipped else None,
        lip_depth_mm=0.5 if lipped else None,
        volume_mm3=0.0,
    )


def read_tile(printed: PrintedTile, rng: np.random.Generator | None) -> RimMeasurement:
    """Read a tile with a photo's noise; without chance, the truth itself."""
    truth = rim_truth(printed, GROUPED)
    values: dict[RimQuantity, Quantity] = {}
    upper: dict[RimQuantity, float] = {}
    for name, u in U_MM.items():
        true_mm = float(getattr(truth, f"{name}_mm"))
        seen = true_mm if rng is None else true_mm + float(rng.normal(0.0, u))
        if rng is not None and seen < LEAST_MM.get(name, -np.inf):
            upper[name] = LEAST_MM[name]
            continue
        values[name] = Quantity(
            value_mm=seen, u_mm=0.0 if rng is None else u, method="invented"
        )
    return RimMeasurement(
        coupon_id=printed.tile.coupon_id,
        kind="rim",
        photos=("invented",),
        tilt_deg=printed.tile.tilt_deg,
        lipped=printed.tile.lipped,
        part_scale=printed.part_scale,
        u_part_scale=0.001,
        values=values,
        upper_mm=upper,
        chips=_chips(truth, rng),
        stubs=(),
        chip_limit_mm=CHIP_LIMIT_MM,
    )


def _chips(truth: RimTruth, rng: np.random.Generator | None) -> tuple[Chip, ...]:
    seen = []
    for chip in truth.chips:
        noise = 0.0 if rng is None else float(rng.normal(0.0, U_CHIP_MM))
        if rng is None or chip.depth_mm + noise > CHIP_LIMIT_MM:
            seen.append(
                Chip(
                    phi_deg=float(np.degrees(chip.phi_rad)),
                    width_mm=chip.width_mm,
                    depth_mm=chip.depth_mm + noise,
                    u_depth_mm=0.0 if rng is None else U_CHIP_MM,
                )
            )
    return tuple(seen)


def true_departures(resin: InventedRimResin, seed: int) -> Truth:
    """Average the true merit of many tiles at each tilt, bare and lipped."""

    def mean(tilt_deg: float, *, lipped: bool) -> float:
        rng = np.random.default_rng(seed)
        tile = bare_tile(tilt_deg, lipped=lipped)
        merits = []
        for _ in range(TRUTH_TILES):
            printed = print_tile(tile, GRID, resin, rng)
            merit = departure(read_tile(printed, None))
            assert merit is not None
            merits.append(merit.value_mm)
        return float(np.mean(merits))

    coarse = np.array(
        [[mean(t, lipped=lip) for t in TRUTH_DEG.tolist()] for lip in (False, True)]
    )
    return Truth(departure_mm=CubicSpline(TRUTH_DEG, coarse, axis=1)(FINE_DEG))


def print_and_read(
    resin: InventedRimResin, prints: int, rng: np.random.Generator
) -> list[RimMeasurement | None]:
    """Print whole sets and read their tiles, print after print; None is refused."""
    return [
        None
        if rng.random() < REFUSED
        else read_tile(
            print_tile(bare_tile(tilt, lipped=lipped), GRID, resin, rng), rng
        )
        for _ in range(prints)
        for tilt in TILTS_DEG
        for lipped in (False, True)
    ]


def advise(measured: Sequence[RimMeasurement | None]) -> RimSuggestion:
    """Suggest from the tiles of one or several prints, as the command does."""
    size = 2 * len(TILTS_DEG)
    profile = RimProfile(
        tiles=tuple(
            MeasuredTile(print_number=k // size, tile=tile)
            for k, tile in enumerate(measured)
            if tile
        ),
        measurement_uids=(),
        steps=Steps(layer_mm=GRID.layer_mm, taper_deg=TAPER_DEG),
    )
    return advise_tilt(profile).suggestion


def run_campaign(number: int, seed: int) -> Campaign:
    """Run one campaign: most best tilts lie inside, every third lip helps."""
    rng = np.random.default_rng([seed, number])
    places: tuple[BestTilt, ...] = ("inside", "low end", "inside", "inside", "high end")
    lips: tuple[LipEffect, ...] = ("helps", "nothing", "harms")
    resin = invent_rim_resin(
        rng, best=places[number % len(places)], lip=lips[number % len(lips)]
    )
    measured = print_and_read(resin, 1 + number % 2, rng)
    start = time.process_time()
    suggestion = advise(measured)
    seconds = time.process_time() - start
    return Campaign(
        resin=resin,
        truth=true_departures(resin, seed),
        suggestion=suggestion,
        seconds=seconds,
    )


def describe(campaign: Campaign) -> str:
    """One line about a campaign."""
    found, truth = campaign.suggestion, campaign.truth
    side = int(found.lipped)
    gain = found.lip_gain
    told = "" if gain is None else f"{1e3 * gain.value_mm:+.0f}+-{1e3 * gain.u_mm:.0f}"
    return (
        f"{campaign.resin.name:34s} suggested {found.tilt_deg:4.1f} "
        f"[{found.tilt_low_deg:4.1f}, {found.tilt_high_deg:4.1f}] "
        f"{'lip ' if found.lipped else 'bare'} true best {truth.best(side):4.1f} "
        f"{'in ' if campaign.covered else 'OUT'} "
        f"short {1e3 * campaign.short_mm:4.1f} um "
        f"range {1e3 * np.ptp(truth.departure_mm[side]):3.0f} "
        f"gain {told} true {1e3 * truth.gain_mm:+.0f} {campaign.seconds:.2f} s"
    )


def summarise(campaigns: Sequence[Campaign]) -> dict[str, float | int]:
    """The figures that the campaigns are judged by."""
    gains = [c.gain_covered for c in campaigns if c.gain_covered is not None]
    short = np.array([c.short_mm for c in campaigns])
    return {
        "campaigns": len(campaigns),
        "within_0.02_mm_of_the_best": int((short <= CLOSE_MM).sum()),
        "worst_short_mm": float(short.max()),
        "best_tilt_covered_ratio": float(np.mean([c.covered for c in campaigns])),
        "lip_gain_covered_ratio": float(np.mean(gains)) if gains else float("nan"),
        "median_interval_deg": float(
            np.median(
                [
                    c.suggestion.tilt_high_deg - c.suggestion.tilt_low_deg
                    for c in campaigns
                ]
            )
        ),
        "median_cpu_s": float(np.median([c.seconds for c in campaigns])),
    }


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    campaigns = []
    for number in range(options.campaigns):
        campaigns.append(run_campaign(number, options.seed))
        if not options.json:
            print(f"{number:3d} {describe(campaigns[-1])}", flush=True)
    print(json.dumps(summarise(campaigns), indent=1))


if __name__ == "__main__":
    main()
