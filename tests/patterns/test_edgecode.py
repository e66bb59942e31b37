"""The edge code: errors are seen, and no mirror image is a word."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from patterns.edgecode import PLACES, code_from_hash, decode, encode, usable_codes

codes = st.sampled_from(sorted(usable_codes()))


@given(codes)
def test_round_trip(code: int) -> None:
    assert decode(encode(code)) == code


@given(codes, st.sets(st.integers(0, PLACES - 1), min_size=1, max_size=3))
def test_one_two_or_three_wrong_notches_are_seen(code: int, wrong: set[int]) -> None:
    bits = tuple(b ^ (i in wrong) for i, b in enumerate(encode(code)))
    assert decode(bits) is None


def test_no_word_reads_mirrored_or_turned_as_another() -> None:
    half = PLACES // 2
    for code in usable_codes():
        low, high = encode(code)[:half], encode(code)[half:]
        for image in (low[::-1] + high[::-1], high + low, high[::-1] + low[::-1]):
            assert decode(image) is None


def test_words_differ_in_at_least_four_places() -> None:
    words = [encode(code) for code in sorted(usable_codes())[:200]]
    nearest = min(
        sum(x != y for x, y in zip(a, b, strict=True))
        for a, b in itertools.combinations(words, 2)
    )
    assert nearest >= 4


def test_hundreds_of_codes_are_left() -> None:
    assert len(usable_codes()) > 800
    assert code_from_hash("ab" * 32) in usable_codes()
