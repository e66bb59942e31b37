"""Files that are no base: one clear line, exit 2, nothing written."""

from __future__ import annotations

import io
import math
import struct
import zipfile
from typing import TYPE_CHECKING

import numpy as np
import pytest

from patterns.export import stl_bytes, threemf_bytes
from tests import bases

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.cli.conftest import Answer, Run

VERTICES, FACES = bases.mesh("disc_20_coarse")


def _stl(vertices: bases.Points = VERTICES, faces: bases.Faces = FACES) -> bytes:
    return stl_bytes(bases.Mesh(vertices, faces))


def _nan() -> bytes:
    broken = VERTICES.copy()
    broken[7, 0] = math.nan
    return _stl(broken)


def _through_itself() -> bytes:
    """A base through whose wall its own top is pushed out."""
    pushed = VERTICES.copy()
    pushed[np.argmax(VERTICES[:, 2] - 0.001 * np.hypot(*VERTICES[:, :2].T))] = 30, 5, 1
    return _stl(pushed)


def _twenty_millions() -> bytes:
    return b" " * 80 + struct.pack("<I", 20_000_000)


def _bomb() -> bytes:
    """A package of 300 kB that would unpack to 300 MB."""
    good = io.BytesIO(threemf_bytes({"a": bases.Mesh(VERTICES, FACES)}))
    bomb = io.BytesIO()
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(bomb, "w", 8) as new:
        for name in old.namelist():
            model = name.endswith(".model")
            new.writestr(name, b" " * 300_000_000 if model else old.read(name))
    return bomb.getvalue()


BAD: dict[str, tuple[str, Callable[[], bytes], str]] = {
    "empty": ("a.stl", lambda: b"", "empty"),
    "truncated": ("a.stl", lambda: _stl()[:-30], "cut off"),
    "NaN": ("a.stl", _nan, "not numbers"),
    "zero area": ("a.stl", lambda: _stl(faces=FACES[:, [0, 0, 1]]), "area"),
    "flat": ("a.stl", lambda: _stl(VERTICES * (1, 1, 0)), "enclose nothing"),
    "all in one place": ("a.stl", lambda: _stl(0 * VERTICES), "one place"),
    "half a point": ("a.obj", lambda: b"v 1 2 3\nv 2 3 4\nf 1 2 1.5\n", "not whole"),
    "inches": ("a.stl", lambda: _stl(VERTICES / 25.4), "--units"),
    "metres": ("a.stl", lambda: _stl(VERTICES / 1000), "--units"),
    "micrometres": ("a.stl", lambda: _stl(VERTICES * 1000), "--units"),
    "300 mm": ("a.stl", lambda: _stl(VERTICES * 15), "--units"),
    "open": ("a.stl", lambda: _stl(faces=FACES[5:]), "open"),
    "through itself": ("a.stl", _through_itself, "itself|crosses"),
    "20 M triangles": ("a.stl", _twenty_millions, "20,000,000"),
    "text": ("a.stl", lambda: b"all about bases\n" * 30, "not a mesh"),
    "no mesh": ("a.stl", lambda: b"\x89PNG" + bytes(range(256)) * 9, "not a mesh"),
    "zip bomb": ("a.3mf", _bomb, "unpack"),
    "another kind": ("a.txt", lambda: b"a base", "STL, 3MF or OBJ"),
}


def _error(answer: Answer) -> str:
    """The one line that tells the error; before it, progress may be told."""
    assert answer.status == 2
    assert answer.out == ""
    lines = answer.err.strip().splitlines()
    assert [line.startswith("error: ") for line in lines].count(True) == 1
    return lines[-1]


@pytest.mark.parametrize("case", BAD)
def test_bad_files_are_one_clear_line(
    rimgauge: Run, data_dir: Path, tmp_path: Path, case: str
) -> None:
    name, content, said = BAD[case]
    file, out = tmp_path / name, tmp_path / "out"
    file.write_bytes(content())
    if case == "20 M triangles":
        with file.open("ab") as huge:
            huge.truncate(84 + 50 * 20_000_000)  # sparse: takes no room
    size = file.stat().st_size
    line = _error(rimgauge("base", file, "--out", out))
    assert name in line
    assert any(word in line for word in said.split("|")), line
    assert not out.exists()
    assert not data_dir.exists()
    assert file.stat().st_size == size


def test_errors_have_one_shape_with_json(rimgauge: Run, tmp_path: Path) -> None:
    answer = rimgauge("base", tmp_path / "none.stl", "--json")
    assert answer.status == 2
    assert answer.document["error"]["code"] == "file"


def test_an_underside_that_is_not_flat_is_not_answered_with_its_own_option(
    rimgauge: Run, tmp_path: Path
) -> None:
    file = bases.write_stl(tmp_path / "a.stl", "disc_40_drafted")
    line = _error(rimgauge("base", file, "--underside", "+x"))
    assert "no flat side that looks towards +x" in line
    assert "leave --underside out" in line


def test_a_folder_that_is_a_file_is_refused_before_the_work(
    rimgauge: Run, tmp_path: Path
) -> None:
    (tmp_path / "out").write_text("precious")
    answer = rimgauge("base", tmp_path / "none.stl", "--out", tmp_path / "out" / "x")
    assert "no folder" in _error(answer)


@pytest.mark.parametrize(
    "option",
    ["tilt-deg", "by-rule-mm", "gap-mm", "lift-s", "transition-exposures-s"],
)
@pytest.mark.parametrize("value", ["nan", "-3", "inf", "wide"])
def test_numbers_that_make_no_sense_are_refused_before_the_work(
    rimgauge: Run, tmp_path: Path, option: str, value: str
) -> None:
    answer = rimgauge("base", tmp_path / "none.stl", f"--{option}", value)
    assert answer.status == 2
    assert option in answer.err


def test_a_base_needs_a_printer(rimgauge: Run, tmp_path: Path) -> None:
    file = bases.write_stl(tmp_path / "a.stl", "disc_20_coarse")
    assert "No printer is recorded" in _error(rimgauge("base", file))
