"""Set-aside fluid: what stands in which container, how strong and how old it is, and whether it may be used again.

A removal that names a container puts into it, a filling that names it takes out of it, a check that names it says how
strong it is and, with a volume, how much is left. Everything follows from what was logged, in the order in which it
happened. Fluid of a sump whose checks are overdue or whose pH has fallen is not lent to another sump (good hygiene
practice: never move fluid from a fouled sump), and nothing is ever moved to another product.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from alerts.balance import Charge, blend
from monitor.plant.reading import Entry, EntryKind
from monitor.plant.types import Fluid, Plant, Sump

EMPTY_L: Final = 0.5
"""What can no longer be poured out of a container."""


@dataclass(frozen=True, slots=True)
class Move:
    """One thing that happened to a container. `pct` is the strength put in or measured, or that of the mix made."""

    id: str
    container: str
    kind: EntryKind
    sump: str
    time_s: float
    volume_l: float | None
    pct: float


@dataclass(frozen=True, slots=True)
class Container:
    """What stands in a container now: litres, percent, since when (its oldest part), from which sumps.

    `blocked` says why it may not be used at all, `not_lent` why it may only go back where it came from; both empty: it
    may go into any sump of its fluid.
    """

    id: str
    fluid: str
    volume_l: float
    strength_pct: float
    since_s: float
    expires_s: float
    sumps: tuple[str, ...]
    blocked: str = ""
    not_lent: str = ""

    def serves(self, sump: Sump) -> bool:
        """Tell whether this fluid may go into a sump."""
        if self.blocked or self.fluid != sump.fluid.id:
            return False
        return not self.not_lent or self.sumps == (sump.id,)


@dataclass(frozen=True, slots=True)
class Hygiene:
    """The last checks of a sump: when strength and pH were measured, the last pH and the highest that was seen."""

    checked_s: float | None = None
    ph_s: float | None = None
    ph: float | None = None
    highest_ph: float | None = None

    def taken(self, entry: Entry) -> Hygiene:
        """Return what is known with one more entry, whatever the order they come in."""
        if entry.kind is EntryKind.CHECK and (self.checked_s is None or entry.time_s > self.checked_s):
            return Hygiene(entry.time_s, self.ph_s, self.ph, self.highest_ph)
        if entry.kind is EntryKind.PH and entry.value is not None:
            highest = max(self.highest_ph or entry.value, entry.value)
            if self.ph_s is None or entry.time_s > self.ph_s:
                return Hygiene(self.checked_s, entry.time_s, entry.value, highest)
            return Hygiene(self.checked_s, self.ph_s, self.ph, highest)
        return self


PH_FALL: Final = 0.5
"""A pH this far below its highest asks for measures (DGUV Information 209-066, 4.7)."""


def why_not_lent(fluid: Fluid, hygiene: Hygiene, time_s: float) -> str:
    """Say why a sump's fluid may not go into another sump at a moment; empty where it may."""
    if hygiene.checked_s is None or time_s - hygiene.checked_s > fluid.check_every_s:
        days = fluid.check_every_s / 86400.0
        return f"its strength was not checked by hand within {days:.0f} days"
    if hygiene.ph is None or hygiene.ph_s is None:
        return ""
    if hygiene.ph < fluid.lowest_ph:
        return f"its pH was {hygiene.ph:.1f}, below {fluid.lowest_ph:.1f}: it may be fouled"
    if hygiene.highest_ph is not None and hygiene.highest_ph - hygiene.ph > PH_FALL:
        return f"its pH fell from {hygiene.highest_ph:.1f} to {hygiene.ph:.1f}: it may be fouled"
    return ""


@dataclass(slots=True)
class _Filling:
    """A container while its moves are gone through."""

    charge: Charge = field(default_factory=lambda: Charge(0.0, 0.0))
    since_s: float = 0.0
    sumps: dict[str, float] = field(default_factory=dict)
    mixed: bool = False

    def take(self, move: Move, plant: Plant) -> None:
        if move.kind is EntryKind.REMOVAL:
            self._put_in(move, plant)
        elif move.kind is EntryKind.CHECK:
            left = self.charge.volume_l if move.volume_l is None else move.volume_l
            self.charge = Charge(left, move.pct)
        else:
            self.charge = Charge(max(self.charge.volume_l - self._used(move), 0.0), self.charge.concentration_pct)

    def _put_in(self, move: Move, plant: Plant) -> None:
        if self.charge.volume_l < EMPTY_L:
            self.charge, self.since_s, self.sumps, self.mixed = Charge(0.0, 0.0), move.time_s, {}, False
        known = {plant.sumps[sump].fluid.id for sump in self.sumps if sump in plant.sumps}
        self.mixed = self.mixed or (bool(known) and plant.sumps[move.sump].fluid.id not in known)
        self.charge = blend(self.charge, Charge(move.volume_l or 0.0, move.pct))
        self.sumps[move.sump] = move.time_s

    def _used(self, move: Move) -> float:
        """Return the litres of rich fluid in a mix that was made from it; never more than there were."""
        strength = self.charge.concentration_pct
        if strength <= 0.0:
            return 0.0
        return min((move.volume_l or 0.0) * min(move.pct / strength, 1.0), self.charge.volume_l)


def containers(
    plant: Plant, moves: Iterable[Move], hygiene: Mapping[str, Hygiene], now_s: float
) -> tuple[Container, ...]:
    """Return what stands in each container that is not empty at `now_s`, the oldest first."""
    found: dict[str, _Filling] = {}
    for move in sorted(moves, key=lambda move: (move.time_s, move.id)):
        if move.time_s <= now_s and move.sump in plant.sumps:
            found.setdefault(move.container, _Filling()).take(move, plant)
    standing = [
        _container(name, one, plant, hygiene, now_s)
        for name, one in found.items()
        if one.charge.volume_l >= EMPTY_L and one.sumps
    ]
    return tuple(sorted(standing, key=lambda one: (one.since_s, one.id)))


def _container(name: str, one: _Filling, plant: Plant, hygiene: Mapping[str, Hygiene], now_s: float) -> Container:
    fluid = plant.sumps[next(iter(one.sumps))].fluid
    expires_s = one.since_s + fluid.shelf_life_s
    blocked = ""
    if one.mixed:
        blocked = "it holds two products"
    elif now_s >= expires_s:
        blocked = f"it has stood for more than {fluid.shelf_life_s / 86400.0:.0f} days"
    return Container(
        id=name,
        fluid=fluid.id,
        volume_l=round(one.charge.volume_l, 1),
        strength_pct=round(one.charge.concentration_pct, 2),
        since_s=one.since_s,
        expires_s=expires_s,
        sumps=tuple(sorted(one.sumps)),
        blocked=blocked,
        not_lent=_donors_fault(one, fluid, hygiene, now_s),
    )


def _donors_fault(one: _Filling, fluid: Fluid, hygiene: Mapping[str, Hygiene], now_s: float) -> str:
    for sump, put_s in sorted(one.sumps.items()):
        known = hygiene.get(sump, Hygiene())
        checked_later = known.checked_s is not None and known.checked_s > put_s
        why = why_not_lent(fluid, known, known.checked_s or now_s if checked_later else put_s)
        if why:
            return f"it came from {sump}, and {why}"
    return ""


def move_of(entry: Entry, estimated_pct: float | None) -> Move | None:
    """Return what an entry did to its container; None where it names none or where no strength can be told.

    `estimated_pct` stands in for the strength of fluid that was taken out without being measured.
    """
    if not entry.container:
        return None
    pct = {
        EntryKind.REMOVAL: entry.mix_pct if entry.mix_pct is not None else estimated_pct,
        EntryKind.TOP_UP: entry.mix_pct,
        EntryKind.CHARGE: entry.mix_pct,
        EntryKind.CHECK: entry.value,
    }.get(entry.kind)
    if pct is None:
        return None
    return Move(entry.id, entry.container, entry.kind, entry.sump, entry.time_s, entry.volume_l, pct)
