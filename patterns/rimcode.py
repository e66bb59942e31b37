"""A rim tile's identity: notches in its back edge, and feet that are read in profile.

Twenty places along the back edge: the first is always cut and the last never, so a
tile seen mirrored or from its other face starts with the wrong place and is never
misread.  Between them stand twelve bits of identity and six of cyclic redundancy
check, which sees every error of one, two or three bits.
"""

from __future__ import annotations

from dataclasses import dataclass

from patterns.edgecode import CHECK_BITS, PRESET, remainder

DATA_BITS = 12
PLACES = DATA_BITS + CHECK_BITS + 2
TILT_OFFSET_DEG = 15
TILT_CODES = 64
SET_CODES = 32
FOOT_BITS = 6
INDICES = 1 << (FOOT_BITS - 1)


@dataclass(frozen=True, slots=True)
class RimCode:
    """What the back edge says; ``tilt_code_deg`` is the tilt in whole degrees."""

    tilt_code_deg: int
    lipped: bool
    set_code: int


def code_number(tilt_deg: float, lipped: bool, set_code: int) -> int:  # noqa: FBT001
    """Twelve bits of identity as one number: tilt, lip, set."""
    tilt = round(tilt_deg) - TILT_OFFSET_DEG
    return (tilt * 2 + int(lipped)) * SET_CODES + set_code


def encode(
    tilt_deg: float,
    lipped: bool,  # noqa: FBT001
    set_code: int,
) -> tuple[bool, ...]:
    """Word of 20 places, place 0 first; True is a cut place.

    Parameters
    ----------
    tilt_deg : float
        14.5 to 78.5; whole degrees are kept.
    lipped : bool
    set_code : int
        0 to 31.
    """
    word = code_number(tilt_deg, lipped, set_code) << CHECK_BITS
    word |= remainder(word, DATA_BITS + CHECK_BITS) ^ PRESET
    return (True, *_bits(word, DATA_BITS + CHECK_BITS), False)


def decode(bits: tuple[bool, ...]) -> RimCode | None:
    """Read a word, or None when its guards or its check fail."""
    if len(bits) != PLACES or not bits[0] or bits[-1]:
        return None
    data = _number(bits[1 : DATA_BITS + 1])
    tilted, set_code = divmod(data, SET_CODES)
    tilt, lipped = divmod(tilted, 2)
    code = RimCode(tilt + TILT_OFFSET_DEG, bool(lipped), set_code)
    again = encode(code.tilt_code_deg, code.lipped, code.set_code)
    return code if again == tuple(bits) else None


def encode_feet(index: int) -> tuple[bool, ...]:
    """Six places of the code of feet: the index in the set, then odd parity."""
    bits = _bits(index, FOOT_BITS - 1)
    return (*bits, sum(bits) % 2 == 0)


def decode_feet(bits: tuple[bool, ...]) -> int | None:
    """Index in the set, or None when the parity is wrong."""
    index = _number(bits[:-1])
    return index if encode_feet(index) == tuple(bits) else None


def _bits(number: int, count: int) -> tuple[bool, ...]:
    return tuple(bool(number >> (count - 1 - i) & 1) for i in range(count))


def _number(bits: tuple[bool, ...]) -> int:
    number = 0
    for bit in bits:
        number = number << 1 | int(bit)
    return number
