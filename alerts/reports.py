"""The regular messages: what to do before going home, what happened in the night, all is well. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from alerts.attendance import Attendance, attendance
from alerts.cautions import CAUTIONS
from alerts.hygiene import Hygiene, ranked, summary
from alerts.letters import Content, Links, Part, content, report_event
from alerts.types import Alert, AlertKind, AlertState, Recipe, RecipeKind, Transition
from alerts.wording import SHORT_TEXT, say_action, why_check, worth_of_check
from alerts.words import duration, mix, moment, pour, twentieths, volume
from monitor.model.checks import CheckWorth
from monitor.model.types import Estimate, Forecast
from monitor.plant.types import Plant

SHORTEST_GAP_S = 3600.0
_ROUNDING = 1e-9
MOST_NAMED = 10
CHECK_SO = f"{CAUTIONS['skin']} {CAUTIONS['circulate']} Write the result down at the sump."
WHAT_HELPS = (
    "Many for nothing: a hand check makes the forecast surer; raise the chances in [alerts].",
    "Not called: look at the sump's sensors and at the hours in [[plant.attended]].",
    "On and off: the sensor, its cable or the gateway wants mending; until then take the alert out of service.",
)
_ABOUT_A_SUMP = (
    AlertKind.LEAVES_BAND_UNATTENDED,
    AlertKind.OUTSIDE_BAND,
    AlertKind.LOSS_JUMP,
    AlertKind.LOWEST_NEAR,
    AlertKind.LANDED_OFF,
)
_OPEN = (AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED)
_ASIDE = (AlertState.SHELVED, AlertState.OUT_OF_SERVICE, AlertState.SUPPRESSED_BY_DESIGN)


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of one sump."""

    estimate: Estimate
    forecast: Forecast | None
    recipe: Recipe | None


@dataclass(frozen=True, slots=True)
class Stop:
    """A sump to go to: the chance that it leaves its band before somebody is back, and what to do."""

    sump: str
    area: str
    chance: float
    recipe: Recipe | None


def leads_to_a_gap(there: Attendance) -> bool:
    """Tell whether the present window ends, and nobody is there for a while after it."""
    return there.attended and math.isfinite(there.until_s) and there.back_s - there.until_s >= SHORTEST_GAP_S


def stops(plant: Plant, seen: Mapping[str, Seen], alerts: Iterable[Alert], now_s: float) -> tuple[Stop, ...]:
    """Return the sumps to go to before leaving, in walking order: areas by name, sumps as in the plant file.

    One whose alert is shelved, out of service or suppressed by design is left out, unless another of its alerts calls.
    """
    there, about = attendance(plant.attended, now_s), [one for one in alerts if one.kind in _ABOUT_A_SUMP]
    called = {one.sump for one in about if one.state in _OPEN}
    aside = {one.sump for one in about if one.state in _ASIDE}
    found = []
    for name, sump in plant.sumps.items():
        view = seen.get(name)
        chance = 0.0 if view is None else _chance(view.forecast, there, now_s)
        is_likely = chance >= plant.alerting.calling.hand_over_chance - _ROUNDING and name not in aside
        if is_likely or name in called:
            found.append(Stop(name, sump.area, chance, None if view is None else _worth_doing(view.recipe)))
    return tuple(sorted(found, key=lambda stop: stop.area))


def _chance(forecast: Forecast | None, there: Attendance, now_s: float) -> float:
    if forecast is None:
        return 0.0
    ahead_h = max(now_s - forecast.made_s, 0.0) / 3600.0
    return forecast.share_before(ahead_h + there.hours_to_cover)


def _worth_doing(recipe: Recipe | None) -> Recipe | None:
    return None if recipe is None or recipe.kind is RecipeKind.LEAVE_ALONE else recipe


def cart(recipes: Iterable[Recipe], plant: Plant) -> tuple[str, ...]:
    """Say what to take along: litres of each mix of each fluid, with its water; then each fluid's total and what of it.

    Set-aside fluid is counted with the mix it goes into, and named in the total by what is fresh concentrate.
    """
    mixes: dict[tuple[str, float, str], float] = {}
    totals: dict[str, list[float]] = {}
    for recipe in recipes:
        fluid = plant.sumps[recipe.sump].fluid.id
        for step in recipe.steps:
            if step.do == "add" and step.volume_l and step.mix_pct is not None:
                key = (fluid, step.mix_pct, step.water or "")
                mixes[key] = mixes.get(key, 0.0) + step.volume_l
                total = totals.setdefault(fluid, [0.0, 0.0])
                total[0] += step.volume_l
                total[1] += step.concentrate_l or 0.0
    lines = tuple(
        f"{volume(plant, litres)} of {fluid} at {mix(strength)}" + (f", {water} water" if water else "")
        for (fluid, strength, water), litres in sorted(mixes.items())
    )
    several = [fluid for fluid in sorted(totals) if sum(key[0] == fluid for key in mixes) > 1]
    return lines + tuple(
        f"In all {volume(plant, totals[fluid][0])} of {fluid}, {pour(plant, totals[fluid][1])} concentrate in it"
        for fluid in several
    )


def hand_over(
    plant: Plant, seen: Mapping[str, Seen], alerts: Iterable[Alert], now_s: float, name: str, page: str = ""
) -> Content:
    """Return the one message before the attended window ends: what to do now so that nothing leaves before morning."""
    there = attendance(plant.attended, now_s)
    back = moment(plant, there.back_s, now_s) if math.isfinite(there.back_s) else "further notice"
    found = stops(plant, seen, alerts, now_s)
    recipes = [stop.recipe for stop in found if stop.recipe is not None]
    parts = [
        Part(area or "Without an area", tuple(_stop(stop, plant) for stop in group), names=True)
        for area, group in groupby(found, key=lambda stop: stop.area)
    ]
    if recipes:
        parts.append(Part("Take along", cart(recipes, plant)))
        parts.append(Part("Caution", tuple(dict.fromkeys(text for recipe in recipes for text in recipe.cautions))))
    count = f"{len(found)} {'sump' if len(found) == 1 else 'sumps'}"
    head = f"Now, so that nothing leaves its band before {back}: {count}" if found else f"Nothing to do before {back}"
    if not found:
        parts = [Part("Nothing to do", (f"No sump is likely to leave its band before somebody is back ({back}).",))]
    short = _fitted(head, [f"{stop.sump}: {say_action(stop.recipe, plant)}" for stop in found if stop.recipe])
    event = report_event("hand_over", name, plant, now_s, parts)
    return content(head, parts, plant, Links(page), short=short, event=event)


def _stop(stop: Stop, plant: Plant) -> str:
    act = "see to its alert" if stop.recipe is None else say_action(stop.recipe, plant)
    return f"{stop.sump} ({twentieths(stop.chance)} to leave its band): {act}"


def morning(
    plant: Plant,
    moves: Sequence[Transition],
    alerts: Iterable[Alert],
    checks: Sequence[CheckWorth],
    from_s: float,
    now_s: float,
    name: str,
    page: str = "",
) -> Content:
    """Return what happened while nobody was there (raised, gone again, still open, each with what to do).

    `checks` are the hand checks that may change tonight's calls, the worthiest first; `page` is where they stand.
    """
    raised = {m.alert_id: m for m in moves if m.before is AlertState.NORMAL}
    gone = {m.alert_id: m for m in moves if m.alert.cleared_s is not None}
    standing = [alert for alert in alerts if alert.is_open and alert.state in _OPEN]
    happened = tuple(
        f"{moment(plant, move.time_s, now_s)}: {move.alert.text}"
        + (f" Gone since {moment(plant, gone[one].time_s, now_s)}." if one in gone else "")
        for one, move in raised.items()
    )
    parts = [Part("Since " + moment(plant, from_s, now_s), happened or ("Nothing happened.",))]
    if standing:
        parts.insert(0, Part("To do now", tuple(_still(alert, plant) for alert in standing)))
    lines = [_check(one, plant) for one in checks]
    if lines:
        more = [f"And {len(lines) - MOST_NAMED} more."] if len(lines) > MOST_NAMED else []
        parts.insert(len(parts) - 1, Part("Check by hand today", (*lines[:MOST_NAMED], *more, CHECK_SO)))
    head = f"Good morning: {len(raised)} alerts in the night, {len(standing)} still open"
    named = [f"Check {', '.join(one.sump for one in checks[:MOST_NAMED])}."] if checks else []
    short = _fitted(head, [*(_still(alert, plant) for alert in standing), *named])
    event = report_event("morning", name, plant, now_s, parts)
    return content(head, parts, plant, Links(page if lines else ""), short=short, event=event)


def _check(one: CheckWorth, plant: Plant) -> str:
    area = plant.sumps[one.sump].area if one.sump in plant.sumps else ""
    where = f"{one.sump} ({area})" if area else one.sump
    return f"{where}: {why_check(one)}. With a check, {worth_of_check(one)}."


def _still(alert: Alert, plant: Plant) -> str:
    action = "" if alert.recipe is None else " " + say_action(alert.recipe, plant)
    return f"{alert.text}{action}"


def monthly(plant: Plant, report: Hygiene, now_s: float, name: str) -> Content:
    """Return how good the alerts of the month before were: which sumps call most, for nothing, or not at all."""
    false, missed = report.calls
    worst = [
        f"{sump}: {of.raised} alerts, {of.false} for nothing, {of.missed} not called, {of.flapping} on and off"
        for sump, of in ranked(report)[:MOST_NAMED]
    ]
    month = datetime.fromtimestamp(report.from_s, ZoneInfo(plant.zone))
    head = f"Alerts in {month:%B %Y}: {report.raised}, {false} for nothing, {missed} not called"
    parts = [
        Part("All sumps", tuple(summary(report))),
        Part("Most alerts", tuple(worst)),
        Part("What helps", WHAT_HELPS),
    ]
    event = report_event("monthly", name, plant, now_s, parts)
    return content(head, parts, plant, Links(), short=_fitted(head, worst), event=event)


def all_is_well(plant: Plant, seen: Mapping[str, Seen], alerts: Sequence[Alert], now_s: float, name: str) -> Content:
    """Return the sign of life: who misses it knows that the watch itself is dead."""
    known = sum(view.estimate.known for view in seen.values())
    standing = sum(alert.is_open for alert in alerts)
    every = duration((plant.alerting.reports.well_every_s or 0.0) / 3600.0)
    runs = f"The watch runs: {known} of {len(plant.sumps)} sumps known, {standing} alerts open"
    missing = f"If this message is missing for longer than {every}, look whether bandkeeper and its machine run."
    lines = (f"{runs}, as of {moment(plant, now_s, now_s)}.", missing)
    parts = [Part("All is well", lines)]
    event = report_event("all_is_well", name, plant, now_s, parts)
    return content(f"All is well at {plant.name}", parts, plant, Links(), short=_fitted(lines[0], []), event=event)


def _fitted(head: str, rest: Sequence[str]) -> str:
    """Put as many whole lines behind the head as 160 characters hold, and say how many more there are."""
    text = head
    for position, line in enumerate(rest):
        more = f" (+{len(rest) - position})"
        if len(text) + len(line) + 2 + len(more) > SHORT_TEXT:
            return (text + more)[:SHORT_TEXT]
        text = f"{text}. {line}" if position == 0 else f"{text} {line}"
    return text[:SHORT_TEXT]
