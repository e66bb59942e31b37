"""Scale along a line of marks: perspective, one distortion term, outliers expected.

Position along the ruler t in pixels against millimetres m:
t = (a + b m) / (1 + c m) + d m^3.  A tilted plane gives the first term exactly; the
cubic takes up lens distortion (without it the local scale is off by up to 0.8 %, with
it by 0.2 %, says a trial on 37 photos).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MODEL_DOUBT_RATIO = 4e-4
"""Standard uncertainty of the local scale for what the model leaves out."""

_TUKEY = 4.7  # scatters beyond which a mark has no weight
_ROUNDS = 12
_MIN_MARKS_CUBIC = 14
_STEP_MARKS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class LineScale:
    """Fitted scale: ``px_per_mm`` at ``at_mm`` with its standard uncertainty.

    ``at_mm`` is where the mean of the kept marks' positions in the picture lies.

    ``kept`` (n,) marks that were not outliers, ``rms_px`` their residuals,
    ``scatter_px`` what of them is not shared by neighbours, ``stretch`` the largest
    over the smallest pitch, ``step_px`` the largest jump between neighbouring dozens
    of residuals.
    """

    px_per_mm: float
    u_px_per_mm: float
    at_mm: float
    kept: NDArray[np.bool_]
    rms_px: float
    scatter_px: float
    stretch: float
    step_px: float


def fit_line_scale(
    marks_mm: NDArray[np.float64], points_px: NDArray[np.float64]
) -> LineScale | None:
    """Fit the scale along a line of marks.

    Parameters
    ----------
    marks_mm : (n,) array
        Positions on the ruler, n >= 8.
    points_px : (n, 2) array
        Where they were seen.

    Returns
    -------
    LineScale, or None where no line can be fitted.
    """
    middle, half = marks_mm.mean(), np.ptp(marks_mm) / 2
    m = (marks_mm - middle) / half
    centre = points_px.mean(axis=0)
    axis = np.linalg.svd(points_px - centre, full_matrices=False)[2][0]
    t = (points_px - centre) @ axis
    if t[np.argmax(m)] < t[np.argmin(m)]:
        t = -t
    plane = _fit(m, t, cubic=False)
    bent = _fit(m, t, cubic=True) if len(m) >= _MIN_MARKS_CUBIC else plane
    best = bent if bent.bic < plane.bic - 2 else plane
    if best.weight.sum() < 6:
        return None
    kept = best.weight > 0.1
    fine = np.linspace(m[kept].min(), m[kept].max(), 1000)
    at = float(np.interp(t[kept].mean(), _model(best.parameters, fine), fine))
    slope = float(_slope(best.parameters, np.array([at]))[0])
    other = plane if best is bent else bent
    gradient = _slope_gradient(best.parameters, at, cubic=best.cubic)
    covariance = best.covariance * _correlation_factor(best.residual[kept])
    u_fit = np.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
    between = float(_slope(other.parameters, np.array([at]))[0]) - slope
    doubt = 0.5 * between if other.bic < best.bic + 10 else 0.0
    u = np.sqrt(u_fit**2 + doubt**2 + (MODEL_DOUBT_RATIO * slope) ** 2)
    slopes = _slope(best.parameters, fine)
    if slopes.min() <= 0:
        return None
    return LineScale(
        px_per_mm=slope / half,
        u_px_per_mm=float(u) / half,
        at_mm=at * half + middle,
        kept=kept,
        rms_px=float(np.sqrt((best.residual[kept] ** 2).mean())),
        scatter_px=_own_scatter(best.residual[kept]),
        stretch=float(slopes.max() / slopes.min()),
        step_px=_largest_step(best.residual[kept]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residual: NDArray[np.float64]
    weight: NDArray[np.float64]
    bic: float
    cubic: bool


def _model(p: NDArray[np.float64], m: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((p[0] + p[1] * m) / (1 + p[2] * m) + p[3] * m**3)


def _slope(p: NDArray[np.float64], m: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((p[1] - p[0] * p[2]) / (1 + p[2] * m) ** 2 + 3 * p[3] * m**2)


def _jacobian(
    p: NDArray[np.float64], m: NDArray[np.float64], *, cubic: bool
) -> NDArray[np.float64]:
    base = 1 + p[2] * m
    columns = [1 / base, m / base, -m * (p[0] + p[1] * m) / base**2]
    return np.column_stack([*columns, m**3] if cubic else columns)


def _slope_gradient(
    p: NDArray[np.float64], at: float, *, cubic: bool
) -> NDArray[np.float64]:
    base = 1 + p[2] * at
    terms = [
        -p[2] / base**2,
        1 / base**2,
        -p[0] / base**2 - 2 * at * (p[1] - p[0] * p[2]) / base**3,
    ]
    return np.array([*terms, 3 * at**2] if cubic else terms)


def _fit(m: NDArray[np.float64], t: NDArray[np.float64], *, cubic: bool) -> _Fit:
    """Gauss-Newton with Tukey weights."""
    count = 4 if cubic else 3
    p = np.zeros(4)
    p[1], p[0] = np.polyfit(m, t, 1)
    weight = np.ones_like(m)
    scale = 1.0
    jacobian = _jacobian(p, m, cubic=cubic)
    for _ in range(_ROUNDS):
        residual = t - _model(p, m)
        jacobian = _jacobian(p, m, cubic=cubic)
        root = np.sqrt(weight)
        change = np.linalg.lstsq(jacobian * root[:, None], residual * root, rcond=None)[
            0
        ]
        p[:count] += change
        p[2] = np.clip(p[2], -0.6, 0.6)
        residual = t - _model(p, m)
        scale = max(1.48 * float(np.median(np.abs(residual))), 1e-3)
        weight = np.maximum(1 - (residual / (_TUKEY * scale)) ** 2, 0) ** 2
    residual = t - _model(p, m)
    used = max(float(weight.sum()), count + 1.0)
    variance = float((weight * residual**2).sum()) / max(used - count, 1.0)
    normal = jacobian.T @ (jacobian * weight[:, None])
    covariance = np.asarray(variance * np.linalg.pinv(normal), dtype=np.float64)
    cost = np.minimum((residual / scale) ** 2, _TUKEY**2).mean() * scale**2
    return _Fit(
        parameters=p,
        covariance=covariance,
        residual=residual,
        weight=weight,
        bic=len(m) * float(np.log(cost)) + count * float(np.log(len(m))),
        cubic=cubic,
    )


def _correlation_factor(residual: NDArray[np.float64]) -> float:
    """Variance inflation for residuals that follow one another (AR(1) sum)."""
    centred = residual - residual.mean()
    power = float(centred @ centred)
    if len(residual) < 8 or power == 0:
        return 2.0
    r = float(np.clip(centred[1:] @ centred[:-1] / power, 0.0, 0.9))
    return (1 + r) / (1 - r)


def _largest_step(residual: NDArray[np.float64]) -> float:
    """Largest difference of the medians of neighbouring dozens."""
    if len(residual) < 2 * _STEP_MARKS:
        return 0.0
    windows = np.lib.stride_tricks.sliding_window_view(residual, _STEP_MARKS)
    medians = np.median(windows, axis=1)
    return float(np.abs(medians[_STEP_MARKS:] - medians[:-_STEP_MARKS]).max())


def _own_scatter(residual: NDArray[np.float64]) -> float:
    """RMS of residuals against the mean of their neighbours' (variance 3/2)."""
    if len(residual) < 3:
        return 0.0
    own = residual[1:-1] - (residual[:-2] + residual[2:]) / 2
    return float(np.sqrt((own**2).mean() / 1.5))
