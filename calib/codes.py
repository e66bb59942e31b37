"""Edge codes: none is given twice in one data folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from patterns.edgecode import code_from_hash, usable_codes
from patterns.errors import RecordError
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from collections.abc import Iterable

    from patterns.manifest import Manifest
    from patterns.spec import FlareSpec


def free_code(spec: FlareSpec, made: Iterable[Manifest]) -> int | None:
    """Choose the code for a coupon.

    The same spec keeps the code that it has.  Otherwise the code that the spec's hash
    points at is taken, or the next one that is free; the default coupon's is kept for
    the default coupon, which is known without a record.

    Parameters
    ----------
    spec : FlareSpec
        ``code`` None: any; else this one.
    made : iterable of Manifest
        The coupons that this user has made.

    Returns
    -------
    int or None
        None: leave the spec as it is, its hash points at a free code.

    Raises
    ------
    RecordError
        The code that was asked for, or every code, belongs to another coupon.
    """
    digest = spec.sha256()
    owner = {manifest.code: manifest.spec_sha256 for manifest in made}
    default = default_flare_spec().sha256()
    owner.setdefault(code_from_hash(default), default)
    if spec.code is not None:
        if owner.get(spec.code, digest) != digest:
            raise RecordError(
                f"Code {spec.code} belongs to another coupon of yours.",
                "Leave --code out to take a free one.",
            )
        return None if spec.code == code_from_hash(digest) else spec.code
    mine = [code for code, holder in owner.items() if holder == digest]
    if mine:
        return None if mine[0] == code_from_hash(digest) else mine[0]
    return _next_free(spec, owner.keys())


def _next_free(spec: FlareSpec, taken: Iterable[int]) -> int | None:
    wanted = code_from_hash(spec.sha256())
    codes = sorted(usable_codes())
    first = codes.index(wanted)
    held = set(taken)
    for code in codes[first:] + codes[:first]:
        if code not in held:
            return None if code == wanted else code
    raise RecordError(
        f"All {len(codes)} codes are given.",
        "Start another data folder with --data-dir or RIMGAUGE_DATA.",
    )
