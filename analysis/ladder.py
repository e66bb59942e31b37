"""One fit for a photo: baselines, flare of each foot layer, and what is shared.

The model is that of :mod:`analysis.hinge`.  The foot's height, the pose and the light's
preference for overhanging rims are known to within their standard uncertainty and enter
as observations of their own (JCGM 100, 5.1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.hinge import HingeModel, Layout, Shown, Teeth
from analysis.light import SHADOW_STEP
from analysis.outline import projected_outline
from analysis.reading import EdgeReadings
from analysis.uncertainty import LeastSquares, least_squares

Floats = NDArray[np.float64]

U_HEIGHT_MM = 0.1
"""Foot height: two layers, for squeeze and shrinkage along z (assumed)."""
U_SMOOTH_MM = 0.06
"""Second difference of the flare from layer to layer; only bridges thinned steps."""
U_FLANK_MM = 0.006
"""Flare of flanks against ends (assumed)."""
U_OBLIQUE = 0.03
"""Light in the gaps, mm for each slope: limits what flanks tell of height."""
LIGHT_MM = 0.002
LIGHT_RATIO = 0.35
"""Uneven light: 2 um an edge where the step is 0.35 of the brighter level."""
FLUSH_MM, FLUSH_RANGE_MM = 0.012, 0.030
"""Model error of the hinge where foot and body are level, and how it fades."""
OUTLIER, OUTLIER_MM = 4.5, 0.015
MOST_OUTLIERS = 12
U_LEAN_MM = {"end": 0.3, "flank": 0.008}
U_BEND_MM = {"end": 0.3, "flank": 0.006}
"""Priors on a baseline's linear and quadratic term at the coupon's end: the pose holds
flanks along the coupon, but for the bow."""
HIDDEN_SLOPE = -0.03
"""Flanks seen from further round show their dark wall instead of their rim."""
HIDING, LEVEL_MM = 0.1, 0.003
ROUNDS = 8
CLEAN_MISFIT = 3.0
FEWEST_TO_TELL = 8
FEWEST_FLANKS, FLANK_SHARE, FLANKS_APART_MM = 6, 0.7, 0.025
SETTLED_MM, LARGEST_MOVE_MM = 1e-5, 0.1
IGNORED_MM2 = 1e6
SOURCES = ("edge noise", "light", "model", "heights", "pose")


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
    around_mm: Floats
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


def _flank_serves(readings: EdgeReadings, i: int) -> bool:
    lit = readings.good[i] and readings.ratio[i] >= SHADOW_STEP
    clean = readings.misfit[i] < CLEAN_MISFIT
    return bool(lit and clean and readings.seen.slope[i] > HIDDEN_SLOPE)


def flanks_serve(readings: EdgeReadings, group: str, plain: set[str]) -> bool:
    """Whether one side's flanks facing one way are good enough to tell heights.

    Nearly all of those that show their rim must be readable, and the reference teeth
    among them must agree: a lamp's shadow grows along the side and would pass for a
    height.
    """
    open_ = [i for i in readings.chosen(group) if readings.seen.slope[i] > HIDDEN_SLOPE]
    serving = [i for i in open_ if _flank_serves(readings, int(i))]
    body = [i for i in serving if readings.edges[i].owner in plain]
    if len(serving) < max(FEWEST_FLANKS, FLANK_SHARE * len(open_)) or len(body) < 2:
        return False
    flat = projected_outline(
        readings.inset_mm[body],
        np.zeros(readings.inset_mm.shape[1]),
        readings.z_mm,
        readings.seen.slope[body],
    )
    return bool(np.ptp(readings.place_mm[body] - flat.place_mm) < FLANKS_APART_MM)


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
    u_height_mm: float,
) -> LadderFit:
    """Fit one photo's tooth edges together.

    Parameters
    ----------
    readings : EdgeReadings
    teeth : Teeth
        Each of its groups with at least four reference teeth.
    foot_layers : int
    u_height_mm : float
        Standard uncertainty of the foot's height.

    Returns
    -------
    LadderFit
        Outliers are left out one by one and named.
    """
    model = _model(readings, teeth, foot_layers)
    place = readings.place_mm[teeth.row]
    task = _Task(readings, model, place, *_priors(readings, model, u_height_mm))
    outlier = np.zeros(len(place), dtype=bool)
    value = _start(model, place)
    while True:
        fit = _settle(task, value, outlier)
        value = fit.value
        score = np.abs(fit.residual_mm) / fit.u_residual_mm
        score[outlier | (np.abs(fit.residual_mm) < OUTLIER_MM)] = 0.0
        worst = int(np.argmax(score))
        if score[worst] < OUTLIER or outlier.sum() >= MOST_OUTLIERS:
            return fit
        outlier = outlier.copy()
        outlier[worst] = True


@dataclass(frozen=True, slots=True)
class _Task:
    """What does not change while one photo's ladders are fitted."""

    readings: EdgeReadings
    model: HingeModel
    place: Floats
    prior_rows: Floats
    prior_split: dict[str, Floats]

    def linearised(
        self, value: Floats, outlier: NDArray[np.bool_], excess: Floats
    ) -> tuple[Shown, dict[str, Floats], LeastSquares]:
        """One linear least squares about a parameter vector, with all its variances."""
        n = len(self.place)
        own = _variances(self.readings, self.model, value, excess)
        empty = np.zeros(n)
        split = {
            source: np.concatenate([own.get(source, empty), self.prior_split[source]])
            for source in SOURCES
        }
        total = sum(split.values(), np.zeros(n + len(self.prior_rows)))
        total[:n][outlier] = IGNORED_MM2
        shown = self.model.at(value)
        design = np.concatenate([shown.jacobian, self.prior_rows])
        wrong = np.concatenate([self.place - shown.place_mm, -self.prior_rows @ value])
        return shown, split, least_squares(design, wrong, total)


def _model(readings: EdgeReadings, teeth: Teeth, foot: int) -> HingeModel:
    return HingeModel(
        teeth=teeth,
        layout=Layout(
            groups=len(teeth.groups), foot=foot, poses=readings.seen.place_by.shape[1]
        ),
        inset=readings.inset_mm[teeth.row],
        slope=readings.seen.slope[teeth.row],
        slope_by=readings.seen.slope_by[teeth.row],
        place_by=readings.seen.place_by[teeth.row],
        z=readings.z_mm,
    )


def _start(model: HingeModel, place: Floats) -> Floats:
    """Baselines from the references, flare from the teeth whose foot stands full."""
    layout, teeth = model.layout, model.teeth
    value = np.zeros(layout.size)
    inset = model.inset[:, : layout.foot]
    plain = model.plain()
    low = value.copy()
    low[layout.flare] = -1.0  # the body alone
    parallax = model.at(low).around_mm
    rest = np.zeros(len(place))
    for g in range(layout.groups):
        mine = teeth.group == g
        ref = mine & plain
        degree = 2 if ref.sum() >= 4 else 0
        line = np.polyfit(teeth.x[ref], (place - parallax)[ref], degree)
        rest[mine] = place[mine] - np.polyval(line, teeth.x[mine])
        value[3 * g : 3 * g + degree + 1] = line[::-1]
    first = np.argmax(inset < 1e-9, axis=1)
    full = inset.min(axis=1) < 1e-9
    if (full & teeth.end).any():
        full &= teeth.end
    layers = np.unique(first[full])
    seen = [
        np.median((rest + model.slope * model.z[first])[full & (first == k)])
        for k in layers
    ]
    every = np.arange(layout.foot)
    value[layout.flare] = np.maximum(np.interp(every, layers, seen), 0.0)
    return value


def _variances(
    readings: EdgeReadings, model: HingeModel, value: Floats, excess: Floats
) -> dict[str, Floats]:
    rows = model.teeth.row
    foot = model.layout.foot
    ratio = np.clip(readings.ratio[rows], 0.05, 1.0)
    light = (LIGHT_MM * (LIGHT_RATIO / ratio) ** 1.5 * excess) ** 2
    proud = model.proud_mm(value)
    inset = model.inset[:, :foot].min(axis=1)
    flush = FLUSH_MM * np.exp(-np.abs(proud) / FLUSH_RANGE_MM) * (inset > 0)
    return {
        "edge noise": readings.u_mm[rows] ** 2 * excess**2,
        "light": light,
        "model": flush**2,
    }


def _priors(
    readings: EdgeReadings,
    model: HingeModel,
    u_height_mm: float,
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
            unit[layout.pose],
            unit[layout.light],
            unit[layout.oblique][None],
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
    split["heights"][k] = u_height_mm**2
    k, end = k + 1, k + 1 + layout.poses
    split["pose"][k:end] = 1.0
    split["light"][end : end + layout.groups] = light
    split["light"][end + layout.groups] = U_OBLIQUE**2
    kinds = [name.split()[0] for name in teeth.groups]
    split["model"][end + layout.groups + 1 :] = [
        *(U_LEAN_MM[kind] ** 2 for kind in kinds),
        *(U_BEND_MM[kind] ** 2 for kind in kinds),
    ]
    return rows, split


def _settle(task: _Task, value: Floats, outlier: NDArray[np.bool_]) -> LadderFit:
    """Gauss-Newton to rest, then once more with the scatter that was seen."""
    end = task.model.teeth.end
    excess = np.ones(len(task.place))
    fit = _descend(task, value, outlier, excess)
    for kind in (True, False):
        mine = (end == kind) & ~outlier
        if mine.sum() < FEWEST_TO_TELL:
            continue
        # about half of the parameters are held by what is known beforehand
        freedom = max(1.0 - task.model.layout.size / (2.0 * len(end)), 0.4)
        scores = fit.residual_mm[mine] / fit.u_residual_mm[mine]
        excess[end == kind] = max(float(np.sqrt(np.mean(scores**2) / freedom)), 1.0)
    return _descend(task, fit.value, outlier, excess)


def _descend(
    task: _Task, value: Floats, outlier: NDArray[np.bool_], excess: Floats
) -> LadderFit:
    flare = task.model.layout.flare
    shown, split, step = task.linearised(value, outlier, excess)
    for _ in range(ROUNDS):
        move = step.value.copy()
        move[flare] = np.clip(move[flare], -LARGEST_MOVE_MM, LARGEST_MOVE_MM)
        value = value + move
        shown, split, step = task.linearised(value, outlier, excess)
        if np.abs(move[flare]).max() < SETTLED_MM:
            break
    return LadderFit(
        teeth=task.model.teeth,
        layout=task.model.layout,
        value=value,
        solution=step,
        variance=split,
        residual_mm=task.place - shown.place_mm,
        u_residual_mm=np.sqrt(_own_variance(split, len(task.place))),
        foot_share=shown.share,
        proud_mm=task.model.proud_mm(value),
        around_mm=shown.around_mm,
        design=shown.jacobian,
        outlier=outlier,
        excess=float(excess[task.model.teeth.end].max(initial=1.0)),
    )


def _own_variance(split: dict[str, Floats], n: int) -> Floats:
    return np.asarray(sum(split.values(), np.zeros(len(split["model"])))[:n])


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
    rows = fit.teeth.row[pick]
    growth = readings.place_mm[rows] - fit.around_mm[pick]
    own = np.zeros((len(pick), fit.solution.gain.shape[1]))
    own[np.arange(len(pick)), pick] = 1.0
    return Growths(
        row=rows,
        place=pick,
        growth_mm=growth,
        sensitivity=own - J @ fit.solution.gain,
    )
