"""The flare coupon: where each of its features stands, layer by layer.

Two ladders of teeth on both long sides.  In the inset ladder the foot of each tooth is
set back by its own step; in the start ladder the lowest k layers are set back, so the
tooth begins k layers above the plate and has fewer bottom exposures behind it.
Reference teeth have the whole foot set back and show the body alone.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from patterns.edgecode import (
    PLACES,
    code_from_hash,
    encode,
    usable_codes,
)
from patterns.errors import SpecError
from patterns.manifest import (
    MANIFEST_SCHEMA,
    CodeNotch,
    Hole,
    Manifest,
    Role,
    Side,
    Strip,
    Tooth,
)
from patterns.masks import Features, Raster, layer_mask, sections
from patterns.solids import net_area_mm2

if TYPE_CHECKING:
    from patterns.spec import FlareSpec

CORE_HALF_WIDTH_MM = 12.0
END_MARGIN_MM = 1.2
NOTCH_WIDTH_MM = 1.2
NOTCH_DEPTH_MM = 1.4
NOTCH_FIRST_MM = 2.8
NOTCH_PITCH_MM = 2.4
STRIP_WIDTH_MM = 4.0
STRIP_LENGTH_MM = 14.0
SLOT_X_MM = -30.0
BAR_X_MM = 22.0
HOLE_PLACES_MM = (
    (-49.0, 8.0),
    (-49.0, -5.0),
    (-14.0, -8.0),
    (-12.0, 7.5),
    (3.0, 0.0),
    (36.0, -8.0),
    (38.0, 8.0),
    (50.0, -7.0),
    (50.0, 3.0),
)
HOLE_LIP_LAYERS = 2
HOLE_WIDENING = 0.8  # radius gained per height above the lip
HOLE_WIDENING_LIMIT_MM = 0.6
# enough to hide the walls of thin layers too, and the holes stay clear of the notches
TAPER_LIMIT_MM = 0.45
INSET: Role = "inset"
START: Role = "start"
REFERENCE: Role = "reference"


def start_layers(spec: FlareSpec) -> tuple[int, ...]:
    """Start layers of one side: 0, then up to seven of 1 ... foot - 1, thinned."""
    last = spec.foot_layers - 1
    if last <= 7:
        return (0, *range(1, last + 1))
    picked = {round(1 + i * (last - 1) / 6) for i in range(7)}
    return (0, *sorted(picked))


def tooth_order(spec: FlareSpec) -> tuple[tuple[Role, float], ...]:
    """Role and step of the 23 teeth of side a, from -x to +x; side b is reversed.

    The step is an inset in mm or a start layer.
    """
    ref = (REFERENCE, spec.reference_inset_mm)
    insets = [(INSET, step) for step in spec.insets_mm]
    zero = (INSET, 0.0)
    starts = [(START, float(k)) for k in start_layers(spec)[1:]]
    starts += [zero] * (7 - len(starts))
    first = (START, 0.0)
    return (
        *(ref, zero, *insets[:4]),
        *(ref, zero, *insets[4:]),
        *(ref, *starts[:4]),
        *(ref, *starts[4:], first),
        ref,
    )


def build_manifest(spec: FlareSpec) -> Manifest:
    """Lay the coupon out.

    Parameters
    ----------
    spec : FlareSpec

    Returns
    -------
    Manifest
        Every feature's place and the stack of masks; everything lateral but the holes
        on whole pixels, heights in whole layers.

    Raises
    ------
    SpecError
        The code is not usable, or the coupon does not fit the plate.
    """
    raster = Raster(spec.pixel_x_mm, spec.pixel_y_mm)
    digest = spec.sha256()
    code = code_from_hash(digest) if spec.code is None else spec.code
    if code not in usable_codes():
        raise SpecError(
            f"code {code} is not in use.",
            f"Leave it out, or take one of {len(usable_codes())} others, such as "
            f"{min(usable_codes())}.",
        )
    taper = _taper(spec, raster)
    teeth = _teeth(spec, raster, taper)
    half_length = raster.x(max(t.x_mm + t.width_mm / 2 for t in teeth) + END_MARGIN_MM)
    holes = _holes(spec)
    strips = _strips(spec, raster, taper)
    notches = _notches(raster, half_length, encode(code))
    size = (
        round(2 * half_length, 9),
        round(2 * teeth[0].y_end_mm, 9),
        round(spec.layers * spec.layer_mm, 9),
    )
    _check_fits(spec, size)
    features = Features(
        raster=raster,
        foot_layers=spec.foot_layers,
        taper_mm=taper,
        half_length_mm=half_length,
        half_width_mm=raster.y(CORE_HALF_WIDTH_MM),
        teeth=teeth,
        holes=holes,
        strips=strips,
        notches=notches,
    )
    masks = [layer_mask(features, layer) for layer in range(spec.layers)]
    volume = spec.layer_mm * sum(
        net_area_mm2(mask.added, mask.removed, mask.circles) for mask in masks
    )
    return Manifest(
        schema=MANIFEST_SCHEMA,
        kind="flare",
        coupon_id=f"flare-{code:04d}-{digest[:8]}",
        code=code,
        spec=_plain(asdict(spec)),
        spec_sha256=digest,
        frame="mm; STL axes; z = 0 on the plate, z up; side a = +y, side b = -y",
        mask_note=_mask_note(spec),
        size_mm=size,
        volume_mm3=volume,
        layer_mm=spec.layer_mm,
        pixel_x_mm=spec.pixel_x_mm,
        pixel_y_mm=spec.pixel_y_mm,
        exposure_by_layer_s=spec.exposure_by_layer_s,
        foot_layers=spec.foot_layers,
        vertical_layers=spec.vertical_layers,
        layers=spec.layers,
        body_inset_by_layer_mm=tuple(y for _, y in taper),
        core_half_length_mm=half_length,
        core_half_width_mm=features.half_width_mm,
        teeth=teeth,
        holes=holes,
        strips=strips,
        notches=notches,
        sections=sections(masks, spec.layer_mm),
    )


def _plain(fields: dict[str, object]) -> dict[str, object]:
    return {k: list(v) if isinstance(v, tuple) else v for k, v in fields.items()}


def _check_fits(spec: FlareSpec, size_mm: tuple[float, float, float]) -> None:
    if size_mm[0] > spec.plate_x_mm or size_mm[1] > spec.plate_y_mm:
        raise SpecError(
            f"The coupon is {size_mm[0]:.1f} x {size_mm[1]:.1f} mm and does not fit "
            f"the plate of {spec.plate_x_mm:g} x {spec.plate_y_mm:g} mm.",
            "Give the plate's long side as plate_x_mm, or narrow the teeth.",
        )


def _mask_note(spec: FlareSpec) -> str:
    return (
        f"One mask pixel is {spec.pixel_x_mm * 1e3:g} x {spec.pixel_y_mm * 1e3:g} um. "
        "Teeth, insets, pitches, bar, slot, recesses and taper are whole pixels, so "
        "the mask makes them as drawn and all teeth of a side meet the raster alike. "
        "The round holes become stairs of up to one pixel; insets finer than a pixel "
        "can't be made."
    )


def _taper(spec: FlareSpec, raster: Raster) -> tuple[tuple[float, float], ...]:
    """Inset (x, y) of each layer's body outline: foot and vertical layers none."""
    first = spec.foot_layers + spec.vertical_layers
    steps = []
    for layer in range(spec.layers):
        wanted = min(
            max(0, layer - first + 1) * spec.taper_mm_per_layer, TAPER_LIMIT_MM
        )
        steps.append(
            (
                raster.x(wanted),
                raster.y(wanted),
            )
        )
    return tuple(steps)


def _teeth(
    spec: FlareSpec, raster: Raster, taper: tuple[tuple[float, float], ...]
) -> tuple[Tooth, ...]:
    order = tooth_order(spec)
    # an even number of pixels, so that the middle of a tooth lies on the raster too
    width = 2 * raster.x(spec.tooth_width_mm / 2)
    pitch = 2 * raster.x((spec.tooth_width_mm + spec.tooth_gap_mm) / 2)
    root = raster.y(CORE_HALF_WIDTH_MM)
    end = root + raster.y(spec.tooth_length_mm)
    teeth = []
    sides: tuple[tuple[Side, int], ...] = (("a", 1), ("b", -1))
    for side, sign in sides:
        for index, (role, step) in enumerate(order):
            start = int(step) if role == START else 0
            inset = 0.0 if role == START else step
            recessed = spec.foot_layers if role == REFERENCE else start
            foot = [
                spec.reference_inset_mm if layer < recessed else inset
                for layer in range(spec.foot_layers)
            ]
            above = taper[spec.foot_layers :]
            teeth.append(
                Tooth(
                    name=f"{side}{index:02d}",
                    side=side,
                    index=index,
                    role=role,
                    x_mm=round(sign * (index - (len(order) - 1) // 2) * pitch, 9),
                    y_end_mm=sign * end,
                    y_root_mm=sign * root,
                    width_mm=width,
                    inset_mm=raster.y(inset),
                    start_layer=start,
                    inset_by_layer_mm=(
                        *(raster.y(mm) for mm in foot),
                        *(y for _, y in above),
                    ),
                    flank_inset_by_layer_mm=(
                        *(raster.x(mm) for mm in foot),
                        *(x for x, _ in above),
                    ),
                )
            )
    return tuple(teeth)


def _holes(spec: FlareSpec) -> tuple[Hole, ...]:
    widening = tuple(
        min(
            HOLE_WIDENING * max(0, layer - HOLE_LIP_LAYERS + 1) * spec.layer_mm,
            HOLE_WIDENING_LIMIT_MM,
        )
        for layer in range(spec.layers)
    )
    return tuple(
        Hole(
            name=f"h{i}",
            x_mm=x,
            y_mm=y,
            diameter_mm=spec.hole_diameter_mm,
            diameter_by_layer_mm=tuple(
                spec.hole_diameter_mm + 2 * grown for grown in widening
            ),
        )
        for i, (x, y) in enumerate(HOLE_PLACES_MM)
    )


def _strips(
    spec: FlareSpec, raster: Raster, taper: tuple[tuple[float, float], ...]
) -> tuple[Strip, ...]:
    recess = raster.y(spec.reference_inset_mm)
    insets = tuple(
        recess if layer < spec.foot_layers else taper[layer][1]
        for layer in range(spec.layers)
    )
    width = 2 * raster.y(STRIP_WIDTH_MM / 2)
    length = 2 * raster.x(STRIP_LENGTH_MM / 2)
    places = (("slot", SLOT_X_MM), ("bar", BAR_X_MM))
    return tuple(
        Strip(
            name=kind,
            kind="slot" if kind == "slot" else "bar",
            x_mm=raster.x(x),
            y_mm=0.0,
            length_mm=length,
            width_mm=width,
            inset_by_layer_mm=insets,
        )
        for kind, x in places
    )


def _notches(
    raster: Raster, half_length: float, bits: tuple[bool, ...]
) -> tuple[CodeNotch, ...]:
    half = [NOTCH_FIRST_MM + i * NOTCH_PITCH_MM for i in range(PLACES // 4)]
    ys = [-y for y in reversed(half)] + half
    notches = []
    for place, cut in enumerate(bits):
        plus = place >= PLACES // 2
        notches.append(
            CodeNotch(
                end="+x" if plus else "-x",
                place=place,
                y_mm=raster.y(ys[place % (PLACES // 2)]),
                x_edge_mm=half_length if plus else -half_length,
                width_mm=2 * raster.y(NOTCH_WIDTH_MM / 2),
                depth_mm=raster.x(NOTCH_DEPTH_MM),
                cut=cut,
            )
        )
    return tuple(notches)
