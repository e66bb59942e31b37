"""Chips and edges are chance; the shape follows the tilt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.rim_result import Chip, RimMeasurement
from calib.departure_model import DepartureReading, fit_departure
from calib.rim_merit import departure
from calib.rim_profile import MeasuredTile, RimProfile, Steps, advise_tilt
from tests.calib.rim_samples import a_length, a_tile

STEPS = Steps(layer_mm=0.05, taper_deg=15.0)
TILTS = np.arange(30.0, 66.0, 5.0)


def tiles(seed: int, chip_mm: float) -> list[RimMeasurement]:
    """A bowl about 45 degrees; every fourth bare tile has a deep chip."""
    rng = np.random.default_rng(seed)
    made = []
    for k, tilt in enumerate([*TILTS.tolist()] * 2):
        for lipped in (False, True):
            form = 0.1 + 0.2 * ((tilt - 45.0) / 17.5) ** 2 + rng.normal(0.0, 0.006)
            chips = (
                (Chip(phi_deg=0, width_mm=0.6, depth_mm=chip_mm, u_depth_mm=0.01),)
                if k % 4 == 1 and not lipped
                else ()
            )
            values = {
                "form": a_length(form, 0.005),
                "roughness_sigma": a_length(0.005, 0.001),
                "edge_radius": a_length(0.1, 0.02),
            }
            made.append(
                a_tile(
                    tilt_deg=tilt,
                    lipped=lipped,
                    values=values,
                    chips=chips,
                    upper_mm={},
                )
            )
    return made


def readings(measured: list[RimMeasurement]) -> list[DepartureReading]:
    found = [(tile, departure(tile)) for tile in measured]
    return [
        DepartureReading(
            tilt_deg=tile.tilt_deg, lipped=tile.lipped, batch="1", departure=merit
        )
        for tile, merit in found
        if merit
    ]


def test_chips_count_with_their_mean_and_bend_nothing() -> None:
    without = fit_departure(readings(tiles(1, 0.015)), STEPS.cusp_mm)
    chipped = fit_departure(readings(tiles(1, 0.215)), STEPS.cusp_mm)
    more = chipped.mean_mm[0] - without.mean_mm[0]
    # a chip of 0.2 mm more on every fourth bare tile; same draws, so no chance in it
    # but the draws' own, 0.09 / sqrt(16) / sqrt(400)
    assert more.mean() == pytest.approx(0.05, abs=0.01)
    assert np.ptp(more) < 0.02
    assert np.ptp(chipped.mean_mm[1] - without.mean_mm[1]) < 0.005
    assert chipped.scatter_mm[0] > 2 * chipped.scatter_mm[1]


def test_the_sum_is_the_departure() -> None:
    measured = tiles(2, 0.015)
    fit = fit_departure(readings(measured), STEPS.cusp_mm)
    at_45 = np.searchsorted(fit.tilt_deg, 45.0)
    edge = 0.1 * (1 / np.sin(np.radians(37.5)) - 1)
    # form 0.1, raggedness 3 x 0.005, the edge, and the lip's sanding of 0.02
    expected = 0.1 + 0.015 + edge + np.array([0.0, 0.02])
    assert fit.mean_mm[:, at_45] == pytest.approx(expected, abs=0.01)


def test_unphotographed_edges_are_owned_up_to() -> None:
    plan = [
        replace(
            tile, values={n: v for n, v in tile.values.items() if n != "edge_radius"}
        )
        for tile in tiles(3, 0.015)
    ]

    def advice(measured: list[RimMeasurement]) -> RimProfile:
        return RimProfile(
            tiles=tuple(MeasuredTile(print_number=1, tile=t) for t in measured),
            measurement_uids=(),
            steps=STEPS,
        )

    seen = advise_tilt(advice(tiles(3, 0.015))).suggestion
    unseen = advise_tilt(advice(plan)).suggestion
    assert seen.lip_gain is not None
    assert unseen.lip_gain is not None
    assert unseen.lip_gain.u_mm > 2 * seen.lip_gain.u_mm
    assert "No edge radius was measured" in " ".join(unseen.cautions)
    assert "No edge radius" not in " ".join(seen.cautions)
    # what no tile shows tells nothing about the tilt
    assert abs(unseen.tilt_deg - seen.tilt_deg) <= 2.0
