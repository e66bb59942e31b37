"""The command line as a user has it: words in; status, stdout and stderr out."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from calib.cli import ExitCode, main

ROOT = Path(__file__).parents[2]
PROGRAM = (sys.executable, "-m", "calib.cli")


@dataclass(frozen=True)
class Answer:
    """What one command gave."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:  # noqa: ANN401 JSON
        """The JSON document on stdout; fails if there is anything else."""
        return json.loads(self.out, parse_constant=_no_json)


def _no_json(word: str) -> None:
    pytest.fail(f"{word} is no JSON")


Run = Callable[..., Answer]


@pytest.fixture
def data_dir(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A data folder of the test's own; nothing touches the user's."""
    folder = tmp_path / "data"
    monkeypatch.setenv("RIMGAUGE_DATA", str(folder))
    return folder


@pytest.fixture
def rimgauge(data_dir: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run one command in this process."""
    del data_dir

    def run(*words: object) -> Answer:
        capsys.readouterr()
        status = main([str(word) for word in words])
        told = capsys.readouterr()
        assert isinstance(status, ExitCode)
        return Answer(int(status), told.out, told.err)

    return run


@pytest.fixture
def process(data_dir: Path) -> Run:
    """Run one command as a real process."""
    del data_dir

    def run(*words: object, **options: Any) -> Answer:  # noqa: ANN401 subprocess's
        done = subprocess.run(
            [*PROGRAM, *map(str, words)],
            cwd=options.pop("cwd", ROOT),
            stdin=subprocess.DEVNULL,
            stdout=options.pop("stdout", subprocess.PIPE),
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            check=False,
            **options,
        )
        return Answer(done.returncode, done.stdout or "", done.stderr)

    return run
