"""The code of a rim tile: what it says, and that damage or a mirror never misleads."""

from __future__ import annotations

from itertools import combinations, product

import pytest

from patterns.rimcode import (
    FOOT_BITS,
    INDICES,
    PLACES,
    RimCode,
    code_number,
    decode,
    decode_feet,
    encode,
    encode_feet,
)

TILTS = range(15, 79)
ALL = list(product(TILTS, (False, True), range(32)))


def test_every_word_reads_back_and_is_alone() -> None:
    words = {encode(*code) for code in ALL}
    assert len(words) == len(ALL) == len({code_number(*code) for code in ALL})
    assert all(decode(encode(*code)) == RimCode(*code) for code in ALL)


def test_a_tilt_is_read_in_whole_degrees() -> None:
    code = decode(encode(46.65, lipped=True, set_code=7))
    assert code == RimCode(tilt_code_deg=47, lipped=True, set_code=7)


def test_no_mirrored_word_is_a_word() -> None:
    assert all(decode(encode(*code)[::-1]) is None for code in ALL)


def test_one_two_or_three_wrong_places_are_seen() -> None:
    # The check is linear: which errors pass does not depend on the word.
    word = encode(45, lipped=True, set_code=7)
    for count in (1, 2, 3):
        for places in combinations(range(PLACES), count):
            wrong = tuple(bit ^ (i in places) for i, bit in enumerate(word))
            assert decode(wrong) is None, places


@pytest.mark.parametrize("count", [0, PLACES - 1, PLACES + 1])
def test_a_word_of_another_length_says_nothing(count: int) -> None:
    assert decode((True,) * count) is None


def test_feet_read_back_and_one_wrong_foot_is_seen() -> None:
    for index in range(INDICES):
        word = encode_feet(index)
        assert any(word)  # a tile with no code feet could be a broken one
        assert decode_feet(word) == index
        for place in range(FOOT_BITS):
            wrong = tuple(bit ^ (i == place) for i, bit in enumerate(word))
            assert decode_feet(wrong) is None
