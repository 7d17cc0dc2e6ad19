"""The life of an alert: states and transitions of ISA-18.2 / IEC 62682, pure.

    NORMAL ── raised ──▶ UNACKNOWLEDGED ── acknowledged ──▶ ACKNOWLEDGED ── cleared ──▶ NORMAL (closed)
                            │        ▲                          │
                         cleared   returned                  (as left)
                            ▼        │
                    RETURNED_UNACKNOWLEDGED ── acknowledged, or quiet for long enough ──▶ NORMAL (closed)

From every open state: SHELVED for a time, SUPPRESSED_BY_DESIGN while its sump is, OUT_OF_SERVICE until returned; each
ends in UNACKNOWLEDGED where the condition still stands and in NORMAL where it does not. A shelf that ends while its
sump is out of use is followed by SUPPRESSED_BY_DESIGN.

There is one alert for a sump, kind and subject: while it is open a repeat updates it, and while a sump is outside its
band nobody is told that it will leave it. The condition has to be away for a while before an alert clears
(`Calling.off_delay_s`), and an alert that returns within `LINGER_S` is the same alert. An update is announced (a
transition from a state to itself) only if it changes what people would do: a higher priority at once; another side,
another kind of recipe or an exit moved by half of the time left (at least two hours) once an hour at most.

*Flapping.* One that comes for the `FLAPS`th time within `DAY_S` without anybody having touched the sump says so with
that call, and is held: it clears only after it has been quiet for `Calling.hold_s`, so it can call no more often than
that. One that comes for the second time has to be away four times as long as usual before it clears.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Mapping
from dataclasses import dataclass, replace

from alerts.conditions import Condition
from alerts.types import Alert, AlertKind, AlertState, Priority, Recipe, Transition
from alerts.words import duration
from monitor.plant.errors import BandkeeperError
from monitor.plant.people import Calling

LINGER_S = 2 * 3600.0
FLAPS = 3
DAY_S = 86400.0
_SECOND = 4.0
LONGEST_SHELF_S = 7 * 86400.0
_UPDATE_EVERY_S = 3600.0
_MOVED_S = 2 * 3600.0
_FLAPPING = f", for the {FLAPS}rd time within a day: it is held"
_USUAL = Calling()
OFF_DELAY_S = _USUAL.off_delay_s
"""How long a condition is usually away before its alert clears."""
_RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}
_WITH_RECIPE = (
    AlertKind.LEAVES_BAND_UNATTENDED,
    AlertKind.OUTSIDE_BAND,
    AlertKind.LOWEST_NEAR,
    AlertKind.LOSS_JUMP,
    AlertKind.LANDED_OFF,
)
_OPEN = (AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED_UNACKNOWLEDGED)

Key = tuple[str, AlertKind, str]
Raises = Mapping[Key, tuple[float, ...]]
"""When alerts were raised or returned within the last day (Unix seconds)."""
Deed = Callable[[Alert], tuple[Alert, Transition | None]]
"""What somebody does to an alert: `acknowledge`, `shelve` and so on, with everything but the alert given."""


class AlertStateError(BandkeeperError):
    """What was asked of an alert does not fit its state; the message says what would."""


@dataclass(frozen=True, slots=True)
class _Moment:
    """What one step looks at."""

    now_s: float
    standing: Mapping[Key, Condition]
    recipes: Mapping[str, Recipe]
    suppressed: Mapping[str, str]
    raises: Raises
    calling: Calling

    def came(self, key: Key) -> int:
        """Count how often an alert came within the last day."""
        return sum(time_s > self.now_s - DAY_S for time_s in self.raises.get(key, ()))


def step(
    open_alerts: Mapping[str, Alert],
    conditions: Iterable[Condition],
    recipes: Mapping[str, Recipe],
    now_s: float,
    *,
    suppressed: Mapping[str, str] | None = None,
    raises: Raises | None = None,
    calling: Calling = _USUAL,
) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    """Move all alerts on to `now_s`; return the ones that live on, by id, and the transitions in order.

    `conditions` are those of all sumps: an alert whose condition is not among them counts as gone. `recipes` are by
    sump. `suppressed` names sumps that are out of use by design, with the reason, `raises` is what `noted` kept of
    earlier steps. Closed alerts leave the mapping; their last transition carries them.
    """
    standing = {condition.key: condition for condition in conditions}
    at = _Moment(now_s, standing, recipes, suppressed or {}, raises or {}, calling)
    living: dict[str, Alert] = {}
    transitions: list[Transition] = []
    for alert in open_alerts.values():
        moved, reason = _move(alert, at)
        transitions += _told(alert, moved, reason, now_s)
        if moved.state is not AlertState.NORMAL:
            living[alert.id] = moved
    known = {alert.key for alert in open_alerts.values()}
    out = {alert.sump for alert in living.values() if alert.kind is AlertKind.OUTSIDE_BAND and alert.is_open}
    for condition in at.standing.values():
        is_late = condition.kind is AlertKind.LEAVES_BAND_UNATTENDED and condition.sump in out
        if condition.enter and condition.key not in known and condition.sump not in at.suppressed and not is_late:
            raised = _raised(condition, at)
            living[raised.id] = raised
            transitions.append(_transition(AlertState.NORMAL, raised, raised.text, now_s))
    return living, tuple(transitions)


def noted(raises: Raises, transitions: Iterable[Transition], touched: Container[str], now_s: float) -> Raises:
    """Return when alerts came, with the last step's; about the fluid of sumps that somebody touched it begins anew."""
    kept = {
        key: tuple(time_s for time_s in times if time_s > now_s - DAY_S)
        for key, times in raises.items()
        if not (key[0] in touched and key[1] in _WITH_RECIPE)
    }
    for move in transitions:
        fresh = move.before in (AlertState.NORMAL, AlertState.RETURNED_UNACKNOWLEDGED)
        if fresh and move.after is AlertState.UNACKNOWLEDGED:
            kept[move.alert.key] = (*kept.get(move.alert.key, ()), move.time_s)
    return {key: times for key, times in kept.items() if times}


def acknowledge(alert: Alert, who: str, now_s: float) -> tuple[Alert, Transition | None]:
    """Note that somebody has taken it on. A second acknowledgement changes nothing and gives no transition.

    Raises AlertStateError for an alert that is closed, shelved, suppressed or out of service.
    """
    if alert.state is AlertState.ACKNOWLEDGED:
        return alert, None
    after = {
        AlertState.UNACKNOWLEDGED: AlertState.ACKNOWLEDGED,
        AlertState.RETURNED_UNACKNOWLEDGED: AlertState.NORMAL,
    }.get(alert.state)
    if after is None:
        raise AlertStateError(f"{alert.id} is {_said(alert.state)}: only an open alert can be acknowledged")
    moved = replace(alert, state=after, acknowledged_s=now_s, acknowledged_by=who, acted_s=now_s)
    return moved, _transition(alert.state, moved, f"acknowledged by {who or 'somebody'}", now_s)


def shelve(alert: Alert, until_s: float, reason: str, who: str, now_s: float) -> tuple[Alert, Transition]:
    """Set an open alert aside for a time, with a reason; at the end it comes back by itself if it still stands.

    Raises AlertStateError without a reason, for a time not ahead or more than a week ahead, and for an alert not open.
    """
    if not reason.strip():
        raise AlertStateError("say why it is shelved: the next shift reads it")
    if not now_s < until_s <= now_s + LONGEST_SHELF_S:
        raise AlertStateError("the shelf's end has to lie ahead, by a week at most")
    if alert.state not in (*_OPEN, AlertState.SHELVED):
        raise AlertStateError(f"{alert.id} is {_said(alert.state)}: only an open alert can be shelved")
    moved = _aside(alert, AlertState.SHELVED, reason, who, now_s, until_s)
    return moved, _transition(alert.state, moved, f"shelved by {who or 'somebody'}: {reason.strip()}", now_s)


def unshelve(alert: Alert, who: str, now_s: float) -> tuple[Alert, Transition]:
    """Take a shelved alert back early. Raises AlertStateError for one that is not shelved."""
    if alert.state is not AlertState.SHELVED:
        raise AlertStateError(f"{alert.id} is {_said(alert.state)}: it is not on the shelf")
    moved = replace(_back(alert, now_s), acted_s=now_s)
    return moved, _transition(alert.state, moved, f"taken off the shelf by {who or 'somebody'}", now_s)


def take_out_of_service(alert: Alert, reason: str, who: str, now_s: float) -> tuple[Alert, Transition]:
    """Switch an alert off until it is returned to service. Raises AlertStateError without a reason or when closed."""
    if not reason.strip():
        raise AlertStateError("say why it is taken out of service: the next shift reads it")
    if alert.state in (AlertState.NORMAL, AlertState.OUT_OF_SERVICE):
        raise AlertStateError(f"{alert.id} is {_said(alert.state)} already")
    moved = _aside(alert, AlertState.OUT_OF_SERVICE, reason, who, now_s, None)
    return moved, _transition(alert.state, moved, f"out of service by {who or 'somebody'}: {reason.strip()}", now_s)


def return_to_service(alert: Alert, who: str, now_s: float) -> tuple[Alert, Transition]:
    """Switch an alert on again. Raises AlertStateError for one that is not out of service."""
    if alert.state is not AlertState.OUT_OF_SERVICE:
        raise AlertStateError(f"{alert.id} is {_said(alert.state)}: it is not out of service")
    moved = replace(_back(alert, now_s), acted_s=now_s)
    return moved, _transition(alert.state, moved, f"returned to service by {who or 'somebody'}", now_s)


def _aside(alert: Alert, state: AlertState, reason: str, who: str, now_s: float, until_s: float | None) -> Alert:
    return replace(
        alert,
        state=state,
        shelved_until_s=until_s,
        shelved_reason=reason.strip(),
        aside_s=now_s,
        aside_by=who or "somebody",
        acted_s=now_s,
    )


def close(alert: Alert, reason: str, now_s: float) -> tuple[Alert, Transition]:
    """Close an alert, whatever its state, because what it is about is no longer there."""
    bare = replace(alert, shelved_until_s=None, shelved_reason="", aside_s=None, aside_by="")
    moved = replace(bare, state=AlertState.NORMAL, cleared_s=now_s if alert.cleared_s is None else alert.cleared_s)
    return moved, _transition(alert.state, moved, reason, now_s)


def _move(alert: Alert, at: _Moment) -> tuple[Alert, str]:
    """Move one alert; the reason is empty where nothing is to be announced."""
    fresh = _refreshed(alert, at)
    reason_to_suppress = at.suppressed.get(alert.sump)
    shelf_ends = alert.state is AlertState.SHELVED and at.now_s >= (alert.shelved_until_s or at.now_s)
    calls = alert.state in _OPEN or (shelf_ends and fresh.absent_s is None)
    if reason_to_suppress is not None and calls:
        aside = replace(fresh, shelved_until_s=None, shelved_reason=reason_to_suppress, aside_s=at.now_s, aside_by="")
        return replace(aside, state=AlertState.SUPPRESSED_BY_DESIGN), reason_to_suppress
    if alert.state in (AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED):
        return _move_open(fresh, at)
    if alert.state is AlertState.RETURNED_UNACKNOWLEDGED:
        return _move_returned(fresh, at)
    if shelf_ends:
        return _back(fresh, at.now_s), "the shelf's time is over"
    if alert.state is AlertState.SUPPRESSED_BY_DESIGN and reason_to_suppress is None:
        return _back(fresh, at.now_s), "the sump is in use again"
    return fresh, ""


_GONE = {
    AlertKind.SIGNAL_DOUBTFUL: "the signal follows its sump again and is believed",
    AlertKind.SIGNAL_SILENT: "the signal is heard again",
}


def _move_open(alert: Alert, at: _Moment) -> tuple[Alert, str]:
    if alert.absent_s is None:
        news = _news(alert, at.now_s)
        return (_announced(alert, at.now_s), news) if news else (alert, "")
    outside = at.standing.get((alert.sump, AlertKind.OUTSIDE_BAND, ""))
    overtaken = alert.kind is AlertKind.LEAVES_BAND_UNATTENDED and outside is not None and outside.enter
    if not overtaken and at.now_s - alert.absent_s < _off_delay(alert, at):
        return alert, ""
    acknowledged = alert.state is AlertState.ACKNOWLEDGED
    after = AlertState.NORMAL if acknowledged or overtaken else AlertState.RETURNED_UNACKNOWLEDGED
    reason = "it has left its band" if overtaken else _GONE.get(alert.kind, "the condition is gone")
    return replace(alert, state=after, cleared_s=at.now_s), reason


def _move_returned(alert: Alert, at: _Moment) -> tuple[Alert, str]:
    condition = at.standing.get(alert.key)
    if condition is not None and condition.enter:
        back = replace(
            alert,
            state=AlertState.UNACKNOWLEDGED,
            cleared_s=None,
            returns=alert.returns + 1,
            flapping_s=_flapping_from(alert.key, at),
        )
        reason = "it came back" + (_FLAPPING if back.flapping else "")
        return _announced(_described(back, condition, at), at.now_s), reason
    if at.now_s - (alert.cleared_s or at.now_s) >= LINGER_S:
        return replace(alert, state=AlertState.NORMAL), "it stayed away"
    return alert, ""


def _flapping_from(key: Key, at: _Moment) -> float | None:
    """Return this moment where an alert that comes now comes too often."""
    return at.now_s if at.came(key) + 1 >= FLAPS else None


def _off_delay(alert: Alert, at: _Moment) -> float:
    if alert.flapping:
        return at.calling.hold_s
    return min(at.calling.off_delay_s * (_SECOND if at.came(alert.key) > 1 else 1.0), at.calling.hold_s)


def _refreshed(alert: Alert, at: _Moment) -> Alert:
    """Bring text, priority, exit and recipe up to date, or note since when the condition is away."""
    condition = at.standing.get(alert.key)
    if alert.flapping and not _still_flaps(alert, at):
        alert = replace(alert, flapping_s=None)
    if condition is None:
        return alert if alert.absent_s is not None else replace(alert, absent_s=at.now_s)
    if alert.state is AlertState.RETURNED_UNACKNOWLEDGED and not condition.enter:
        return alert
    came_s = alert.came_s if alert.absent_s is None else at.now_s
    return _described(replace(alert, absent_s=None, came_s=came_s), condition, at)


def _still_flaps(alert: Alert, at: _Moment) -> bool:
    """Tell whether it goes on coming and going: not once it stood for a day, nor after somebody touched the sump."""
    began_s = alert.flapping_s or 0.0
    begun_anew = at.now_s - began_s < DAY_S and at.came(alert.key) == 0
    return not begun_anew and at.now_s - max(began_s, alert.came_s or 0.0) < DAY_S


def _described(alert: Alert, condition: Condition, at: _Moment) -> Alert:
    return replace(
        alert,
        priority=condition.priority,
        side=condition.side,
        text=condition.text + (say_held(at.calling.hold_s) if alert.flapping else ""),
        exit_p50_h=condition.exit_p50_h,
        updated_s=at.now_s,
        recipe=at.recipes.get(alert.sump, alert.recipe) if alert.kind in _WITH_RECIPE else None,
    )


def _back(alert: Alert, now_s: float) -> Alert:
    """Return from the shelf, from suppression or to service: open where the condition stands, closed where not."""
    bare = replace(alert, shelved_until_s=None, shelved_reason="", aside_s=None, aside_by="")
    if alert.absent_s is None:
        return _announced(replace(bare, state=AlertState.UNACKNOWLEDGED, cleared_s=None), now_s)
    return replace(bare, state=AlertState.NORMAL, cleared_s=now_s if alert.cleared_s is None else alert.cleared_s)


def _raised(condition: Condition, at: _Moment) -> Alert:
    subject = f"-{condition.subject}" if condition.subject else ""
    name = f"{condition.sump}-{condition.kind.value}{subject}-{round(at.now_s)}".replace("_", "-").strip("-")
    alert = Alert(
        id=name,
        sump=condition.sump,
        kind=condition.kind,
        state=AlertState.UNACKNOWLEDGED,
        priority=condition.priority,
        raised_s=at.now_s,
        updated_s=at.now_s,
        text=condition.text,
        subject=condition.subject,
        came_s=at.now_s,
        flapping_s=_flapping_from(condition.key, at),
    )
    return _announced(_described(alert, condition, at), at.now_s)


def _announced(alert: Alert, now_s: float) -> Alert:
    return replace(alert, told_s=now_s, told_exit_s=alert.exit_p50_s, told_as=_gist(alert))


def _gist(alert: Alert) -> str:
    """Sum up what people act on; the priority comes first."""
    recipe = "" if alert.recipe is None else alert.recipe.kind.value
    return f"{alert.priority.value} {alert.side.value} {recipe}".rstrip()


def _news(alert: Alert, now_s: float) -> str:
    """Say what is worth announcing since the last announcement; empty for nothing."""
    told = Priority(alert.told_as.split()[0]) if alert.told_as else Priority.LOW
    if _RANK[alert.priority] > _RANK[told]:
        return f"now of {alert.priority.value} priority"
    if now_s - (alert.raised_s if alert.told_s is None else alert.told_s) < _UPDATE_EVERY_S:
        return ""
    if _gist(alert) != alert.told_as:
        return "what to do has changed"
    return "the likely exit has moved" if _has_moved(alert, now_s) else ""


def say_held(hold_s: float) -> str:
    """Say that an alert comes and goes and is held."""
    quiet = duration(hold_s / 3600.0)
    return f" It came {FLAPS} times within a day and is held now: it calls again only after {quiet} of quiet."


def _has_moved(alert: Alert, now_s: float) -> bool:
    if alert.kind is AlertKind.OUTSIDE_BAND:  # it is out: its exit is now, and always will be
        return False
    if alert.exit_p50_s is None or alert.told_exit_s is None:
        return (alert.exit_p50_s is None) != (alert.told_exit_s is None)
    return abs(alert.exit_p50_s - alert.told_exit_s) > max(_MOVED_S, 0.5 * (alert.told_exit_s - now_s))


def _told(before: Alert, after: Alert, reason: str, now_s: float) -> list[Transition]:
    return [_transition(before.state, after, reason, now_s)] if reason else []


def _transition(before: AlertState, alert: Alert, reason: str, now_s: float) -> Transition:
    name = f"{alert.id}-{round(now_s * 1000)}-{alert.state.value}".replace("_", "-")
    return Transition(name, alert.id, now_s, before, alert.state, reason, alert)


def _said(state: AlertState) -> str:
    return state.value.replace("_", " ")
