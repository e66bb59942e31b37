"""What the records know of the bottle and the printer that a base is meant for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from calib.advised import Advised
from calib.records import Bottle, Printer
from calib.store import Entry
from calib.wall import Setting

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from calib.base_work import Wish
    from calib.records import Print
    from calib.store import Store
    from calib.way_setup import Setup

_USUAL_LAYER_MM = 0.05  # the coupons' own
_EXPOSURES = ("layer_mm", "bottom_layers", "bottom_exposure_s", "normal_exposure_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Bottle (None: none was named), printer, what was measured, and the exposures.

    ``setting``: as advised, or else as the newest print was run; None: no print.
    """

    bottle: Entry[Bottle] | None
    printer: Entry[Printer]
    advised: Advised | None
    setting: Setting | None


def known_of(
    store: Store, bottle: str | None, printer: str | None, tolerance_mm: float
) -> Known:
    """Collect what is known of a bottle on a printer; little will do.

    Raises
    ------
    RecordError
        No such bottle or printer, no printer at all, or it isn't clear which.
    """
    from calib.filing import by_name, only_one
    from calib.profile import prints_of
    from calib.records import Bottle, Printer

    bottles, printers = store.current(Bottle), store.current(Printer)
    of = only_one(bottles, "bottle", bottle) if bottles or bottle else None
    if printer is None and len(printers) > 1 and of is not None:
        on, prints = prints_of(store, of, None)
    else:
        on = (
            by_name(printers, "printer", printer)
            if printer
            else only_one(printers, "printer", None)
        )
        prints = prints_of(store, of, on)[1] if of is not None else ()
    advised = None if of is None else advised_of(store, of, on, prints, tolerance_mm)
    return Known(
        bottle=of, printer=on, advised=advised, setting=_setting(advised, prints)
    )


def advised_of(
    store: Store,
    bottle: Entry[Bottle],
    printer: Entry[Printer],
    prints: tuple[Entry[Print], ...],
    tolerance_mm: float,
) -> Advised | None:
    """Fit all that was measured on some prints; None: nothing was."""
    from calib.advised import Advised, advise_flat, advise_tilted
    from calib.cli.known import known_manifests, known_rims
    from calib.cli.output import narrate
    from calib.profile import gather
    from calib.rim_profile import gather_tiles

    profile = gather(store, known_manifests(store), bottle, printer, prints)
    tiles = gather_tiles(store, known_rims(store), prints)
    if profile is None and tiles is None:
        return None
    narrate(f"fitting what was measured from bottle {bottle.value.name} ...")
    flat = None if profile is None else advise_flat(profile, tolerance_mm)
    tilted = None if tiles is None else advise_tilted(tiles, flat)
    return Advised(bottle=bottle, printer=printer, flat=flat, tilted=tilted)


def _setting(advised: Advised | None, prints: Sequence[Entry[Print]]) -> Setting | None:
    from calib.profile import setting_of

    if advised is not None and advised.flat is not None:
        flat = advised.flat
        return flat.profile.present.with_bottom(flat.suggestion.bottom_exposure_s)
    return setting_of(prints[-1].value) if prints else None


def setup_of(known: Known, options: Mapping[str, Any]) -> Setup:
    """Put together what a base is printed with.

    Raises
    ------
    RecordError
        A number that makes no sense.
    UsageError
        Exposures that the records tell already, or half of them.
    """
    from calib.print_time import Motion
    from calib.way_setup import Setup

    return Setup(
        printer=known.printer.value,
        setting=_asked_setting(known.setting, options),
        layer_mm=_layer_mm(known, options),
        bottle=None if known.bottle is None else known.bottle.value.name,
        motion=Motion(
            lift_s=options["lift_s"],
            wait_s=options["wait_s"],
            raised_lift_s=options["bottom_lift_s"],
            raised_wait_s=options["bottom_wait_s"],
            lift_mm_per_s=options["lift_mm_per_s"],
        ),
        viscosity_pa_s=options["viscosity_pa_s"],
        gap_mm=options["gap_mm"],
        tolerance_mm=options["tolerance_mm"],
    )


def wish_of(known: Known, options: Mapping[str, Any]) -> Wish:
    """Put together what is asked for beyond the advice.

    Raises
    ------
    UsageError
        A guess where the flare is measured.
    """
    import click

    from calib.base_work import Wish

    measured = known.advised is not None and known.advised.flat is not None
    if measured and options["by_rule_mm"] is not None:
        raise click.UsageError(
            "A flare coupon of this bottle is measured, which tells more than a rule: "
            "leave --by-rule-mm out."
        )
    return Wish(
        layer_mm=_layer_mm(known, options),
        tilt_deg=options["tilt_deg"],
        lip_depth_mm=options["lip_depth_mm"],
        front_deg=options["front_deg"],
        supports=not options["without_supports"],
        guess_inset_mm=options["by_rule_mm"],
    )


def _layer_mm(known: Known, options: Mapping[str, Any]) -> float:
    """Take the layer height that is recorded, or asked for, or usual."""
    if known.setting is not None:
        return known.setting.layer_mm
    asked: float | None = options["layer_mm"]
    return _USUAL_LAYER_MM if asked is None else asked


def _asked_setting(
    recorded: Setting | None, options: Mapping[str, Any]
) -> Setting | None:
    import click

    from calib.wall import Setting

    given = [name for name in _EXPOSURES if options[name] is not None]
    if recorded is not None:
        if given:
            raise click.UsageError(
                f"A print of this bottle is recorded, which tells {_dashed(given[0])}: "
                "leave it out, or correct the record."
            )
        return recorded
    if given in ([], ["layer_mm"]):
        return None
    missing = [name for name in _EXPOSURES if options[name] is None]
    if missing:
        raise click.UsageError(f"Please say also {', '.join(map(_dashed, missing))}.")
    bottom = (options["bottom_exposure_s"],) * options["bottom_layers"]
    return Setting(
        layer_mm=options["layer_mm"],
        normal_s=options["normal_exposure_s"],
        raised_s=bottom + (options["transition_exposures_s"] or ()),
        bottom_layers=options["bottom_layers"],
    )


def _dashed(name: str) -> str:
    return f"--{name.replace('_', '-')}"
