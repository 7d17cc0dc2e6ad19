"""What leaves the house: alerts as JSON for the API, transitions as CloudEvents 1.0 (structured JSON)."""

from __future__ import annotations

from typing import Any

from alerts.types import Alert, AlertState, Transition, rfc3339
from alerts.wording import say_alert, say_lands, say_recipe, short_text
from monitor.plant.types import Plant

_TYPES = {
    AlertState.ACKNOWLEDGED: "acknowledged",
    AlertState.RETURNED_UNACKNOWLEDGED: "cleared",
    AlertState.NORMAL: "closed",
    AlertState.SHELVED: "shelved",
    AlertState.SUPPRESSED_BY_DESIGN: "suppressed",
    AlertState.OUT_OF_SERVICE: "out_of_service",
}
_BACK = {
    AlertState.NORMAL: "raised",
    AlertState.SHELVED: "unshelved",
    AlertState.SUPPRESSED_BY_DESIGN: "unsuppressed",
    AlertState.OUT_OF_SERVICE: "returned_to_service",
}


def alert_json(alert: Alert, plant: Plant) -> dict[str, Any]:
    """Return an alert as plain JSON values: ids, RFC 3339 times, words and recipe; what is not known is null."""
    recipe = alert.recipe
    return {
        "id": alert.id,
        "sump": alert.sump,
        "kind": alert.kind.value,
        "subject": alert.subject,
        "state": alert.state.value,
        "priority": alert.priority.value,
        "side": alert.side.value,
        "open": alert.is_open,
        "flapping": alert.flapping,
        "raised_at": rfc3339(alert.raised_s),
        "updated_at": rfc3339(alert.updated_s),
        "cleared_at": _time(alert.cleared_s),
        "exit_p50_h": None if alert.exit_p50_h is None else round(alert.exit_p50_h, 2),
        "exit_p50_at": _time(alert.exit_p50_s),
        "acknowledged_at": _time(alert.acknowledged_s),
        "acknowledged_by": alert.acknowledged_by,
        "shelved_until": _time(alert.shelved_until_s),
        "shelved_reason": alert.shelved_reason,
        "aside_since": _time(alert.aside_s),
        "aside_by": alert.aside_by,
        "text": alert.text,
        "words": {
            "alert": say_alert(alert, plant),
            "short": short_text(alert, plant),
            "recipe": [] if recipe is None else say_recipe(recipe, plant),
            "lands": "" if recipe is None else say_lands(recipe, plant),
        },
        "recipe": None if recipe is None else recipe.as_json(),
    }


def transition_json(transition: Transition) -> dict[str, Any]:
    """Return a change of an alert's state as plain JSON values, without the alert itself."""
    return {
        "id": transition.id,
        "time": rfc3339(transition.time_s),
        "event": event_name(transition),
        "before": transition.before.value,
        "after": transition.after.value,
        "reason": transition.reason,
        "text": transition.alert.text,
        "priority": transition.alert.priority.value,
        "exit_p50_at": _time(transition.alert.exit_p50_s),
        "recipe": None if transition.alert.recipe is None else transition.alert.recipe.as_json(),
        **_basis(transition),
    }


def cloud_event(alert: Alert, transition: Transition, plant: Plant, source: str) -> dict[str, Any]:
    """Return a transition as a CloudEvents 1.0 event; its id is the transition's, so receivers can drop repeats."""
    return {
        "specversion": "1.0",
        "id": transition.id,
        "source": source,
        "type": f"bandkeeper.alert.{event_name(transition)}",
        "subject": alert.sump or alert.subject or plant.id,
        "time": rfc3339(transition.time_s),
        "datacontenttype": "application/json",
        "data": {
            "alert": alert_json(alert, plant),
            "before": transition.before.value,
            "after": transition.after.value,
            "reason": transition.reason,
            **_basis(transition),
        },
    }


def _basis(transition: Transition) -> dict[str, Any]:
    return {"estimate": None, "forecast": None} if transition.basis is None else transition.basis.as_json()


def event_name(transition: Transition) -> str:
    """Name what happened: raised, updated, acknowledged, cleared, returned, closed, shelved, unshelved and so on."""
    before, after = transition.before, transition.after
    if before is after:
        return "updated"
    if after is not AlertState.UNACKNOWLEDGED:
        is_clearing = after is AlertState.NORMAL and before is not AlertState.RETURNED_UNACKNOWLEDGED
        return "cleared" if is_clearing else _TYPES[after]
    return _BACK.get(before, "returned")


def _time(time_s: float | None) -> str | None:
    return None if time_s is None else rfc3339(time_s)
