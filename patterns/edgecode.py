"""The coupon's identity as notches in its short ends.

Sixteen places, eight on each short end: ten bits of identity, six of cyclic redundancy
check.  A word is used only if none of its mirror images or its half turn is a word
too, so a coupon seen from the wrong face or the wrong way round is never misread.
"""

from __future__ import annotations

from functools import cache

DATA_BITS = 10
CHECK_BITS = 6
PLACES = DATA_BITS + CHECK_BITS
# x^6 + x^5 + x^3 + x^2 + x + 1 = (x + 1)(x^5 + x^2 + 1); the second factor has order
# 31, longer than a word, so all errors of one, two or three bits are seen.
_GENERATOR = 0b1101111
PRESET = 0b010110


def encode(code: int) -> tuple[bool, ...]:
    """Word of 16 bits for a code of 0 to 1023, most significant bit first."""
    word = (code << CHECK_BITS) | (remainder(code << CHECK_BITS) ^ PRESET)
    return tuple(bool(word >> (PLACES - 1 - i) & 1) for i in range(PLACES))


def decode(bits: tuple[bool, ...]) -> int | None:
    """Code of a word, or None when its check fails or the word is not in use."""
    word = 0
    for bit in bits:
        word = word << 1 | int(bit)
    code = word >> CHECK_BITS
    return code if code in usable_codes() and encode(code) == tuple(bits) else None


@cache
def usable_codes() -> frozenset[int]:
    """Codes whose word stays invalid when mirrored in x, in y, or turned half round."""
    words = {encode(code) for code in range(1 << DATA_BITS)}
    return frozenset(
        code
        for code in range(1 << DATA_BITS)
        if not any(image in words for image in _images(encode(code)))
    )


def code_from_hash(sha256: str) -> int:
    """Pick the usable code that a spec's hash points at."""
    codes = sorted(usable_codes())
    return codes[int(sha256[:12], 16) % len(codes)]


def _images(bits: tuple[bool, ...]) -> tuple[tuple[bool, ...], ...]:
    half = PLACES // 2
    low, high = bits[:half], bits[half:]
    return (low[::-1] + high[::-1], high + low, high[::-1] + low[::-1])


def remainder(word: int, places: int = PLACES) -> int:
    """Remainder of a word of so many places divided by the generator, six bits."""
    for shift in range(places - 1, CHECK_BITS - 1, -1):
        if word >> shift & 1:
            word ^= _GENERATOR << (shift - CHECK_BITS)
    return word
