"""``rimgauge coupon rims``: make a set of rim tiles."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from calib.cli.coupon import refuse_crowd
from calib.cli.exposures import NumberList
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
    from pathlib import Path

    from patterns.rim_manifest import RimManifest
    from patterns.rim_set import RimSet
    from patterns.rim_spec import RimSpec, Treatment

_TREATMENTS: dict[str, tuple[Treatment, ...]] = {
    "bare": ("bare",),
    "lipped": ("lipped",),
    "both": ("bare", "lipped"),
}


@click.command()
@made_into("plates, tiles, stand, manifest and sheets")
@raster(
    "Pixel pitch along the plate's long side.",
    "Pixel pitch along its short side, the way the tiles lean.",
)
@normal_exposure(
    "Exposure of the layers above the rafts; those of bottom and transition layers are "
    "yours."
)
@click.option(
    "--tilts-deg",
    type=NumberList("degrees", "30,40,50"),
    default="30,35,40,45,50,55,60,65",
    show_default=True,
    help="Tilts, 20 to 75 degrees, growing.  The tilt at which layers and pixels step "
    "alike joins them where it lies between.",
)
@click.option(
    "--treatments",
    type=click.Choice(list(_TREATMENTS)),
    default="both",
    show_default=True,
    help="Tiles without a lip, with one that is sanded off, or one of each.",
)
@click.option(
    "--lip-depths-mm",
    type=NumberList("mm", "0.5 or one for each tilt"),
    default="0.5",
    show_default=True,
    help="Depth of the lip; one for all, or one for each tilt.",
)
@click.option(
    "--contact-mm",
    type=float,
    default=0.4,
    show_default=True,
    help="Diameter of a support's contact.",
)
@click.option(
    "--rim-spacing-mm",
    type=float,
    default=1.5,
    show_default=True,
    help="Distance of the supports along the low rim.",
)
@click.option(
    "--face-spacing-mm",
    type=float,
    default=3.5,
    show_default=True,
    help="Distance of the supports on the rest of the underside.",
)
@click.option(
    "--rim-row-deg",
    type=float,
    default=78.0,
    show_default=True,
    help="How far up the rim their row goes, to both sides of the lowest point.",
)
@click.option(
    "--radius-mm", type=float, default=12.5, show_default=True, help="Of a tile."
)
@plate_room("Long side of the room on the plate.", "Its short side.")
@click.option(
    "--set-code",
    type=int,
    help="Number of the set in every tile's code; left out, a free one is taken.",
)
@keeps_records
@reports
def rims(
    *,
    out: Path,
    data_dir: Path,
    treatments: str,
    **values: Any,  # noqa: ANN401 click's
) -> Report:
    """Make a set of rim tiles: half bases at several tilts, bare and lipped.

    They are printed tilted, on the supports that are in the files.  What becomes of
    their rims says which tilt suits your resin, and whether a lip is worth its sanding.

    \b
    Examples:
      rimgauge coupon rims --out rims
      rimgauge coupon rims --out rims --layer-mm 0.03 --tilts-deg 40,45,50,55 \\
        --treatments bare
    """  # noqa: D301 \b is click's mark
    from patterns.rim_spec import RimSpec

    spec = RimSpec(treatments=_TREATMENTS[treatments], **values)
    built, files = _make(spec, out, data_dir)
    return Report(document=_document(built, files), text=_told(built, files))


def _make(spec: RimSpec, out: Path, data_dir: Path) -> tuple[RimSet, tuple[Path, ...]]:
    """Give the set a code of its own, write its files, remember it."""
    from calib.cli.known import made_rims, remember
    from calib.codes import free_set_code
    from patterns.export import write_all
    from patterns.rim_export import rim_files
    from patterns.rim_set import build_rims

    with open_store(data_dir) as store:
        made = made_rims(store)
        spec = replace(spec, set_code=free_set_code(spec, made))
        narrate("building the tiles ...")
        built = build_rims(spec)
        contents = rim_files(built)
        refuse_crowd(out, contents)
        with store.transaction():
            remember(store, built.manifest, made)
            files = write_all({out / name: made for name, made in contents.items()})
    return built, files


def _document(built: RimSet, files: tuple[Path, ...]) -> dict[str, Any]:
    manifest = built.manifest
    return {
        "ok": True,
        "set_id": manifest.set_id,
        "set_code": manifest.set_code,
        "tiles": [
            {
                "coupon_id": tile.coupon_id,
                "tilt_deg": tile.tilt_deg,
                "lipped": tile.lipped,
            }
            for tile in manifest.tiles
        ],
        "plates": [
            {"number": number, "volume_ml": volume_ml, "tiles": _on(manifest, number)}
            for number, volume_ml in enumerate(_volumes_ml(built), start=1)
        ],
        "stand_volume_ml": manifest.stand.volume_mm3 / 1000,
        "files": [str(path) for path in files],
    }


def _told(built: RimSet, files: tuple[Path, ...]) -> str:
    manifest = built.manifest
    plates = "\n".join(
        f"  plate {number}: {len(_on(manifest, number))} tiles, {volume_ml:.1f} ml"
        for number, volume_ml in enumerate(_volumes_ml(built), start=1)
    )
    tilts = sorted({tile.tilt_deg for tile in manifest.tiles})
    wrote = "\n".join(f"  {path}" for path in files)
    cautions = "\n".join(caution_lines())
    return (
        f"{strong(manifest.set_id)}: {len(manifest.tiles)} tiles at "
        f"{', '.join(f'{tilt:.4g}' for tilt in tilts)} degrees\n{plates}\n"
        f"  stand: {manifest.stand.volume_mm3 / 1000:.1f} ml, printed once\n{wrote}\n\n"
        "Print the plates as they are; their supports are in them.  A tile file shows "
        f"one tile as it should be in the end.\n{cautions}\n\n"
        f"Then: rimgauge record print --coupon {manifest.set_id} ..., once for each "
        "plate,\nfree, cure and sand the tiles as the sheet says, and photograph them."
    )


def _on(manifest: RimManifest, number: int) -> list[str]:
    return [p.coupon_id for p in manifest.placements if p.plate == number]


def _volumes_ml(built: RimSet) -> list[float]:
    """Resin of each plate, supports and rafts included, by the divergence theorem."""
    import numpy as np

    volumes = []
    for plate in built.plates:
        a, b, c = (plate.vertices_mm[plate.faces[:, i]] for i in range(3))
        six_mm3 = np.einsum("ij,ij->", a, np.cross(b, c))
        volumes.append(round(float(six_mm3) / 6000, 3))
    return volumes
