"""A suggestion whole, flat and tilted, and how it is kept in the records."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from calib.advice import Suggestion, suggest
from calib.posterior import Fit, fit
from calib.profile import Profile
from calib.records import Bottle, Printer, StoredFit, StoredSuggestion
from calib.rim_profile import RimAdvice, RimProfile, advise_tilt, departure_of_step
from calib.store import Entry

if TYPE_CHECKING:
    from datetime import datetime

    from calib.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatAdvice:
    """What the flare coupons advise."""

    profile: Profile
    fit: Fit
    suggestion: Suggestion

    @property
    def fit_summary(self) -> dict[str, Any]:
        """The cure model's fit as plain values, for the history."""
        return {
            "prints": self.fit.prints,
            "families": [
                {
                    "halo": share.family.halo,
                    "squeezed": share.family.squeezed,
                    "weight": float(share.weight),
                }
                for share in self.fit.families
            ],
            "misfit": float(self.fit.misfit),
            "degrees_of_freedom": float(self.fit.degrees_of_freedom),
            "fit_probability": float(self.fit.fit_probability),
            "model_u_mm": float(self.fit.model_u_mm),
            "squeeze_probability": float(self.fit.squeeze_weight),
            "unreached": list(self.fit.unreached),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltedAdvice:
    """What the rim tiles advise."""

    profile: RimProfile
    advice: RimAdvice

    @property
    def fit_summary(self) -> dict[str, Any]:
        """The fit against tilt as plain values, for the history."""
        of_tilt = self.advice.fit
        return {
            "tiles": len(of_tilt.readings),
            "probability": dict(of_tilt.probability),
            "scatter_mm": of_tilt.scatter_mm,
            "cusp_share": of_tilt.cusp_share,
            "u_cusp_share": of_tilt.u_cusp_share,
            "batches": [asdict(batch) for batch in of_tilt.batches],
        }

    @property
    def summary(self) -> dict[str, Any]:
        """The suggestion as plain values."""
        return {
            "prints": list(self.profile.print_numbers),
            "tiles": len(self.profile.tiles),
            **asdict(self.advice.suggestion),
            "quantities": {
                name: asdict(value) for name, value in self.advice.quantities.items()
            },
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Advised:
    """Both halves of a suggestion; at least one is there."""

    bottle: Entry[Bottle]
    printer: Entry[Printer]
    flat: FlatAdvice | None
    tilted: TiltedAdvice | None

    @property
    def summary(self) -> dict[str, Any]:
        """Both as plain values; the flat half's keys are null without it."""
        flat: dict[str, Any] = (
            {f.name: None for f in fields(Suggestion)}
            if self.flat is None
            else asdict(self.flat.suggestion)
        )
        return {**flat, "rim": self.tilted and self.tilted.summary}

    @property
    def fit_summary(self) -> dict[str, Any]:
        """Both fits as plain values."""
        flat = {} if self.flat is None else self.flat.fit_summary
        return {**flat, "rim": self.tilted and self.tilted.fit_summary}

    @property
    def measurement_uids(self) -> tuple[str, ...]:
        """Every measurement that counted."""
        flat = () if self.flat is None else self.flat.profile.measurement_uids
        tilted = () if self.tilted is None else self.tilted.profile.measurement_uids
        return flat + tilted


def advise_flat(profile: Profile, tolerance_mm: float) -> FlatAdvice:
    """Fit the cure model to a bottle's flare coupons and suggest.

    Raises
    ------
    RecordError
        The tolerance or the records make no sense.
    """
    fitted = fit(profile.observations)
    suggestion = suggest(
        fitted, profile.present, profile.pixel_mm, profile.outcomes, tolerance_mm
    )
    return FlatAdvice(profile=profile, fit=fitted, suggestion=suggestion)


def advise_tilted(profile: RimProfile, flat: FlatAdvice | None) -> TiltedAdvice:
    """Fit a bottle's tiles and suggest, printing flat compared where it is known.

    Raises
    ------
    RecordError
        Too few tilts were measured.
    """
    step = None if flat is None else departure_of_step(flat.suggestion.suggested.worst)
    return TiltedAdvice(profile=profile, advice=advise_tilt(profile, step))


def keep(store: Store, advised: Advised, tolerance_mm: float, at: datetime) -> int:
    """Keep fit and suggestion in the history, both or neither; give its number."""
    with store.transaction():
        fitted = store.add(
            StoredFit(
                bottle_uid=advised.bottle.uid,
                measurement_uids=advised.measurement_uids,
                summary=advised.fit_summary,
            ),
            at=at,
        )
        return store.add(
            StoredSuggestion(
                bottle_uid=advised.bottle.uid,
                fit_uid=fitted.uid,
                tolerance_mm=tolerance_mm,
                summary=advised.summary,
            ),
            at=at,
        ).number
