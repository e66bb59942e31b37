"""The coupons that the program knows without being told."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.store import Store
    from patterns.manifest import Manifest


def made_manifests(store: Store) -> tuple[Manifest, ...]:
    """Read the manifests of the coupons that this user has made, newest first."""
    from calib.records import MadeCoupon
    from patterns.manifest import manifest_from_json

    return tuple(
        manifest_from_json(entry.value.manifest_json, entry.value.coupon_id)
        for entry in reversed(store.current(MadeCoupon))
    )


def known_manifests(store: Store) -> tuple[Manifest, ...]:
    """Read the user's own coupons, then the default one, which needs no record."""
    from patterns.flare import build_manifest
    from patterns.spec import default_flare_spec

    made = made_manifests(store)
    default = build_manifest(default_flare_spec())
    if default.coupon_id in {manifest.coupon_id for manifest in made}:
        return made
    return (*made, default)
