"""Resins, settings and models that the tests of flat printing share; all invented."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.flush_model import FlatModel, build_model
from calib.stack import Resins
from calib.wall import Draws, Setting

if TYPE_CHECKING:
    from calib.stack import Halo

PIXEL_MM = 0.05
LAYER_MM = 0.05
SETTING = Setting(
    layer_mm=LAYER_MM,
    normal_s=2.5,
    raised_s=(30.0, 30.0, 30.0, 30.0, 30.0, 20.0, 10.0, 5.0),
    bottom_layers=5,
)


def resins(
    count: int = 1,
    *,
    halo: Halo = "gaussian",
    halo_mm: float = 0.2,
    halo_share: float = 0.15,
    core_mm: float = 0.04,
    squeeze_mm: float = 0.0,
) -> Resins:
    """Resins of science.md 2l, a little apart where there are several."""
    apart = 1.0 + 0.02 * np.linspace(-1.0, 1.0, count) * (count > 1)
    one = np.ones(count)
    return Resins(
        halo=halo,
        tc_s=apart,
        depth_mm=0.1 * one,
        core_mm=core_mm * one,
        halo_share=(0.0 if halo == "none" else halo_share) * one,
        halo_mm=halo_mm * one,
        squeeze_mm=squeeze_mm * one,
        squeeze_second_mm=0.3 * squeeze_mm * one,
    )


def model(pixel_mm: float = PIXEL_MM, *, squeeze_mm: float = 0.0) -> FlatModel:
    """Everything known of one invented bottle."""
    draws = Draws(batches=(resins(squeeze_mm=squeeze_mm),))
    return build_model(draws, SETTING, pixel_mm, pixel_mm)
