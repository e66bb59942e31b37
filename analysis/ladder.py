"""One fit for a photo: baselines, flare of each foot layer, and what is shared.

What an edge shows in the plane of the plate face is

    baseline(x) + hinge(foot, body),   foot = max_j F_j - inset_j - slope z_j,
                                       body = max_j     - inset_j - slope z_j

with F_j the growth of foot layer j beyond the body's.  Each group of edges (one side's
ends, one side's flanks facing one way) has a quadratic baseline: body growth, curl and
what is left of the pose.  The foot's height, the slope of the line of sight and the
light's preference for overhanging rims are known to within their standard uncertainty
and enter as observations of their own (JCGM 100, 5.1).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.light import SHADOW_STEP
from analysis.uncertainty import LeastSquares, least_squares

if TYPE_CHECKING:
    from analysis.reading import EdgeReadings

Floats = NDArray[np.float64]

ROUNDING_MM = 0.004
"""Height of the rounded hinge over its corner: body light prints through."""
U_HEIGHT_MM = 0.05
"""Foot height: squeezed first layers and shrinkage along z (assumed)."""
U_SMOOTH_MM = 0.06
"""Second difference of the flare from layer to layer; only bridges thinned steps."""
U_FLANK_MM = 0.006
"""Flare of flanks against ends (assumed)."""
U_OBLIQUE = 0.03
"""Light in the gaps, as a share of the slope in mm: limits what flanks tell of height."""
LIGHT_MM = 0.002
LIGHT_RATIO = 0.35
"""Edges read 2 um wrong by uneven light where the step is 0.35 of the brighter level."""
FLUSH_MM, FLUSH_RANGE_MM = 0.012, 0.030
"""Model error of the hinge where foot and body are level, and how it fades."""
OUTLIER, OUTLIER_MM = 4.5, 0.015
MOST_OUTLIERS = 12
U_LEAN_MM = {"end": 0.3, "flank": 0.025}
U_BEND_MM = {"end": 0.3, "flank": 0.010}
"""Priors on a baseline's linear and quadratic term at the coupon's end: the pose holds
flanks along the coupon, but for the bow."""
HIDDEN_SLOPE = -0.03
"""Flanks seen from further round show their dark wall instead of their rim."""
HIDING, LEVEL_MM = 0.1, 0.003
ROUNDS = 8
SOURCES = ("edge noise", "light", "model", "heights", "pose")


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Standard uncertainties of what is known beforehand: line of sight, bow, height."""

    u_view_rad: float
    u_bow_mm: float
    u_height_mm: float = U_HEIGHT_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Teeth:
    """What the fit needs to know of each tooth edge, (n,) arrays of EdgeReadings rows.

    ``row`` into the readings; ``group`` 0 .. groups - 1; ``end`` True for tooth ends;
    ``x`` along the coupon, -1 to 1.
    """

    row: NDArray[np.intp]
    group: NDArray[np.intp]
    end: NDArray[np.bool_]
    x: Floats
    groups: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Places of the parameters in the vector."""

    groups: int
    foot: int

    @property
    def flare(self) -> slice:
        """Growth of each foot layer."""
        return slice(3 * self.groups, 3 * self.groups + self.foot)

    @property
    def height(self) -> int:
        """Foot height minus nominal."""
        return 3 * self.groups + self.foot

    @property
    def slope(self) -> slice:
        """Change of the line of sight's slope along x and y."""
        return slice(self.height + 1, self.height + 3)

    @property
    def light(self) -> slice:
        """Shift of foot edges against body edges, one for each group."""
        return slice(self.height + 3, self.height + 3 + self.groups)

    @property
    def oblique(self) -> int:
        """Shift of foot edges on flanks that grows with the slope of the sight."""
        return self.height + 3 + self.groups

    @property
    def bow(self) -> int:
        """Height missed at the coupon's ends when its bow was found."""
        return self.oblique + 1

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.bow + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderFit:
    """The fit and all that is needed to carry its uncertainty on.

    Inputs are the tooth edges in the order of ``teeth``, then the prior observations.
    ``variance`` holds each input's variance by source; ``foot_share`` (n,) how far the
    foot forms an edge; ``form_mm`` (n,) the height of what forms it; ``outlier`` (n,).
    """

    teeth: Teeth
    layout: Layout
    value: Floats
    solution: LeastSquares
    variance: dict[str, Floats]
    residual_mm: Floats
    u_residual_mm: Floats
    foot_share: Floats
    proud_mm: Floats
    parallax_mm: Floats
    design: Floats
    outlier: NDArray[np.bool_]
    excess: float

    @property
    def hidden(self) -> NDArray[np.bool_]:
        """Edges whose outermost layer lies behind another from this line of sight."""
        wrong = np.abs(self.foot_share - (self.proud_mm > 0)) > HIDING
        return np.asarray(wrong & (np.abs(self.proud_mm) > LEVEL_MM))

    @property
    def flare_mm(self) -> Floats:
        """Growth of each foot layer beyond the body's."""
        return np.asarray(self.value[self.layout.flare])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    """Everything of the forward model that does not change during the fit."""

    teeth: Teeth
    layout: Layout
    inset: Floats
    slope: Floats
    toward: Floats
    z: Floats

    def hinge(self, value: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Give prediction, jacobian, share of the foot, parallax, height."""
        layout, n, foot = self.layout, len(self.slope), self.layout.foot
        growth, lift = value[layout.flare], value[layout.height]
        slope = self.slope + self.toward @ value[layout.slope]
        f_place, f_layer, f_z = _outermost(
            growth - self.inset[:, :foot], slope, self.z[: foot + 1]
        )
        b_place, _, b_z = _outermost(-self.inset[:, foot:], slope, self.z[foot:] + lift)
        # the light's shift belongs to the foot's edges alone
        f_place = f_place + value[layout.light][self.teeth.group]
        askew = np.where(self.teeth.end, 0.0, slope)
        f_place = f_place + value[layout.oblique] * askew
        half = 0.5 * (f_place - b_place)
        round_ = np.hypot(half, ROUNDING_MM)
        share = 0.5 * (1 + half / round_)
        base = np.column_stack([np.ones(n), self.teeth.x, self.teeth.x**2])
        J = np.zeros((n, layout.size))
        every = np.arange(n)
        for k in range(3):
            J[every, 3 * self.teeth.group + k] = base[:, k]
        J[:, layout.bow] = -slope * self.teeth.x**2
        predicted = J @ value + 0.5 * (f_place + b_place) + round_
        J[every, layout.flare.start + f_layer] += share
        J[:, layout.height] = -(1 - share) * slope
        z = share * f_z + (1 - share) * b_z
        J[:, layout.slope] = -z[:, None] * self.toward
        J[every, layout.light.start + self.teeth.group] = share
        J[:, layout.oblique] = share * askew
        parallax = share * (-slope * f_z) + (1 - share) * b_place
        return predicted, J, share, parallax, z


def _outermost(
    reach: Floats, slope: Floats, z: Floats
) -> tuple[Floats, NDArray[np.intp], Floats]:
    both = np.concatenate(
        [reach - slope[:, None] * z[:-1], reach - slope[:, None] * z[1:]], axis=1
    )
    which = np.argmax(both, axis=1)
    heights = np.concatenate([z[:-1], z[1:]])
    return both.max(axis=1), which % reach.shape[1], heights[which]


def _flank_serves(readings: EdgeReadings, i: int) -> bool:
    lit = readings.ratio[i] >= SHADOW_STEP
    return bool(lit and readings.seen.slope[i] > HIDDEN_SLOPE)


def tooth_edges(
    readings: EdgeReadings, groups: tuple[str, ...], half_length_mm: float
) -> Teeth:
    """Pick the readable tooth edges of some groups."""
    row = np.array(
        [
            i
            for i in readings.chosen(*groups)
            if readings.good[i]
            and (
                readings.edges[i].kind == "end" or readings.seen.slope[i] > HIDDEN_SLOPE
            )
        ],
        dtype=np.intp,
    )
    edges = [readings.edges[i] for i in row]
    return Teeth(
        row=row,
        group=np.array([groups.index(e.group) for e in edges], dtype=np.intp),
        end=np.array([e.kind == "end" for e in edges]),
        x=np.array([e.point_mm[0] for e in edges]) / half_length_mm,
        groups=groups,
    )


def fit_ladders(
    readings: EdgeReadings,
    teeth: Teeth,
    foot_layers: int,
    known: Known,
) -> LadderFit:
    """Fit one photo's tooth edges together.

    Parameters
    ----------
    readings : EdgeReadings
    teeth : Teeth
        Each of its groups with at least four reference teeth.
    foot_layers : int
    known : Known

    Returns
    -------
    LadderFit
        Outliers are left out one by one and named.
    """
    model = _model(readings, teeth, foot_layers)
    place = readings.place_mm[teeth.row]
    outlier = np.zeros(len(place), dtype=bool)
    value = _start(model, place)
    while True:
        fit = _settle(readings, model, place, value, outlier, known)
        value = fit.value
        score = np.abs(fit.residual_mm) / fit.u_residual_mm
        score[outlier | (np.abs(fit.residual_mm) < OUTLIER_MM)] = 0.0
        worst = int(np.argmax(score))
        if score[worst] < OUTLIER or outlier.sum() >= MOST_OUTLIERS:
            return fit
        outlier = outlier.copy()
        outlier[worst] = True


def _model(readings: EdgeReadings, teeth: Teeth, foot: int) -> _Model:
    normal = np.array([readings.edges[i].normal for i in teeth.row])
    return _Model(
        teeth=teeth,
        layout=Layout(groups=len(teeth.groups), foot=foot),
        inset=readings.inset_mm[teeth.row],
        slope=readings.seen.slope[teeth.row],
        toward=normal,
        z=readings.z_mm,
    )


def _start(model: _Model, place: Floats) -> Floats:
    """Baselines from the references, flare from the teeth whose foot stands full."""
    layout, teeth = model.layout, model.teeth
    value = np.zeros(layout.size)
    _, _, _, parallax, _ = model.hinge(value - 1.0 * _flags(layout))
    plain = model.inset[:, : layout.foot].min(axis=1) > 0.6
    rest = np.zeros(len(place))
    for g in range(layout.groups):
        mine = teeth.group == g
        ref = mine & plain
        degree = 2 if ref.sum() >= 4 else 0
        line = np.polyfit(teeth.x[ref], (place - parallax)[ref], degree)
        rest[mine] = place[mine] - np.polyval(line, teeth.x[mine])
        value[3 * g : 3 * g + degree + 1] = line[::-1]
    first = np.argmax(model.inset[:, : layout.foot] < 1e-9, axis=1)
    full = (model.inset[:, : layout.foot].min(axis=1) < 1e-9) & teeth.end
    if not full.any():
        full = model.inset[:, : layout.foot].min(axis=1) < 1e-9
    layers = np.unique(first[full])
    seen = [
        np.median((rest + model.slope * model.z[first])[full & (first == k)])
        for k in layers
    ]
    every = np.arange(layout.foot)
    value[layout.flare] = np.maximum(np.interp(every, layers, seen), 0.0)
    return value


def _flags(layout: Layout) -> Floats:
    flags = np.zeros(layout.size)
    flags[layout.flare] = 1.0
    return flags


def _variances(
    readings: EdgeReadings, model: _Model, value: Floats, excess: Floats
) -> dict[str, Floats]:
    rows = model.teeth.row
    foot = model.layout.foot
    ratio = np.clip(readings.ratio[rows], 0.05, 1.0)
    light = (LIGHT_MM * (LIGHT_RATIO / ratio) ** 1.5 * excess) ** 2
    proud = _proud(model, value)
    inset = model.inset[:, :foot].min(axis=1)
    flush = FLUSH_MM * np.exp(-np.abs(proud) / FLUSH_RANGE_MM) * (inset > 0)
    return {
        "edge noise": readings.u_mm[rows] ** 2 * excess**2,
        "light": light,
        "model": flush**2,
    }


def _proud(model: _Model, value: Floats) -> Floats:
    """How far the foot stands out beyond the body, each tooth."""
    foot = model.layout.foot
    reach = value[model.layout.flare] - model.inset[:, :foot]
    return np.asarray(reach.max(axis=1))


def _priors(
    readings: EdgeReadings,
    model: _Model,
    known: Known,
) -> tuple[Floats, dict[str, Floats]]:
    """Rows of the design for what is known beforehand, and their variances."""
    layout, teeth = model.layout, model.teeth
    smooth = np.zeros((max(layout.foot - 2, 0), layout.size))
    for i in range(len(smooth)):
        smooth[i, layout.flare.start + i : layout.flare.start + i + 3] = (1, -2, 1)
    unit = np.eye(layout.size)
    lean = unit[1 : 3 * layout.groups : 3]
    bend = unit[2 : 3 * layout.groups : 3]
    rows = np.concatenate(
        [
            smooth,
            unit[layout.height][None],
            unit[layout.slope],
            unit[layout.light],
            unit[layout.oblique][None],
            unit[layout.bow][None],
            lean,
            bend,
        ]
    )
    light = []
    for g, name in enumerate(teeth.groups):
        ratio = np.median(readings.ratio[teeth.row[teeth.group == g]])
        shade = LIGHT_MM * LIGHT_RATIO / np.clip(ratio, 0.05, 1.0)
        light.append(shade**2 + (0.0 if name.startswith("end") else U_FLANK_MM**2))
    n = len(rows)
    split = {source: np.zeros(n) for source in SOURCES}
    k = len(smooth)
    split["model"][:k] = U_SMOOTH_MM**2
    split["heights"][k] = known.u_height_mm**2
    split["pose"][k + 1 : k + 3] = known.u_view_rad**2
    split["light"][k + 3 : k + 3 + layout.groups] = light
    split["light"][k + 3 + layout.groups] = U_OBLIQUE**2
    kinds = [name.split()[0] for name in teeth.groups]
    split["pose"][k + 4 + layout.groups :] = [
        known.u_bow_mm**2,
        *(U_LEAN_MM[kind] ** 2 for kind in kinds),
        *(U_BEND_MM[kind] ** 2 for kind in kinds),
    ]
    return rows, split


def _settle(
    readings: EdgeReadings,
    model: _Model,
    place: Floats,
    value: Floats,
    outlier: NDArray[np.bool_],
    known: Known,
) -> LadderFit:
    """Gauss-Newton to rest, then once more with the scatter that was seen."""
    excess = np.ones(len(place))
    fit = _descend(readings, model, place, value, outlier, excess, known)
    for kind in (True, False):
        mine = (model.teeth.end == kind) & ~outlier
        if mine.sum() < 8:
            continue
        freedom = max(1.0 - model.layout.size / (2.0 * len(place)), 0.4)
        chi = np.sqrt(
            np.mean((fit.residual_mm[mine] / fit.u_residual_mm[mine]) ** 2) / freedom
        )
        excess[model.teeth.end == kind] = max(float(chi), 1.0)
    return _descend(readings, model, place, fit.value, outlier, excess, known)


def _descend(
    readings: EdgeReadings,
    model: _Model,
    place: Floats,
    value: Floats,
    outlier: NDArray[np.bool_],
    excess: Floats,
    known: Known,
) -> LadderFit:
    prior_rows, prior_split = _priors(readings, model, known)
    layout = model.layout
    for _ in range(ROUNDS):
        split = _variances(readings, model, value, excess)
        own = sum(split.values(), np.zeros(len(place)))
        own = np.where(outlier, 1e6, own)
        predicted, J, share, parallax, _ = model.hinge(value)
        design = np.concatenate([J, prior_rows])
        total = np.concatenate(
            [own, sum(prior_split.values(), np.zeros(len(prior_rows)))]
        )
        wrong = np.concatenate([place - predicted, -prior_rows @ value])
        step = least_squares(design, wrong, total)
        move = step.value
        move[layout.flare] = np.clip(move[layout.flare], -0.1, 0.1)
        value = value + move
        if np.abs(move[layout.flare]).max() < 1e-5:
            break
    predicted, J, share, parallax, _ = model.hinge(value)
    empty = np.zeros(len(place))
    variance = {
        source: np.concatenate([split.get(source, empty), prior_split[source]])
        for source in SOURCES
    }
    variance["edge noise"][: len(place)][outlier] = 1e6
    return LadderFit(
        teeth=model.teeth,
        layout=layout,
        value=value,
        solution=step,
        variance=variance,
        residual_mm=place - predicted,
        u_residual_mm=np.sqrt(sum(split.values(), empty)),
        foot_share=share,
        proud_mm=_proud(model, value),
        parallax_mm=parallax,
        design=J,
        outlier=outlier,
        excess=float(excess[model.teeth.end].max(initial=1.0)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Growths:
    """Growth of tooth ends: (m,) with sensitivities (m, inputs) to the fit's inputs."""

    row: NDArray[np.intp]
    place: NDArray[np.intp]
    growth_mm: Floats
    sensitivity: Floats


def tooth_growths(fit: LadderFit, readings: EdgeReadings) -> Growths:
    """Growth of each tooth end against its side's baseline, parallax removed.

    A linear map of the fit's inputs: the tooth's own reading minus what the fit says of
    baseline, heights, view and light at its place.
    """
    pick = np.flatnonzero(fit.teeth.end)
    layout = fit.layout
    J = fit.design[pick].copy()
    J[:, layout.flare] = 0.0
    around = J @ fit.value + fit.parallax_mm[pick]
    for known in (layout.height, layout.slope):  # these act through the parallax
        around -= np.atleast_2d(J[:, known].T).T @ np.atleast_1d(fit.value[known])
    rows = fit.teeth.row[pick]
    growth = readings.place_mm[rows] - around
    own = np.zeros((len(pick), fit.solution.gain.shape[1]))
    own[np.arange(len(pick)), pick] = 1.0
    return Growths(
        row=rows,
        place=pick,
        growth_mm=growth,
        sensitivity=own - J @ fit.solution.gain,
    )
