"""What the virtual printer hands over: the outline of every layer, and the truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from manifold3d import CrossSection, FillRule, JoinType
from numpy.typing import NDArray
from skimage.measure import find_contours

from calib.virtual.resin import InventedResin

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.virtual.dose import PixelGrid
    from patterns.manifest import Manifest, Tooth

Points = NDArray[np.float64]
Rings = tuple[Points, ...]

SMALLEST_RING_MM2 = 0.01  # specks below this tear off
TOLERANCE_MM = 2e-4  # of a simplified outline
END_SHARE = 0.5  # of a tooth's width, over which its end is averaged


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrintedLayer:
    """One layer of the finished part: a slab whose rim stands upright.

    ``rings_mm`` are closed rings (n, 2) in the print frame, holes turning the other
    way round; heights are counted from the plate face.
    """

    z0_mm: float
    z1_mm: float
    rings_mm: Rings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Body:
    """Something that lies with its z = 0 face up, flat on the table or on feet.

    The layers follow each other from that face down; the feet, which nothing else
    shows of, are ``feet_mm`` high.
    """

    layers: tuple[PrintedLayer, ...]
    feet_mm: float = 0.0

    @property
    def thickness_mm(self) -> float:
        """Without the feet."""
        return self.layers[-1].z1_mm

    @property
    def face_mm(self) -> float:
        """Height of the z = 0 face above the table."""
        return self.thickness_mm + self.feet_mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrintedPart:
    """A printed coupon and everything that is true about it.

    ``growth_by_layer_mm`` is that of the end of a tooth whose inset is 0 and that
    starts on the plate; ``flare_mm`` its plate layer minus the largest of its vertical
    body layers; ``body_growth_mm`` that largest.  ``tooth_growth_mm`` is each tooth's
    silhouette beyond its outermost design outline, less the mean of the same side's
    reference teeth.
    """

    coupon_id: str
    part_scale: float
    thickness_mm: float
    layers: tuple[PrintedLayer, ...]
    growth_by_layer_mm: tuple[float, ...]
    flare_mm: float
    body_growth_mm: float
    tooth_growth_mm: dict[str, float]
    resin: InventedResin | None

    @property
    def body(self) -> Body:
        """What a camera sees of it."""
        return Body(layers=self.layers)


def part_of(
    manifest: Manifest,
    outlines: Sequence[Rings],
    part_scale: float,
    resin: InventedResin | None,
) -> PrintedPart:
    """Put a part together from the final outlines of its layers, and measure it."""
    height = manifest.layer_mm * part_scale
    layers = tuple(
        PrintedLayer(z0_mm=j * height, z1_mm=(j + 1) * height, rings_mm=rings)
        for j, rings in enumerate(outlines)
    )
    ends = tooth_ends_mm(manifest, outlines, part_scale)
    plain = [
        k
        for k, tooth in enumerate(manifest.teeth)
        if tooth.role != "reference" and not any(tooth.inset_by_layer_mm[:1])
    ]
    body_inset = np.array(manifest.body_inset_by_layer_mm)
    growth = ends[:, plain].mean(axis=1) + body_inset * part_scale
    body = growth[manifest.foot_layers :][: manifest.vertical_layers].max()
    return PrintedPart(
        coupon_id=manifest.coupon_id,
        part_scale=part_scale,
        thickness_mm=manifest.layers * height,
        layers=layers,
        growth_by_layer_mm=tuple(growth.tolist()),
        flare_mm=float(growth[0] - body),
        body_growth_mm=float(body),
        tooth_growth_mm=_against_references(manifest.teeth, ends.max(axis=0)),
        resin=resin,
    )


def tooth_ends_mm(
    manifest: Manifest, outlines: Sequence[Rings], part_scale: float
) -> Points:
    """How far each layer stands out beyond each tooth's scaled outermost design end.

    Returns
    -------
    (layers, teeth) array
        Mean over the middle of the tooth's end; positive outwards.
    """
    teeth = manifest.teeth
    offsets = (np.arange(9) - 4) / 9 * END_SHARE
    x = np.array([tooth.x_mm + offsets * tooth.width_mm for tooth in teeth])
    sign = np.array([1.0 if tooth.side == "a" else -1.0 for tooth in teeth])
    end = np.array([abs(tooth.y_end_mm) for tooth in teeth]) * part_scale
    farthest = np.array(
        [
            farthest_mm(rings, x.ravel() * part_scale, np.repeat(sign, len(offsets)))
            for rings in outlines
        ]
    )
    return np.asarray(farthest.reshape(len(outlines), *x.shape).mean(axis=2) - end)


def farthest_mm(rings_mm: Rings, x_mm: Points, sign: Points) -> Points:
    """Outermost y of some rings on lines of constant x, towards the side ``sign``.

    Parameters
    ----------
    rings_mm : tuple of (m, 2) arrays
        Closed rings.
    x_mm, sign : (n,) arrays
        Where each line runs, and +1 or -1 for the side that is asked for.

    Returns
    -------
    (n,) array
        ``sign * y``; minus infinity where the line meets no ring.
    """
    start = np.concatenate(rings_mm)
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings_mm])
    out = np.empty(len(x_mm))
    for k, (x, side) in enumerate(zip(x_mm, sign, strict=True)):
        cut = (start[:, 0] <= x) != (end[:, 0] <= x)
        a, b = start[cut], end[cut]
        t = (x - a[:, 0]) / (b[:, 0] - a[:, 0])
        y = side * (a[:, 1] + t * (b[:, 1] - a[:, 1]))
        out[k] = y.max(initial=-np.inf)
    return out


def _against_references(
    teeth: tuple[Tooth, ...], silhouette_mm: Points
) -> dict[str, float]:
    """Silhouette of each tooth less the mean of its side's reference teeth."""
    base = {
        side: np.mean(
            [
                out
                for tooth, out in zip(teeth, silhouette_mm, strict=True)
                if tooth.side == side and tooth.role == "reference"
            ]
        )
        for side in ("a", "b")
    }
    return {
        tooth.name: float(out - base[tooth.side])
        for tooth, out in zip(teeth, silhouette_mm, strict=True)
    }


def outline_of(dose: NDArray[np.float32], grid: PixelGrid) -> Rings:
    """Where the dose is 1.

    The logarithm of the dose is close to a parabola across an edge, so each crossing
    of a grid line is found on a cubic through four cells.  Over many resins that is
    1.4 um rms wrong with cells of 0.05 mm (12 um where core and halo meet just there)
    and 0.2 um with cells of 0.025 mm.
    """
    log_dose = np.log(np.maximum(dose, 1e-6))
    rings = []
    for contour in find_contours(  # type: ignore[no-untyped-call]
        log_dose, 0.0, positive_orientation="high"
    ):
        ring = grid.to_mm(_refined(log_dose, contour[:-1]))
        if abs(_area(ring)) > SMALLEST_RING_MM2:
            rings.append(_simplified(ring))
    biggest = max(rings, key=lambda ring: abs(_area(ring)))
    turn = 1 if _area(biggest) > 0 else -1
    return tuple(ring[::turn] for ring in rings)


def offset(rings_mm: Rings, growth_mm: float, *, mitred: bool = False) -> Rings:
    """Move an outline outwards; round corners unless ``mitred``."""
    if growth_mm == 0:
        return rings_mm
    join = JoinType.Miter if mitred else JoinType.Round
    section = CrossSection([ring.tolist() for ring in rings_mm], FillRule.Positive)
    moved = section.offset(growth_mm, join, 2.0, 64)
    return tuple(np.asarray(ring, float) for ring in moved.to_polygons())


def _refined(field: NDArray[np.float32], vertices: Points) -> Points:
    """Move (n, 2) row, column vertices along their grid lines to the cubic's zero."""
    out = vertices.copy()
    last = np.array(field.shape) - 1
    for axis in (0, 1):
        on = vertices[:, axis] != np.rint(vertices[:, axis])
        base = np.floor(vertices[on]).astype(int)
        base[:, 1 - axis] = np.rint(vertices[on, 1 - axis])
        step = np.eye(2, dtype=int)[axis]
        a, b, c, d = (
            field[tuple(np.clip(base + k * step, 0, last).T)].astype(float)
            for k in (-1, 0, 1, 2)
        )
        chord = vertices[on, axis] - base[:, axis]
        out[on, axis] = base[:, axis] + _cubic_zero(a, b, c, d, start=chord)
    return out


def _cubic_zero(a: Points, b: Points, c: Points, d: Points, *, start: Points) -> Points:
    """Zero between 0 and 1 of the cubic through a, b, c, d at -1, 0, 1, 2."""
    t = start
    k1 = (-2 * a - 3 * b + 6 * c - d) / 6
    k2 = (a - 2 * b + c) / 2
    k3 = (d - a + 3 * (b - c)) / 6
    for _ in range(4):  # Newton
        slope = k1 + t * (2 * k2 + t * 3 * k3)
        t = np.clip(t - (b + t * (k1 + t * (k2 + t * k3))) / slope, 0.0, 1.0)
    return t


def _simplified(ring: Points) -> Points:
    """Drop vertices that lie on a straight line; float32 keeps 10 nm on a coupon."""
    # the curve is cut open at its first vertex, which is kept
    thin = cv2.approxPolyDP(
        ring.astype(np.float32)[:, None, :], TOLERANCE_MM, closed=True
    )
    return np.asarray(thin, float)[:, 0, :]


def _area(ring: Points) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
