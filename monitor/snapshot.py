"""The immutable picture of the plant that the pipeline hands to everything that only reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from alerts.outlook import Outlook
from alerts.setaside import Container
from alerts.types import Alert, MixingDemand, Recipe, Transition
from alerts.watching import LandingRecord, MixBias
from monitor.model.checks import CheckMove, CheckWorth
from monitor.model.losses import LossDay
from monitor.model.types import Estimate, Event, Forecast


@dataclass(frozen=True, slots=True)
class SumpView:
    """Everything known of one sump at one moment.

    `days` are its losses by local day, today's still open; `coverage` the share of its own past 80 % intervals that
    held the truth (None before any could be scored); `checks` what the last hand checks did to its refractometer.
    """

    sump: str
    estimate: Estimate
    forecast: Forecast | None
    recipe: Recipe | None
    landings: tuple[LandingRecord, ...] = ()
    minerals: tuple[Outlook, ...] = ()
    days: tuple[LossDay, ...] = ()
    coverage: float | None = None
    checks: tuple[CheckMove, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The whole plant at `now_s`. `checks` are the hand checks that would change tonight's calls, worthiest first."""

    now_s: float
    sumps: Mapping[str, SumpView] = field(default_factory=dict)
    alerts: tuple[Alert, ...] = ()
    mixing: Mapping[str, MixingDemand] = field(default_factory=dict)
    recent_events: tuple[Event, ...] = ()
    set_aside: tuple[Container, ...] = ()
    mixers: Mapping[str, MixBias] = field(default_factory=dict)
    checks: tuple[CheckWorth, ...] = ()


@dataclass(frozen=True, slots=True)
class Changes:
    """What one step of the pipeline changed: for the record and for the outgoing messages."""

    snapshot: Snapshot
    events: tuple[Event, ...] = ()
    transitions: tuple[Transition, ...] = ()
    forecasts: tuple[Forecast, ...] = ()
    landings: tuple[LandingRecord, ...] = ()
