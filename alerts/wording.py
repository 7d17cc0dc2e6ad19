"""Alerts and recipes in words: for the page, the mail, the print-out and the short text."""

from __future__ import annotations

from collections.abc import Iterable

from alerts.containers import Measures
from alerts.types import Alert, AlertKind, Recipe, RecipeKind, Step
from alerts.words import about, chance, jug, level, mix, moment, percent, pour, quarter, twentieths, volume
from monitor.model.checks import CheckWorth
from monitor.model.types import Side
from monitor.plant.types import Plant

SHORT_TEXT = 160
_SHORT_WORDS = {
    AlertKind.LOSS_JUMP: "loses too much: look for a leak.",
    AlertKind.LANDED_OFF: "landed off its recipe: measure by hand first.",
}
_SHORT_SIDES = {Side.RICH: "RICH", Side.LEAN: "LEAN", Side.LOW: "LOW", Side.NONE: "OUT OF BAND"}


def say_alert(alert: Alert, plant: Plant) -> str:
    """Say in one go what happens, when, how sure, and what to do about it."""
    action = "" if alert.recipe is None else say_action(alert.recipe, plant)
    return f"{alert.text} {action}".rstrip()


def why_check(check: CheckWorth) -> str:
    """Say why a hand check of a sump might change what people do tonight."""
    return (
        f"{twentieths(check.chance_leaves)} chances that it leaves its band before somebody is back; "
        f"its strength is known to ± {check.strength_sd_pct:.2f} points"
    )


def worth_of_check(check: CheckWorth) -> str:
    """Say what a hand check is worth."""
    return f"a wrong call gets rarer by {100 * check.worth:.0f} in 100"


def say_action(recipe: Recipe, plant: Plant) -> str:
    """Say a recipe in one short sentence: take out 60 L (to 212 mm), add 5 x 20 L at 1 %; lands at 8.1 %."""
    worth = recipe.steps if recipe.kind is RecipeKind.CHECK_FIRST else _without_last_measure(recipe.steps)
    acts = ", ".join(act for step in worth if (act := _short_step(step, recipe, plant)))
    if recipe.kind is RecipeKind.LEAVE_ALONE:
        return "Leave it alone."
    if not any(step.do == "add" for step in recipe.steps):
        return f"{_capital(acts)}." if acts else ""
    return f"{_capital(acts)}; lands at {percent(recipe.lands.concentration_pct)}."


def say_recipe(recipe: Recipe, plant: Plant) -> list[str]:
    """Say a recipe as numbered instructions, one a line, in the order they are carried out."""
    lines = [line for step in recipe.steps for line in _step_lines(step, recipe, plant)]
    if recipe.kind is RecipeKind.LEAVE_ALONE:
        lines = ["Leave it alone: nothing to do now."]
    return [f"{number}. {line}" for number, line in enumerate(lines, start=1)]


def say_lands(recipe: Recipe, plant: Plant) -> str:
    """Say where a recipe lands, and how sure that is."""
    lands, is_bare = recipe.lands, not any(step.do in ("add", "take_out") for step in recipe.steps)
    return (
        f"{'It stands' if is_bare else 'Lands'} at {percent(lands.concentration_pct)} "
        f"({percent(lands.p10)} to {percent(lands.p90)}) with {about(plant, lands.volume_l)}; "
        f"inside the band with {chance(lands.in_band_probability)}."
    )


def short_text(alert: Alert, plant: Plant) -> str:
    """Say an alert in at most 160 characters; the recipe comes before the explanation."""
    action = "" if alert.recipe is None else say_action(alert.recipe, plant)
    head = _short_head(alert, plant) + (" On and off: held." if alert.flapping else "")
    for parts in ((head, action), (head, _first_act(action)), (head,)):
        text = " ".join(part for part in parts if part)
        if len(text) <= SHORT_TEXT:
            return text
    return head[: SHORT_TEXT - 1].rstrip() + "…"


def _short_head(alert: Alert, plant: Plant) -> str:
    if alert.kind is AlertKind.LEAVES_BAND_UNATTENDED:
        if alert.exit_p50_s is None:
            return f"{alert.sump} may be {_SHORT_SIDES[alert.side]} before somebody is back."
        likely = moment(plant, quarter(alert.exit_p50_s), alert.updated_s)
        return f"{alert.sump} {_SHORT_SIDES[alert.side]} likely {likely}."
    if alert.kind is AlertKind.OUTSIDE_BAND:
        return f"{alert.sump} is {_SHORT_SIDES[alert.side]} now."
    if alert.kind in _SHORT_WORDS:
        return f"{alert.sump} {_SHORT_WORDS[alert.kind]}"
    if not alert.sump or alert.kind not in (AlertKind.SIGNAL_SILENT, AlertKind.SIGNAL_DOUBTFUL):
        return _cut(alert.text)
    what = "silent" if alert.kind is AlertKind.SIGNAL_SILENT else "doubtful"
    return f"{alert.sump}: {alert.subject.replace('_', ' ')} signal {what}, check it."


def _cut(text: str) -> str:
    return text if len(text) <= SHORT_TEXT else text[: SHORT_TEXT - 1].rstrip() + "…"


def _first_act(action: str) -> str:
    """Shorten an action to its first act, and say that there is more."""
    first, comma, _ = action.partition(",")
    return f"{first}, … see recipe." if comma else ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _short_step(step: Step, recipe: Recipe, plant: Plant) -> str:
    if step.do == "take_out":
        return f"take out {volume(plant, step.volume_l or 0.0)}{_gauge(plant, step, ' (to {})')}"
    if step.do == "add":
        return f"add {step.containers} at {mix(step.mix_pct or 0.0)}"
    if step.do == "wait_until" and step.time_s is not None:
        return f"wait until {moment(plant, step.time_s, recipe.made_s)}"
    if step.do == "look":
        return "look for the loss"
    return "measure level and strength" if step.do == "measure" else ""


def _without_last_measure(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    return steps[:-1] if steps and steps[-1].do == "measure" else steps


def _gauge(plant: Plant, step: Step, form: str) -> str:
    return "" if step.until_level_mm is None else form.format(level(plant, step.until_level_mm))


def _step_lines(step: Step, recipe: Recipe, plant: Plant) -> Iterable[str]:
    if step.do == "take_out":
        what = f"Take out {volume(plant, step.volume_l or 0.0)}{_gauge(plant, step, ' (gauge down to {} at rest)')}."
        keep = "Set it aside in a labelled container." if recipe.set_aside_l > 0.0 else "It is waste: local rules."
        yield f"{what} {keep}"
    elif step.do == "add":
        yield from _add_lines(step, plant)
        if step.setting_pct is not None:
            mixed, asked = mix(step.mix_pct or 0.0), mix(step.setting_pct)
            yield f"Set or ask for {asked} where it usually comes from: {mixed} comes out."
    elif step.do == "wait_until" and step.time_s is not None:
        gauge = _gauge(plant, step, " (the gauge then shows about {})")
        yield f"Wait until {moment(plant, step.time_s, recipe.made_s)}{gauge}; let it run down."
    elif step.do == "circulate":
        yield f"Let it circulate for {step.minutes} minutes."
    elif step.do == "measure":
        yield f"Measure: {step.what or 'strength and level'}; log the result."
    elif step.do == "look":
        yield step.what or "Look for the loss."


def _add_lines(step: Step, plant: Plant) -> Iterable[str]:
    """Say whole buckets and the part bucket, each with its own water and concentrate, then the level to stop at."""
    split = Measures.of(plant).split(step.volume_l or 0.0)
    strength, water = (step.mix_pct or 0.0) / 100.0, f"{step.water} water" if step.water else "water"
    stop = _gauge(plant, step, " Stop at {} on the gauge at rest, even if some is left over.")
    portions = [(split.whole, split.bucket_l)] if split.whole else []
    portions += [(1, split.rest_l)] if split.rest_l > 0.0 else []
    for position, (count, litres) in enumerate(portions, start=1):
        strong = litres * strength
        what = f"{pour(plant, strong)} concentrate"
        if step.container:
            strong = (step.set_aside_l or 0.0) * litres / (step.volume_l or 1.0)
            what = f"{jug(plant, strong)} from container {step.container}"
        buckets = (
            f"{count} buckets of"
            if count > 1
            else "1 bucket of"
            if split.whole and position == 1
            else "a part bucket of"
        )
        each = "each " if count > 1 else ""
        last = stop if position == len(portions) else ""
        yield (
            f"Add {buckets} {volume(plant, litres)}: {each}{volume(plant, litres - strong)} {water}, then "
            f"{what} into it ({mix(step.mix_pct or 0.0)}).{last}"
        )
