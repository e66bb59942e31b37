"""Pictures of our own rim tiles from the path-traced photo bench, made on demand.

    python -m tests.analysis.rimbench SET --seed N --count K --out DIR --python PY

SET is easy, typical, flatbed, negative, pairs (each scene again with the tiles turned
by 180 degrees) or profile (tiles on the edge stand).  PY is an interpreter with the
bench's own requirements.  The truth lies beside each picture in ``*.tiles.json``: every
tile's rim deviation as it was written into its mesh.  Never run by CI.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import trimesh
from numpy.typing import NDArray

from patterns.edge_stand import stand_mesh, stand_to_print, tile_in_stand
from patterns.rim_manifest import RimManifest, RimTile
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from patterns.rim_tile import tile_mesh

if TYPE_CHECKING:
    from collections.abc import Callable

Floats = NDArray[np.float64]

SHARED = Path(__file__).resolve().parents[3] / "shared"
PRESETS = {"pairs": "typical", "profile": "easy"}
PHI_RAD = np.linspace(-np.pi / 2, np.pi / 2, 1964)
"""0.02 mm along an arc of 12.5 mm."""

TILES = 4
BACK_FROM_MIDDLE_MM = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """One invented tile: its design, its rim, its scale and its edge."""

    tile: RimTile
    deviation_mm: Floats
    scale: float
    edge_radius_mm: float
    roughness_mm: float
    chips: tuple[dict[str, float], ...]

    def told(self) -> dict[str, object]:
        return {
            "coupon_id": self.tile.coupon_id,
            "scale": self.scale,
            "edge_radius_mm": self.edge_radius_mm,
            "roughness_mm": self.roughness_mm,
            "phi_rad": PHI_RAD.round(6).tolist(),
            "deviation_mm": self.deviation_mm.round(6).tolist(),
            "chips": list(self.chips),
        }


def invented(tile: RimTile, rng: np.random.Generator) -> Made:
    """Draw a rim: sag 0-0.12 mm, sigma 0-0.03 mm, oval, up to two chips."""
    arc_mm = PHI_RAD * tile.radius_mm
    sigma = rng.uniform(0.0, 0.03)
    deviation = sigma * _smooth_noise(arc_mm, rng.uniform(0.2, 1.0), rng)
    width = rng.uniform(0.25, 0.5)
    deviation -= rng.uniform(-0.02, 0.12) * np.exp(-0.5 * (PHI_RAD / width) ** 2)
    deviation += rng.uniform(-0.03, 0.03) * np.cos(2 * PHI_RAD)
    chips = []
    for _ in range(rng.integers(0, 3)):
        phi = rng.uniform(-1.2, 1.2)
        across, depth = rng.uniform(0.5, 1.5), rng.uniform(0.12, 0.3)
        share = (PHI_RAD - phi) * tile.radius_mm / (across / 2)
        deviation -= depth * np.sqrt(np.clip(1 - share**2, 0, None))
        chips.append(
            {"phi_deg": math.degrees(phi), "width_mm": across, "depth_mm": depth}
        )
    return Made(
        tile=tile,
        deviation_mm=deviation,
        scale=rng.uniform(0.994, 1.001),
        edge_radius_mm=0.0,
        roughness_mm=sigma,
        chips=tuple(chips),
    )


def rounded(tile: RimTile, rng: np.random.Generator) -> Made:
    """Draw a tile for the stand: a smooth rim whose edge is sharp or rounded."""
    radius = float(rng.choice([0.0, rng.uniform(0.1, 0.4)], p=[0.25, 0.75]))
    return Made(
        tile=tile,
        deviation_mm=np.zeros_like(PHI_RAD),
        scale=1.0,
        edge_radius_mm=radius,
        roughness_mm=0.0,
        chips=(),
    )


def _smooth_noise(arc_mm: Floats, length_mm: float, rng: np.random.Generator) -> Floats:
    """Stationary noise, sigma 1, correlation exp(-d^2 / (2 length^2))."""
    step = arc_mm[1] - arc_mm[0]
    reach = int(4 * length_mm / step)
    kernel = np.exp(-((np.arange(-reach, reach + 1) * step / length_mm) ** 2))
    kernel /= np.sqrt((kernel**2).sum())
    white = rng.normal(size=len(arc_mm) + 2 * reach)
    return np.convolve(white, kernel, "valid")


def solid(made: Made) -> trimesh.Trimesh:
    """Finished tile in its own frame, its deviation and edge radius in the mesh."""

    def rim_mm(phi_rad: Floats) -> Floats:
        return np.interp(phi_rad, PHI_RAD, made.deviation_mm)

    rim: Callable[[Floats], Floats] | None = rim_mm
    if not made.deviation_mm.any():
        rim = None
    vertices, faces = tile_mesh(made.tile, rim)
    mesh = trimesh.Trimesh(np.array(vertices), np.array(faces), process=False)
    if made.edge_radius_mm > 0:
        mesh = _round_edge(mesh, made)
    mesh.apply_scale(made.scale)  # type: ignore[no-untyped-call]
    return mesh


def _round_edge(mesh: trimesh.Trimesh, made: Made) -> trimesh.Trimesh:
    """Fillet between bottom face and wall, tangent to both.

    The rim's silhouette moves in by a little; the truth that counts is the radius.
    """
    import manifold3d as m3

    tile, radius = made.tile, made.edge_radius_mm
    lean = math.radians(tile.taper_deg)
    # tangent length along the face: the normal turns by a right angle and the lean
    back = radius * math.tan((math.pi / 2 + lean) / 2)
    middle_r, middle_z = tile.radius_mm - back, radius
    turn = np.linspace(-math.pi / 2, lean, 24)
    bow = np.stack(
        [middle_r + radius * np.cos(turn), middle_z + radius * np.sin(turn)], axis=1
    )
    corner = np.array([[tile.radius_mm + 1, bow[-1, 1]], [tile.radius_mm + 1, -1.0]])
    section = np.vstack([bow, corner, [[bow[0, 0], -1.0]]])
    cut = m3.CrossSection([section], m3.FillRule.NonZero).revolve(720)
    whole = m3.Manifold(
        m3.Mesh64(
            vert_properties=np.asarray(mesh.vertices, np.float64),
            tri_verts=np.asarray(mesh.faces, np.uint64),
        )
    )
    left = (whole - cut).to_mesh64()
    return trimesh.Trimesh(
        np.array(left.vert_properties)[:, :3],
        np.array(left.tri_verts).astype(np.int64),
        process=False,
    )


def lying(made: Made) -> trimesh.Trimesh:
    """Bottom up on its feet: x as the tile's, the bottom face at the top."""
    mesh = solid(made)
    mesh.apply_transform(np.diag([1.0, -1.0, -1.0, 1.0]))
    mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
    return mesh


def ring(tiles: list[Made], rng: np.random.Generator) -> trimesh.Trimesh:
    """Tiles on the table in a ring, arcs outward, each a little turned and shifted."""
    placed = []
    start = rng.uniform(0, 2 * np.pi)
    for i, made in enumerate(tiles):
        mesh = lying(made)
        mesh.apply_translation([BACK_FROM_MIDDLE_MM + rng.uniform(0, 1.5), 0, 0])
        angle = start + 2 * np.pi * i / len(tiles) + rng.uniform(-0.03, 0.03)
        turn = np.eye(4)
        turn[:2, :2] = [
            [math.cos(angle), -math.sin(angle)],
            [math.sin(angle), math.cos(angle)],
        ]
        mesh.apply_transform(turn)
        placed.append(mesh)
    return _together(placed)


def standing(manifest: RimManifest, tiles: list[Made]) -> trimesh.Trimesh:
    """Hub and tiles on their ends, z up, the table at 0."""
    vertices, faces = stand_mesh()
    parts = [trimesh.Trimesh(np.array(vertices), np.array(faces), process=False)]
    to_print = _square(stand_to_print(manifest.stand))
    for made, bay in zip(tiles, manifest.stand.bays, strict=True):
        mesh = solid(made)
        mesh.apply_transform(to_print @ _square(tile_in_stand(bay)))
        parts.append(mesh)
    return _together(parts)


def _together(parts: list[trimesh.Trimesh]) -> trimesh.Trimesh:
    joined = trimesh.util.concatenate(parts)
    assert isinstance(joined, trimesh.Trimesh)
    return joined


def _square(affine: Floats) -> Floats:
    return np.vstack([affine, [0.0, 0.0, 0.0, 1.0]])


def scene(
    which: str, manifest: RimManifest, seed: int, index: int, folder: Path
) -> tuple[list[Made], list[dict[str, object]]]:
    """Tiles and the bench's object list of one picture."""
    rng = np.random.default_rng([seed, index])
    chosen = rng.choice(len(manifest.tiles), TILES, replace=False)
    draw = rounded if which == "profile" else invented
    tiles = [draw(manifest.tiles[i], rng) for i in chosen]
    mesh = standing(manifest, tiles) if which == "profile" else ring(tiles, rng)
    path = folder / f"{which}_{index:03d}.stl"
    mesh.export(path)
    material = str(rng.choice(["grey", "dark_grey"]))
    thing: dict[str, object] = {
        "stl": str(path),
        "name": "tiles",
        "face_camera": "top",
        "material": material,
        "spin": float(rng.uniform(0, 360)),
    }
    return tiles, [thing]


def render(
    which: str,
    seed: int,
    indices: range,
    out: Path,
    python: str,
    quality: str,
) -> None:
    manifest = rim_manifest(default_rim_spec())
    out.mkdir(parents=True, exist_ok=True)
    (out / "tiles.manifest.json").write_text(manifest.to_json())
    for index in indices:
        tiles, objects = scene(which, manifest, seed, index, out)
        _bench(which, seed, index, objects, tiles, out, python, quality)
        if which == "pairs":
            objects[0]["spin"] = float(str(objects[0]["spin"])) + 180.0
            turned = out / "turned"
            _bench(which, seed, index, objects, tiles, turned, python, quality)


def _bench(
    which: str,
    seed: int,
    index: int,
    objects: list[dict[str, object]],
    tiles: list[Made],
    out: Path,
    python: str,
    quality: str,
) -> None:
    out.mkdir(exist_ok=True)
    preset = PRESETS.get(which, which)
    listing = out / f"{preset}_{index:03d}.objects.json"
    listing.write_text(json.dumps(objects))
    truth = out / f"{preset}_{index:03d}.tiles.json"
    truth.write_text(json.dumps([made.told() for made in tiles]))
    command = [python, "-m", "photobench.make", "--out", str(out)]
    command += ["--seed", str(seed), "--start", str(index), "--count", "1"]
    command += ["--preset", preset, "--quality", quality]
    if which == "profile":  # focus on the hub's top, not on the table
        command += ["--focus-err", "-13"]
    subprocess.run(
        [*command, "--objects", str(listing)],
        cwd=SHARED,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        check=True,
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument(
        "set", choices=["easy", "typical", "flatbed", "negative", "pairs", "profile"]
    )
    ask.add_argument("--seed", type=int, required=True)
    ask.add_argument("--count", type=int, required=True)
    ask.add_argument("--start", type=int, default=0)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--python", default=sys.executable)
    ask.add_argument("--quality", choices=["draft", "normal", "fine"], default="normal")
    said = ask.parse_args()
    indices = range(said.start, said.start + said.count)
    render(said.set, said.seed, indices, said.out, said.python, said.quality)


if __name__ == "__main__":
    main()
