"""Bad input, full disks and interruptions: one clear line, nothing half-written."""

from __future__ import annotations

import os
import signal
import subprocess
from typing import TYPE_CHECKING

import pytest

from calib.store import FILE_NAME
from tests import bases
from tests.cli.conftest import PROGRAM, ROOT
from tests.cli.test_records import PRINTER

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Answer, Run

BOTTLE = ("record", "bottle", "grey", "--resin", "invented grey")
posix_only = pytest.mark.skipif(os.name != "posix", reason="needs a POSIX system")


def _one_line(answer: Answer) -> str:
    """The only line on stderr."""
    assert answer.status == 2
    assert answer.out == ""
    (line,) = answer.err.strip().splitlines()
    return line


def test_damaged_records_are_one_clear_line(rimgauge: Run, data_dir: Path) -> None:
    data_dir.mkdir()
    (data_dir / FILE_NAME).write_bytes(b"no database" * 500)
    for words in (BOTTLE, ("history",), ("export", data_dir / "x.json")):
        assert "damaged" in _one_line(rimgauge(*words))
    assert (data_dir / FILE_NAME).read_bytes() == b"no database" * 500


def test_a_truncated_database_is_one_clear_line(rimgauge: Run, data_dir: Path) -> None:
    rimgauge(*BOTTLE)
    path = data_dir / FILE_NAME
    path.write_bytes(path.read_bytes()[:5000])
    assert "damaged" in _one_line(rimgauge("history"))


def test_errors_have_one_shape_with_json(rimgauge: Run, data_dir: Path) -> None:
    data_dir.mkdir()
    (data_dir / FILE_NAME).write_bytes(b"no database" * 500)
    answer = rimgauge("history", "--json")
    assert answer.status == 2
    assert list(answer.document) == ["ok", "error"]
    assert answer.document["ok"] is False
    assert list(answer.document["error"]) == ["code", "message", "remedy"]


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"{", b"[1]"])
def test_a_file_that_is_no_export_is_one_clear_line(
    rimgauge: Run, tmp_path: Path, content: bytes
) -> None:
    file = tmp_path / "file.json"
    file.write_bytes(content)
    assert "file.json" in _one_line(rimgauge("import", file))


def test_a_folder_or_nothing_instead_of_a_file(rimgauge: Run, tmp_path: Path) -> None:
    for file in (tmp_path, tmp_path / "nothing.json"):
        assert str(file) in _one_line(rimgauge("import", file))


def test_a_data_folder_that_cannot_be_made(rimgauge: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    answer = rimgauge(*BOTTLE, "--data-dir", tmp_path / "file" / "data")
    assert "RIMGAUGE_DATA" in _one_line(answer)


@posix_only
@pytest.mark.skipif(
    os.name == "posix" and os.geteuid() == 0, reason="root may write anywhere"
)
def test_a_data_folder_without_leave_to_write(rimgauge: Run, tmp_path: Path) -> None:
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    assert "permissions" in _one_line(rimgauge(*BOTTLE, "--data-dir", locked))


@posix_only
def test_a_full_disk_while_recording(rimgauge: Run, process: Run) -> None:
    """A limit on the size of files answers as a full disk does."""
    rimgauge(*BOTTLE)
    before = rimgauge("history", "--json").document
    note = "x" * 400_000  # more than fits under the limit
    long = (*BOTTLE[:2], "second", *BOTTLE[3:], "--note", note[:120_000])
    answer = process(*long, preexec_fn=_small_files)
    assert "nothing was recorded" in _one_line(answer)
    assert rimgauge("history", "--json").document == before


@posix_only
def test_a_full_disk_while_writing_a_coupon(
    rimgauge: Run, process: Run, tmp_path: Path
) -> None:
    rimgauge(*BOTTLE)
    before = rimgauge("history", "--json").document
    out = tmp_path / "coupon"
    answer = process("coupon", "flare", "--out", out, preexec_fn=_middling_files)
    assert answer.status == 2
    assert "Traceback" not in answer.err
    assert list(out.iterdir()) == []
    assert rimgauge("history", "--json").document == before


@posix_only
def test_a_full_disk_while_writing_a_base_and_then_twice_room_enough(
    rimgauge: Run, process: Run, tmp_path: Path
) -> None:
    """The mesh goes on the disk, the picture does not; made again, nothing changes."""
    rimgauge(*PRINTER)
    before = rimgauge("history", "--json").document
    base = bases.write_stl(tmp_path / "a.stl", "disc_20_coarse")
    out = tmp_path / "out"
    words = ("base", base, "--way", "lipped", "--without-supports", "--out", out)
    answer = process(*words, preexec_fn=_small_files)
    assert answer.status == 2
    assert "can't be written" in answer.err
    assert list(out.iterdir()) == []
    assert rimgauge("history", "--json").document == before
    for _ in range(2):
        assert rimgauge(*words).status == 0
        assert rimgauge("history").out.count("tilted with the lip") == 1


@posix_only
def test_output_to_a_full_disk(rimgauge: Run, process: Run) -> None:
    rimgauge(*BOTTLE)
    with open("/dev/full", "w") as full:  # noqa: PTH123 a device
        answer = process("history", stdout=full)
    assert "No space left" in _one_line(answer)


@posix_only
def test_a_reader_that_goes_away_is_no_fault(rimgauge: Run) -> None:
    rimgauge(*BOTTLE)
    with subprocess.Popen(
        [*PROGRAM, "history"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as running:
        assert running.stdout is not None
        running.stdout.close()
        assert running.stderr is not None
        assert running.stderr.read() == b""
        assert running.wait(timeout=60) == 0


@posix_only
def test_an_interrupted_command_leaves_nothing(rimgauge: Run, tmp_path: Path) -> None:
    out = tmp_path / "coupon"
    with subprocess.Popen(
        [*PROGRAM, "coupon", "flare", "--out", str(out)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as running:
        assert running.stderr is not None
        assert "building" in running.stderr.readline()
        running.send_signal(signal.SIGINT)
        told = running.stderr.read()
        assert running.wait(timeout=60) == 130
    assert told.strip().splitlines()[-1].endswith("nothing half-written.")
    assert "Traceback" not in told
    assert not out.exists() or list(out.iterdir()) == []
    assert rimgauge("history", "--json").document["records"] == []


def test_our_own_faults_are_owned(
    rimgauge: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by chance")

    monkeypatch.setattr("calib.cli.history.open_store", broken)
    answer = rimgauge("history")
    assert answer.status == 1
    assert "fault in rimgauge, not yours" in answer.err
    answer = rimgauge("history", "--json")
    assert answer.status == 1
    assert answer.document["error"]["code"] == "bug"


def _small_files() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (140_000, 140_000))


def _middling_files() -> None:
    """Room for the records and the 3MF, not for the STL."""
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (1_500_000, 1_500_000))
