"""How good the alerts are: how many, who had them, which stood too long, were for nothing, were missed. Pure.

Scaled to a machine shop from the measures of ISA-18.2 / EEMUA 191: alerts a person and shift instead of alerts in ten
minutes, stale after 24 h, flapping from three calls within a day while nobody filled or emptied the sump.

*False*: told that a sump would leave its band; the call ended without that, and nobody had filled or emptied it.
*Missed*: a sump left its band while nobody was there, and no call stood that it would.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from alerts.types import AlertKind, AlertState, Transition, rfc3339
from monitor.plant.people import PRIORITIES

STALE_S: Final = 86400.0
DAY_S: Final = 86400.0
_SLACK_S: Final = 3600.0
FLAPS: Final = 3
AHEAD: Final = (AlertKind.LEAVES_BAND_UNATTENDED, AlertKind.LOWEST_NEAR)


@dataclass(frozen=True, slots=True)
class Of:
    """The counts of one sump."""

    raised: int = 0
    flapping: int = 0
    false: int = 0
    missed: int = 0
    stale: int = 0


@dataclass(frozen=True, slots=True)
class Hygiene:
    """The report of a span: counts, shares (None: nothing to divide by), and the sumps that had any alert."""

    from_s: float
    to_s: float
    raised: int
    acknowledged: int
    stale: int
    shifts: int
    messages: Mapping[str, int]
    sumps: Mapping[str, Of]
    priorities: Mapping[str, int] = field(default_factory=dict)

    @property
    def calls(self) -> tuple[int, int]:
        """False and missed calls of all sumps."""
        return sum(of.false for of in self.sumps.values()), sum(of.missed for of in self.sumps.values())

    @property
    def flapping(self) -> int:
        """Alerts that came and went."""
        return sum(of.flapping for of in self.sumps.values())

    @property
    def acknowledged_share(self) -> float | None:
        """Share of the raised alerts that somebody acknowledged."""
        return self.acknowledged / self.raised if self.raised else None

    def a_shift(self, person: str) -> float | None:
        """Messages that a person got a shift."""
        return self.messages[person] / self.shifts if self.shifts else None

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "from": rfc3339(self.from_s),
            "to": rfc3339(self.to_s),
            "raised": self.raised,
            "acknowledged": self.acknowledged,
            "acknowledged_share": self.acknowledged_share,
            "stale": self.stale,
            "flapping": self.flapping,
            "false": self.calls[0],
            "missed": self.calls[1],
            "priorities": dict(self.priorities),
            "shifts": self.shifts,
            "people": {
                name: {"messages": count, "a_shift": self.a_shift(name)} for name, count in self.messages.items()
            },
            "sumps": {name: asdict(of) for name, of in self.sumps.items()},
        }


def judge(
    moves: Sequence[Transition],
    touched: Mapping[str, Sequence[float]],
    messages: Mapping[str, int],
    shifts: int,
    is_there: Callable[[float], bool],
    span: tuple[float, float],
) -> Hygiene:
    """Judge the transitions of a span. `touched` is when each sump was filled or emptied, `messages` are by person."""
    inside = [move for move in moves if span[0] <= move.time_s < span[1]]
    lives = _lives(moves)
    raised = [lives[move.alert_id] for move in inside if move.before is AlertState.NORMAL]
    names = dict.fromkeys(life[0].alert.sump for life in raised)
    return Hygiene(
        from_s=span[0],
        to_s=span[1],
        raised=len(raised),
        acknowledged=sum(life[-1].alert.acknowledged_s is not None for life in raised),
        stale=sum(_is_stale(life, span[1]) for life in raised),
        shifts=shifts,
        messages=dict(sorted(messages.items())),
        sumps={name: _of(name, raised, moves, touched.get(name, ()), is_there, span[1]) for name in names if name},
        priorities=dict(Counter(life[0].alert.priority.value for life in raised)),
    )


def _lives(moves: Iterable[Transition]) -> dict[str, list[Transition]]:
    found: dict[str, list[Transition]] = {}
    for move in moves:
        found.setdefault(move.alert_id, []).append(move)
    return found


def _ended_s(life: Sequence[Transition], to_s: float) -> float:
    cleared_s = life[-1].alert.cleared_s
    return to_s if cleared_s is None else cleared_s


def _is_stale(life: Sequence[Transition], to_s: float) -> bool:
    return _ended_s(life, to_s) - life[0].time_s > STALE_S


def _of(
    name: str,
    raised: Sequence[Sequence[Transition]],
    moves: Sequence[Transition],
    touched: Sequence[float],
    is_there: Callable[[float], bool],
    to_s: float,
) -> Of:
    mine = [life for life in raised if life[0].alert.sump == name]
    outs = [
        move.time_s
        for move in moves
        if move.alert.sump == name and move.before is AlertState.NORMAL and move.alert.kind is AlertKind.OUTSIDE_BAND
    ]
    ahead = [life for life in _lives(moves).values() if life[0].alert.sump == name and life[0].alert.kind in AHEAD]
    return Of(
        raised=len(mine),
        flapping=flapping([move for move in moves if move.alert.sump == name], {name: touched}),
        false=sum(_is_false(life, outs, touched, to_s) for life in mine if life[0].alert.kind in AHEAD),
        missed=sum(
            not is_there(life[0].time_s) and not any(_foretold(one, life[0].time_s, to_s) for one in ahead)
            for life in mine
            if life[0].alert.kind is AlertKind.OUTSIDE_BAND
        ),
        stale=sum(_is_stale(life, to_s) for life in mine),
    )


def _is_false(life: Sequence[Transition], outs: Iterable[float], touched: Iterable[float], to_s: float) -> bool:
    raised_s, ended_s = life[0].time_s, life[-1].alert.cleared_s
    if ended_s is None or ended_s > to_s:
        return False
    return not any(raised_s <= time_s <= ended_s for time_s in (*outs, *touched))


def _foretold(life: Sequence[Transition], out_s: float, to_s: float) -> bool:
    """Tell whether a call stood when a sump left its band."""
    return life[0].time_s <= out_s <= _ended_s(life, to_s) + _SLACK_S


def flapping(moves: Iterable[Transition], touched: Mapping[str, Sequence[float]]) -> int:
    """Return how many alerts (by sump, kind and subject) came three times within a day, the sump untouched."""
    came: dict[tuple[str, AlertKind, str], list[float]] = {}
    for move in moves:
        fresh = move.before in (AlertState.NORMAL, AlertState.RETURNED_UNACKNOWLEDGED)
        if fresh and move.after is AlertState.UNACKNOWLEDGED:
            came.setdefault(move.alert.key, []).append(move.time_s)
    return sum(_comes_and_goes(times, touched.get(key[0], ())) for key, times in came.items())


def _comes_and_goes(times: Sequence[float], touched: Sequence[float]) -> bool:
    return any(
        last - first < DAY_S and not any(first <= one <= last for one in touched)
        for first, last in zip(times, times[FLAPS - 1 :], strict=False)
    )


def say_hygiene(report: Hygiene, plant_name: str) -> str:
    """Write the report as text."""
    lines = [f"Alerts at {plant_name}, {rfc3339(report.from_s)} to {rfc3339(report.to_s)}", "", *summary(report)]
    if report.sumps:
        lines += ["", f"{'sump':<24}{'raised':>8}{'flapping':>10}{'false':>8}{'missed':>8}{'over 24 h':>11}"]
        lines += [
            f"{name:<24}{of.raised:>8}{of.flapping:>10}{of.false:>8}{of.missed:>8}{of.stale:>11}"
            for name, of in ranked(report)
        ]
    return "\n".join(lines)


def ranked(report: Hygiene) -> list[tuple[str, Of]]:
    """Return the sumps, the one with the most alerts first."""
    return sorted(report.sumps.items(), key=lambda item: (-item[1].raised, item[0]))


def summary(report: Hygiene) -> Iterator[str]:
    """Yield what there is to say of all sumps together, and how much each person was told."""
    share, (false, missed) = report.acknowledged_share, report.calls
    acknowledged = f", acknowledged {report.acknowledged}" + ("" if share is None else f" ({100 * share:.0f} %)")
    yield f"raised {report.raised}{acknowledged}, standing over 24 h {report.stale}"
    yield f"false calls {false}, missed {missed}, flapping {report.flapping}"
    if report.priorities:
        told = ", ".join(f"{name} {report.priorities.get(name, 0)}" for name in PRIORITIES)
        yield f"by priority: {told} (few high ones, most of them low, is as it should be)"
    for name, count in report.messages.items():
        each = report.a_shift(name)
        yield f"{name}: {count} messages" + ("" if each is None else f", {each:.1f} a shift")
