"""The ways to print a base compared: rows, recommendation and what holds for all."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from calib.recommend import recommend
from calib.way_rows import flat_row, tilted_row
from calib.ways import Comparison
from patterns.base_sections import solid
from patterns.errors import SpecError

if TYPE_CHECKING:
    from calib.advised import Advised
    from calib.way_made import Made
    from calib.way_setup import Setup
    from patterns.base import Base


def compare(
    base: Base, made: Made, advised: Advised | None, setup: Setup
) -> Comparison:
    """Compare the three ways to print a base and recommend one.

    Parameters
    ----------
    base : Base
    made : Made
        The base as each way would be written.
    advised : Advised or None
        What the bottle's own measurements advise; None: nothing is measured.
    setup : Setup
        Printer, exposures, motion and what else the time and the plate hang on.

    Returns
    -------
    Comparison

    Raises
    ------
    SpecError
        The base's mesh is no closed body.
    """
    body = solid(base)
    if body.is_empty():
        raise SpecError(
            f"{base.name} is no closed body.", "Mend it where the reader says."
        )
    flat = None if advised is None else advised.flat
    rims = None if advised is None else advised.tilted
    if setup.setting is None and flat is not None:
        bottom_s = flat.suggestion.bottom_exposure_s
        setup = replace(setup, setting=flat.profile.present.with_bottom(bottom_s))
    ways = (
        tilted_row("tilted", base, body, made.tilted, rims, setup),
        tilted_row("lipped", base, body, made.lipped, rims, setup),
        flat_row(base, body, made.flat, flat, setup),
    )
    bottle = setup.bottle if advised is None else advised.bottle.value.name
    return Comparison(
        base=base.name,
        bottle=bottle,
        printer=setup.printer.name,
        ways=ways,
        recommendation=recommend(
            ways,
            bottle=bottle,
            tolerance_mm=setup.tolerance_mm,
            second_print_s=None if flat is None else flat.suggestion.second_print_s,
        ),
        gap_mm=setup.gap_mm,
        notes=_notes(setup),
    )


def _notes(setup: Setup) -> tuple[str, ...]:
    said = []
    if setup.setting is None:
        said.append(
            "No exposures are known, so no time is told, and layers are of "
            f"{setup.layer_mm:g} mm: record a print, or give them."
        )
    unknown = [
        name
        for name, seconds in (
            ("lift", setup.motion.lift_s),
            ("wait", setup.motion.wait_s),
        )
        if seconds is None
    ]
    if setup.setting is not None and unknown:
        said.append(
            f"Times are without {' and '.join(unknown)}: give the seconds a layer with "
            f"{' and '.join(f'--{name}-s' for name in unknown)}."
        )
    return tuple(said)
