"""What the documents say is what the program does."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from analysis.refusals import refusal_table

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def test_table_of_refusals_comes_from_the_list() -> None:
    between = README.split("<!-- refusals -->")[1].split("<!-- end of refusals -->")[0]
    assert between.strip() == refusal_table()


def test_every_picture_is_there() -> None:
    pictures = re.findall(r"!\[[^]]*]\(([^)]+)\)", README)
    assert pictures
    for name in pictures:
        assert (ROOT / name).is_file(), name


def test_every_command_in_the_readme_is_one_of_ours() -> None:
    from calib.cli.commands import rimgauge

    blocks = "".join(re.findall(r"```sh\n(.*?)```", README, re.DOTALL))
    for line in re.findall(r"^rimgauge (.+)$", blocks, re.MULTILINE):
        command: click.Command = rimgauge
        words = line.split()
        while words and isinstance(command, click.Group):
            found = command.get_command(click.Context(command), words.pop(0))
            assert found is not None, line
            command = found
        options = {o for p in command.params for o in p.opts} | {"--help"}
        assert {w for w in words if w.startswith("--")} <= options, line


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_modules_named_in_the_documents_exist(text: str) -> None:
    for name in re.findall(r"python -m (tests[\w.]+)", text):
        path = ROOT / Path(*name.split("."))
        assert path.with_suffix(".py").is_file(), name


def test_cautions_stand_in_the_readme() -> None:
    lowered = README.lower()
    for word in ("gloves", "eye protection", "alcohol", "dust mask", "safety data"):
        assert word in lowered
