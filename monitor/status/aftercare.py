"""Set-aside fluid, labels, last landings and minerals in words for the pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from alerts.landed import Verdict
from alerts.setaside import Container
from alerts.watching import LandingRecord
from monitor.plant.show import show_volume
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.words import at, full

VERDICTS: Final = {
    Verdict.LANDED: "landed",
    Verdict.SHORT: "short",
    Verdict.RICH: "rich",
    Verdict.LEAN: "lean",
    Verdict.NO_CHANGE: "no change",
}


@dataclass(frozen=True, slots=True)
class LandingLine:
    """Where a correction landed, in a line; `off` tells that it did not land as said."""

    when: str
    verdict: str
    text: str
    off: bool


@dataclass(frozen=True, slots=True)
class ContainerLine:
    """A container of set-aside fluid in words. `may_not` is why it may not be used, or only where it came from."""

    id: str
    fluid: str
    volume: str
    strength: str
    since: str
    use_by: str
    sumps: str
    may_not: str
    first_sump: str
    pct: float


def landing_lines(landings: tuple[LandingRecord, ...], plant: Plant, now_s: float) -> tuple[LandingLine, ...]:
    """Return the last landings, the newest first."""
    return tuple(
        LandingLine(
            when=at(one.time_s, now_s, plant.zone),
            verdict=VERDICTS[one.verdict],
            text=one.text + (f" By {one.who}." if one.who else ""),
            off=one.verdict is not Verdict.LANDED,
        )
        for one in landings
    )


def container_lines(plant: Plant, snapshot: Snapshot) -> tuple[ContainerLine, ...]:
    """Return the set-aside fluid of the plant, the oldest first."""
    return tuple(_line(plant, one) for one in snapshot.set_aside)


def _line(plant: Plant, one: Container) -> ContainerLine:
    may_not = ""
    if one.blocked:
        may_not = f"Do not use: {one.blocked}. Waste by local rules."
    elif one.not_lent:
        may_not = f"Only back into {', '.join(one.sumps)}: {one.not_lent}."
    return ContainerLine(
        id=one.id,
        fluid=one.fluid,
        volume=show_volume(one.volume_l, plant.units),
        strength=f"{one.strength_pct:.1f} %",
        since=full(one.since_s, plant.zone),
        use_by=full(one.expires_s, plant.zone),
        sumps=", ".join(one.sumps),
        may_not=may_not,
        first_sump=one.sumps[0],
        pct=one.strength_pct,
    )
