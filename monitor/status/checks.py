"""Hand checks that pay, what past checks did, and the account of losses, as JSON and as lines for the pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from alerts.wording import why_check, worth_of_check
from monitor.model.checks import CheckMove, CheckWorth
from monitor.model.layout import BIN_S
from monitor.model.losses import LossDay
from monitor.plant.show import show_volume
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot, SumpView
from monitor.status.words import at

_ACCOUNT = (
    "start_l",
    "end_l",
    "evaporated_l",
    "evaporated_sd_l",
    "dragged_out_l",
    "dragged_out_sd_l",
    "leaked_l",
    "valve_l",
    "added_l",
    "taken_out_l",
    "unexplained_l",
    "unexplained_sd_l",
)


@dataclass(frozen=True, slots=True)
class CheckLine:
    """A sump worth a hand check: why, and by how much a wrong call tonight gets rarer."""

    sump: str
    area: str
    why: str
    worth: str


@dataclass(frozen=True, slots=True)
class DayLine:
    """One local day of a sump's account, in the plant's units."""

    day: str
    evaporated: str
    dragged_out: str
    added: str
    other: str


def check_json(one: CheckWorth) -> dict[str, Any]:
    """Return a check that pays: the fall in the chance of a wrong call, and what makes it worth having."""
    return {
        "sump": one.sump,
        "worth": round(one.worth, 4),
        "chance_leaves_before_back": round(one.chance_leaves, 4),
        "concentration_sd_pct": round(one.strength_sd_pct, 4),
    }


def move_json(move: CheckMove) -> dict[str, Any]:
    """Return what a hand check did to the refractometer's offset, degrees Brix (or % where it says %)."""
    return {
        "value_pct": move.value_pct,
        "offset_before_degbx": round(move.before_degbx, 4),
        "offset_after_degbx": round(move.after_degbx, 4),
        "offset_sd_before_degbx": round(move.sd_before_degbx, 4),
        "offset_sd_after_degbx": round(move.sd_after_degbx, 4),
    }


def account_json(days: tuple[LossDay, ...]) -> list[dict[str, Any]]:
    """Return the account of losses day by day; each closes: start - losses + gains + unexplained = end."""
    return [{"day": day.day.isoformat()} | {name: round(getattr(day, name), 3) for name in _ACCOUNT} for day in days]


def check_lines(plant: Plant, snapshot: Snapshot) -> list[CheckLine]:
    """Return the sumps where a hand check today may change what people do tonight, the worthiest first."""
    return [
        CheckLine(
            one.sump,
            plant.sumps[one.sump].area,
            why_check(one),
            worth_of_check(one),
        )
        for one in snapshot.checks
        if one.sump in plant.sumps
    ]


def move_lines(plant: Plant, view: SumpView, now_s: float) -> list[str]:
    """Say what the last hand checks moved, newest first."""
    return [_say_move(move, plant, now_s) for move in view.checks]


def _say_move(move: CheckMove, plant: Plant, now_s: float) -> str:
    moved = move.after_degbx - move.before_degbx
    when = at(move.k * BIN_S, now_s, plant.zone)
    how = f"moved the refractometer’s offset by {moved:+.2f} to" if abs(moved) >= 0.005 else "left the offset at"
    return (
        f"{when}: {move.value_pct:.1f} % by hand {how} {move.after_degbx:+.2f} °Brix "
        f"(known to ± {move.sd_after_degbx:.2f}, before ± {move.sd_before_degbx:.2f})"
    )


def day_lines(plant: Plant, view: SumpView) -> list[DayLine]:
    """Return the account of losses for the page, newest day first."""
    return [_day(day, plant) for day in reversed(view.days)]


def _day(day: LossDay, plant: Plant) -> DayLine:
    def litres(value: float) -> str:
        return show_volume(value, plant.units)

    parts = [
        (day.leaked_l, "leaked"),
        (day.valve_l, "by a filling valve"),
        (day.taken_out_l, "taken out"),
    ]
    said = [f"{litres(value)} {words}" for value, words in parts if abs(value) >= 0.5]
    if abs(day.unexplained_l) >= 0.5:
        sign = "+" if day.unexplained_l > 0 else "−"
        said.append(f"{sign}{litres(abs(day.unexplained_l))} unexplained (± {litres(day.unexplained_sd_l)})")
    return DayLine(
        f"{day.day:%a} {day.day.day}",
        f"{litres(day.evaporated_l)} ± {litres(day.evaporated_sd_l)}",
        f"{litres(day.dragged_out_l)} ± {litres(day.dragged_out_sd_l)}",
        litres(day.added_l),
        ", ".join(said),
    )


def say_coverage(view: SumpView) -> str:
    """Say how often this sump's own intervals held; nothing before any could be scored."""
    if view.coverage is None:
        return ""
    return f"Of its own past intervals meant to hold 8 times in 10, {100 * view.coverage:.0f} % did."
