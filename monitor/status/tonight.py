"""The opening page as values: which sumps need somebody, which come next, which need nobody."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from markupsafe import Markup

from alerts.attendance import Attendance, attendance
from alerts.types import Alert, AlertKind, AlertState, Priority
from monitor.plant.show import show_volume
from monitor.plant.types import Plant, Sump
from monitor.snapshot import Snapshot, SumpView
from monitor.status.axis import Axis, hours_ahead
from monitor.status.recipes import RecipeText, recipe_text
from monitor.status.strips import glass, ruler, strip
from monitor.status.words import at, chances, count, early_late, full, likely, signal_name

RANK: Final = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}
QUIET_STATES: Final = frozenset({AlertState.SHELVED, AlertState.SUPPRESSED_BY_DESIGN, AlertState.OUT_OF_SERVICE})
BAND_KINDS: Final = frozenset({AlertKind.LEAVES_BAND_UNATTENDED, AlertKind.OUTSIDE_BAND})
MOST_NEXT: Final = 8
ASIDE: Final = {
    AlertState.SHELVED: ("Put aside for a time", "unshelve"),
    AlertState.SUPPRESSED_BY_DESIGN: ("Quiet by design", ""),
    AlertState.OUT_OF_SERVICE: ("Out of service", "return-to-service"),
}
NOT_DRAWN: Final = Markup("")
NOBODY: Final = frozenset({"", "page", "api"})
TROUBLES: Final = {
    AlertKind.LOSS_JUMP: "Loses more than before",
    AlertKind.LOWEST_NEAR: "Lowest level near",
    AlertKind.LANDED_OFF: "Landed off its recipe",
    AlertKind.CHECK_OVERDUE: "Check by hand overdue",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One sump on the opening page; its drawings are made only where they are shown."""

    sump: str
    area: str
    alerts: tuple[Alert, ...]
    priority: Priority | None
    exit_h: float
    headline: str
    likely: str
    spread: str
    chances: str
    volume: str
    strength: str
    recipe: RecipeText | None
    strip: Markup = NOT_DRAWN
    glass: Markup = NOT_DRAWN

    @property
    def acknowledged(self) -> bool:
        """Whether somebody deals with every alert of the row."""
        return all(alert.state is AlertState.ACKNOWLEDGED for alert in self.alerts)


@dataclass(frozen=True, slots=True)
class AsideLine:
    """An alert that is put aside: its sentence behind the sump's name, since and until when and by whom, and why.

    `sump` is empty for an alert about the watch itself.
    """

    alert: Alert
    sump: str
    text: str
    when: str
    why: str


@dataclass(frozen=True, slots=True)
class AsideGroup:
    """What is put aside in one way; `deed` is the address' last part that brings it back (empty: it comes itself)."""

    heading: str
    lines: tuple[AsideLine, ...]
    deed: str


@dataclass(frozen=True, slots=True)
class Tonight:
    """The opening page: its sentence, the ruler, and the three groups of sumps."""

    now: str
    verdict: str
    beside: str
    ruler: Markup
    needs: tuple[Row, ...]
    following: tuple[Row, ...]
    quiet: tuple[Row, ...]
    watch: tuple[Alert, ...] = ()


def tonight(plant: Plant, snapshot: Snapshot) -> Tonight:
    """Return the opening page for a snapshot."""
    axis = hours_ahead(plant.attended, snapshot.now_s, plant.zone)
    there = attendance(plant.attended, snapshot.now_s)
    until_s = back_or_axis_end(there, axis)
    stand = standing_by_sump(snapshot)
    views = {view.sump: view for view in snapshot.sumps.values() if view.sump in plant.sumps}
    rows = [row(plant, snapshot.now_s, view, until_s, stand.get(view.sump, ())) for view in views.values()]
    needs = sorted((r for r in rows if r.alerts), key=_urgency)
    rest = sorted((r for r in rows if not r.alerts), key=_urgency)
    aside = {alert.sump for alert in put_aside(snapshot)}
    soon = [r for r in rest if r.exit_h < axis.hours and r.sump not in aside][:MOST_NEXT]
    verdict, beside = say_verdict(needs, there, plant.zone)
    shown = {r.sump for r in soon}

    def draw(one: Row) -> Row:
        return drawn(one, views[one.sump], plant.sumps[one.sump], axis, until_s)

    return Tonight(
        now=full(snapshot.now_s, plant.zone),
        verdict=verdict,
        beside=beside,
        ruler=ruler(axis),
        needs=tuple(map(draw, needs)),
        following=tuple(map(draw, soon)),
        quiet=tuple(r for r in rest if r.sump not in shown),
        watch=stand.get("", ()),
    )


def row(plant: Plant, now_s: float, view: SumpView, until_s: float, alerts: tuple[Alert, ...]) -> Row:
    """Return the row of one sump in words; chances are told up to `until_s`."""
    sump, forecast = plant.sumps[view.sump], view.forecast
    said = "No forecast yet" if forecast is None else likely(forecast, now_s, plant.zone)
    spread = "" if forecast is None else early_late(forecast, now_s, plant.zone)
    chance = "" if forecast is None else chances(forecast, until_s, now_s, plant.zone)
    return Row(
        sump=view.sump,
        area=sump.area,
        alerts=alerts,
        priority=alerts[0].priority if alerts else None,
        exit_h=math.inf if forecast is None else forecast.exit_p50_h,
        headline=say_trouble(alerts) or said,
        likely=said if say_trouble(alerts) else "",
        spread=spread,
        chances=chance,
        volume=say_volume(view, sump, plant),
        strength=say_strength(view, sump),
        recipe=recipe_of(view, alerts, plant),
    )


def drawn(one: Row, view: SumpView, sump: Sump, axis: Axis, until_s: float) -> Row:
    """Return a row with its drawings."""
    words = ". ".join(part for part in (one.likely or one.headline, one.spread, one.chances) if part)
    return replace(
        one,
        strip=strip(view.sump, view.forecast, axis, until_s, words),
        glass=glass(view.estimate.volume_l if view.estimate.known else None, sump.full_l, sump.lowest_l),
    )


def standing_by_sump(snapshot: Snapshot) -> dict[str, tuple[Alert, ...]]:
    """Return the alerts that need somebody by sump (empty: the watch itself), most urgent first."""
    found: dict[str, list[Alert]] = {}
    for alert in sorted(snapshot.alerts, key=lambda a: (RANK[a.priority], a.raised_s, a.id)):
        if alert.is_open and alert.state not in QUIET_STATES:
            found.setdefault(alert.sump, []).append(alert)
    return {sump: tuple(alerts) for sump, alerts in found.items()}


def put_aside(snapshot: Snapshot) -> tuple[Alert, ...]:
    """Return the alerts that stand but are shelved, suppressed or out of service."""
    return tuple(alert for alert in snapshot.alerts if alert.is_open and alert.state in QUIET_STATES)


def aside_groups(plant: Plant, snapshot: Snapshot) -> tuple[AsideGroup, ...]:
    """Return what is put aside, by state, each line with its reason; states without any are left out."""
    found = put_aside(snapshot)
    groups = (
        AsideGroup(heading, tuple(_aside_line(one, plant, snapshot.now_s) for one in found if one.state is state), deed)
        for state, (heading, deed) in ASIDE.items()
    )
    return tuple(group for group in groups if group.lines)


def _aside_line(alert: Alert, plant: Plant, now_s: float) -> AsideLine:
    since = "" if alert.aside_s is None else f"since {at(alert.aside_s, now_s, plant.zone)}"
    until = "" if alert.shelved_until_s is None else f"until {at(alert.shelved_until_s, now_s, plant.zone)}"
    by = f"by {alert.aside_by}" if alert.aside_by not in NOBODY else ""
    when = " ".join(part for part in (since, until, by) if part)
    sump = alert.sump if alert.sump in plant.sumps else ""
    text = alert.text.removeprefix(sump) if sump and alert.text.startswith(sump) else f": {alert.text}"
    return AsideLine(alert, sump, text, when, alert.shelved_reason)


def recipe_of(view: SumpView, alerts: tuple[Alert, ...], plant: Plant) -> RecipeText | None:
    """Return what to do: the recipe of the sump as it is now, or the one the alert was raised with."""
    recipe = view.recipe or next((alert.recipe for alert in alerts if alert.recipe), None)
    return None if recipe is None else recipe_text(recipe, plant)


def say_trouble(alerts: tuple[Alert, ...]) -> str:
    """Say what the most urgent alert is about where that is not the forecast: `Refractometer silent`."""
    if not alerts or alerts[0].kind in BAND_KINDS:
        return ""
    first = alerts[0]
    words = {
        **TROUBLES,
        AlertKind.SIGNAL_SILENT: f"{signal_name(first.subject)} silent",
        AlertKind.SIGNAL_DOUBTFUL: f"{signal_name(first.subject)} doubtful",
        AlertKind.LIMIT_PASSED: f"{signal_name(first.subject)} beyond the limit",
    }
    return words.get(first.kind, first.kind.value.replace("_", " ").capitalize())


def back_or_axis_end(there: Attendance, axis: Axis) -> float:
    """Return when somebody is next there after the present window, or the axis' end if that never ends."""
    return there.back_s if math.isfinite(there.back_s) else axis.to_s


def say_volume(view: SumpView, sump: Sump, plant: Plant) -> str:
    """Say the volume and what a full sump holds."""
    held = show_volume(sump.full_l, plant.units)
    return f"{show_volume(view.estimate.volume_l, plant.units)} of {held}" if view.estimate.known else f"? of {held}"


def say_strength(view: SumpView, sump: Sump) -> str:
    """Say the strength and the band it should keep."""
    low, high = sump.fluid.band_pct
    now = f"{view.estimate.concentration_pct:.1f} %" if view.estimate.known else "?"
    return f"{now} (keep {low:g} to {high:g})"


def say_verdict(needs: list[Row], there: Attendance, zone: str) -> tuple[str, str]:
    """Say in one sentence what the page means, and beside it who is there until when."""
    back = at(there.back_s, there.now_s, zone)
    if not there.attended:
        beside = f"Nobody is there until {back}." if math.isfinite(there.back_s) else "No attended hours are set."
    elif math.isfinite(there.back_s):
        beside = f"Somebody is there until {at(there.until_s, there.now_s, zone)}, then not before {back}."
    else:
        beside = "Somebody is always there."
    if not needs:
        return "No sump needs anybody", beside
    open_rows = [r for r in needs if not r.acknowledged]
    if not open_rows:
        return f"{count(len(needs), 'sump is', 'sumps are')} being dealt with", beside
    return f"{count(len(open_rows), 'sump needs', 'sumps need')} somebody", beside


def _urgency(row: Row) -> tuple[int, int, float, str]:
    rank = RANK[row.priority] if row.priority else len(RANK)
    return rank, int(row.acknowledged and bool(row.alerts)), row.exit_h, row.sump
