"""The packages import in one direction, without cycles, and start light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "patterns": {"patterns"},
    "analysis": {"analysis", "patterns"},
    "calib": {"calib", "analysis", "patterns"},
}
HEAVY = ("cv2", "scipy", "matplotlib", "trimesh", "fpdf", "sqlite_utils", "skimage")


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(path: Path, *, top_level_only: bool = False) -> set[str]:
    """Names of our own modules that a module imports."""
    tree = ast.parse(path.read_text("utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    nodes = tree.body if top_level_only else list(ast.walk(tree))
    found: set[str] = set()
    for node in nodes:
        if top_level_only and id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize("package", sorted(MAY_IMPORT))
def test_packages_import_in_one_direction(package: str) -> None:
    for path in modules(package):
        ours = {name.split(".")[0] for name in imported(path)} & set(MAY_IMPORT)
        assert ours <= MAY_IMPORT[package], path


def test_analysis_takes_only_manifests_from_patterns() -> None:
    allowed = (
        "patterns.manifest",
        "patterns.rim_manifest",
        "patterns.errors",
        "patterns.edgecode",
        "patterns.rimcode",
    )
    for path in modules("analysis"):
        for name in imported(path):
            if name.split(".")[0] == "patterns" and name != "patterns":
                assert name.startswith(allowed), f"{path}: {name}"


def test_virtual_printer_knows_neither_the_model_nor_the_reader() -> None:
    for path in modules("calib/virtual"):
        for name in imported(path):
            assert not name.startswith("analysis"), f"{path}: {name}"
            assert not name.startswith("calib.") or name.startswith("calib.virtual"), (
                f"{path}: {name}"
            )


def test_no_import_cycles() -> None:
    paths = [p for package in MAY_IMPORT for p in modules(package)]
    known = {name_of(p) for p in paths}
    graph = {
        name_of(p): (imported(p, top_level_only=True) & known) - {name_of(p)}
        for p in paths
    }
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for other in graph[name]:
                visit(other, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def test_help_loads_no_heavy_library() -> None:
    script = (
        "import sys\n"
        "from calib.cli import main\n"
        "sys.argv = ['rimgauge', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr.strip().splitlines()[-1] == "[]"


def test_top_level_holds_only_what_was_agreed() -> None:
    listed = subprocess.run(
        ["git", "ls-files"],  # noqa: S607 wherever git is
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}
    agreed |= {"calib", "patterns", "tests", "analysis"}
    assert {name for name in top if not name.startswith(".")} <= agreed


def test_modules_stay_short() -> None:
    """Past some 400 lines a module is split."""
    for package in MAY_IMPORT:
        for path in modules(package):
            assert len(path.read_text("utf-8").splitlines()) <= 420, path
