"""``rimgauge demo``: the whole day's work on invented data."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.output import Report, narrate, reports


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
    """Show the whole day's work on invented data, in under a minute.

    A virtual printer prints the coupon in an invented resin, a virtual camera takes a
    photo of it beside a ruler, and the real commands measure it and suggest.  Then it
    is printed again as suggested.  Your own records are not touched.

    \b
    Example:
      rimgauge demo --out rimgauge-demo
    """  # noqa: D301 \b is click's mark
    from calib.demo import run

    story = run(out, narrate)
    return Report(
        document={"ok": True, "invented": True} | story.document, text=story.text
    )
