"""The round before going home: what to do, in walking order, to tick off and to print."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

from alerts.attendance import attendance
from alerts.reports import Seen, cart, stops
from alerts.types import Alert, Priority, Recipe, RecipeKind
from alerts.words import twentieths
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.recipes import RecipeText, recipe_text
from monitor.status.tonight import standing_by_sump
from monitor.status.words import at, full


@dataclass(frozen=True, slots=True)
class Stop:
    """One sump of the round: why, and what to do there."""

    sump: str
    priority: Priority
    texts: tuple[str, ...]
    recipe: RecipeText | None


@dataclass(frozen=True, slots=True)
class Area:
    """The stops of one area, in the order of the plant file."""

    name: str
    stops: tuple[Stop, ...]


@dataclass(frozen=True, slots=True)
class Round:
    """The whole round and what to take along."""

    made: str
    before: str
    areas: tuple[Area, ...]
    cart: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def stops(self) -> int:
        """How many sumps are on the round."""
        return sum(len(area.stops) for area in self.areas)


def walk(plant: Plant, snapshot: Snapshot) -> Round:
    """Return the round for a snapshot: areas by name, sumps in the order of the plant file.

    On it are the sumps of the hand-over message, and all others that somebody is called for.
    """
    there = attendance(plant.attended, snapshot.now_s)
    seen = {view.sump: Seen(view.estimate, view.forecast, view.recipe) for view in snapshot.sumps.values()}
    chances = {stop.sump: stop.chance for stop in stops(plant, seen, snapshot.alerts, snapshot.now_s)}
    standing = standing_by_sump(snapshot)
    found = [(plant.sumps[name].area, name, standing.get(name, ())) for name in plant.sumps]
    wanted = sorted((one for one in found if one[2] or one[1] in chances), key=lambda item: item[0])
    recipes = {name: _recipe(snapshot, name, alerts) for _, name, alerts in wanted}
    back = at(there.back_s, snapshot.now_s, plant.zone)
    why = {name: f"{twentieths(chance)} to leave its band before {back}." for name, chance in chances.items()}
    areas = tuple(
        Area(
            area or "Without an area",
            tuple(_stop(name, alerts, why.get(name, ""), recipes[name], plant) for _, name, alerts in group),
        )
        for area, group in groupby(wanted, key=lambda item: item[0])
    )
    return Round(
        made=full(snapshot.now_s, plant.zone),
        before=at(there.until_s, snapshot.now_s, plant.zone) if there.attended else "",
        areas=areas,
        cautions=tuple(dict.fromkeys(text for r in recipes.values() if r for text in r.cautions)),
        cart=cart((recipe for recipe in recipes.values() if recipe), plant),
    )


def _recipe(snapshot: Snapshot, name: str, alerts: tuple[Alert, ...]) -> Recipe | None:
    recipe = snapshot.sumps[name].recipe if name in snapshot.sumps else None
    recipe = recipe or next((alert.recipe for alert in alerts if alert.recipe), None)
    return None if recipe is None or recipe.kind is RecipeKind.LEAVE_ALONE else recipe


def _stop(name: str, alerts: tuple[Alert, ...], why: str, recipe: Recipe | None, plant: Plant) -> Stop:
    return Stop(
        sump=name,
        priority=alerts[0].priority if alerts else Priority.LOW,
        texts=tuple(alert.text for alert in alerts) or (why,),
        recipe=None if recipe is None else recipe_text(recipe, plant),
    )
