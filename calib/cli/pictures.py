"""Folders that pictures are left in, and the pictures of a suggestion."""

from __future__ import annotations

import errno
import io
import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

    from calib.advised import Advised


def check_folder(folder: Path) -> None:
    """Refuse a folder for pictures before the work, not after it."""
    from patterns.errors import FileError

    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except OSError as err:
        raise FileError(
            f"{folder} can't hold the pictures: {err.strerror}.",
            "Name another folder with --pictures.",
        ) from err


def leave(folder: Path, stem: str, content: bytes) -> Path:
    """Write a picture; never over a file that is there."""
    from patterns.export import write_new

    names = [f"{stem}.png", *(f"{stem}-{again}.png" for again in range(2, 1000))]
    path = next(folder / name for name in names if not (folder / name).exists())
    write_new(path, content)
    return path


def suggestion_pictures(advised: Advised) -> dict[str, bytes]:
    """Draw what a suggestion rests on: PNG of each half that is there, by name."""
    from matplotlib.figure import Figure

    from calib.plots import plot_flare_vs_exposure, plot_insets
    from calib.rim_plots import plot_departure_vs_tilt

    drawn = {}
    if advised.flat is not None:
        profile = advised.flat.profile
        figure = Figure(figsize=(10.0, 4.5), layout="constrained")
        left, right = figure.subplots(1, 2)
        plot_flare_vs_exposure(
            advised.flat.fit, profile.present, profile.pixel_mm, ax=left
        )
        plot_insets(advised.flat.suggestion, ax=right)
        drawn["flat"] = _png(figure)
    if advised.tilted is not None:
        advice = advised.tilted.advice
        figure = Figure(figsize=(7.0, 4.5), layout="constrained")
        plot_departure_vs_tilt(advice.fit, advice.suggestion, ax=figure.add_subplot())
        drawn["tilted"] = _png(figure)
    return drawn


def _png(figure: Figure) -> bytes:
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=120)
    return content.getvalue()
