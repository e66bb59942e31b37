"""Single drawings of a way: in section, at the rim and from below, on given axes.

Each draws in mm, fits its window and says in a line what it shows and what is drawn
larger than it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
import shapely
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from numpy.typing import NDArray
from shapely import affinity

from calib.way_shapes import (
    across_in_print,
    beside,
    blunted,
    contacts_in_base,
    departed_rim,
    downhill,
    from_below,
    leftwards,
    lip_section,
    lowest_corner,
    stood,
)
from patterns.base import Base

if TYPE_CHECKING:
    from collections.abc import Sequence

    import manifold3d
    from matplotlib.axes import Axes

    from calib.ways import Told, WallProfile, Way
    from patterns.tilted_spec import TiltedBase

Array = NDArray[np.float64]

PAPER, INK, FAINT = "#fbfaf7", "#22303a", "#7d8a92"
RESIN, HOLLOW, SUPPORT = "#86a9b2", "#c6d6da", "#ccd3d6"
LIP, PLATE, AMISS = "#e3aa45", "#4a5760", "#c8453b"

SKETCHED = "*"
"""Ends the caption of a drawing whose departure runs as sketched."""

_FACTORS = (1, 2, 5, 10, 20, 50, 100, 200)
_CLOSE_MM = (4.6, 2.3)  # what the drawing of the rim shows
_FLARE_DRAWN_MM = 1.2  # how wide the largest flare may be drawn there
_LOST_DRAWN_MM = 0.45  # and how much the corner may be drawn to lose
_BELOW_SHARE = 0.06  # of the base's width, seen from below
_PILLARS_MM = 4.0  # how near the section a pillar is that is drawn behind it
_PILLARS_CLOSE_MM = 0.6
_SLIVER_MM = 0.004
_SKIN_MM = 1e-3  # above an underside, where it is cut
_BESIDE_MM = 0.0137
_BAR_SHARE = 0.25
_BARS_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A base to be drawn, and downhill (2,) in its frame.

    ``across_mm``: how far to the left of its origin it is cut along downhill;
    ``section``: that cut.
    ``close_factor`` and ``below_factor``: how much larger departures are drawn at the
    rim and from below, the same for all ways, so that they compare by eye.
    """

    base: Base
    lean: Array
    across_mm: float
    section: shapely.Geometry
    close_factor: int
    below_factor: int

    def behind(self, made: TiltedBase, within_mm: float) -> shapely.Geometry:
        """Give the base's cut and what supports it near there, in the print frame."""
        _, raised = downhill(made.pose)
        across = across_in_print(made, self.across_mm)
        near = [beside(body, raised, across, within_mm) for body in made.added]
        return shapely.union_all([stood(self.section, made.pose), *near])


def subject_of(
    base: Base, body: manifold3d.Manifold, lean: Array, ways: Sequence[Way]
) -> Subject:
    """Choose the factors that the departures of all ways are drawn by."""
    width = float(np.ptp(np.asarray(base.rim.outline), axis=0).max())
    tilted = [way.departure for way in ways if way.name != "flat"]
    departs = [told for way in ways for told in (way.departure, way.flare)]
    plain = [way.profile.plain_mm for way in ways if way.profile is not None]
    across = _cut_at(base, lean)
    return Subject(
        base=base,
        lean=lean,
        across_mm=across,
        section=beside(body, lean, across, 0.0),
        close_factor=_factor(_largest(tilted), _LOST_DRAWN_MM),
        below_factor=_factor(
            max([_largest(departs), *map(abs, chain(*plain))]), _BELOW_SHARE * width
        ),
    )


def _cut_at(base: Base, lean: Array) -> float:
    """Cut through the middle, but not along an edge that may run there."""
    middle = shapely.Polygon(base.rim.outline).centroid
    return float(np.array([middle.x, middle.y]) @ leftwards(lean)) + _BESIDE_MM


def _larger(factor: int, how: str = "larger") -> str:
    return f"drawn {factor} times {how}" if factor > 1 else "true to scale"


def _largest(told: list[Told]) -> float:
    known = [abs(t.interval.value_mm) for t in told if t.interval is not None]
    return max(known, default=0.0)


def _factor(length_mm: float, drawn_mm: float) -> int:
    """Largest round factor that draws a length no larger than a limit."""
    return max((f for f in _FACTORS if f * length_mm <= drawn_mm), default=1)


def flat_section(ax: Axes, subject: Subject, way: Way) -> str:
    """Draw the base on the plate; give the caption."""
    section, below = _on_plate(subject.section, way)
    _plate(ax, section.union(below).bounds)
    _fill(ax, section, RESIN)
    _fill(ax, below, LIP)
    _window(ax, section.union(below).bounds)
    return "in section, true to scale"


def tilted_section(ax: Axes, subject: Subject, made: TiltedBase) -> str:
    """Draw the base on its supports; give the caption."""
    behind = subject.behind(made, _PILLARS_MM)
    _plate(ax, behind.bounds)
    _fill(ax, behind, SUPPORT)
    _fill(ax, stood(subject.section, made.pose), RESIN)
    _fill(ax, lip_section(made, subject.across_mm), LIP)
    _window(ax, behind.bounds)
    near = "; the supports near it behind" if made.spec.supports else ""
    return f"in section, true to scale{near}"


def flat_close(ax: Axes, subject: Subject, way: Way) -> str:
    """Draw the lowest layers at the rim, without insets and with them."""
    section, below = _on_plate(subject.section, way)
    right, _ = lowest_corner(section)
    window = _around(right, 0.0, across=0.66, below=0.12)
    sanded = below.intersection(shapely.box(*window))
    seen = section.intersection(shapely.box(*window)).union(sanded)
    _fill(ax, shapely.box(window[0], window[1], window[2], 0.0), PLATE)
    profile = way.profile
    if profile is None:
        _fill(ax, seen, RESIN)
        _window(ax, window, pad=0.0)
        return "the rim, close, true to scale; flare not measured"
    largest = max(map(abs, (*profile.plain_mm, *profile.written_mm)))
    factor = _factor(largest, _FLARE_DRAWN_MM)
    plain = _stack(right, profile, profile.plain_mm, factor)
    written = _stack(right, profile, profile.written_mm, factor)
    _fill(ax, plain.difference(seen), AMISS, alpha=0.16)
    _fill(ax, seen, RESIN)
    _fill(ax, sanded, LIP)
    _fill(ax, written.difference(seen), AMISS)
    _fill(ax, _dents(right, profile, factor).intersection(seen), AMISS)
    _edge(ax, plain.difference(seen), AMISS, dashed=True)
    for j in range(1, len(profile.plain_mm) + 1):
        height = j * profile.layer_mm
        ax.plot([window[0], right], [height, height], color=PAPER, lw=0.35, alpha=0.8)
    _window(ax, window, pad=0.0)
    return f"the rim, close: flare {_larger(factor, 'wider')}, without insets dashed"


def tilted_close(ax: Axes, subject: Subject, made: TiltedBase, way: Way) -> str:
    """Draw the lowest place of the rim, and what the corner is expected to lose."""
    section = stood(subject.section, made.pose)
    lip = lip_section(made, subject.across_mm)
    corner = lowest_corner(section)
    window = _around(*corner, across=0.5, below=0.36)
    near = shapely.box(*window)
    _fill(ax, subject.behind(made, _PILLARS_CLOSE_MM).intersection(near), SUPPORT)
    _fill(ax, lip.intersection(near), LIP)
    told = way.departure.interval
    if told is None:
        _fill(ax, section.intersection(near), RESIN)
        _window(ax, window, pad=0.0)
        return "the rim, close, true to scale; departure not measured"
    factor = subject.close_factor
    left = blunted(section, corner, factor * abs(told.value_mm))
    lost = _whole(section.difference(left).intersection(near))
    _fill(ax, lost, AMISS)
    _fill(ax, left.intersection(near), RESIN)
    _edge(ax, lost, INK, dashed=True)
    _window(ax, window, pad=0.0)
    return f"the rim, close: departure {_larger(factor)}"


def flat_below(ax: Axes, subject: Subject, way: Way) -> str:
    """Draw the underside with its flare."""
    rim = _rim_below(ax, subject)
    told, factor = way.flare.interval, subject.below_factor
    if told is None:
        _window(ax, rim.bounds)
        return "from below; flare not measured"
    out = rim.buffer(factor * max(told.value_mm, 0.0))
    if way.profile is not None:
        plain = rim.buffer(factor * way.profile.plain_mm[0])
        _fill(ax, plain.difference(rim), AMISS, alpha=0.16)
        _edge(ax, plain, AMISS, dashed=True)
        out = out.union(plain)
    _fill(ax, rim.buffer(factor * max(told.value_mm, 0.0)).difference(rim), AMISS)
    _window(ax, out.bounds)
    return f"from below: flare {_larger(factor)}, without insets dashed"


def tilted_below(ax: Axes, subject: Subject, made: TiltedBase, way: Way) -> str:
    """Draw the underside with lip, contacts and what the rim departs by."""
    rim = _rim_below(ax, subject)
    lip = shapely.Polygon()
    if made.lip is not None:
        lip = from_below(made.lip.plan, subject.lean)
    _fill(ax, lip, LIP)
    spots = from_below(shapely.MultiPoint(contacts_in_base(made)[:, :2]), subject.lean)
    xy = shapely.get_coordinates(spots)
    ax.plot(*xy.T, ls="none", marker="o", ms=1.6, color=INK, alpha=0.55, mew=0)
    told = way.departure.interval
    if told is not None:
        sketch = departed_rim(
            np.asarray(rim.exterior.coords)[:-1],
            np.array([1.0, 0.0]),
            subject.below_factor * abs(told.value_mm),
        )
        _fill(ax, rim.difference(sketch), AMISS)
        _edge(ax, lip, LIP)  # seen where the departure is drawn over it, too
        _edge(ax, rim, INK, dashed=True)
    _window(ax, rim.bounds)
    if told is None:
        return "from below; departure not measured"
    return f"from below: departure {_larger(subject.below_factor)}{SKETCHED}"


def _on_plate(
    section: shapely.Geometry, way: Way
) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Give a section where it is printed flat, and below it what is sanded off."""
    lift = way.sanding.depth_mm or 0.0
    raised = affinity.translate(section, 0.0, lift)
    low_x, _, high_x, _ = section.bounds
    level = shapely.LineString([(low_x, lift + _SKIN_MM), (high_x, lift + _SKIN_MM)])
    runs = shapely.get_parts(raised.intersection(level)) if lift else ()
    below = [shapely.box(run.bounds[0], 0.0, run.bounds[2], lift) for run in runs]
    return raised, shapely.union_all(below)


def _rim_below(ax: Axes, subject: Subject) -> shapely.Polygon:
    rim = from_below(shapely.Polygon(subject.base.rim.outline), subject.lean)
    rim = shapely.Polygon(shapely.normalize(rim).exterior)
    _fill(ax, rim, RESIN)
    for recess in subject.base.recesses:
        hollow = from_below(shapely.Polygon(recess.ring), subject.lean)
        _fill(ax, hollow, HOLLOW)
        _edge(ax, hollow, INK)
    return shapely.orient_polygons(rim, exterior_cw=False)


def _stack(
    right_mm: float, profile: WallProfile, steps_mm: tuple[float, ...], factor: int
) -> shapely.Geometry:
    """Draw layers that stand out by their steps, from the rim outwards."""
    return shapely.union_all(
        [
            shapely.box(
                right_mm - 0.05,
                j * profile.layer_mm,
                right_mm + factor * max(step, 0.0),
                (j + 1) * profile.layer_mm,
            )
            for j, step in enumerate(steps_mm)
        ]
    )


def _dents(right_mm: float, profile: WallProfile, factor: int) -> shapely.Geometry:
    """Draw what layers lack that stay behind the rim."""
    return shapely.union_all(
        [
            shapely.box(
                right_mm + factor * min(step, 0.0),
                j * profile.layer_mm,
                right_mm,
                (j + 1) * profile.layer_mm,
            )
            for j, step in enumerate(profile.written_mm)
        ]
    )


def _around(
    x_mm: float, y_mm: float, *, across: float, below: float
) -> tuple[float, float, float, float]:
    """Window of the close drawings, a place at given shares of it."""
    wide, high = _CLOSE_MM
    left, low = x_mm - across * wide, y_mm - below * high
    return left, low, left + wide, low + high


def _whole(shape: shapely.Geometry) -> shapely.Geometry:
    """Leave slivers out."""
    return shape.buffer(-_SLIVER_MM).buffer(_SLIVER_MM)


def _plate(ax: Axes, bounds: tuple[float, float, float, float]) -> None:
    low_x, _, high_x, high_y = bounds
    room = 0.04 * (high_x - low_x)
    thick = 0.03 * max(high_x - low_x, high_y)
    _fill(ax, shapely.box(low_x - room, -thick, high_x + room, 0.0), PLATE)


def _fill(ax: Axes, shape: shapely.Geometry, colour: str, alpha: float = 1.0) -> None:
    path = _path(shape)
    if path is not None:
        ax.add_patch(PathPatch(path, facecolor=colour, edgecolor="none", alpha=alpha))


def _edge(
    ax: Axes, shape: shapely.Geometry, colour: str, *, dashed: bool = False
) -> None:
    path = _path(shape)
    if path is not None:
        line = (0, (3, 2)) if dashed else "solid"
        ax.add_patch(
            PathPatch(path, facecolor="none", edgecolor=colour, lw=0.7, linestyle=line)
        )


def _path(shape: shapely.Geometry) -> Path | None:
    """Outlines and openings as one path, so that openings stay open."""
    rings = [
        Path(np.asarray(ring.coords), closed=True)
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon" and not part.is_empty
        for ring in (part.exterior, *part.interiors)
    ]
    return Path.make_compound_path(*rings) if rings else None


def _window(
    ax: Axes, bounds: tuple[float, float, float, float], pad: float = 0.04
) -> None:
    """Show a window, and below it a scale bar of a round length."""
    low_x, low_y, high_x, high_y = bounds
    room = pad * max(high_x - low_x, high_y - low_y)
    ax.set_xlim(low_x - room, high_x + room)
    ax.set_ylim(low_y - room, high_y + room)
    ax.set_aspect("equal", adjustable="box")
    ax.set_axis_off()
    width = high_x - low_x
    bar = max(b for b in _BARS_MM if b <= max(_BAR_SHARE * width, _BARS_MM[0]))
    below = ax.get_xaxis_transform()
    ends = [low_x, low_x + bar]
    ax.plot(ends, [-0.05] * 2, color=INK, lw=1.4, transform=below, clip_on=False)
    ax.annotate(
        f"{bar:g} mm",
        (ends[1], -0.05),
        (4.0, 0.0),
        xycoords=below,
        textcoords="offset points",
        annotation_clip=False,
        fontsize=6.5,
        color=INK,
        va="center",
    )
