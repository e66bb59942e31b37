"""What is written for bases: plates, a sheet for each base, the record of it."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.base_work import Compared, Ready
from calib.cli.base_words import sanding_words, settings_rows
from calib.cli.output import plain
from calib.ways import WAY_WORDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.cli.base_known import Known
    from calib.records import WrittenBase
    from calib.way_setup import Setup
    from patterns.base_sheet import BaseSheet
    from patterns.tilted_spec import Island

PICTURE_WORDS = (
    "Each way in section and in view. Flare and dents are drawn larger, by the factor "
    "beside each drawing."
)

_MOST_PLACES = 60
_FINEST_UM = 10.0  # as for FlatPlan.realisable


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A base ready to be written: its file, the comparison, the body, the picture.

    ``remark``: heads each page of its sheet, where there is one.
    """

    file: Path
    stem: str
    compared: Compared
    ready: Ready
    picture: bytes
    copies: int = 1
    remark: str = ""


def stem_of(compared: Compared, ready: Ready) -> str:
    """Name a base's files after it, the way it is printed, and a guess as one."""
    kept = [c if c.isalnum() or c in " .-_" else "-" for c in compared.base.name]
    parts = ["".join(kept).strip(" .") or "base", ready.way]
    if ready.tilted is not None and not ready.tilted.spec.supports:
        parts.append("without-supports")
    if ready.guess:
        parts.append("guess")
    return "-".join(parts)


def numbered(chosen: Sequence[Chosen]) -> list[Chosen]:
    """Give each base files of its own, where two have one name."""
    stems = _unlike([one.stem for one in chosen])
    return [replace(one, stem=stem) for one, stem in zip(chosen, stems, strict=True)]


def files_of(chosen: Sequence[Chosen], setup: Setup) -> dict[str, bytes]:
    """Make all files: name and content.

    One plate is named after its base where there is one; several are numbered.

    Raises
    ------
    RecordError
        A base is larger than the plate.
    """
    from patterns.base_sheet import base_sheet_pdf

    plates = _plates(chosen, setup)
    printed = [name.removesuffix(".stl") for name in plates if name.endswith(".stl")]
    files: dict[str, bytes] = {}
    for one in chosen:
        sheet = sheet_of(one, setup, printed)
        files[f"{one.stem}-sheet-a4.pdf"] = base_sheet_pdf(sheet, "a4")
        files[f"{one.stem}-sheet-letter.pdf"] = base_sheet_pdf(sheet, "letter")
        files[f"{one.stem}-ways.png"] = one.picture
    return plates | files


def sheet_of(one: Chosen, setup: Setup, printed: Sequence[str]) -> BaseSheet:
    """Collect what a base's sheet tells; ``printed``: names of the plates' files."""
    from patterns.base_sheet import BaseSheet

    told = one.compared.comparison
    way = told.way(one.ready.way)
    return BaseSheet(
        name=one.compared.base.name,
        printed_as=one.ready.way,
        supports=one.ready.tilted is None or one.ready.tilted.spec.supports,
        guess=one.ready.guess,
        cavities=bool(one.compared.base.recesses),
        reason=_reason(one),
        settings=(
            ("File", _file_words(printed)),
            *settings_rows(one.compared, one.ready, setup.setting, one.copies),
        ),
        sanding=sanding_words(one.compared, one.ready),
        notes=(
            *way.risks,
            *_plan_notes(one.ready),
            *_islands(one.ready),
            *told.notes,
            *filter(None, [told.recommendation.measure_next]),
        ),
        picture=one.picture,
        picture_words=PICTURE_WORDS,
        remark=one.remark,
        square_pixels=setup.square_pixels,
    )


def record_of(one: Chosen, known: Known, files: Sequence[str]) -> WrittenBase:
    """Say for the history what was written."""
    from calib.records import WrittenBase

    return WrittenBase(
        bottle_uid=None if known.bottle is None else known.bottle.uid,
        printer_uid=known.printer.uid,
        name=one.compared.base.name,
        source=one.file.name,
        source_sha256=hashlib.sha256(one.file.read_bytes()).hexdigest(),
        printed_as=one.ready.way,
        guess=one.ready.guess,
        copies=one.copies,
        summary=_summary(one) | {"files": list(files)},
    )


def _plates(chosen: Sequence[Chosen], setup: Setup) -> dict[str, bytes]:
    from patterns.base_export import place, plate_files
    from patterns.nesting import nest

    waiting = [one for one in chosen for _ in range(one.copies)]
    names = _unlike([one.stem for one in waiting])
    plates = []
    while waiting:
        nested = nest(
            [one.ready.outline for one in waiting],
            setup.plate_mm,
            gap_mm=setup.gap_mm,
            turns_deg=setup.turns_deg,
        )
        if not nested.laid:
            raise _too_large(waiting[0], setup)
        plates.append(
            [
                place(waiting[laid.piece].ready.mesh, names[laid.piece], laid)
                for laid in nested.laid
            ]
        )
        waiting = [waiting[i] for i in nested.left]
        names = [names[i] for i in nested.left]
    stem = chosen[0].stem if len(chosen) == 1 else _common_stem(chosen)
    files: dict[str, bytes] = {}
    for number, placed in enumerate(plates, start=1):
        called = stem if len(plates) == 1 else f"{stem}-plate-{number}"
        files |= plate_files(called, placed)
    return files


def _unlike(stems: Sequence[str]) -> list[str]:
    """Give names that come again a number."""
    taken: dict[str, None] = {}
    again: dict[str, int] = {}
    for stem in stems:
        name = stem
        while name in taken:
            again[stem] = again.get(stem, 1) + 1
            name = f"{stem}-{again[stem]}"
        taken[name] = None
    return list(taken)


def _common_stem(chosen: Sequence[Chosen]) -> str:
    guess = "-guess" if any(one.ready.guess for one in chosen) else ""
    return f"{chosen[0].stem.removesuffix('-guess')}-and-{len(chosen) - 1}-more{guess}"


def _file_words(printed: Sequence[str]) -> str:
    first, last = printed[0], printed[-1]
    return f"{first}.stl or .3mf" + (f" to {last}" if last != first else "")


def _too_large(one: Chosen, setup: Setup) -> Exception:
    from patterns.errors import RecordError

    return RecordError(
        f"{one.compared.base.name}: {setup.no_room(one.ready.outline)}",
        "Print it another way (--way), or correct the printer's record.",
    )


def _reason(one: Chosen) -> str:
    told = one.compared.comparison.recommendation
    if told.way == one.ready.way:
        return told.reason
    which = WAY_WORDS[told.way] if told.way else "none yet"
    return f"Written this way as you asked. Recommended: {which}. {told.reason}"


def _plan_notes(ready: Ready) -> tuple[str, ...]:
    plan = ready.plan
    if plan is None:
        return ()
    near_um = max(_FINEST_UM, 500.0 * max(plan.pixel_x_mm, plan.pixel_y_mm))
    share = (
        f"Your printer's pixels can bring {100 * plan.realisable:.0f} % of the rim to "
        f"within {near_um:.0f} um of what is planned, wherever it lies on the plate."
    )
    scallop = (
        f"Between its layers the wall keeps scallops {plan.scallop_mm.value_mm:.3f} mm "
        "deep, as any print has: no inset changes them."
    )
    if plan.guess:
        return plan.cautions
    return (share, scallop, *plan.cautions)


def _islands(ready: Ready) -> tuple[str, ...]:
    """Name the places of the top whose supports mark the base, or that have none."""
    if ready.tilted is None:
        return ()
    found = ready.tilted.islands
    told = (
        ("Held from the base itself", [i for i in found if i.footing == "base"]),
        ("Held by nothing", [i for i in found if i.footing == "none"]),
    )
    return tuple(f"{how}: {_places(islands)}." for how, islands in told if islands)


def _places(islands: Sequence[Island]) -> str:
    """List places in the base's frame, mm, the largest first."""
    largest = sorted(islands, key=lambda island: -island.area_mm2)
    told = [
        f"({i.x_mm + 0.0:.1f}, {i.y_mm + 0.0:.1f}, {i.z_mm:.1f})"
        for i in largest[:_MOST_PLACES]
    ]
    left = len(largest) - len(told)
    more = f" and {left} more" if left else ""
    return f"x, y, z of the base in mm {' '.join(told)}{more}"


def _summary(one: Chosen) -> dict[str, Any]:
    plan, tilted = one.ready.plan, one.ready.tilted
    summary: dict[str, Any] = {
        "height_mm": one.compared.base.height_mm,
        "reason": one.compared.comparison.recommendation.reason,
    }
    if plan is not None:
        summary |= {
            "setting": asdict(plan.setting),
            "insets_mm": [inset.inset_mm for inset in plan.insets],
            "allowance_mm": plan.sanding_allowance_mm,
            "left": [asdict(left) for left in plan.left],
            "realisable": plan.realisable,
        }
    if tilted is not None:
        summary |= {
            "tilted": asdict(tilted.spec),
            "unsupported": len(tilted.unsupported),
        }
    made: dict[str, Any] = plain(summary)
    return made
