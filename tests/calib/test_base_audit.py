"""A few of the audited bases: plans as solved, meshes as an outside program reads them.

All of them: ``python -m tests.calib.base_audit``.
"""

from __future__ import annotations

import pytest

from tests.calib.base_audit import audit, invented_model, ready
from tests.patterns.base_stacks import OUTLINE_UM, TOP_UM

# corners that end in needles, slits, drafted and hollow walls, a mesh drawn by others
SAMPLE = (
    ("disc_25", False),
    ("square_25", True),
    ("hexagon_32_drafted", True),
    ("slot_1_rectangle_50x25", False),
    ("hollow_disc_32", True),
    ("adapter", False),
)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "squeezed"), SAMPLE)
def test_written_bases_are_sound_and_as_planned(name: str, *, squeezed: bool) -> None:
    found = audit(ready(name), invented_model(squeezed=squeezed))
    assert found.closed
    assert found.bodies == 1
    assert found.outline_um <= OUTLINE_UM
    assert found.top_um <= TOP_UM
    assert found.realisable >= 0.9
