"""A recipe as the page shows it: a headline, numbered steps, where it lands, cautions."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from alerts.types import Recipe, RecipeKind, Step
from alerts.wording import say_lands, say_recipe
from alerts.words import mix, volume
from monitor.plant.types import Plant

_NUMBER: Final = re.compile(r"^\d+\.\s+")
"""The wording numbers its lines; on the page the list does."""

KINDS: Final = {
    RecipeKind.TOP_UP: "Top up",
    RecipeKind.TOP_UP_IN_STEPS: "Top up in steps",
    RecipeKind.RUN_DOWN_THEN_FILL: "Let it run down, then fill",
    RecipeKind.TAKE_OUT_AND_REFILL: "Take out and refill",
    RecipeKind.ENRICH: "Enrich",
    RecipeKind.USE_SET_ASIDE: "Use the set-aside fluid",
    RecipeKind.LOOK_FOR_LEAK: "Look for a leak",
    RecipeKind.CHECK_FIRST: "Check first",
    RecipeKind.LEAVE_ALONE: "Leave it alone",
}


@dataclass(frozen=True, slots=True)
class RecipeText:
    """A recipe in words. `take_out` and `add` prefill the log form: volume and mix as typed in the plant's units."""

    kind: RecipeKind
    headline: str
    steps: tuple[str, ...]
    lands: str
    why: str
    cautions: tuple[str, ...]
    take_out_l: float | None
    add_l: float | None
    add_pct: float | None
    instead: RecipeText | None = None


def recipe_text(recipe: Recipe, plant: Plant) -> RecipeText:
    """Return a recipe in words."""
    adds = [step for step in recipe.steps if step.do == "add" and step.volume_l]
    outs = [step for step in recipe.steps if step.do == "take_out" and step.volume_l]
    return RecipeText(
        kind=recipe.kind,
        headline=headline(recipe, outs + adds, plant),
        steps=tuple(_NUMBER.sub("", line) for line in say_recipe(recipe, plant)),
        lands=say_lands(recipe, plant),
        why=recipe.why,
        cautions=recipe.cautions,
        take_out_l=outs[0].volume_l if outs else None,
        add_l=adds[0].volume_l if adds else None,
        add_pct=adds[0].mix_pct if adds else None,
        instead=None if recipe.instead is None else recipe_text(recipe.instead, plant),
    )


def headline(recipe: Recipe, moves: list[Step], plant: Plant) -> str:
    """Say a recipe in half a line: what to take out and what to put in."""
    said = [_move(step, plant) for step in moves]
    if any(step.do == "wait_until" for step in recipe.steps) and said:
        said.insert(0, "let it run down")
    text = ", then ".join(said)
    return text[:1].upper() + text[1:] if text else KINDS[recipe.kind]


def _move(step: Step, plant: Plant) -> str:
    much = volume(plant, step.volume_l or 0.0)
    if step.do == "take_out":
        return f"take out {much}"
    return f"put in {much}" if step.mix_pct is None else f"put in {much} at {mix(step.mix_pct)}"
