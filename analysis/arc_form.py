"""Form of a partial arc: circle, sag, peak to valley, and the split by wavelength.

Terms of ISO 12181-1 (roundness) and ISO 12780-1 (straightness).  Pure functions: what
is measured in a photo and what is true of a part are judged by the same ones.
``phi_rad`` is 0 at the lowest point of the rim when printed; residuals are radial,
outwards positive.  Each functional also gives its ``gain``, its derivative by every
residual, so that uncertainties follow from the covariance of the readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

Floats = NDArray[np.float64]

ROUGHNESS_CUTOFF_MM = 2.5
"""Nesting index (ISO 16610-21) between roughness and what is longer."""
FORM_CUTOFF_MM = 8.0
"""Nesting index between waviness and form."""
SAG_HALF_RAD = np.deg2rad(30.0)
"""The sag is the mean over this much to either side of the lowest point."""
LEAST_REST = 12
"""Fewest samples outside the sag's window, and inside it."""

_ALPHA = np.sqrt(np.log(2.0) / np.pi)
_ROUNDS = 30
_BLOCK = 64
_REACH = 3.5  # of the weighting function, where it is 2e-17
OUTLYING, OUTLIER_REACH_MM = 3.5, 0.3
"""A sample this many robust standard deviations off is a dent, not roughness."""
START_MM = 5.0
_LEAST_SCATTER_MM = 5e-4
_CLIPS, _MOST_OUT = 8, 0.4
_LEAST_WEIGHT = 0.05  # of what is kept near a place: below it nothing tells the line


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle:
    """Least-squares circle (LSCI): geometric, the sum of squared distances least."""

    centre_mm: Floats
    radius_mm: float
    residual_mm: Floats

    @property
    def peak_to_valley_mm(self) -> float:
        """RONt of ISO 12181-1."""
        return float(np.ptp(self.residual_mm))


def fit_circle(points_mm: Floats) -> Circle:
    """Fit a circle to points (n, 2), n >= 3, by geometric least squares.

    Returns
    -------
    Circle
        Residuals (n,) outwards.

    Raises
    ------
    ValueError
        Fewer than three points, or all on one line.

    Notes
    -----
    Gauss-Newton from the algebraic fit (Kasa 1976, from memory); reference values:
    Gander, Golub, Strebel 1994, BIT 34:558.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if len(points) < 3:
        raise ValueError("a circle needs at least three points")
    middle = points.mean(axis=0)
    about = points - middle
    if np.linalg.matrix_rank(about, tol=1e-9 * float(np.abs(about).max())) < 2:
        raise ValueError("the points lie on one line")
    design = np.column_stack([2 * about, np.ones(len(about))])
    solved = np.linalg.lstsq(design, np.sum(about**2, axis=1), rcond=None)[0]
    centre = solved[:2]
    radius = float(np.sqrt(solved[2] + centre @ centre))
    for _ in range(_ROUNDS):
        away = about - centre
        distance = np.linalg.norm(away, axis=1)
        unit = away / np.maximum(distance, 1e-12)[:, None]
        jacobian = np.column_stack([unit, np.ones(len(unit))])
        step = np.linalg.lstsq(jacobian, distance - radius, rcond=None)[0]
        centre, radius = centre + step[:2], radius + float(step[2])
        if float(np.abs(step).max()) < 1e-12 * max(radius, 1.0):
            break
    residual = np.linalg.norm(about - centre, axis=1) - radius
    return Circle(centre_mm=middle + centre, radius_mm=radius, residual_mm=residual)


@dataclass(frozen=True, slots=True, kw_only=True)
class Straightness:
    """Residuals from the least-squares line, and their peak to valley (STRt)."""

    slope: float
    residual_mm: Floats
    peak_to_valley_mm: float


def straightness(along_mm: Floats, across_mm: Floats) -> Straightness:
    """Straightness of a profile (n,) by the least-squares reference line, ISO 12780-1.

    Raises
    ------
    ValueError
        Fewer than three points.
    """
    if len(along_mm) < 3:
        raise ValueError("straightness needs at least three points")
    x = along_mm - np.mean(along_mm)
    y = across_mm - np.mean(across_mm)
    slope = float(x @ y / (x @ x))
    residual = y - slope * x
    return Straightness(
        slope=slope, residual_mm=residual, peak_to_valley_mm=float(np.ptp(residual))
    )


def lowpass_rows(along_mm: Floats, cutoff_mm: float, at: NDArray[np.intp]) -> Floats:
    """Weights (m, n) of the Gaussian filter for the outputs ``at`` (m,).

    ``along_mm`` (n,) grows, evenly spaced or not; a gap weighs nothing.  Weighting
    function exp(-pi (x / (alpha cutoff))^2), alpha = sqrt(ln 2 / pi), half of the
    amplitude at the cut-off (ISO 16610-21, from memory); each row is made to sum to
    one, so that a profile's ends and gaps are met by what lies beside them.
    """
    return _weights(along_mm[at], along_mm, _shares(along_mm), cutoff_mm)


def lowpass(along_mm: Floats, values: Floats, cutoff_mm: float) -> Floats:
    """Gaussian low-pass of one profile (n,) or of k (n, k), see :func:`lowpass_rows`.

    Weights below 1e-16 are left out.
    """
    share = _shares(along_mm)
    reach = _REACH * _ALPHA * cutoff_mm
    out = np.empty(values.shape)
    for first in range(0, len(along_mm), _BLOCK):
        at = along_mm[first : first + _BLOCK]
        low, high = np.searchsorted(along_mm, [at[0] - reach, at[-1] + reach])
        rows = _weights(at, along_mm[low:high], share[low:high], cutoff_mm)
        out[first : first + _BLOCK] = rows @ values[low:high]
    return out


def _shares(along_mm: Floats) -> Floats:
    """Length (n,) that each sample stands for; a gap weighs nothing."""
    gap = np.diff(along_mm)
    gap = np.minimum(gap, 1.5 * np.median(gap))
    return np.asarray(0.5 * (np.append(gap, gap[-1]) + np.append(gap[0], gap)))


def _weights(
    at_mm: Floats, along_mm: Floats, share_mm: Floats, cutoff_mm: float
) -> Floats:
    x = (at_mm[:, None] - along_mm) / (_ALPHA * cutoff_mm)
    rows = np.exp(-np.pi * np.minimum(x * x, 200.0)) * share_mm
    return np.asarray(rows / rows.sum(axis=1, keepdims=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """A profile split by wavelength; the three add up to it.

    Longer than 8 mm is form, shorter than 2.5 mm roughness, waviness lies between.
    """

    form_mm: Floats
    waviness_mm: Floats
    roughness_mm: Floats


def split_bands(along_mm: Floats, values_mm: Floats) -> Bands:
    """Split a profile (n,) into form, waviness and roughness by Gaussian filters."""
    form = lowpass(along_mm, values_mm, FORM_CUTOFF_MM)
    longer = lowpass(along_mm, values_mm, ROUGHNESS_CUTOFF_MM)
    return Bands(
        form_mm=form, waviness_mm=longer - form, roughness_mm=values_mm - longer
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rough:
    """What is shorter than 2.5 mm, and where it is roughness.

    ``profile_mm`` (n,); ``kept`` (n,) False at the ends and where a dent, chip or stub
    stands out of it.
    """

    profile_mm: Floats
    kept: NDArray[np.bool_]

    @property
    def sigma_mm(self) -> float:
        """Root mean square (Rq) of what is kept; NaN if nothing is."""
        rough = self.profile_mm[self.kept]
        return float(np.sqrt(np.mean(rough**2))) if len(rough) else float("nan")


def rough_profile(along_mm: Floats, values_mm: Floats) -> Rough:
    """Tell roughness from the longer waves below it and from single dents.

    Parameters
    ----------
    along_mm, values_mm : (n,) arrays
        Deviation along the edge, outwards.

    Notes
    -----
    What lies more than 3.5 robust standard deviations (1.4826 MAD) off is left out with
    0.3 mm to both sides and the filter run again over what is left, until nothing
    changes: a chip's own depth must not pull the line it is measured from.  The first
    line is the median over 5 mm, which no chip pulls: from the filter's own line one
    could end with the chip kept and its shoulders left out.
    """
    inner = along_mm >= along_mm[0] + ROUGHNESS_CUTOFF_MM
    inner &= along_mm <= along_mm[-1] - ROUGHNESS_CUTOFF_MM
    reach = max(round(START_MM / float(np.median(np.diff(along_mm)))), 3)
    start = median_filter(values_mm, reach, mode="nearest")
    out = _outliers(along_mm, values_mm - start, np.zeros(len(along_mm), dtype=bool))
    if out.mean() > _MOST_OUT:
        out = np.zeros(len(along_mm), dtype=bool)
    rough = np.zeros(len(along_mm))
    for _ in range(_CLIPS):
        rough = values_mm - _lowpass_of(along_mm, values_mm, ~out)
        near = _outliers(along_mm, rough, out)
        if near.mean() > _MOST_OUT or (near == out).all():
            break
        out = near
    return Rough(profile_mm=rough, kept=inner & ~out)


def _outliers(
    along_mm: Floats, rough_mm: Floats, out: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell samples far off, in terms of what is not ``out``, and those beside them."""
    typical = 1.4826 * float(np.median(np.abs(rough_mm[~out])))
    far = np.abs(rough_mm) > OUTLYING * max(typical, _LEAST_SCATTER_MM)
    return _widened(along_mm, far, OUTLIER_REACH_MM)


def _lowpass_of(along_mm: Floats, values: Floats, kept: NDArray[np.bool_]) -> Floats:
    """Low-pass (n,) at every place of what is kept; straight over a wide gap."""
    both = np.column_stack([kept, np.where(kept, values, 0.0)])
    weight, total = lowpass(along_mm, both, ROUGHNESS_CUTOFF_MM).T
    told = weight > _LEAST_WEIGHT
    line = np.interp(along_mm, along_mm[told], total[told] / weight[told])
    return np.asarray(line)


def _widened(
    along_mm: Floats, where: NDArray[np.bool_], reach_mm: float
) -> NDArray[np.bool_]:
    """All samples within reach of one that is marked."""
    marked = along_mm[where]
    if not len(marked):
        return where
    after = np.clip(np.searchsorted(marked, along_mm), 0, len(marked) - 1)
    before = np.maximum(after - 1, 0)
    near = np.minimum(
        np.abs(marked[after] - along_mm), np.abs(marked[before] - along_mm)
    )
    return np.asarray(near <= reach_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArcForm:
    """The fixed functionals of an arc; gains (n,) are derivatives by each residual.

    ``sag_mm``: missing material at the lowest point, positive.  ``cos2phi_mm``: uneven
    shrinkage.  ``form_mm``: peak to valley between the angles ``peak_rad`` and
    ``valley_rad``.  ``radius_mm`` and ``centre_mm`` (2,; along phi = 0 and phi = 90
    degrees): least-squares circle of the whole arc.  ``profile_mm`` (n,): what the form
    is the peak to valley of; NaN where the ends are left out.  ``roughness_sigma_mm``:
    see :func:`rough_profile`.
    """

    sag_mm: float
    cos2phi_mm: float
    form_mm: float
    radius_mm: float
    centre_mm: Floats
    peak_rad: float
    valley_rad: float
    profile_mm: Floats
    roughness_sigma_mm: float
    sag_gain: Floats
    cos2phi_gain: Floats
    form_gain: Floats
    radius_gain: Floats


def arc_functionals(phi_rad: Floats, residual_mm: Floats, radius_mm: float) -> ArcForm:
    """Sag, uneven shrinkage, form and radius of a partial arc.

    Parameters
    ----------
    phi_rad : (n,) array
        Growing, 0 at the lowest point; gaps allowed.
    residual_mm : (n,) array
        Outwards from the circle of ``radius_mm`` about the frame's origin.
    radius_mm : float
        Any circle near the arc; the results do not depend on it.

    Returns
    -------
    ArcForm

    Raises
    ------
    ValueError
        Too few samples at the lowest point or in the rest of the arc.

    Notes
    -----
    sag = minus the mean residual over |phi| <= 30 degrees against
    ``c0 + c1 cos phi + c2 sin phi + c3 cos 2 phi`` fitted to the rest; cos2phi = c3.
    form = peak to valley, after a Gaussian low-pass of 2.5 mm and without 2.5 mm at
    each end, of the arc less ``c3 cos 2 phi``, from its least-squares circle.  All are
    linear in the residual; an origin e off the centre adds e^2 / 4R (0.2 um for 0.1 mm)
    to cos2phi and nothing to the others.  Radius and centre are geometric.
    """
    phi = np.asarray(phi_rad, dtype=np.float64)
    residual = np.asarray(residual_mm, dtype=np.float64)
    low = np.abs(phi) <= SAG_HALF_RAD + 1e-12
    if min(low.sum(), (~low).sum()) < LEAST_REST:
        raise ValueError("too little of the arc was read")
    toward = np.column_stack([np.cos(phi), np.sin(phi)])
    circle = fit_circle(toward * (radius_mm + residual)[:, None])
    harmonics = np.column_stack([np.ones_like(phi), toward, np.cos(2 * phi)])
    solve = np.zeros((4, len(phi)))
    solve[:, ~low] = np.linalg.pinv(harmonics[~low])
    mean = low / low.sum()
    sag_gain = (mean @ harmonics) @ solve - mean
    cos2phi_gain = solve[3]
    c3 = float(cos2phi_gain @ residual)
    fit = np.linalg.pinv(harmonics[:, :3])
    uneven = harmonics[:, 3]
    level = residual - c3 * uneven
    level = level - harmonics[:, :3] @ (fit @ level)
    profile, peak, valley = _peak_and_valley(phi * radius_mm, level)
    row = lowpass_rows(phi * radius_mm, ROUGHNESS_CUTOFF_MM, np.array([peak, valley]))
    difference = row[0] - row[1]
    freed = difference - (difference @ harmonics[:, :3]) @ fit
    return ArcForm(
        sag_mm=float(sag_gain @ residual),
        cos2phi_mm=c3,
        form_mm=float(profile[peak] - profile[valley]),
        radius_mm=circle.radius_mm,
        centre_mm=circle.centre_mm,
        peak_rad=float(phi[peak]),
        valley_rad=float(phi[valley]),
        profile_mm=profile,
        roughness_sigma_mm=rough_profile(phi * radius_mm, residual).sigma_mm,
        sag_gain=sag_gain,
        cos2phi_gain=cos2phi_gain,
        form_gain=freed - (freed @ uneven) * cos2phi_gain,
        radius_gain=fit[0],
    )


def _peak_and_valley(along_mm: Floats, values_mm: Floats) -> tuple[Floats, int, int]:
    """Low-passed profile without its ends, and where it is highest and lowest."""
    profile = lowpass(along_mm, values_mm, ROUGHNESS_CUTOFF_MM)
    left_out = along_mm < along_mm[0] + ROUGHNESS_CUTOFF_MM
    left_out |= along_mm > along_mm[-1] - ROUGHNESS_CUTOFF_MM
    profile[left_out] = np.nan
    return profile, int(np.nanargmax(profile)), int(np.nanargmin(profile))
