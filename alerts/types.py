"""Recipes and alerts as values.

A recipe's JSON (contract section 4) is `Recipe.as_json()`. Alert states are those of ISA-18.2 / IEC 62682.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Self

from alerts.station import BatchPlan, PastPlans
from monitor.model.types import Estimate, Forecast, Side


def rfc3339(time_s: float) -> str:
    """Write Unix seconds as RFC 3339 in UTC, to the second: `2031-03-03T21:30:00+00:00`."""
    return datetime.fromtimestamp(round(time_s), UTC).isoformat()


class RecipeKind(StrEnum):
    """What a recipe is about."""

    TOP_UP = "top_up"
    TOP_UP_IN_STEPS = "top_up_in_steps"
    RUN_DOWN_THEN_FILL = "run_down_then_fill"
    TAKE_OUT_AND_REFILL = "take_out_and_refill"
    ENRICH = "enrich"
    USE_SET_ASIDE = "use_set_aside"
    LOOK_FOR_LEAK = "look_for_leak"
    CHECK_FIRST = "check_first"
    LEAVE_ALONE = "leave_alone"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. Only the fields of its `do` are set; `as_json` leaves out the rest.

    take_out: volume_l, until_level_mm. add: volume_l, mix_pct, water, concentrate_l, containers, until_level_mm.
    wait_until: time_s. circulate: minutes. look: what. An add may tell `setting_pct`, what to ask of whoever usually
    mixes so that `mix_pct` comes out, and `container`, `set_aside_l`, `set_aside_pct`: the set-aside fluid in the mix.
    """

    do: str
    volume_l: float | None = None
    mix_pct: float | None = None
    water: str | None = None
    concentrate_l: float | None = None
    containers: str | None = None
    until_level_mm: float | None = None
    minutes: int | None = None
    time_s: float | None = None
    what: str | None = None
    setting_pct: float | None = None
    container: str | None = None
    set_aside_l: float | None = None
    set_aside_pct: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the step as plain JSON values."""
        names = [name for name in self.__slots__ if name not in ("do", "time_s")]
        out: dict[str, Any] = {"do": self.do}
        out.update({name: getattr(self, name) for name in names if getattr(self, name) is not None})
        if self.time_s is not None:
            out["time"] = rfc3339(self.time_s)
        return out


@dataclass(frozen=True, slots=True)
class Landing:
    """Where a recipe lands: litres, percent, its 10 and 90 % points and the chance to be inside the band."""

    volume_l: float
    concentration_pct: float
    p10: float
    p90: float
    in_band_probability: float


@dataclass(frozen=True, slots=True)
class Recipe:
    """A correction that a person can carry out, with where it lands and what it costs."""

    sump: str
    kind: RecipeKind
    made_s: float
    for_s: float
    from_volume_l: float
    from_concentration_pct: float
    steps: tuple[Step, ...]
    lands: Landing
    concentrate_l: float
    water_l: float
    waste_l: float
    set_aside_l: float
    why: str
    cautions: tuple[str, ...]
    instead: Recipe | None = None
    set_aside_used_l: float = 0.0

    def as_json(self) -> dict[str, Any]:
        """Return the recipe as in contract section 4."""
        return {
            "sump": self.sump,
            "kind": self.kind.value,
            "made_at": rfc3339(self.made_s),
            "for_time": rfc3339(self.for_s),
            "from": {"volume_l": self.from_volume_l, "concentration_pct": self.from_concentration_pct},
            "steps": [step.as_json() for step in self.steps],
            "lands": {
                "volume_l": self.lands.volume_l,
                "concentration_pct": self.lands.concentration_pct,
                "p10": self.lands.p10,
                "p90": self.lands.p90,
                "in_band_probability": self.lands.in_band_probability,
            },
            "concentrate_l": self.concentrate_l,
            "water_l": self.water_l,
            "waste_l": self.waste_l,
            "set_aside_l": self.set_aside_l,
            **({"set_aside_used_l": self.set_aside_used_l} if self.set_aside_used_l else {}),
            "why": self.why,
            "instead": None if self.instead is None else self.instead.as_json(),
            "cautions": list(self.cautions),
        }


class AlertKind(StrEnum):
    """Why somebody should act."""

    LEAVES_BAND_UNATTENDED = "leaves_band_unattended"
    OUTSIDE_BAND = "outside_band"
    LOWEST_NEAR = "lowest_near"
    LOSS_JUMP = "loss_jump"
    LANDED_OFF = "landed_off"
    CHECK_OVERDUE = "check_overdue"
    LIMIT_PASSED = "limit_passed"
    SIGNAL_SILENT = "signal_silent"
    SIGNAL_DOUBTFUL = "signal_doubtful"
    SOURCE_DOWN = "source_down"
    OWN_FAULT = "own_fault"


class Priority(StrEnum):
    """How soon somebody must act."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class AlertState(StrEnum):
    """States of ISA-18.2 / IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert over its whole life. `exit_p50_h` is hours from the last update; `text` is one sentence for people.

    `told_s`, `told_exit_s` and `told_as` are when it was last announced, the likely exit it then named and what it then
    asked for; `absent_s` is since when the condition has been away; `returns` counts how often it came back, `came_s`
    is when its condition last came, `flapping_s` since when it is held because it comes and goes. While it is shelved,
    suppressed or out of service `aside_s` and `aside_by` say since when and by whom (empty: by design), and
    `shelved_reason` why. `acted_s` is when a person last did something to it.
    """

    id: str
    sump: str
    kind: AlertKind
    state: AlertState
    priority: Priority
    raised_s: float
    updated_s: float
    text: str
    side: Side = Side.NONE
    subject: str = ""
    exit_p50_h: float | None = None
    cleared_s: float | None = None
    acknowledged_s: float | None = None
    acknowledged_by: str = ""
    shelved_until_s: float | None = None
    shelved_reason: str = ""
    recipe: Recipe | None = None
    told_s: float | None = None
    told_exit_s: float | None = None
    told_as: str = ""
    absent_s: float | None = None
    returns: int = 0
    came_s: float | None = None
    flapping_s: float | None = None
    aside_s: float | None = None
    aside_by: str = ""
    acted_s: float | None = None

    @property
    def key(self) -> tuple[str, AlertKind, str]:
        """What makes it one alert: sump, kind and subject."""
        return self.sump, self.kind, self.subject

    @property
    def exit_p50_s(self) -> float | None:
        """The likely exit as a moment."""
        return None if self.exit_p50_h is None else self.updated_s + 3600.0 * self.exit_p50_h

    @property
    def flapping(self) -> bool:
        """Tell whether it is held because it comes and goes."""
        return self.flapping_s is not None

    @property
    def is_open(self) -> bool:
        """Tell whether the condition behind the alert still stands."""
        return self.cleared_s is None


@dataclass(frozen=True, slots=True)
class Basis:
    """What a change of an alert rested on: the estimate of its sump and the forecast that was in force (None: none)."""

    time_s: float
    volume_l: float
    volume_sd_l: float
    concentration_pct: float
    concentration_sd_pct: float
    forecast_made_s: float | None = None
    exit_p10_h: float | None = None
    exit_p50_h: float | None = None
    exit_p90_h: float | None = None
    exit_side: Side = Side.NONE

    @classmethod
    def of(cls, estimate: Estimate, forecast: Forecast | None) -> Self | None:
        """Return the basis; None where nothing is known of the sump."""
        if not estimate.known:
            return None
        e, f = estimate, forecast
        known = (e.time_s, e.volume_l, e.volume_sd_l, e.concentration_pct, e.concentration_sd_pct)
        if f is None:
            return cls(*known)
        return cls(*known, f.made_s, f.exit_p10_h, f.exit_p50_h, f.exit_p90_h, f.side)

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        estimate = {
            "time": rfc3339(self.time_s),
            "volume_l": round(self.volume_l, 2),
            "volume_sd_l": round(self.volume_sd_l, 2),
            "concentration_pct": round(self.concentration_pct, 3),
            "concentration_sd_pct": round(self.concentration_sd_pct, 3),
        }
        if self.forecast_made_s is None:
            return {"estimate": estimate, "forecast": None}
        exits = {name: round(getattr(self, name) or 0.0, 2) for name in ("exit_p10_h", "exit_p50_h", "exit_p90_h")}
        forecast = {"made_at": rfc3339(self.forecast_made_s), **exits, "exit_side": self.exit_side.value}
        return {"estimate": estimate, "forecast": forecast}


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of an alert's state: from, to, when, why and on which basis; `id` lets receivers drop repeats."""

    id: str
    alert_id: str
    time_s: float
    before: AlertState
    after: AlertState
    reason: str
    alert: Alert
    basis: Basis | None = None


@dataclass(frozen=True, slots=True)
class SumpDemand:
    """What one sump is predicted to need: litres (50 and 90 %) of which mix, by when.

    Any mix from `mix_low_pct` to `mix_high_pct` lands within tolerance too.
    """

    sump: str
    volume_l: float
    volume_p90_l: float
    mix_pct: float
    concentrate_l: float
    water_l: float
    by_s: float
    can_wait: bool
    mix_low_pct: float | None = None
    mix_high_pct: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Return what one sump needs as plain JSON values."""
        return {
            "sump": self.sump,
            "volume_l": self.volume_l,
            "volume_p90_l": self.volume_p90_l,
            "mix_pct": self.mix_pct,
            "mix_low_pct": self.mix_low_pct,
            "mix_high_pct": self.mix_high_pct,
            "concentrate_l": self.concentrate_l,
            "water_l": self.water_l,
            "by": rfc3339(self.by_s),
            "can_wait": self.can_wait,
        }


@dataclass(frozen=True, slots=True)
class LaterDemand:
    """What the window after the coming one is predicted to need, if the coming one is served as it asks."""

    window_from_s: float
    window_to_s: float
    sumps: tuple[SumpDemand, ...]
    volume_l: float
    volume_p90_l: float

    def as_json(self) -> dict[str, Any]:
        """Return the later demand as plain JSON values."""
        return {
            "window": {"from": rfc3339(self.window_from_s), "to": rfc3339(self.window_to_s)},
            "sumps": [need.as_json() for need in self.sumps],
            "totals": {"volume_l": self.volume_l, "volume_p90_l": self.volume_p90_l},
        }


@dataclass(frozen=True, slots=True)
class MixingDemand:
    """Predicted top-up quantities of one fluid for the mixing station. A demand is advice and expires."""

    fluid: str
    sequence: int
    made_s: float
    valid_until_s: float
    window_from_s: float
    window_to_s: float
    sumps: tuple[SumpDemand, ...]
    totals: Mapping[str, float] = field(default_factory=dict)
    plan: BatchPlan | None = None
    later: LaterDemand | None = None
    past: PastPlans | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the demand as plain JSON values."""
        return {
            "fluid": self.fluid,
            "sequence": self.sequence,
            "made_at": rfc3339(self.made_s),
            "valid_until": rfc3339(self.valid_until_s),
            "window": {"from": rfc3339(self.window_from_s), "to": rfc3339(self.window_to_s)},
            "sumps": [need.as_json() for need in self.sumps],
            "totals": dict(self.totals),
            "plan": None if self.plan is None else self.plan.as_json(),
            "later": None if self.later is None else self.later.as_json(),
            "past": None if self.past is None else self.past.as_json(),
            "note": "Advice from a forecast; the station's own interlocks decide.",
        }
