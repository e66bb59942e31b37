"""The root of the command line and the order in which a user meets the commands."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from calib.cli.advice import accept, suggest
from calib.cli.base import base
from calib.cli.coupon import coupon
from calib.cli.coupon_rims import rims
from calib.cli.demonstration import demo
from calib.cli.history import export, history, import_, withdraw
from calib.cli.photos import measure, scale
from calib.cli.record import record

if TYPE_CHECKING:
    from collections.abc import Iterable


class _InOrder(click.Group):
    """A group that lists its commands as they were added."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the names in the order of the day's work."""
        del ctx
        return list(self.commands)


def _tell_version(ctx: click.Context, _option: click.Parameter, asked: bool) -> None:  # noqa: FBT001 click's own order
    from importlib.metadata import PackageNotFoundError, version

    if not asked:
        return
    try:
        click.echo(version("rimgauge"))
    except PackageNotFoundError:
        click.echo("not installed: run from its source")
    ctx.exit()


@click.group(cls=_InOrder, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_tell_version,
    help="Show the version and exit.",
)
def rimgauge() -> None:
    """Measure how a resin printer flares the bottom of a part, and print it flat.

    \b
    The day's work, in order:
      1  rimgauge record printer ...    once for each printer
         rimgauge record bottle ...     once for each bottle of resin
      2  rimgauge coupon flare --out DIR
         print it as the sheet beside it says, wash, dry, cure
      3  rimgauge record print ...      what was really set, and whether it held
      4  rimgauge measure photo.jpg     the coupon beside a ruler, plate side up
      5  rimgauge suggest               bottom exposure and insets for this bottle
         rimgauge accept                what you took over
      6  rimgauge base oval.stl         your own base: the ways compared, and written

    \b
    No printer at hand?  See the whole day on invented data in a minute or two:
      rimgauge demo

    Resin, blades and wash solvent can hurt you: the coupon's sheet has the cautions,
    and the safety data sheets of your resin and solvent come first.

    Every command takes --json and --help.  Exit status: 0 done, 2 something that you
    can mend, 1 a fault of the program, 130 interrupted.
    """  # noqa: D301 \b is click's mark for lines kept as they are


def _add(commands: Iterable[click.Command]) -> None:
    for command in commands:
        rimgauge.add_command(command)


coupon.add_command(rims)
_add(
    (
        record,
        coupon,
        scale,
        measure,
        suggest,
        accept,
        base,
        history,
        withdraw,
        export,
        import_,
        demo,
    )
)
