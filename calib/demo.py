"""The demo's invented world: a virtual print, its photo, and what a suggestion does.

Everything here is invented data.  The measuring and the advice are not here: those are
the real commands, run by ``rimgauge demo`` on what this module makes.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calib.virtual.draw import Wish, draw_scene
from calib.virtual.finish import save
from calib.virtual.printer import print_coupon
from calib.virtual.resin import InventedResin, gaussian_halo
from calib.virtual.ruler import STEEL
from calib.virtual.scene import photograph
from calib.virtual.stack import print_stack

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

    from patterns.manifest import Manifest

Array = NDArray[np.float64]

SEED = 4
PX_PER_MM = 18.0
RESIN = InventedResin(
    name="invented grey",
    depth_mm=0.11,
    gel_s=0.9,
    core_mm=0.04,
    spread=0.05,
    halo=gaussian_halo(0.10, 0.18),
    part_scale=0.997,
)
NOTE = "INVENTED DATA: virtual printer, invented resin, virtual camera"


@dataclass(frozen=True, slots=True, kw_only=True)
class Walls:
    """A straight wall, printed plain and as suggested: how far each layer stands out.

    ``..._mm`` (layers,) outline of each layer on its film side, beyond the outermost
    of the body's vertical layers.
    """

    layer_mm: float
    plain_mm: Array
    suggested_mm: Array


def photograph_print(manifest: Manifest, photo: Path) -> float:
    """Print a coupon, photograph it beside a ruler, and give its true flare in mm.

    Parameters
    ----------
    manifest : Manifest
        The coupon; printed with its own exposures.
    photo : Path
        Where the JPEG goes.
    """
    part = print_coupon(manifest, manifest.exposure_by_layer_s, RESIN)
    rng = np.random.default_rng(SEED)
    wish = Wish(
        px_per_mm=PX_PER_MM, tilt_deg=3.0, contrast=0.7, table="paper", ruler=STEEL
    )
    scene = draw_scene(rng, wish)
    scene = replace(scene, finish=replace(scene.finish, blur_px=1.0))
    rgb8, _ = photograph(part, scene, rng)
    save(photo, stamped(rgb8), scene.finish.jpeg_quality, scene.focal35_mm)
    return part.flare_mm


def stamped(rgb8: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Write into the lower left corner of a picture that it is invented."""
    picture = Image.fromarray(rgb8)
    size = max(12, picture.height // 60)
    ImageDraw.Draw(picture).text(
        (size, picture.height - 2 * size), NOTE, fill=(90, 90, 90), font_size=size
    )
    return np.asarray(picture)


def print_walls(
    manifest: Manifest, exposures_s: Sequence[float], insets_mm: Sequence[float]
) -> Walls:
    """Print a wall plain with the coupon's exposures, and again as suggested.

    Parameters
    ----------
    manifest : Manifest
        Its layers, exposures, pixel (along y) and foot.
    exposures_s, insets_mm : sequence of float
        The suggestion, plate layer first: exposure and inset of each layer; layers
        that aren't listed are normal ones without an inset.
    """
    layers = manifest.layers
    normal_s = manifest.exposure_by_layer_s[-1]
    suggested_s = [*exposures_s, *[normal_s] * layers][:layers]
    steps = [round(mm / manifest.pixel_y_mm) for mm in insets_mm]
    inset_px = [*steps, *[0] * layers][:layers]
    body = slice(manifest.foot_layers, manifest.foot_layers + manifest.vertical_layers)

    def printed(seconds: Sequence[float], pixels: Sequence[int]) -> Array:
        growth = print_stack(
            seconds,
            pixels,
            RESIN,
            layer_mm=manifest.layer_mm,
            pixel_mm=manifest.pixel_y_mm,
        )
        return np.asarray(growth - growth[body].max())[: body.stop]

    return Walls(
        layer_mm=manifest.layer_mm,
        plain_mm=printed(manifest.exposure_by_layer_s, [0] * layers),
        suggested_mm=printed(suggested_s, inset_px),
    )


def plot_walls(walls: Walls, tolerance_mm: float, *, ax: Axes) -> Axes:
    """Draw both walls in section, the body's outline at 0."""
    edges = np.arange(len(walls.plain_mm) + 1) * walls.layer_mm
    ax.axvspan(-tolerance_mm, tolerance_mm, color="0.9", label="tolerance")
    for outline, words, line in (
        (walls.plain_mm, "as the coupon was printed", "--"),
        (walls.suggested_mm, "as suggested", "-"),
    ):
        ax.stairs(
            outline,
            edges,
            orientation="horizontal",
            baseline=None,
            linewidth=2,
            linestyle=line,
            label=words,
        )
    ax.axvline(0.0, color="0.6", linewidth=0.8)
    ax.set_xlabel("outline of the layer beyond the body's (mm)")
    ax.set_ylabel("height above the plate (mm)")
    ax.set_title(f"A wall, printed twice\n{NOTE}", fontsize="medium")
    ax.legend()
    return ax


def walls_png(walls: Walls, tolerance_mm: float) -> bytes:
    """Draw both walls into a PNG."""
    figure = Figure(figsize=(6.4, 4.8), layout="constrained")
    plot_walls(walls, tolerance_mm, ax=figure.add_subplot())
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=120)
    return content.getvalue()
