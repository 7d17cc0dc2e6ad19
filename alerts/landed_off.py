"""A correction was carried out as its recipe said, and the sump landed elsewhere: an alert where that changes the work.

It counts as carried out where the recipe had been told with an alert and what was logged agrees with it in litres and
mix, or, where nothing was logged, the litres on the gauge do (`alerts.watching.is_followed`). Whoever fills by a habit
of his own lands elsewhere by intent: that is a line on the page, no alert.

It changes the work where the sump is not safely inside its band or low all the same; where the mix was logged as asked
and the strength is off by a quarter of the band's width (then the next mix is wrong as well, or the refractometer is);
or where nothing arrived at all though it was logged (then the sump was not corrected, whatever the book says). The
response is a check by hand, and the recipe that is made from it. It stands for a day at most, ends with a check by hand
or the next correction, and leaves at other bounds than it enters. While the sump is outside its band, that alert says
it too and calls alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from alerts.conditions import Condition
from alerts.landed import Verdict
from alerts.landing import chance_between
from alerts.types import AlertKind, Priority
from alerts.watching import LandingRecord
from alerts.words import moment
from monitor.model.types import Estimate, Side
from monitor.plant.types import Plant, Sump

STANDS_S: Final = 86400.0
FAR_OFF: Final = 0.25
"""Share of the band's width by which a strength is far off."""
_DEAD_LEVEL: Final = 2.0
_SIDES: Final = {Verdict.RICH: Side.RICH, Verdict.LEAN: Side.LEAN, Verdict.SHORT: Side.LOW}
_RESPONSE: Final = {
    Verdict.RICH: "Log the result: the recipe is made anew from it. Check how the mix was made.",
    Verdict.LEAN: "Log the result: the recipe is made anew from it. Check how the mix was made.",
    Verdict.SHORT: "Read the gauge at rest, and fill what is missing by the new recipe.",
    Verdict.NO_CHANGE: "Look whether it went into another sump, read the gauge at rest, and put the log book right.",
}


def with_landing(
    found: Iterable[Condition],
    plant: Plant,
    sump: Sump,
    estimate: Estimate,
    landing: LandingRecord | None,
    checked_s: float | None,
    now_s: float,
) -> tuple[Condition, ...]:
    """Return a sump's conditions with what its last correction adds; `checked_s` is the last check by hand."""
    known = tuple(found)
    if landing is None or not _stands(landing, checked_s, now_s):
        return known
    outside = next((one for one in known if one.kind is AlertKind.OUTSIDE_BAND and one.enter), None)
    mine = _condition(plant, sump, estimate, landing, calls=outside is None)
    said = f" It was corrected at {moment(plant, landing.began_s, now_s)} and landed elsewhere than its recipe said:"
    told = tuple(
        replace(one, text=f"{one.text}{said} measure by hand before you correct it again.") if one is outside else one
        for one in known
    )
    return (*told, mine) if mine is not None else told


def _stands(landing: LandingRecord, checked_s: float | None, now_s: float) -> bool:
    is_checked = checked_s is not None and checked_s >= landing.began_s
    is_off = landing.followed and landing.verdict is not Verdict.LANDED
    return is_off and not is_checked and now_s - landing.time_s < STANDS_S


def _condition(
    plant: Plant, sump: Sump, estimate: Estimate, landing: LandingRecord, *, calls: bool
) -> Condition | None:
    is_safe, is_fairly_safe = (_is_inside(plant, sump, estimate, strict=strict) for strict in (False, True))
    off = abs(landing.off_pct) / (sump.fluid.band_pct[1] - sump.fluid.band_pct[0])
    lasting = landing.logged and (landing.verdict is Verdict.NO_CHANGE or off >= FAR_OFF)
    if is_fairly_safe and not lasting:
        return None
    priority = Priority.LOW if is_safe else Priority.MEDIUM
    text = f"{landing.text} {_RESPONSE[landing.verdict]}"
    side = _SIDES.get(landing.verdict, Side.NONE)
    enter = calls and (lasting or not is_safe)
    return Condition(sump.id, AlertKind.LANDED_OFF, "", side, priority, text, None, enter)


def _is_inside(plant: Plant, sump: Sump, estimate: Estimate, *, strict: bool) -> bool:
    """Tell whether a sump is safely inside; `strict` with the dead bands on top."""
    calling, (low, high) = plant.alerting.calling, sump.fluid.band_pct
    dead = calling.dead_band * (high - low) * (2.0 if strict else 1.0)
    least = sump.lowest_l + calling.dead_level * sump.full_l * (2.0 * _DEAD_LEVEL if strict else _DEAD_LEVEL)
    chance = chance_between(estimate.concentration_pct, estimate.concentration_sd_pct, low + dead, high - dead)
    return estimate.volume_l >= least and chance >= calling.sure
