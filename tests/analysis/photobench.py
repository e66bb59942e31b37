"""Pictures of our own coupon from the path-traced photo bench, made on demand.

    python -m tests.analysis.photobench SET --seed N --count K --out DIR --python PY

SET is easy, typical, flatbed, negative or bent.  PY is an interpreter with the bench's
own requirements.  Truth beside each picture: its layers' ``w``.  Never run by CI.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from patterns import Coupon, build, default_flare_spec
from patterns.export import stl_bytes

SHARED = Path(__file__).resolve().parents[3] / "shared"
PRESETS = {"bent": "typical"}


def prints(seed: int, count: int) -> list[dict[str, object]]:
    """Invented prints: flare 0-0.35 mm, body growth -0.03-0.05 mm."""
    rng = np.random.default_rng(seed)
    drawn = []
    for _ in range(count):
        body = rng.uniform(-0.03, 0.05)
        drawn.append(
            {
                "layer_mm": 0.05,
                "scale": rng.uniform(0.992, 1.002),
                "jitter_sigma": 0.003,
                "flare": {
                    "w0": body + rng.uniform(0.0, 0.35),
                    "w_body": body,
                    "depth": rng.uniform(0.1, 0.4),
                    "power": rng.uniform(0.5, 2.0),
                },
            }
        )
    return drawn


def bent_objects(
    coupon: Coupon, folder: Path, seed: int, count: int
) -> list[list[dict[str, object]]]:
    """Printed and then bent by 0.3-0.4 mm over its length; truth in a side file."""
    import trimesh

    sys.path.insert(0, str(SHARED))
    from photobench import shapes

    rng = np.random.default_rng([seed, 5])
    jobs: list[list[dict[str, object]]] = []
    for i, how in enumerate(prints(seed, count)):
        flare = how["flare"]
        assert isinstance(flare, dict)
        mesh, info = shapes.offset_print(
            trimesh.Trimesh(
                np.array(coupon.vertices_mm), np.array(coupon.faces), process=False
            ),
            0.05,
            shapes.flare_profile(**flare),
            how["scale"],
            0.003,
            0.0,
            seed + i,
        )
        vertices, faces = trimesh.remesh.subdivide_to_size(  # type: ignore[no-untyped-call]
            mesh.vertices, mesh.faces, 6.0, max_iter=12
        )
        bow = rng.uniform(0.3, 0.4) * rng.choice([-1, 1])
        vertices[:, 2] += (
            bow * (vertices[:, 0] / coupon.manifest.core_half_length_mm) ** 2
        )
        path = folder / f"bent_{i:03d}.stl"
        trimesh.Trimesh(vertices, faces, process=False).export(path)
        truth = {
            "bow_mm": bow,
            "scale": how["scale"],
            "layers": [
                {"z0": layer["z0"], "z1": layer["z1"], "w": layer["w"]}
                for layer in info["layers"]
            ],
        }
        (folder / f"bent_{i:03d}.truth.json").write_text(json.dumps(truth))
        jobs.append([{"stl": str(path), "name": "coupon", "face_camera": "plate"}])
    return jobs


def straight_objects(
    coupon: Coupon, folder: Path, seed: int, count: int
) -> list[list[dict[str, object]]]:
    """One object list a picture, the bench prints the STL itself."""
    stl = folder / "coupon.stl"
    stl.write_bytes(stl_bytes(coupon))
    return [
        [{"stl": str(stl), "name": "coupon", "face_camera": "plate", "print": how}]
        for how in prints(seed, count)
    ]


def render(
    which: str, seed: int, count: int, start: int, out: Path, python: str
) -> None:
    coupon = build(default_flare_spec())
    out.mkdir(parents=True, exist_ok=True)
    (out / "coupon.manifest.json").write_text(coupon.manifest.to_json())
    maker = bent_objects if which == "bent" else straight_objects
    rng = np.random.default_rng([seed, 9])
    materials = rng.permuted(np.resize(["grey", "dark_grey"], start + count))
    for i, objects in enumerate(maker(coupon, out, seed, start + count)):
        if i < start:
            continue
        objects[0]["material"] = str(materials[i])
        listing = out / f"{which}_{i:03d}.objects.json"
        listing.write_text(json.dumps(objects))
        command = [python, "-m", "photobench.make", "--out", str(out)]
        command += ["--seed", str(seed), "--start", str(i), "--count", "1"]
        command += ["--preset", PRESETS.get(which, which), "--quality", "normal"]
        subprocess.run(
            [*command, "--objects", str(listing)],
            cwd=SHARED,
            env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
            check=True,
        )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("set", choices=["easy", "typical", "flatbed", "negative", "bent"])
    ask.add_argument("--seed", type=int, required=True)
    ask.add_argument("--count", type=int, required=True)
    ask.add_argument("--start", type=int, default=0)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--python", default=sys.executable)
    said = ask.parse_args()
    render(said.set, said.seed, said.count, said.start, said.out, said.python)


if __name__ == "__main__":
    main()
