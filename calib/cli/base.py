"""``rimgauge base``: the ways to print a base of one's own compared, and it written."""

from __future__ import annotations

import io
import os
import shutil
import sys
import time
import warnings
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.exposures import SecondsList
from calib.cli.options import Within, of_bottle, pictures, tolerance
from calib.cli.output import (
    Report,
    caution_lines,
    keeps_records,
    narrate,
    now,
    open_store,
    reports,
)
from calib.cli.pictures import leave

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from calib.base_work import Compared
    from calib.cli.base_files import Chosen
    from calib.cli.base_known import Known
    from calib.way_setup import Setup
    from calib.ways import WayName

_QUIET_S = 2.0


@click.command()
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE..."
)
@click.option(
    "--units",
    type=click.Choice(["mm", "cm", "m", "inch"]),
    help="Unit of a file that doesn't say it.",
)
@click.option(
    "--underside",
    type=click.Choice(["-z", "+z", "-x", "+x", "-y", "+y"]),
    help="Side of the file that is the underside; left out, the largest flat one.",
)
@of_bottle
@click.option(
    "--way",
    type=click.Choice(["flat", "tilted", "lipped"]),
    help="How it is to be written; left out, as recommended.",
)
@click.option(
    "--front-deg",
    type=Within(-360.0, 360.0),
    default=-90.0,
    show_default=True,
    help="Side that is seen most, from +x towards +y of the base; printed tilted, the "
    "low rim comes opposite.",
)
@click.option(
    "--tilt-deg",
    type=Within(20.0, 75.0),
    help="Tilt from flat; left out, as the rim tiles advise.",
)
@click.option(
    "--lip-depth-mm",
    type=Within(0.3, 1.5),
    help="Depth of the lip that is sanded off; left out, as on the rim tiles.",
)
@click.option(
    "--without-supports",
    is_flag=True,
    help="Tilted: leave supports and raft out, for those who support it elsewhere.",
)
@click.option(
    "--by-rule-mm",
    type=Within(0.0, 1.0, min_open=True),
    help="Where no flare coupon is measured: set the bottom layers back by this much, "
    "raised ones in proportion.  A guess, and called so.",
)
@click.option(
    "--layer-mm",
    type=Within(0.01, 0.2),
    help="Layer height where no print of the bottle is recorded.",
)
@click.option(
    "--bottom-layers",
    type=click.IntRange(1, 40),
    help="Number of bottom layers where no print is recorded.",
)
@click.option(
    "--bottom-exposure-s",
    type=Within(0.05, 600.0),
    help="Their exposure.",
)
@click.option(
    "--transition-exposures-s",
    type=SecondsList(),
    help="Exposure of each transition layer, as 20,14,8.",
)
@click.option(
    "--normal-exposure-s",
    type=Within(0.05, 600.0),
    help="Exposure of all other layers.",
)
@click.option(
    "--lift-s", type=Within(0.0, 3600.0), help="Seconds a layer for lift and return."
)
@click.option("--wait-s", type=Within(0.0, 3600.0), help="Seconds a layer for pauses.")
@click.option(
    "--bottom-lift-s",
    type=Within(0.0, 3600.0),
    help="Lift and return of bottom and transition layers, where it differs.",
)
@click.option(
    "--bottom-wait-s",
    type=Within(0.0, 3600.0),
    help="Pauses of bottom and transition layers, where they differ.",
)
@click.option(
    "--lift-mm-per-s",
    type=Within(0.001, 100.0),
    help="How fast the plate first leaves the film.",
)
@click.option(
    "--viscosity-pa-s",
    type=Within(0.001, 100.0),
    help="Of the resin as it is printed.",
)
@tolerance("How far the wall of a flat print may stand from straight.")
@click.option(
    "--gap-mm",
    type=Within(0.01, 50.0),
    default=2.0,
    show_default=True,
    help="Distance kept between bases on the plate.",
)
@click.option(
    "--copies",
    type=click.IntRange(1, 500),
    default=1,
    show_default=True,
    help="How many of each base are written.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for STL, 3MF, sheets and picture; left out, nothing is written.",
)
@pictures("Folder for a picture of the ways alone.")
@click.option("--invented", is_flag=True, hidden=True, help="The demo's: mark it so.")
@keeps_records
@reports
def base(
    *,
    files: tuple[Path, ...],
    data_dir: Path,
    bottle: str | None,
    printer: str | None,
    out: Path | None,
    pictures: Path | None,
    way: WayName | None,
    copies: int,
    invented: bool,
    **options: Any,  # noqa: ANN401 click's
) -> Report:
    """Compare the ways to print a base of your own, and write it ready.

    Tilted on supports, tilted with a lip that is sanded off, or flat on the plate: what
    each leaves of the rim, by what was measured from your bottle, and what it takes.
    With --out the recommended way is written, all bases together.  Your file stays as
    it is.

    \b
    Examples:
      rimgauge base oval.stl
      rimgauge base oval.stl --out oval --copies 3
      rimgauge base a.3mf b.obj --units mm --way lipped --without-supports --out mine
    """  # noqa: D301 \b is click's mark
    from calib.base_work import compare_ways
    from calib.cli.base_known import known_of, setup_of, wish_of
    from patterns.base_reading import read_bases

    for folder in (out, pictures):
        if folder is not None:
            _check_room(folder)
    tell = _Teller()
    found = [
        (file, one)
        for file in files
        for one in read_bases(
            file,
            units=options["units"],
            underside=options["underside"],
            progress=tell.of(file.name),
        )
    ]
    with open_store(data_dir, create=False) as store:
        known = known_of(store, bottle, printer, options["tolerance_mm"])
    setup, wish = setup_of(known, options), wish_of(known, options)
    remark = _invented() if invented else ""
    compared = [compare_ways(one, known.advised, setup, wish, tell) for _, one in found]
    drawn = [
        _picture(one, remark, tell) for one in compared if out or pictures is not None
    ]
    written: tuple[Path, ...] = ()
    if out is not None:
        chosen = [
            replace(
                _choose(file, one, way, picture, tell), copies=copies, remark=remark
            )
            for (file, _), one, picture in zip(found, compared, drawn, strict=True)
        ]
        tell(f"{out}: making the files ...")
        written = _write(chosen, known, setup, out, data_dir)
    left = [
        str(leave(pictures, f"{one.base.name}-ways", picture))
        for one, picture in zip(compared, drawn, strict=False)
        if pictures is not None
    ]
    text = _told(compared, written, left)
    document = _document(compared, written, left) | {"text": click.unstyle(text)}
    return Report(document=document, text=text)


def _check_room(folder: Path) -> None:
    """Refuse a folder that can't be made, before the work; nothing is made yet."""
    from patterns.errors import FileError

    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not there.is_dir() or not os.access(there, os.W_OK):
        raise FileError(
            f"{there} is no folder that can be written to.", "Name another folder."
        )


class _Teller:
    """Says what is being done, every other second at most: short work stays quiet."""

    def __init__(self) -> None:
        self._said_s = time.monotonic()

    def __call__(self, text: str) -> None:
        """Say a line, if it is time for one."""
        if time.monotonic() - self._said_s >= _QUIET_S:
            narrate(text)
            self._said_s = time.monotonic()

    def of(self, name: str) -> Callable[[str, float], None]:
        """Give what a file's reader tells its progress to."""
        return lambda what, share: self(f"{name}: {what}, {100 * share:.0f} %")


def _choose(
    file: Path,
    compared: Compared,
    way: WayName | None,
    picture: bytes,
    tell: _Teller,
) -> Chosen:
    from calib.base_work import chosen_way, make_ready
    from calib.cli.base_files import Chosen, stem_of

    ready = make_ready(compared, chosen_way(compared, way), tell)
    return Chosen(
        file=file,
        stem=stem_of(compared, ready),
        compared=compared,
        ready=ready,
        picture=picture,
    )


def _invented() -> str:
    """Say of the demo's bases that nothing about them is real."""
    from calib.demo import NOTE

    return NOTE


def _picture(compared: Compared, remark: str, tell: _Teller) -> bytes:
    from calib.way_pictures import draw_ways

    tell(f"{compared.base.name}: drawing the ways ...")
    content = io.BytesIO()
    figure = draw_ways(compared.base, compared.made, compared.comparison, remark=remark)
    with warnings.catch_warnings():
        # a name in a script that the font hasn't is drawn as boxes
        warnings.filterwarnings("ignore", "Glyph .* missing", UserWarning)
        figure.savefig(content, format="png", dpi=180)
    return content.getvalue()


def _write(
    chosen: Sequence[Chosen], known: Known, setup: Setup, out: Path, data_dir: Path
) -> tuple[Path, ...]:
    """Write all files and the record of them, or none."""
    from calib.cli.base_files import files_of, numbered, record_of
    from calib.records import WrittenBase
    from patterns.export import write_all

    chosen = numbered(chosen)
    contents = files_of(chosen, setup)
    made = [record_of(one, known, list(contents)) for one in chosen]
    with open_store(data_dir) as store, store.transaction():
        before = [entry.value for entry in store.current(WrittenBase)]
        for record in made:
            if record not in before:  # made again: nothing changes
                store.add(record, at=now())
        return write_all({out / name: made for name, made in contents.items()})


def _document(
    compared: Sequence[Compared], written: Sequence[Path], left: Sequence[str]
) -> dict[str, Any]:
    from calib.cli.base_words import base_document

    return {
        "ok": True,
        "bases": [
            {
                **base_document(one.base),
                "comparison": asdict(one.comparison),
            }
            for one in compared
        ],
        "files": [str(path) for path in written],
        "pictures": list(left),
    }


def _width() -> int | None:
    """Letters of a line of the screen; None: what is told goes elsewhere."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def _told(
    compared: Sequence[Compared], written: Sequence[Path], left: Sequence[str]
) -> str:
    from calib.cli.base_words import LEGEND, compared_lines, understood_lines

    lines: list[str] = []
    for one in compared:
        lines += [*understood_lines(one.base), *compared_lines(one, _width()), ""]
    lines += [LEGEND, ""]
    lines += [f"picture: {path}" for path in left]
    if written:
        lines += ["wrote:", *(f"  {path}" for path in written), ""]
        lines += caution_lines()
    else:
        lines.append("Nothing is written: name a folder with --out.")
    return "\n".join(lines)
