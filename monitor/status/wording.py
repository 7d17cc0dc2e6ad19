"""Recipes and alerts in words and as JSON, until the alert room says them itself."""

from __future__ import annotations

from typing import Any

from alerts.types import Alert, Recipe, Step, rfc3339
from monitor.plant.show import show_height, show_volume
from monitor.plant.types import Plant


def say_recipe(recipe: Recipe, plant: Plant) -> list[str]:
    """Say each step."""
    return [_step(step, plant) for step in recipe.steps]


def _step(step: Step, plant: Plant) -> str:
    text = step.do.replace("_", " ").capitalize()
    if step.volume_l is not None:
        text += f" {show_volume(step.volume_l, plant.units)}"
    if step.mix_pct is not None:
        text += f" of {step.mix_pct:g} %"
    if step.containers:
        text += f" ({step.containers})"
    if step.until_level_mm is not None:
        text += f", to {show_height(step.until_level_mm, plant.units)}"
    if step.minutes is not None:
        text += f" {step.minutes} min"
    return text + (f": {step.what}" if step.what else "")


def say_lands(recipe: Recipe, plant: Plant) -> str:
    """Say where a recipe lands."""
    lands = recipe.lands
    return f"Lands at {lands.concentration_pct:.1f} % ({lands.p10:.1f} to {lands.p90:.1f}), {show_volume(lands.volume_l, plant.units)}"


def alert_json(alert: Alert, plant: Plant) -> dict[str, Any]:
    """Return an alert as JSON."""
    return {
        "id": alert.id,
        "sump": alert.sump,
        "kind": alert.kind.value,
        "state": alert.state.value,
        "priority": alert.priority.value,
        "raised_at": rfc3339(alert.raised_s),
        "text": alert.text,
        "plant": plant.id,
        "recipe": None if alert.recipe is None else alert.recipe.as_json(),
    }
