"""``rimgauge demo``: the whole day's work on invented data."""

from __future__ import annotations

import io
import json
import shlex
import shutil
import tempfile
import time
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.output import ExitCode, Report, narrate, reports, strong

if TYPE_CHECKING:
    from patterns.manifest import Manifest


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("rimgauge-demo"),
    show_default=True,
    help="Folder for pictures and report; must be new or empty.",
)
@reports
def demo(out: Path) -> Report:
    """Show the whole day's work on invented data, in a minute or two.

    A virtual printer prints the flare coupon and a set of rim tiles in an invented
    resin, a virtual camera takes photos of them beside a ruler, and the real commands
    measure them and suggest.  Then a wall is printed as suggested, to show what it
    does, and an invented base is compared three ways and written.  Your own records
    are not touched.

    \b
    Example:
      rimgauge demo --out rimgauge-demo
    """  # noqa: D301 \b is click's mark
    _refuse_full(out)
    out.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as data_dir:
            return _story(out, _Day(data_dir=data_dir, started_s=time.monotonic()))
    except BaseException:
        shutil.rmtree(out, ignore_errors=True)  # it was new or empty
        raise


@dataclass(frozen=True, slots=True, kw_only=True)
class _Day:
    """Runs the real commands on records of the demo's own."""

    data_dir: str
    started_s: float

    def say(self, text: str) -> None:
        """Tell what goes on, and since when."""
        narrate(f"[{time.monotonic() - self.started_s:4.0f} s] {text}")

    def run(self, *words: str | Path) -> Any:  # noqa: ANN401 JSON
        """Run one command as a user would, and read its JSON document."""
        from calib.cli import main

        told = [str(word) for word in words]
        self.say(f"$ rimgauge {shlex.join(told)}")
        heard = io.StringIO()
        with redirect_stdout(heard):
            status = main([*told, "--data-dir", self.data_dir, "--json"])
        if status is ExitCode.INTERRUPTED:
            raise KeyboardInterrupt
        if status is not ExitCode.DONE:
            raise RuntimeError(f"{told[0]} ended with {status}: {heard.getvalue()}")
        return json.loads(heard.getvalue())


def _story(out: Path, day: _Day) -> Report:
    from calib import demo as invented
    from patterns.export import write_new
    from patterns.manifest import manifest_from_json

    narrate(invented.NOTE)
    made = day.run("coupon", "flare", "--out", out / "coupon")
    manifest = manifest_from_json(
        (out / "coupon" / f"{made['coupon_id']}.json").read_text()
    )
    day.say("the virtual printer prints it, the virtual camera takes a photo ...")
    photo = out / "photo.jpg"
    true_flare_mm = invented.photograph_print(manifest, photo)
    _record(day, manifest)
    (measured,) = day.run("measure", photo, "--pictures", out)
    _mark(Path(measured["picture"]))
    rims = _rims(out, day)
    advice = day.run("suggest")
    day.say("the virtual printer prints a wall, plain and as suggested ...")
    layers = advice["layers"]
    walls = invented.print_walls(
        manifest,
        [layer["exposure_s"] for layer in layers],
        [layer["inset_mm"] for layer in layers],
    )
    write_new(out / "walls.png", invented.walls_png(walls, advice["tolerance_mm"]))
    base = _base(out, day)
    document = {
        "ok": True,
        "invented": True,
        "true_flare_mm": true_flare_mm,
        "measured": measured,
        "rims": rims,
        "suggestion": advice,
        "base": base,
        "worst_plain_mm": float(walls.plain_mm.max()),
        "worst_suggested_mm": float(abs(walls.suggested_mm).max()),
        "folder": str(out),
    }
    text = _told(document)
    write_new(out / "report.md", _report(document, text).encode())
    day.say("done")
    return Report(document=document, text=text)


def _rims(out: Path, day: _Day) -> list[dict[str, Any]]:
    """Have a set of tiles made, printed, photographed, recorded and measured."""
    from calib.demo_rims import photograph_set
    from patterns.rim_manifest import rim_manifest_from_json

    made = day.run("coupon", "rims", "--out", out / "rims")
    manifest = rim_manifest_from_json(
        (out / "rims" / f"{made['set_id']}.json").read_text()
    )
    day.say("the virtual printer prints the tiles tilted, two photos are taken ...")
    photos = photograph_set(manifest, out)
    _record_print(
        day,
        *(made["set_id"], "--bottom-layers", "5", "--bottom-exposure-s", "30"),
        *("--transition-exposures-s", "none"),
    )
    measured: list[dict[str, Any]] = day.run("measure", *photos, "--pictures", out)
    for photo in measured:  # one picture of each tile
        for picture in sorted(out.glob(f"{Path(photo['photo']).stem}-rim-*.png")):
            _mark(picture)
    return measured


def _base(out: Path, day: _Day) -> dict[str, Any]:
    """Have a base of its own compared and written, marked as invented."""
    from calib.demo_base import write_base

    file = out / "invented-base.stl"
    write_base(file)
    made: dict[str, Any] = day.run(
        *("base", file, "--out", out / "base", "--pictures", out, "--invented"),
        *("--lift-s", "6", "--wait-s", "2"),
    )
    return made


def _mark(picture: Path) -> None:
    """Say in the annotated picture, too, that it shows nothing real."""
    import numpy as np
    from PIL import Image

    from calib.demo import stamped
    from patterns.export import replace

    with Image.open(picture) as drawn:
        plain = np.asarray(drawn.convert("RGB"))
    room = np.full((plain.shape[0] // 20, *plain.shape[1:]), 255, np.uint8)
    marked = Image.fromarray(stamped(np.concatenate([plain, room])))
    content = io.BytesIO()
    marked.save(content, format="PNG")
    replace(picture, content.getvalue())


def _record(day: _Day, manifest: Manifest) -> None:
    """Record printer, bottle and print as a user would."""
    pixel_x, pixel_y = f"{manifest.pixel_x_mm:g}", f"{manifest.pixel_y_mm:g}"
    day.run(
        *("record", "printer", "virtual", "--pixel-x-mm", pixel_x),
        *("--pixel-y-mm", pixel_y, "--plate-x-mm", "143", "--plate-y-mm", "89"),
        *("--surface", "rigid", "--relevelled-on", "2026-01-01"),
    )
    day.run("record", "bottle", "invented", "--resin", "invented grey")
    _record_print(day, manifest.coupon_id)


def _record_print(day: _Day, coupon: str, *more: str) -> None:
    day.run(
        *("record", "print", "--bottle", "invented", "--printer", "virtual"),
        *("--as-on-sheet", "--wait-before-exposure-s", "1"),
        *("--temperature-c", "unknown", "--outcome", "held"),
        *("--coupon", coupon, *more),
    )


def _told(document: dict[str, Any]) -> str:
    from calib.cli.words import measured_words

    return "\n".join(
        (
            strong("INVENTED DATA: a virtual printer, resin and camera"),
            "",
            measured_words(document["measured"]),
            (
                f"  the truth, which only the virtual printer knows: flare "
                f"{document['true_flare_mm']:.3f} mm"
            ),
            "",
            "Rim tiles, printed tilted (all that was measured: --json):",
            *(_tile_line(t) for photo in document["rims"] for t in photo["coupons"]),
            "",
            (
                f"A wall printed as suggested stands out by at most "
                f"{document['worst_suggested_mm']:.3f} mm; printed as the coupon was, "
                f"by {document['worst_plain_mm']:.3f} mm."
            ),
            f"Pictures and report: {document['folder']}",
            "",
            document["suggestion"]["text"],
            "",
            document["base"]["text"],
        )
    )


def _tile_line(tile: dict[str, Any]) -> str:
    treatment = "lipped" if tile["lipped"] else "bare"
    head = f"  {tile['tilt_deg']:4.0f} degrees, {treatment:6s}"
    if tile["form_mm"] is None:
        return f"{head} not measured: {tile['reasons']['form_mm']}"
    chips = len(tile["chips"])
    return (
        f"{head} form {tile['form_mm']:.3f} mm, sag {tile['sag_mm']:.3f} mm, "
        f"{chips} chip{'' if chips == 1 else 's'}"
    )


def _report(document: dict[str, Any], text: str) -> str:
    """Write the report that stays in the folder."""
    folder = Path(document["folder"])
    pictures = sorted(path.name for path in folder.glob("*.png"))
    photos = sorted(path.name for path in folder.glob("*.jpg"))
    shown = "\n\n".join(f"![{name}]({name})" for name in (*photos, *pictures))
    return (
        "# The demo's report\n\n**Everything here is invented data**: no printer, no "
        "resin and no camera were used.\n\n```\n"
        f"{click.unstyle(text)}\n```\n\n{shown}\n"
    )


def _refuse_full(out: Path) -> None:
    from patterns.errors import FileError

    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise FileError(
            f"{out} is there already and not an empty folder.",
            "Name another folder with --out.",
        )
