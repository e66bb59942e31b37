"""Picture of the ways to print a base: in section, at the rim and from below.

Lengths are true to scale but for flare and departures, which are drawn larger by a
factor that each drawing states.  Sizes of departures are those measured; their run
along the rim is a sketch, and the picture says so.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyBboxPatch

from calib.way_drawings import (
    AMISS,
    FAINT,
    INK,
    LIP,
    PAPER,
    PLATE,
    RESIN,
    SKETCHED,
    SUPPORT,
    Subject,
    flat_below,
    flat_close,
    flat_section,
    subject_of,
    tilted_below,
    tilted_close,
    tilted_section,
)
from calib.way_shapes import downhill
from calib.way_words import way_lines
from calib.ways import WAY_WORDS, Comparison, Way, WayName
from patterns.base_sections import solid
from patterns.tilted_spec import TiltedBase

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from calib.way_made import Made
    from patterns.base import Base
    from patterns.errors import RimgaugeError

CHOSEN = "#2f7d5b"

_SIZE_IN = (12.0, 9.2)
_LEFTS, _WIDTH = (0.030, 0.355, 0.680), 0.290
_PLACES = (
    (0.698, 0.150),
    (0.508, 0.145),
    (0.290, 0.175),
)  # low and high: section, close, below
_LINES_FROM, _LINE_STEP = 0.250, 0.0172
_FRAME_FROM, _FRAME_TO = 0.094, 0.902
_COLUMN_LETTERS = 55
_FOOT_FROM, _FOOT_LETTERS = 0.078, 205
_KEY = (
    ("base", RESIN),
    ("supports", SUPPORT),
    ("sanded off", LIP),
    ("plate", PLATE),
    ("what departs", AMISS),
)


def draw_ways(
    base: Base, made: Made, compared: Comparison, *, remark: str = ""
) -> Figure:
    """Draw the three ways of a comparison side by side.

    Parameters
    ----------
    base : Base
    made : Made
        The base as each way would be written.
    compared : Comparison
        What is told beneath.
    remark : str
        Set beside the heading, where what is drawn must not be taken for more.

    Returns
    -------
    Figure
        12 by 9.2 inches, for a screen or a sheet.
    """
    subject = _subject(base, made, compared)
    figure = Figure(figsize=_SIZE_IN, facecolor=PAPER)
    _heading(figure, compared, remark)
    bodies: dict[WayName, TiltedBase | RimgaugeError | None] = {
        "tilted": made.tilted,
        "lipped": made.lipped,
        "flat": None,
    }
    sketched = False
    for way, left in zip(compared.ways, _LEFTS, strict=True):
        _column(figure, way, left, chosen=way.name == compared.recommendation.way)
        axes = [figure.add_axes((left, low, _WIDTH, high)) for low, high in _PLACES]
        body = bodies[way.name]
        if way.name == "flat":
            captions = _flat(axes, subject, way)
        elif isinstance(body, TiltedBase):
            captions = _tilted(axes, subject, body, way)
        else:
            captions = _nothing(figure, axes, way, left)
        sketched |= any(caption.endswith(SKETCHED) for caption in captions)
        for (low, high), caption in zip(_PLACES, captions, strict=True):
            _say(
                figure,
                left + _WIDTH / 2.0,
                low + high + 0.006,
                caption,
                fontsize=7,
                color=FAINT,
                ha="center",
            )
    _foot(figure, compared, sketched=sketched)
    return figure


def _say(figure: Figure, x: float, y: float, words: str, **style: Any) -> None:  # noqa: ANN401 matplotlib's
    """Set words as they are: a name's $ begins no formula."""
    figure.text(x, y, words, parse_math=False, **style)


def _subject(base: Base, made: Made, compared: Comparison) -> Subject:
    tilted = [m for m in (made.lipped, made.tilted) if isinstance(m, TiltedBase)]
    lean = downhill(tilted[0].pose)[0] if tilted else np.array([1.0, 0.0])
    return subject_of(base, solid(base), lean, compared.ways)


def _flat(axes: list[Axes], subject: Subject, way: Way) -> tuple[str, ...]:
    section, close, below = axes
    return (
        flat_section(section, subject, way),
        flat_close(close, subject, way),
        flat_below(below, subject, way),
    )


def _tilted(
    axes: list[Axes], subject: Subject, made: TiltedBase, way: Way
) -> tuple[str, ...]:
    section, close, below = axes
    return (
        tilted_section(section, subject, made),
        tilted_close(close, subject, made, way),
        tilted_below(below, subject, made, way),
    )


def _nothing(
    figure: Figure, axes: list[Axes], way: Way, left: float
) -> tuple[str, ...]:
    """Say why there is nothing to draw."""
    for ax in axes:
        ax.set_axis_off()
    why = textwrap.fill(way.refused, _COLUMN_LETTERS)
    _say(figure, left, _FRAME_TO - 0.06, why, fontsize=8, color=INK, va="top")
    return "", "", ""


def _heading(figure: Figure, compared: Comparison, remark: str) -> None:
    of = f"bottle {compared.bottle}" if compared.bottle else "no bottle named"
    _say(
        figure,
        _LEFTS[0],
        0.972,
        f"{compared.base}: three ways to print it",
        fontsize=15,
        color=INK,
        weight="bold",
        va="top",
    )
    _say(
        figure,
        _LEFTS[0],
        0.936,
        f"{of}, printer {compared.printer}; rim departs: from the rim as drawn, at its "
        "worst place (95 % interval)",
        fontsize=8.5,
        color=FAINT,
        va="top",
    )
    _say(
        figure,
        _LEFTS[-1] + _WIDTH,
        0.936,
        remark,
        fontsize=10,
        color=AMISS,
        weight="bold",
        ha="right",
        va="top",
    )
    figure.legend(
        handles=[
            Line2D([], [], ls="none", marker="s", ms=7, color=colour, label=name)
            for name, colour in _KEY
        ],
        loc="upper right",
        bbox_to_anchor=(0.985, 0.982),
        ncols=len(_KEY),
        frameon=False,
        fontsize=7.5,
        labelcolor=INK,
        handletextpad=0.2,
        columnspacing=1.2,
    )


def _foot(figure: Figure, compared: Comparison, *, sketched: bool) -> None:
    """Say which way and why, what to measure next and what is a sketch."""
    told = compared.recommendation
    which = WAY_WORDS[told.way] if told.way else "none yet"
    said = [f"Recommended: {which}. {told.reason}"]
    if told.measure_next:
        said.append(f"Next: {told.measure_next}")
    if sketched:
        said.append(
            f"{SKETCHED} Its size is what was measured; its run along the rim is a "
            "sketch."
        )
    lines = [line for text in said for line in textwrap.wrap(text, _FOOT_LETTERS)]
    _say(
        figure,
        _LEFTS[0] - 0.012,
        _FOOT_FROM,
        "\n".join(lines),
        fontsize=7.5,
        color=INK,
        va="top",
        linespacing=1.35,
    )


def _column_lines(way: Way) -> tuple[tuple[str, str], ...]:
    """Give the numbers of a way; of a tilt that no tile told, that too."""
    lines = way_lines(way)
    if way.tilt_measured or not way.offered:
        return lines
    return (*lines[:1], ("tilt", f"{way.tilt_deg:.0f}°, not measured"), *lines[1:])


def _column(figure: Figure, way: Way, left: float, *, chosen: bool) -> None:
    """Draw a column's frame, its heading and its numbers."""
    figure.add_artist(
        FancyBboxPatch(
            (left - 0.012, _FRAME_FROM),
            _WIDTH + 0.024,
            _FRAME_TO - _FRAME_FROM,
            boxstyle="round,pad=0,rounding_size=0.008",
            transform=figure.transFigure,
            facecolor="white",
            edgecolor=CHOSEN if chosen else "#dfe3e4",
            linewidth=2.0 if chosen else 0.8,
            zorder=-1,
        )
    )
    at = "" if way.name == "flat" or not way.tilt_deg > 0 else f", {way.tilt_deg:.0f}°"
    _say(
        figure,
        left,
        0.888,
        f"{WAY_WORDS[way.name]}{at}",
        fontsize=10.5,
        weight="bold",
        color=INK,
        va="top",
    )
    state = "recommended" if chosen else "not offered" if way.refused else ""
    _say(
        figure,
        left + _WIDTH,
        0.888,
        state,
        fontsize=8.5,
        color=CHOSEN if chosen else AMISS,
        ha="right",
        va="top",
        weight="bold",
    )
    for i, (name, words) in enumerate(_column_lines(way)):
        y = _LINES_FROM - i * _LINE_STEP
        _say(figure, left, y, name, fontsize=7.5, color=FAINT, va="top")
        bold = "bold" if i == 0 else "normal"
        _say(
            figure,
            left + 0.072,
            y,
            words,
            fontsize=7.5,
            color=INK,
            va="top",
            weight=bold,
        )
