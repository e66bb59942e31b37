"""Edge codes: none is given twice in one data folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from patterns.edgecode import code_from_hash, usable_codes
from patterns.errors import RecordError
from patterns.rim_spec import default_rim_spec
from patterns.rimcode import SET_CODES
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from patterns.manifest import Manifest
    from patterns.rim_manifest import RimManifest
    from patterns.rim_spec import RimSpec
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
    owner = {manifest.code: manifest.spec_sha256 for manifest in made}
    default = default_flare_spec().sha256()
    owner.setdefault(code_from_hash(default), default)
    digest = spec.sha256()
    if spec.code is not None:
        _refuse_owned(spec.code, digest, owner, "coupon", "--code")
        code = spec.code
    else:
        codes = sorted(usable_codes())
        code = _mine_or_free(digest, owner, codes, code_from_hash(digest))
    return None if code == code_from_hash(digest) else code


def free_set_code(spec: RimSpec, made: Iterable[RimManifest]) -> int:
    """Choose the code for a set of rim tiles, by the rules of :func:`free_code`.

    Parameters
    ----------
    spec : RimSpec
        ``set_code`` None: any; else this one.
    made : iterable of RimManifest
        The sets that this user has made.

    Raises
    ------
    RecordError
        The code that was asked for, or every code, belongs to another set.
    """
    owner = {manifest.set_code: manifest.spec_sha256 for manifest in made}
    default = default_rim_spec()
    owner.setdefault(default.set_number, default.sha256())
    digest = spec.sha256()
    if spec.set_code is not None:
        _refuse_owned(spec.set_code, digest, owner, "set", "--set-code")
        return spec.set_code
    return _mine_or_free(digest, owner, range(SET_CODES), spec.set_number)


def _refuse_owned(
    code: int, digest: str, owner: Mapping[int, str], what: str, option: str
) -> None:
    if owner.get(code, digest) != digest:
        raise RecordError(
            f"Code {code} belongs to another {what} of yours.",
            f"Leave {option} out to take a free one.",
        )


def _mine_or_free(
    digest: str, owner: Mapping[int, str], codes: Sequence[int], wanted: int
) -> int:
    """Code that a spec has already, or the first free one from the wanted one on."""
    mine = [code for code, holder in owner.items() if holder == digest]
    if mine:
        return mine[0]
    first = codes.index(wanted)
    for code in (*codes[first:], *codes[:first]):
        if code not in owner:
            return code
    raise RecordError(
        f"All {len(codes)} codes are given.",
        "Start another data folder with --data-dir or RIMGAUGE_DATA.",
    )
