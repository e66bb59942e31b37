"""``rimgauge scale`` and ``rimgauge measure``: what a photo says."""

from __future__ import annotations

import hashlib
import itertools
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.options import pictures
from calib.cli.output import (
    ExitCode,
    Report,
    keeps_records,
    narrate,
    now,
    open_store,
    reports,
    warn,
)
from calib.cli.pictures import check_folder, leave

if TYPE_CHECKING:
    from analysis.result import CouponMeasurement, Measurement, Refusal
    from analysis.rim_result import RimMeasurement
    from calib.records import Print
    from calib.store import Entry, Store
    from patterns.manifest import Manifest
    from patterns.rim_manifest import RimManifest


@click.command()
@click.argument("photo", type=click.Path(path_type=Path))
@reports
def scale(photo: Path) -> Report:
    """Read the ruler in a PHOTO: how many pixels a millimetre has.

    Metric rulers only, at any angle.  What can't be read with certainty is refused.

    \b
    Example:
      rimgauge scale ruler.jpg
    """  # noqa: D301 \b is click's mark
    from analysis.pipeline import read_scale
    from analysis.result import Refusal
    from calib.cli.words import scale_words
    from calib.readings import scale_report

    reading = read_scale(photo)
    return Report(
        document=scale_report(reading),
        text=scale_words(str(photo), reading),
        status=ExitCode.USER if isinstance(reading, Refusal) else ExitCode.DONE,
    )


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--manifest",
    "manifest_files",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Manifest of the coupon or set of tiles in the photo; may be given again.  "
    "Without it: those that you have made, then the default ones.",
)
@click.option(
    "--scale-from-coupon",
    is_flag=True,
    help="Take the scale from the coupon where no ruler can be read.  Lengths are then "
    "uncertain by 1 % and the part's own scale stays unknown.",
)
@pictures("Folder for an annotated picture of each photo.")
@click.option(
    "--print",
    "print_number",
    type=int,
    metavar="NUMBER",
    help="The print in the photos.  Without it: the only one of this coupon, or of the "
    "tiles' set, that isn't measured yet.",
)
@keeps_records
@reports
def measure(
    photos: tuple[Path, ...],
    *,
    manifest_files: tuple[Path, ...],
    scale_from_coupon: bool,
    pictures: Path | None,
    print_number: int | None,
    data_dir: Path,
) -> Report:
    """Measure the coupon or rim tiles in each photo, and file them under their print.

    Lay the coupon plate side up, tiles bottom up in a ring, arcs outwards; a metric
    ruler beside them; on a lit white screen or contrasting matt paper, with light from
    all round.  Several photos of one print are better than one: give those that show
    the same tiles together.

    \b
    Examples:
      rimgauge measure photo.jpg
      rimgauge measure photo1.jpg photo2.jpg --print 3 --pictures pictures
    """  # noqa: D301 \b is click's mark
    from analysis.pipeline import measure_photos
    from calib.cli.known import manifests_for
    from calib.cli.words import measured_words
    from calib.readings import is_measured, photo_report

    if pictures is not None:
        check_folder(pictures)
    with open_store(data_dir, create=False) as store:
        manifests = manifests_for(store, manifest_files)
        if print_number is not None:
            _check_named(store, print_number)
        places = itertools.count(1)
        outcomes = measure_photos(
            photos,
            manifests,
            scale_from_coupon=scale_from_coupon,
            begin=lambda photo: narrate(
                f"measuring {photo} ({next(places)} of {len(photos)}) ..."
            ),
        )
        drawn = [
            _draw(photo, outcome, manifests, pictures)
            for photo, outcome in zip(photos, outcomes, strict=True)
        ]
        _file(store, photos, outcomes, manifests, print_number)
    documents = [
        photo_report(str(photo), outcome, picture)
        for photo, outcome, picture in zip(photos, outcomes, drawn, strict=True)
    ]
    served = any(is_measured(outcome) for outcome in outcomes)
    return Report(
        document=documents,
        text="\n\n".join(measured_words(document) for document in documents),
        status=ExitCode.DONE if served else ExitCode.USER,
    )


def _check_named(store: Store, number: int) -> None:
    from calib.records import Print

    store.get(Print, number)


def _draw(
    photo: Path,
    outcome: Measurement | Refusal,
    manifests: tuple[Manifest | RimManifest, ...],
    folder: Path | None,
) -> str | None:
    """Leave annotated pictures, one of a coupon or of each tile; give the first."""
    if folder is None:
        return None
    from analysis.annotate import annotate
    from analysis.rim_annotate import annotate_rims
    from patterns.manifest import Manifest

    flares = tuple(known for known in manifests if isinstance(known, Manifest))
    pictures = {"measured": annotate(photo, outcome, flares)}
    pictures |= annotate_rims(photo, outcome)
    written = [
        leave(folder, f"{photo.stem}-{name}", content)
        for name, content in pictures.items()
        if content is not None
    ]
    return str(written[0]) if written else None


def _file(
    store: Store,
    photos: tuple[Path, ...],
    outcomes: tuple[Measurement | Refusal, ...],
    manifests: tuple[Manifest | RimManifest, ...],
    named: int | None,
) -> None:
    """Keep what was measured under its print; what can't be kept is only told."""
    from calib.readings import gives_number, is_measured
    from patterns.errors import RecordError
    from patterns.rim_manifest import RimManifest

    sets = {
        tile.coupon_id: manifest.set_id
        for manifest in manifests
        if isinstance(manifest, RimManifest)
        for tile in manifest.tiles
    }
    prints: dict[str, Entry[Print]] = {}
    told: set[str] = set()
    for photo, outcome in zip(photos, outcomes, strict=True):
        if not is_measured(outcome):
            continue
        for found in outcome.coupons:
            if not gives_number(found):
                continue
            try:
                if found.coupon_id not in prints:
                    printed = sets.get(found.coupon_id, found.coupon_id)
                    prints[found.coupon_id] = _print_for(store, found, printed, named)
                _keep(store, photo, found, prints[found.coupon_id])
            except RecordError as error:
                said = f"{photo} is measured but not filed: {error}"
                if said not in told:  # all tiles of a set lack the same print
                    warn(said)
                told.add(said)


def _print_for(
    store: Store,
    found: CouponMeasurement | RimMeasurement,
    printed: str,
    named: int | None,
) -> Entry[Print]:
    """Find the print of a coupon, or of the set that a tile belongs to."""
    from calib.filing import print_for
    from calib.records import Print, StoredMeasurement

    measured = {
        store.latest(Print, entry.value.print_uid).uid
        for entry in store.current(StoredMeasurement)
        if entry.value.coupon_id == found.coupon_id
    }
    return print_for(printed, store.current(Print), measured, named)


def _keep(
    store: Store,
    photo: Path,
    found: CouponMeasurement | RimMeasurement,
    of_print: Entry[Print],
) -> None:
    """File one measurement; the same photo again supersedes its earlier one."""
    from calib.readings import reading_to_dict
    from calib.records import StoredMeasurement

    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    measurement = StoredMeasurement(
        print_uid=of_print.uid,
        coupon_id=found.coupon_id,
        photo=photo.name,
        photo_sha256=digest,
        reading=reading_to_dict(found),
    )
    earlier: Any = next(
        (
            entry.uid
            for entry in store.current(StoredMeasurement)
            if entry.value.photo_sha256 == digest
            and entry.value.coupon_id == found.coupon_id
        ),
        None,
    )
    store.add(measurement, at=now(), supersedes=earlier)
    narrate(f"{found.coupon_id} is filed under print {of_print.number}")
