"""Coupons of known flare set into real photographs of rulers, measured.

    python -m tests.analysis.composites --rulers ../shared/rulers

makes 24 pictures, at least three in each photograph that is large enough, and measures
them.  With ``--write DIR`` the pictures and their truth are only written there.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from calib.virtual import finish
from calib.virtual.composite import Where, set_into_photo
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec
from tests.analysis.virtual_photos import grown_coupon, line, measured, summary

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from patterns.manifest import Manifest

JPEG_QUALITY = 93

# where there is room in each photograph: along, across (mm), turn (degrees), paper
PLACES: dict[str, tuple[tuple[float, float, float, bool], ...]] = {
    "neato0": (
        (75, 24, 0, False),
        (80, 28, 182, True),
        (70, 40, -3, True),
        (78, 50, 181, False),
    ),
    "inhs100020": (
        (110, -55, 181, True),
        (105, -52, 0, False),
        (112, -58, 2, True),
        (108, -60, 180, True),
    ),
    "inhs100682": (
        (75, -52, 0, True),
        (60, -50, 180, True),
        (40, -54, 1, True),
        (60, -60, 183, True),
    ),
    "jfbm": ((55, 25, 0, False), (50, 30, 183, False), (55, 45, 180, True)),
    "kit_front_nopanel": ((70, 25, 0, True), (75, 26, 181, True), (66, 24, -1, True)),
    "zifasp": ((35, 26, -2, True), (35, 26, 180, True), (35, 26, -4, True)),
    "ard1247": ((220, -66, 0, True), (180, -64, 181, True), (160, -70, -2, True)),
}


def write_composites(
    manifest: Manifest, rulers: Path, folder: Path, seed: int, only: str | None = None
) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Write the composites and their truth, one by one."""
    known = json.loads((rulers / "truth.json").read_text())["photos"]
    photos = {photo["name"]: photo for photo in known}
    for name, places in PLACES.items():
        if only not in {None, name}:
            continue
        photo = photos[name]
        bgr = cv2.imread(
            str(rulers / photo["file"]),
            cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION,
        )
        assert bgr is not None, photo["file"]
        rgb8 = np.ascontiguousarray(bgr[..., ::-1], np.uint8)
        table = np.loadtxt(rulers / f"{name}.marks.csv", delimiter=",", skiprows=1)
        for k, (along, across, turn, paper) in enumerate(places):
            rng = np.random.default_rng([seed, k, *name.encode()])
            part = grown_coupon(manifest, rng)
            where = Where(
                along_mm=along,
                across_mm=across,
                turn_deg=turn,
                paper=paper,
                contrast=float(rng.uniform(0.4, 0.8)),
            )
            picture, truth = set_into_photo(
                rgb8, table[:, 0], table[:, 1:3], part, where=where, rng=rng
            )
            path = folder / f"{name}_{k}.jpg"
            finish.save(path, picture, JPEG_QUALITY)
            truth["picture"] = path.name
            path.with_suffix(".json").write_text(json.dumps(truth, indent=1))
            yield path, truth


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rulers", type=Path, default=Path("../shared/rulers"))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=sorted(PLACES))
    parser.add_argument("--write", type=Path, help="only write pictures and truth here")
    wish = parser.parse_args(arguments)
    manifest = build_manifest(default_flare_spec())
    if wish.write:
        wish.write.mkdir(parents=True, exist_ok=True)
        for path, truth in write_composites(
            manifest, wish.rulers, wish.write, wish.seed, wish.only
        ):
            print(
                path.name,
                f"camera {truth['camera_residual_px']:.2f} px",
                f"blur {truth['blur_px']:.2f}",
                flush=True,
            )
        return 0
    outcomes = []
    with tempfile.TemporaryDirectory() as folder:
        for path, truth in write_composites(
            manifest, wish.rulers, Path(folder), wish.seed, wish.only
        ):
            outcomes.append(measured(path, truth, [manifest]))
            path.unlink()
            print(line(outcomes[-1]), flush=True)
    print(summary(outcomes))
    return 0


if __name__ == "__main__":
    sys.exit(main())
