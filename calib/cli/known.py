"""The coupons and sets of rim tiles that the program knows without being told."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from calib.cli.output import now, read_text
from patterns.rim_manifest import RimManifest, rim_manifest_from_json

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from calib.store import Store
    from patterns.manifest import Manifest


def manifest_of(text: str, source: str) -> Manifest | RimManifest:
    """Read a manifest of either kind.

    Raises
    ------
    ManifestError
        Damaged, or of another version.
    """
    from patterns.manifest import manifest_from_json

    if _kind(text) == "rim":
        return rim_manifest_from_json(text, source)
    return manifest_from_json(text, source)


def manifests_for(
    store: Store, files: Sequence[Path]
) -> tuple[Manifest | RimManifest, ...]:
    """Read the manifests that the user names, or else all that are known."""
    if files:
        return tuple(manifest_of(read_text(file), str(file)) for file in files)
    return (*known_manifests(store), *known_rims(store))


def identity(manifest: Manifest | RimManifest) -> str:
    """Give the id of a coupon or of a set, as its sheet shows it."""
    if isinstance(manifest, RimManifest):
        return manifest.set_id
    return manifest.coupon_id


def remember(
    store: Store,
    manifest: Manifest | RimManifest,
    made: Sequence[Manifest | RimManifest],
) -> None:
    """Keep a coupon's or a set's manifest, if it isn't among those that were made."""
    from calib.records import MadeCoupon

    if identity(manifest) in {identity(known) for known in made}:
        return
    code = manifest.set_code if isinstance(manifest, RimManifest) else manifest.code
    coupon = MadeCoupon(
        coupon_id=identity(manifest), code=code, manifest_json=manifest.to_json()
    )
    store.add(coupon, at=now())


def made_manifests(store: Store) -> tuple[Manifest, ...]:
    """Read the manifests of the flare coupons that this user has made, newest first."""
    return tuple(m for m in _made(store) if not isinstance(m, RimManifest))


def made_rims(store: Store) -> tuple[RimManifest, ...]:
    """Read the manifests of the sets of tiles this user has made, newest first."""
    return tuple(m for m in _made(store) if isinstance(m, RimManifest))


def known_manifests(store: Store) -> tuple[Manifest, ...]:
    """Read the user's own coupons, then the default one, which needs no record."""
    from patterns.flare import build_manifest
    from patterns.spec import default_flare_spec

    made = made_manifests(store)
    default = build_manifest(default_flare_spec())
    if default.coupon_id in {manifest.coupon_id for manifest in made}:
        return made
    return (*made, default)


def known_rims(store: Store) -> tuple[RimManifest, ...]:
    """Read the user's own sets, then the default one, which needs no record."""
    from patterns.rim_set import rim_manifest
    from patterns.rim_spec import default_rim_spec

    made = made_rims(store)
    default = rim_manifest(default_rim_spec())
    if default.set_id in {manifest.set_id for manifest in made}:
        return made
    return (*made, default)


def _made(store: Store) -> tuple[Manifest | RimManifest, ...]:
    from calib.records import MadeCoupon

    return tuple(
        manifest_of(entry.value.manifest_json, entry.value.coupon_id)
        for entry in reversed(store.current(MadeCoupon))
    )


def _kind(text: str) -> object:
    """Tell which reader a manifest is for; what is no manifest is for any."""
    try:
        head = json.loads(text)
    except json.JSONDecodeError:
        return None
    return head.get("kind") if isinstance(head, dict) else None
