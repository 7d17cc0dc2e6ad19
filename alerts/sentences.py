"""The one sentence of each condition: which sump, what, when (the plant's clock), how sure, what it asks for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from alerts.words import about, duration, level, moment, percent, quarter, twentieths
from monitor.model.types import Estimate, Event, Side
from monitor.plant.reading import Signal
from monitor.plant.types import Plant, Sump

GOES = {
    Side.RICH: "goes rich (above its band)",
    Side.LEAN: "goes lean (below its band)",
    Side.LOW: "falls below its lowest level",
    Side.NONE: "leaves its band",
}
SIGNAL_NAMES = {
    Signal.LEVEL: "level",
    Signal.REFRACTOMETER: "refractometer",
    Signal.RUNNING: "running",
    Signal.COOLANT_TEMPERATURE: "coolant temperature",
    Signal.PH: "pH",
    Signal.CONDUCTIVITY: "conductivity",
    Signal.MAKE_UP_METER: "make-up meter",
}


@dataclass(frozen=True, slots=True)
class Leaving:
    """A foreseen exit: its side, the chance of it before somebody is back, and when.

    `exits_s` are the early, likely and late exit (infinite: beyond the horizon); `back_s` is when somebody is back
    (infinite: no such moment, then `cover_h` hours are looked at).
    """

    side: Side
    chance: float
    exits_s: tuple[float, ...]
    back_s: float
    cover_h: float


def say_leaving(plant: Plant, sump: str, leaving: Leaving, now_s: float) -> str:
    """Say that a sump will leave its band before somebody is back."""
    early, likely, late = (_about_when(plant, exit_s, now_s) for exit_s in leaving.exits_s)
    by = f"within {duration(leaving.cover_h)}"
    if math.isfinite(leaving.back_s):
        by = f"before somebody is back ({moment(plant, leaving.back_s, now_s)})"
    return (
        f"{sump} {GOES[leaving.side]} {by} with a chance of {twentieths(leaving.chance)}: "
        f"early {early}, likely {likely}, late {late}."
    )


def say_outside(plant: Plant, sump: Sump, estimate: Estimate, side: Side, chance: float) -> str:
    """Say that a sump is outside its band, or below its lowest level."""
    sure = f"({twentieths(chance)} sure)"
    if side is Side.LOW:
        height = sump.tank.level_mm(estimate.volume_l)
        gauge = f", {level(plant, height)} on the gauge at rest" if math.isfinite(height) else ""
        return (
            f"{sump.id} is at {about(plant, estimate.volume_l)}{gauge}; its lowest is "
            f"{about(plant, sump.lowest_l)}: the pump may draw air {sure}."
        )
    low, high = sump.fluid.band_pct
    return (
        f"{sump.id} is {side.value}: {percent(estimate.concentration_pct)}, its band is {percent(low)} to "
        f"{percent(high)} {sure}."
    )


def say_loss_jump(plant: Plant, jump: Event, now_s: float) -> str:
    """Say that a sump loses more than before."""
    rate = "" if jump.volume_l is None else f", about {about(plant, jump.volume_l)} a day more"
    since = moment(plant, jump.time_s, now_s)
    return f"{jump.sump} loses more than before since {since}{rate}: look for a leak, an overflow or a stuck valve."


def say_silent(plant: Plant, sump: str, signals: Sequence[Signal], heard_s: float | None, now_s: float) -> str:
    """Say that signals (at least one) are silent, and how to work without them."""
    names = " and ".join(SIGNAL_NAMES[signal] for signal in signals)
    noun, verb, was = ("signals", "are", "were") if len(signals) > 1 else ("signal", "is", "was")
    since = f"{was} not heard yet" if heard_s is None else f"{verb} silent since {moment(plant, heard_s, now_s)}"
    return f"{sump}: the {names} {noun} {since}; check sensor, cable and gateway, and {_by_hand(signals[0])}."


def say_doubtful(sump: str, signal: Signal, detail: str) -> str:
    """Say that a signal is not believed, why, and how to work without it."""
    why = f" ({detail.rstrip('.')})" if detail else ""
    return f"{sump}: the {SIGNAL_NAMES[signal]} signal is doubtful{why}; clean and check it, and {_by_hand(signal)}."


def _by_hand(signal: Signal) -> str:
    if signal is Signal.LEVEL:
        return "read the sight glass at rest until then"
    if signal is Signal.REFRACTOMETER:
        return "log a hand refractometer check until then"
    if signal is Signal.RUNNING:
        return "know that starts and stops are guessed from the level until then"
    return "trust the estimate less until then"


def _about_when(plant: Plant, time_s: float, now_s: float) -> str:
    """Say a forecast moment to the quarter of an hour: more digits would be a lie."""
    return moment(plant, quarter(time_s), now_s) if math.isfinite(time_s) else "not in sight"
