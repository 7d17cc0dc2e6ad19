"""Alerts, transitions, recipes and demands as JSON text and back, exactly: for the record and the checkpoints.

What goes out to people and other programs is `Recipe.as_json` and `alerts.envelope`; this form keeps every field and
every digit. A text that does not fit gives ValueError (pydantic's ValidationError) naming the field.
"""

from __future__ import annotations

from pydantic import TypeAdapter

from alerts.types import Alert, Basis, MixingDemand, Recipe, Transition
from alerts.watching import LandingRecord

_ALERT = TypeAdapter(Alert)
_TRANSITION = TypeAdapter(Transition)
_RECIPE = TypeAdapter(Recipe)
_BASIS = TypeAdapter(Basis)
_DEMAND = TypeAdapter(MixingDemand)
_LANDING = TypeAdapter(LandingRecord)


def alert_to_json(alert: Alert) -> str:
    """Write an alert with its recipe as JSON text."""
    return _ALERT.dump_json(alert).decode()


def alert_from_json(text: str | bytes) -> Alert:
    """Read what `alert_to_json` wrote."""
    return _ALERT.validate_json(text)


def transition_to_json(transition: Transition) -> str:
    """Write a transition with its alert as JSON text."""
    return _TRANSITION.dump_json(transition).decode()


def transition_from_json(text: str | bytes) -> Transition:
    """Read what `transition_to_json` wrote."""
    return _TRANSITION.validate_json(text)


def basis_to_json(basis: Basis | None) -> str:
    """Write what a transition rested on as JSON text; empty for nothing."""
    return "" if basis is None else _BASIS.dump_json(basis).decode()


def basis_from_json(text: str | bytes) -> Basis | None:
    """Read what `basis_to_json` wrote."""
    return _BASIS.validate_json(text) if text else None


def recipe_to_json(recipe: Recipe) -> str:
    """Write a recipe as JSON text, every field kept (the contract's form is `Recipe.as_json`)."""
    return _RECIPE.dump_json(recipe).decode()


def recipe_from_json(text: str | bytes) -> Recipe:
    """Read what `recipe_to_json` wrote."""
    return _RECIPE.validate_json(text)


def demand_to_json(demand: MixingDemand) -> str:
    """Write a mixing demand as JSON text, every field kept (the published form is `MixingDemand.as_json`)."""
    return _DEMAND.dump_json(demand).decode()


def demand_from_json(text: str | bytes) -> MixingDemand:
    """Read what `demand_to_json` wrote."""
    return _DEMAND.validate_json(text)


def landing_to_json(landing: LandingRecord) -> str:
    """Write a landing as JSON text, every field kept."""
    return _LANDING.dump_json(landing).decode()


def landing_from_json(text: str | bytes) -> LandingRecord:
    """Read what `landing_to_json` wrote."""
    return _LANDING.validate_json(text)
