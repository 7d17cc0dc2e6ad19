"""What asks for somebody beside the forecast, and which sumps are out of use by design.

*Lowest level near.* In the middle of a shift, when `conditions` leaves a sump to the people who are there: enters when
it likely falls below its lowest level within two hours, stands until that is four hours off. High in the last half
hour.

*Check overdue.* Enters when somebody is there and the last check by hand is older than the fluid's `check_every`; a
sump that was never checked by hand is not expected to be. Stands until the next check.

*Limit passed.* Hardness, conductivity or pH as last measured is beyond the fluid's limit; leaves inside by the dead
band (a tenth of a pH).

A sump whose machine is shut down by the plant file, or that was emptied by a logged removal, is
out of use: its alerts are suppressed by design.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from alerts.attendance import attendance
from alerts.conditions import Condition, is_the_moment
from alerts.outlook import MineralFacts
from alerts.setaside import Hygiene
from alerts.types import AlertKind, Priority
from alerts.words import about, duration, moment, quarter
from monitor.model.types import Estimate, Forecast, Side
from monitor.plant.reading import Entry, EntryKind
from monitor.plant.types import Plant, Sump

NEAR_H: Final = 2.0
FAR_H: Final = 4.0
LAST_MOMENT_H: Final = 0.5
DEAD_PH: Final = 0.1
MOST_OUT: Final = 0.6
"""A logged removal of this share of full empties a sump for cleaning."""
EMPTY_BELOW: Final = 0.25
EMPTY_STANDS_S: Final = 3 * 86400.0


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of one sump beside estimate and forecast."""

    hygiene: Hygiene
    facts: MineralFacts = field(default_factory=MineralFacts)


def upkeep(
    plant: Plant, sump: Sump, estimate: Estimate, forecast: Forecast | None, kept: Kept, now_s: float
) -> Iterator[Condition]:
    """Yield what stands at `now_s`."""
    yield from _lowest_near(plant, sump, estimate, forecast, now_s)
    yield from _check_overdue(plant, sump, kept.hygiene, now_s)
    yield from _limits(sump, kept.facts, plant.alerting.calling.dead_band)
    yield from _ph(sump, kept.hygiene)


def _lowest_near(
    plant: Plant, sump: Sump, estimate: Estimate, forecast: Forecast | None, now_s: float
) -> Iterator[Condition]:
    there = attendance(plant.attended, now_s)
    if forecast is None or not estimate.known or forecast.side is not Side.LOW or estimate.volume_l < sump.lowest_l:
        return
    left_h = forecast.exit_p50_h - max(now_s - forecast.made_s, 0.0) / 3600.0
    if left_h > FAR_H or is_the_moment(there, plant.alerting.calling):
        return
    when = moment(plant, quarter(now_s + 3600.0 * max(left_h, 0.0)), now_s)
    text = (
        f"{sump.id} is at {about(plant, estimate.volume_l)} and likely reaches its lowest level at {when}: fill it now."
    )
    priority = Priority.HIGH if left_h <= LAST_MOMENT_H else Priority.MEDIUM
    yield _condition(sump, AlertKind.LOWEST_NEAR, "", priority, text, left_h, side=Side.LOW, enter=left_h <= NEAR_H)


def _check_overdue(plant: Plant, sump: Sump, hygiene: Hygiene, now_s: float) -> Iterator[Condition]:
    if hygiene.checked_s is None:
        return
    age_s = now_s - hygiene.checked_s
    if age_s > sump.fluid.check_every_s:
        text = f"{sump.id}: the last check by hand was {duration(age_s / 3600.0)} ago; measure the strength and log it."
        enter = plant.attended.covers(now_s)
        yield _condition(sump, AlertKind.CHECK_OVERDUE, "", Priority.LOW, text, None, enter=enter)


def _limits(sump: Sump, facts: MineralFacts, dead_band: float) -> Iterator[Condition]:
    fluid = sump.fluid
    for name, unit, measured, limit in (
        ("hardness", "ppm", facts.hardness, fluid.hardness_limit_ppm),
        ("conductivity", "uS/cm", facts.conductivity, fluid.conductivity_limit_us_cm),
    ):
        if measured is None or limit is None or measured.value <= limit * (1.0 - dead_band):
            continue
        what = f"{name} {measured.value:.0f} {unit}, the fluid's limit is {limit:.0f} {unit}"
        text = f"{sump.id}: {what}; top up with softer water, or change part of the fluid."
        enter = measured.value > limit
        yield _condition(sump, AlertKind.LIMIT_PASSED, name, Priority.LOW, text, None, enter=enter)


def _ph(sump: Sump, hygiene: Hygiene) -> Iterator[Condition]:
    lowest = sump.fluid.lowest_ph
    if hygiene.ph is not None and hygiene.ph < lowest + DEAD_PH:
        text = (
            f"{sump.id}: pH {hygiene.ph:.1f}, at least {lowest:.1f} is wanted; look for fouling by the safety data "
            "sheet and the supplier's advice, and measure again."
        )
        enter = hygiene.ph < lowest
        yield _condition(sump, AlertKind.LIMIT_PASSED, "ph", Priority.MEDIUM, text, None, enter=enter)


def _condition(
    sump: Sump,
    kind: AlertKind,
    subject: str,
    priority: Priority,
    text: str,
    exit_h: float | None,
    *,
    side: Side = Side.NONE,
    enter: bool,
) -> Condition:
    return Condition(sump.id, kind, subject, side, priority, text, exit_h, enter=enter)


def emptied(sump: Sump, entry: Entry, before: tuple[float, str] | None) -> tuple[float, str] | None:
    """Return since when and by whom a sump is emptied for cleaning, after an entry; None if it is in use."""
    if entry.kind is EntryKind.REMOVAL and (entry.volume_l or 0.0) >= MOST_OUT * sump.full_l:
        return entry.time_s, entry.who or "somebody"
    return None if entry.kind in (EntryKind.TOP_UP, EntryKind.CHARGE) else before


def suppressed(
    plant: Plant, estimates: Mapping[str, Estimate], empty: Mapping[str, tuple[float, str]], now_s: float
) -> dict[str, str]:
    """Return the sumps that are out of use by design at `now_s`, each with the reason."""
    day = datetime.fromtimestamp(now_s, ZoneInfo(plant.zone)).date().toordinal()
    found = {
        sump: f"the machine is shut down ({closure.name})"
        for closure in plant.alerting.closures
        if closure.covers(day)
        for sump in closure.sumps
    }
    for name, (since_s, who) in empty.items():
        estimate, sump = estimates.get(name), plant.sumps.get(name)
        if estimate is None or sump is None or now_s - since_s > EMPTY_STANDS_S:
            continue
        if estimate.volume_l < EMPTY_BELOW * sump.full_l:
            found.setdefault(name, f"emptied for cleaning by {who}, {moment(plant, since_s, now_s)}")
    return found
