"""``rimgauge coupon``: make what is printed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from calib.cli.exposures import SecondsList, equal_steps
from calib.cli.options import made_into, normal_exposure, plate_room, raster
from calib.cli.output import (
    Report,
    caution_lines,
    keeps_records,
    narrate,
    open_store,
    reports,
    strong,
)

if TYPE_CHECKING:
    from collections.abc import Container
    from pathlib import Path

    from patterns import FlareSpec, Manifest


@click.group()
def coupon() -> None:
    """Make a coupon: a small part that is printed, photographed and measured."""


@coupon.command()
@made_into("STL, 3MF, manifest and sheets")
@raster(
    "Pixel pitch along the coupon's long side.", "Pixel pitch along its short side."
)
@click.option(
    "--bottom-layers",
    type=click.IntRange(1, 40),
    default=5,
    show_default=True,
    help="Number of bottom layers.",
)
@click.option(
    "--bottom-exposure-s",
    type=float,
    default=30.0,
    show_default=True,
    help="Exposure of each bottom layer.",
)
@click.option(
    "--transition-layers",
    type=click.IntRange(0, 40),
    default=0,
    show_default=True,
    help="Number of transition layers; their exposures lead down in equal steps.",
)
@click.option(
    "--transition-exposures-s",
    type=SecondsList(),
    help="Exposure of each transition layer where the steps aren't equal, as 20,14,8.",
)
@normal_exposure("Exposure of all other layers.")
@click.option(
    "--wait-before-exposure-s",
    type=float,
    help="Pause between the plate's arrival and the light, for the sheet.",
)
@plate_room(
    "Room on the plate along the coupon's long side.",
    "Room on the plate along its short side.",
)
@click.option(
    "--code",
    type=int,
    help="Number in the coupon's edge code; left out, a free one is taken.",
)
@keeps_records
@reports
def flare(
    *,
    out: Path,
    data_dir: Path,
    bottom_layers: int,
    bottom_exposure_s: float,
    transition_layers: int,
    transition_exposures_s: tuple[float, ...] | None,
    normal_exposure_s: float,
    **values: float | None,
) -> Report:
    """Make a flare coupon for your layer height, pixel and exposures.

    It is printed flat on the plate, without supports, exactly as it is.  One print
    carries a whole series of bottom doses and insets.

    \b
    Examples:
      rimgauge coupon flare --out coupon
      rimgauge coupon flare --out coupon --pixel-x-mm 0.034 --pixel-y-mm 0.034 \\
        --bottom-layers 4 --bottom-exposure-s 25 --transition-layers 3
    """  # noqa: D301 \b is click's mark
    from patterns import FlareSpec

    if transition_exposures_s is None:
        transition_exposures_s = equal_steps(
            bottom_exposure_s, normal_exposure_s, transition_layers
        )
    elif transition_layers not in (0, len(transition_exposures_s)):
        raise click.UsageError(
            f"--transition-layers says {transition_layers}, "
            f"--transition-exposures-s lists {len(transition_exposures_s)}."
        )
    spec = FlareSpec(
        bottom_exposures_s=(bottom_exposure_s,) * bottom_layers,
        transition_exposures_s=transition_exposures_s,
        normal_exposure_s=normal_exposure_s,
        **values,  # type: ignore[arg-type] # every other option is a field of that name
    )
    manifest, files = _make(spec, out, data_dir)
    return Report(
        document={
            "ok": True,
            "coupon_id": manifest.coupon_id,
            "code": manifest.code,
            "size_mm": manifest.size_mm,
            "volume_ml": manifest.volume_mm3 / 1000,
            "layers": manifest.layers,
            "files": [str(path) for path in files],
        },
        text=_told(manifest, files),
    )


def _make(
    spec: FlareSpec, out: Path, data_dir: Path
) -> tuple[Manifest, tuple[Path, ...]]:
    """Give the coupon a code of its own, write its files, remember it."""
    from calib.cli.known import made_manifests, remember
    from calib.codes import free_code
    from patterns import build
    from patterns.export import write_coupon

    with open_store(data_dir) as store:
        made = made_manifests(store)
        spec = replace(spec, code=free_code(spec, made))
        narrate("building the coupon ...")
        built = build(spec)
        stem = built.manifest.coupon_id
        refuse_crowd(out, {f"{stem}.stl", f"{stem}.json"})
        with store.transaction():
            remember(store, built.manifest, made)
            files = write_coupon(built, out)
    return built.manifest, files


def refuse_crowd(out: Path, own: Container[str]) -> None:
    """Keep one coupon or set to a folder, so that nobody prints the wrong one.

    Parameters
    ----------
    out : Path
        The folder.
    own : container of str
        Names of its meshes and manifests.

    Raises
    ------
    FileError
        Others are there.
    """
    from patterns.errors import FileError

    others = [
        path
        for pattern in ("*.stl", "*.json")
        for path in out.glob(pattern)
        if path.name not in own
    ]
    if others:
        raise FileError(
            f"{out} holds other files of the kind already ({others[0].name}).",
            "Name a folder of its own for every coupon with --out.",
        )


def _told(manifest: Manifest, files: tuple[Path, ...]) -> str:
    long, short, high = manifest.size_mm
    wrote = "\n".join(f"  {path}" for path in files)
    cautions = "\n".join(caution_lines())
    return (
        f"{strong(manifest.coupon_id)}: {long:.1f} x {short:.1f} x {high:.2f} mm, "
        f"{manifest.layers} layers, {manifest.volume_mm3 / 1000:.1f} ml\n{wrote}\n\n"
        "Print it flat on the plate as its sheet says: not raised, turned, mirrored or "
        f"scaled.\n{cautions}\n\n"
        f"Then: rimgauge record print --coupon {manifest.coupon_id} ..."
    )
