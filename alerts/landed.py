"""Where a sump landed against what its recipe said: said once, kept, and learnt from."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from alerts.landing import State
from alerts.types import Recipe
from alerts.words import about, percent
from monitor.plant.types import Plant

_Z90 = 1.2815515655446004
_WIDER = 1.5  # a landing counts as off only this much beyond its stated interval
_LEAST_OFF_PCT = 0.15  # and by at least what a refractometer can tell
_UNCHANGED = 0.25  # share of the planned change below which nothing was done


class Verdict(StrEnum):
    """How a correction came out."""

    LANDED = "landed"
    SHORT = "short"
    RICH = "rich"
    LEAN = "lean"
    NO_CHANGE = "no_change"


@dataclass(frozen=True, slots=True)
class Landed:
    """A verdict with what it rests on: litres and points off the recipe (positive: more, richer), and in words."""

    verdict: Verdict
    off_l: float
    off_pct: float
    text: str


def judge_landing(plant: Plant, recipe: Recipe, found: State) -> Landed:
    """Compare a sump after circulation with its recipe's landing, both with their uncertainties.

    `no_change` where less than a quarter of the added litres arrived and the strength stayed; `short` where litres
    are missing; `rich` or `lean` where the strength lies outside the stated interval by more than the measurement can
    explain.
    """
    off_l = found.volume_l - recipe.lands.volume_l
    off_pct = found.concentration_pct - recipe.lands.concentration_pct
    verdict = _verdict(recipe, found, off_l, off_pct)
    return Landed(verdict, round(off_l, 1), round(off_pct, 2), _say(plant, recipe, found, verdict))


def mix_bias(recipe: Recipe, found: State) -> float | None:
    """Return how much stronger (positive) or weaker the mix was than asked, as a share; None where nothing was added.

    It is what the found strength says of the mix if the litres were right: `m' = (V' c' - V_kept c_kept) / A`.
    """
    added = [(step.volume_l or 0.0, step.mix_pct or 0.0) for step in recipe.steps if step.do == "add"]
    litres = sum(volume for volume, _ in added)
    asked = sum(volume * mix for volume, mix in added)
    if litres <= 0.0 or asked <= 0.0:
        return None
    off = (found.concentration_pct - recipe.lands.concentration_pct) * recipe.lands.volume_l
    return off / asked


def _verdict(recipe: Recipe, found: State, off_l: float, off_pct: float) -> Verdict:
    added = sum(step.volume_l or 0.0 for step in recipe.steps if step.do == "add")
    unsure_l = 2.0 * found.volume_sd_l + 0.1 * added
    stated = (recipe.lands.p90 - recipe.lands.p10) / 2.0
    unsure_pct = max(_WIDER * (stated**2 + (_Z90 * found.concentration_sd_pct) ** 2) ** 0.5, _LEAST_OFF_PCT)
    if added > 0.0 and _is_unchanged(recipe, found, unsure_pct):
        return Verdict.NO_CHANGE
    if abs(off_pct) > unsure_pct:
        return Verdict.RICH if off_pct > 0.0 else Verdict.LEAN
    return Verdict.SHORT if off_l < -unsure_l else Verdict.LANDED


def _is_unchanged(recipe: Recipe, found: State, unsure_pct: float) -> bool:
    planned = recipe.lands.volume_l - recipe.from_volume_l
    moved = found.volume_l - recipe.from_volume_l
    is_level_same = abs(moved) <= max(_UNCHANGED * abs(planned), 2.0 * found.volume_sd_l)
    planned_pct = recipe.lands.concentration_pct - recipe.from_concentration_pct
    moved_pct = found.concentration_pct - recipe.from_concentration_pct
    is_strength_same = abs(moved_pct) <= max(_UNCHANGED * abs(planned_pct), 0.5 * unsure_pct)
    could_tell = abs(planned) > 4.0 * found.volume_sd_l or abs(planned_pct) > 2.0 * unsure_pct
    return is_level_same and is_strength_same and could_tell


def _say(plant: Plant, recipe: Recipe, found: State, verdict: Verdict) -> str:
    here = f"{percent(found.concentration_pct)} with {about(plant, found.volume_l)}"
    said = f"{percent(recipe.lands.concentration_pct)} with {about(plant, recipe.lands.volume_l)}"
    return {
        Verdict.LANDED: f"{recipe.sump} landed at {here}, as the recipe said ({said}).",
        Verdict.SHORT: f"{recipe.sump} landed at {here}; the recipe said {said}: some litres are missing.",
        Verdict.RICH: f"{recipe.sump} landed rich, at {here}; the recipe said {said}. Measure again before correcting.",
        Verdict.LEAN: f"{recipe.sump} landed lean, at {here}; the recipe said {said}. Measure again before correcting.",
        Verdict.NO_CHANGE: f"{recipe.sump} stands at {here}: nothing seems to have been added; the recipe said {said}.",
    }[verdict]
