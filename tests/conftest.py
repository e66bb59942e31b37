"""What every test may ask for."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """The reference photographs beside the repository; without them CI fails."""
    folder = Path(__file__).parents[2] / "shared"
    if not folder.is_dir():
        if os.environ.get("CI") == "true":
            pytest.fail(f"the reference data is missing: {folder.name}")
        pytest.skip("the reference photographs are not beside the repository")
    return folder
