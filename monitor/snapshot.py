"""The immutable picture of the plant that the pipeline hands to everything that only reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from alerts.outlook import Outlook
from alerts.setaside import Container
from alerts.types import Alert, MixingDemand, Recipe, Transition
from alerts.watching import LandingRecord, MixBias
from monitor.model.types import Estimate, Event, Forecast


@dataclass(frozen=True, slots=True)
class SumpView:
    """Everything known of one sump at one moment."""

    sump: str
    estimate: Estimate
    forecast: Forecast | None
    recipe: Recipe | None
    landings: tuple[LandingRecord, ...] = ()
    minerals: tuple[Outlook, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The whole plant at `now_s`. `next_attended_s` is when somebody is next there (now, if now is attended)."""

    now_s: float
    sumps: Mapping[str, SumpView] = field(default_factory=dict)
    alerts: tuple[Alert, ...] = ()
    mixing: Mapping[str, MixingDemand] = field(default_factory=dict)
    recent_events: tuple[Event, ...] = ()
    set_aside: tuple[Container, ...] = ()
    mixers: Mapping[str, MixBias] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Changes:
    """What one step of the pipeline changed: for the record and for the outgoing messages."""

    snapshot: Snapshot
    events: tuple[Event, ...] = ()
    transitions: tuple[Transition, ...] = ()
    forecasts: tuple[Forecast, ...] = ()
    landings: tuple[LandingRecord, ...] = ()
