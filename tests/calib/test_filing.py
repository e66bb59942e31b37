"""Which measurement belongs to which print."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from calib.contact import contact_area_mm2
from calib.filing import print_for
from calib.store import Entry
from patterns.errors import RecordError
from patterns.flare import build_manifest
from patterns.pillars import PEEL_HEIGHT_MM
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from patterns.rim_supports import supports_solid
from patterns.spec import default_flare_spec
from tests.calib.samples import COUPON_ID, a_print

if TYPE_CHECKING:
    from calib.records import Print


def _entry(number: int, coupon_id: str | None = COUPON_ID) -> Entry[Print]:
    return Entry(
        number=number,
        uid=f"print {number}",
        recorded_at_utc="2026-05-31T12:00:00+00:00",
        supersedes=None,
        value=a_print("bottle", "printer", coupon_id=coupon_id),
    )


ONE, TWO, OTHER = _entry(1), _entry(2), _entry(3, "flare-0002-0123abcd")


def test_the_only_print_not_yet_measured_is_taken() -> None:
    prints = (ONE, TWO, OTHER)
    assert print_for(COUPON_ID, prints, {"print 1"}, None) is TWO


def test_the_print_that_the_user_names_is_taken() -> None:
    assert print_for(COUPON_ID, (ONE, TWO), {"print 1"}, 1) is ONE


@pytest.mark.parametrize(
    ("prints", "measured", "named", "said"),
    [
        ((), set(), None, "No print of coupon"),
        ((OTHER,), set(), None, "No print of coupon"),
        ((ONE, TWO), set(), None, "1, 2 wait to be measured"),
        ((ONE, TWO), {"print 1", "print 2"}, None, "1, 2 are measured already"),
        ((ONE, OTHER), set(), 3, "print of flare-0002-0123abcd"),
        ((ONE, _entry(4, None)), set(), 4, "print of no coupon"),
        ((ONE,), set(), 9, "Print 9 is not recorded"),
    ],
)
def test_what_is_not_clear_is_asked_for(
    prints: tuple[Entry[Print], ...],
    measured: set[str],
    named: int | None,
    said: str,
) -> None:
    with pytest.raises(RecordError, match=said):
        print_for(COUPON_ID, prints, measured, named)


def test_the_contact_area_is_that_of_the_plate_layers_mask() -> None:
    manifest = build_manifest(default_flare_spec())
    volume = sum(
        contact_area_mm2(replace(manifest, sections=(section,)))
        * (section.z1_mm - section.z0_mm)
        for section in manifest.sections
    )
    # every section's area times its height adds up to the manifest's own volume
    assert volume == pytest.approx(manifest.volume_mm3, rel=1e-6)


def test_the_contact_area_of_a_set_is_that_of_its_largest_raft() -> None:
    spec = default_rim_spec()
    manifest = rim_manifest(spec)
    above_notches_mm = PEEL_HEIGHT_MM + 0.1
    rafts = [
        supports_solid(spec, tile).slice(above_notches_mm).area()
        for tile in (manifest.tiles[0], manifest.tiles[-1])
    ]
    ends = replace(manifest, tiles=(manifest.tiles[0], manifest.tiles[-1]))
    assert contact_area_mm2(ends) == pytest.approx(max(rafts), rel=1e-4)
