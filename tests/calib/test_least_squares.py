"""The least-squares fitter of the cure model against certified fits."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.least_squares import minimise

Array = NDArray[np.float64]
Curve = Callable[[Array, Array], Array]

REFERENCE = Path(__file__).parents[1] / "reference"


def misra1a(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (1.0 - np.exp(-b[1] * x)))


def eckerle4(b: Array, x: Array) -> Array:
    return np.asarray(b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2))


def mgh09(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]))


def thurber(b: Array, x: Array) -> Array:
    above = b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3
    return np.asarray(above / (1.0 + b[4] * x + b[5] * x**2 + b[6] * x**3))


def read(name: str) -> tuple[Array, Array, Array, Array, Array]:
    """Starts (2, k), certified values and deviations (k,), x and y of a data set."""
    lines = (REFERENCE / f"nist_strd_{name}.dat").read_text().splitlines()
    row = re.compile(r"\s*b\d+ =\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)")
    found = [m.groups() for m in map(row.match, lines[40:60]) if m]
    table = np.array(found, dtype=float)
    data = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    return table[:, :2].T, table[:, 2], table[:, 3], data[:, 1], data[:, 0]


def derivatives(curve: Curve, b: Array, x: Array) -> Array:
    step = 1e-6 * np.abs(b)
    columns = [
        (curve(b + d, x) - curve(b - d, x)) / (2.0 * d.max()) for d in np.diag(step)
    ]
    return np.stack(columns, axis=1)


@pytest.mark.parametrize("curve", [misra1a, eckerle4, mgh09, thurber])
def test_certified_fit_from_every_published_start__nist_strd(curve: Curve) -> None:
    name = {"misra1a": "Misra1a", "eckerle4": "Eckerle4", "mgh09": "MGH09"}.get(
        curve.__name__, "Thurber"
    )
    starts, certified, deviation, x, y = read(name)
    end = minimise(
        lambda b, _: np.array([curve(row, x) - y for row in b]),
        lambda b, _: np.array([derivatives(curve, row, x) for row in b]),
        starts,
        max_steps=1000,
        tolerance=1e-20,
    )
    assert end.settled.all()
    for b in end.x:
        # seven agreeing digits of the values, six of their deviations
        np.testing.assert_allclose(b, certified, rtol=1e-7)
        j = derivatives(curve, b, x)
        variance = np.sum((curve(b, x) - y) ** 2) / (len(x) - len(b))
        found = np.sqrt(variance * np.diag(np.linalg.inv(j.T @ j)))
        np.testing.assert_allclose(found, deviation, rtol=1e-6)


def test_steps_run_out_before_it_settles__nist_strd() -> None:
    starts, _, _, x, y = read("Misra1a")
    end = minimise(
        lambda b, _: np.array([misra1a(row, x) - y for row in b]),
        lambda b, _: np.array([derivatives(misra1a, row, x) for row in b]),
        starts,
        max_steps=2,
        tolerance=1e-20,
    )
    assert not end.settled.any()
