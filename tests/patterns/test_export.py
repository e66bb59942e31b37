"""The files: same bytes each time, accepted by outside readers, never over another."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import lib3mf
import numpy as np
import pytest

from patterns import Coupon, build, default_flare_spec
from patterns.errors import FileError, ManifestError
from patterns.export import (
    replace,
    stl_bytes,
    threemf_bytes,
    write_all,
    write_coupon,
    write_new,
)
from patterns.manifest import manifest_from_json
from patterns.sheet import settings_rows, sheet_pdf

if TYPE_CHECKING:
    from collections.abc import Mapping


@pytest.fixture(scope="module")
def coupon() -> Coupon:
    return build(default_flare_spec())


def test_folder_holds_one_stl_one_3mf_one_manifest_and_two_sheets(
    coupon: Coupon, tmp_path: Path
) -> None:
    write_coupon(coupon, tmp_path)
    kinds = sorted(p.suffix for p in tmp_path.iterdir())
    assert kinds == [".3mf", ".json", ".pdf", ".pdf", ".stl"]


def test_same_spec_same_bytes(coupon: Coupon) -> None:
    again = build(default_flare_spec())
    before = (
        stl_bytes(coupon),
        threemf_bytes({"coupon": coupon}),
        coupon.manifest.to_json(),
    )
    sheet = sheet_pdf(coupon.manifest, "a4")
    time.sleep(2.1)  # a stored hour would show: zip dates step by two seconds
    assert before == (
        stl_bytes(again),
        threemf_bytes({"coupon": again}),
        again.manifest.to_json(),
    )
    assert sheet == sheet_pdf(again.manifest, "a4")


def test_lib3mf_strict_reader_accepts_the_3mf(coupon: Coupon) -> None:
    """Outside check: lib3mf, the 3MF Consortium's reference implementation."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)  # noqa: FBT003 its signature
    reader.ReadFromBuffer(threemf_bytes({"coupon": coupon}))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    meshes = model.GetMeshObjects()
    assert meshes.MoveNext()
    mesh = meshes.GetCurrentMeshObject()
    assert mesh.IsManifoldAndOriented()
    assert mesh.GetTriangleCount() == len(coupon.faces)
    assert not meshes.MoveNext()


def test_stl_read_back_by_trimesh_is_the_same_solid(
    coupon: Coupon, tmp_path: Path
) -> None:
    import trimesh

    path = tmp_path / "coupon.stl"
    path.write_bytes(stl_bytes(coupon))
    mesh = trimesh.load_mesh(path)
    mesh.merge_vertices()
    assert mesh.is_watertight
    np.testing.assert_allclose(mesh.extents, coupon.manifest.size_mm, atol=1e-5)
    assert mesh.volume == pytest.approx(coupon.manifest.volume_mm3, abs=0.1)


def test_manifest_round_trip(coupon: Coupon) -> None:
    assert manifest_from_json(coupon.manifest.to_json()) == coupon.manifest


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "not JSON"),
        ("{", "not JSON"),
        ("[]", "schema"),
        ('{"schema": 99}', "99"),
        ('{"schema": 1, "kind": "flare"}', "damaged"),
    ],
)
def test_a_bad_manifest_is_refused_with_its_name(text: str, says: str) -> None:
    with pytest.raises(ManifestError, match=says) as caught:
        manifest_from_json(text, "mine.json")
    assert "mine.json" in str(caught.value)


def test_unknown_keys_in_a_manifest_are_refused(coupon: Coupon) -> None:
    text = coupon.manifest.to_json().replace('"kind"', '"colour":1,"kind"', 1)
    with pytest.raises(ManifestError, match="damaged"):
        manifest_from_json(text)


def test_writing_twice_changes_nothing(coupon: Coupon, tmp_path: Path) -> None:
    first = write_coupon(coupon, tmp_path)
    stamps = [p.stat().st_mtime_ns for p in first]
    assert [p.stat().st_mtime_ns for p in write_coupon(coupon, tmp_path)] == stamps


def test_another_file_of_that_name_is_kept_and_nothing_else_written(
    coupon: Coupon, tmp_path: Path
) -> None:
    mine = tmp_path / f"{coupon.manifest.coupon_id}.json"
    mine.write_text("mine")
    with pytest.raises(FileError, match="there already"):
        write_coupon(coupon, tmp_path)
    assert mine.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [mine]


def test_full_disk_leaves_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import os

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    old = tmp_path / "kept.txt"
    old.write_bytes(b"old")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match="No space left"):
        replace(old, b"new")
    with pytest.raises(FileError, match="No space left"):
        write_new(tmp_path / "fresh.txt", b"new")
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]
    assert old.read_bytes() == b"old"


def test_a_file_where_the_folder_should_be_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="can't be written"):
        write_new(tmp_path / "file" / "x.stl", b"")


def test_sheet_says_the_settings_to_print_with(coupon: Coupon) -> None:
    rows = dict(settings_rows(coupon.manifest))
    assert rows["Layer height"] == "0.05 mm"
    assert rows["Bottom layers"] == "5 of 30 s"
    assert rows["Transition layers"] == "none (0)"
    assert rows["Normal layers"] == "19 of 2.5 s"


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_sheet_has_two_pages_of_its_paper(coupon: Coupon, paper: str) -> None:
    sheet = sheet_pdf(coupon.manifest, "a4" if paper == "a4" else "letter")
    size = b"595.28 841.89" if paper == "a4" else b"612 792"
    assert sheet.count(b"/Type /Page\n") == 2
    assert size in sheet.replace(b".00", b"")


def test_what_a_killed_run_left_is_taken_away_later(tmp_path: Path) -> None:
    names = (".rimgauge-old.part", ".rimgauge-new.part", ".base.stl.original")
    for name in names:
        (tmp_path / name).write_bytes(b"half")
    for name in (names[0], names[2]):
        os.utime(tmp_path / name, (time.time() - 7200,) * 2)
    replace(tmp_path / "base.stl", b"whole")
    left = sorted(path.name for path in tmp_path.iterdir())
    assert left == sorted([*names[1:], "base.stl"])


MANY = {f"file-{number}.bin": bytes([number]) * 200_000 for number in range(100)}
WRITE = """
import sys
from pathlib import Path
from patterns.export import write_all
from tests.patterns.test_export import MANY
print("ready", flush=True)
write_all({Path(sys.argv[1]) / name: content for name, content in MANY.items()})
"""


def killed_after(seconds: float, folder: Path) -> Mapping[str, bytes]:
    """What is there under a final name of files whose writer is killed."""
    words = [sys.executable, "-c", WRITE, str(folder)]
    root = Path(__file__).parents[2]
    with subprocess.Popen(words, cwd=root, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"ready\n"
        time.sleep(seconds)
        writer.kill()
    there = [path for path in folder.glob("*") if path.name in MANY]
    return {path.name: path.read_bytes() for path in there}


def test_killed_in_the_middle_no_file_is_half_there(tmp_path: Path) -> None:
    """And the next run writes what is missing.  Thrice, from early to late."""
    counts = []
    for turn, seconds in enumerate((0.002, 0.02, 0.1)):
        folder = tmp_path / str(turn)
        there = killed_after(seconds, folder)
        counts.append(len(there))
        assert all(content == MANY[name] for name, content in there.items())
        write_all({folder / name: content for name, content in MANY.items()})
        assert all((folder / n).read_bytes() == content for n, content in MANY.items())
    assert min(counts) < len(MANY), "none was killed in time"
