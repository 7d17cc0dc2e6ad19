"""After a filling: wait until it has settled, compare with the recipe that was in force, learn how strong the mix was.

A watch opens when somebody logs a filling or when the estimated volume rises within one step as no sump does by
itself. It closes when nothing has moved for a while; what is found then is judged once and kept. How much a station or
a person mixes beside what was asked is a mean that begins at "not at all" (one sigma 5 %) and moves with each filling
by as much as that filling can tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from alerts.landed import Landed, Verdict, judge_landing
from alerts.landing import MIX_ERROR, State
from alerts.types import Recipe, RecipeKind
from monitor.plant.reading import Entry, EntryKind
from monitor.plant.types import Plant, Sump

RISE_SHARE: Final = 0.03  # of full: a rise within one step that only a filling makes
SETTLED_S: Final = 2700.0  # circulated, and a few readings
STEPS_SETTLED_S: Final = 7200.0  # where a measurement lies between the steps
LONGEST_S: Final = 6 * 3600.0
EARLY_S: Final = 3600.0  # a filling so long before the moment a recipe waits for is still the recipe's
_DONE: Final = frozenset({EntryKind.TOP_UP, EntryKind.REMOVAL, EntryKind.CHARGE})
_COMMON: Final = 0.9  # correlation of the strength's error before and after: mostly the refractometer's bias
_SCATTER: Final = 0.03  # of one mix against the next, made by the same hand
_MEMORY: Final = 0.97  # weight of what was learnt, at each further filling
_LEAST_SHARE: Final = 0.05  # of full: less tells nothing of the mix
_WORTH: Final = 0.03
_LEAST_COUNT: Final = 4
LIKE: Final = 0.2
"""What was logged counts as what was asked within this share, in litres and in mix."""
LIKE_BY_GAUGE: Final = 0.1


@dataclass(frozen=True, slots=True)
class Watch:
    """A filling under way: the recipe in force (None: none), the sump before it, what was logged of it.

    `told` says that an alert with that recipe stood when it began.
    """

    sump: str
    began_s: float
    moved_s: float
    before: State
    recipe: Recipe | None
    entries: tuple[Entry, ...] = ()
    told: bool = False

    @property
    def closes_s(self) -> float:
        """When it has settled if nothing moves any more."""
        adds = 0 if self.recipe is None else sum(step.do == "add" for step in self.recipe.steps)
        return min(self.moved_s + (STEPS_SETTLED_S if adds > 1 else SETTLED_S), self.began_s + LONGEST_S)

    @property
    def who(self) -> str:
        """Who did it: the last one who logged a filling of it and said so."""
        return next((entry.who for entry in reversed(self.entries) if entry.who), "")


@dataclass(frozen=True, slots=True)
class LandingRecord:
    """Where a sump landed against its recipe: litres and percent said and found, the verdict and a sentence.

    `followed` tells that the recipe had been told with an alert and was carried out as it said, `logged` that the log
    book says what was filled.
    """

    id: str
    sump: str
    time_s: float
    kind: RecipeKind
    verdict: Verdict
    said_volume_l: float
    said_pct: float
    p10: float
    p90: float
    found_volume_l: float
    found_pct: float
    found_sd_pct: float
    off_l: float
    off_pct: float
    who: str
    text: str
    began_s: float = 0.0
    followed: bool = False
    logged: bool = False


@dataclass(frozen=True, slots=True)
class MixBias:
    """By which share the mixes of one station or person come out richer (leaner: negative) than asked."""

    count: int = 0
    weight: float = 0.0
    sum: float = 0.0

    @property
    def mean(self) -> float:
        """Return the likely share; 0 until something was learnt."""
        return self.sum / (self.weight + MIX_ERROR**-2)

    @property
    def sd(self) -> float:
        """Return its one-sigma uncertainty."""
        return 1.0 / math.sqrt(self.weight + MIX_ERROR**-2)

    @property
    def matters(self) -> bool:
        """Tell whether it is large and sure enough to be allowed for: four fillings, 3 %, two standard deviations."""
        return self.count >= _LEAST_COUNT and abs(self.mean) >= max(_WORTH, 2.0 * self.sd)

    def learnt(self, share: float, sd: float) -> MixBias:
        """Return the bias after one more filling whose mix was `share` richer than asked, known to `sd`."""
        weight = 1.0 / (sd**2 + _SCATTER**2)
        return MixBias(self.count + 1, _MEMORY * self.weight + weight, _MEMORY * self.sum + weight * share)

    def setting_pct(self, mix_pct: float) -> float:
        """Return what to ask for so that a mix of `mix_pct` comes out."""
        return mix_pct / (1.0 + self.mean)


@dataclass(frozen=True, slots=True)
class Seen:
    """One sump at one step: what is believed now and was before, which recipe was in force, what was logged.

    `heard_s` is when level or strength were last heard of (minus infinity: never), `told` says that an alert with the
    recipe stands.
    """

    sump: Sump
    now_s: float
    now: State
    before: State | None
    recipe: Recipe | None
    heard_s: float
    entries: tuple[Entry, ...] = field(default=())
    told: bool = False


def watched(watch: Watch | None, seen: Seen) -> Watch | None:
    """Open a watch, or move the one that is open on; None where nothing is under way."""
    acts = tuple(entry for entry in seen.entries if entry.kind in _DONE and seen.now_s - entry.time_s < LONGEST_S)
    known = {entry.id for entry in watch.entries} if watch is not None else set()
    news = tuple(entry for entry in acts if entry.id not in known)
    moved = _moved(seen)
    if watch is not None:
        moved_s = seen.now_s if moved else max([watch.moved_s, *(entry.time_s for entry in news)])
        return replace(watch, moved_s=moved_s, entries=(*watch.entries, *news))
    recipe = in_force(seen.recipe, seen.now_s)
    begins = moved > 0 or (moved < 0 and takes_out(recipe)) or any(e.kind is not EntryKind.REMOVAL for e in news)
    if seen.before is None or not begins:
        return None
    return Watch(seen.sump.id, seen.now_s, seen.now_s, seen.before, recipe, news, seen.told)


def takes_out(recipe: Recipe | None) -> bool:
    """Tell whether a recipe takes fluid out before it fills."""
    return recipe is not None and any(step.do == "take_out" for step in recipe.steps)


def _moved(seen: Seen) -> int:
    """Return 1 where the volume rose as by a filling, -1 where it fell as by taking out, else 0."""
    if seen.before is None:
        return 0
    rise = seen.now.volume_l - seen.before.volume_l
    least = max(RISE_SHARE * seen.sump.full_l, 2.0 * seen.before.volume_sd_l)
    return 0 if abs(rise) <= least else int(math.copysign(1.0, rise))


def in_force(recipe: Recipe | None, now_s: float) -> Recipe | None:
    """Return the recipe, or the other it offers, that a filling at this moment carries out; None where neither does."""
    if recipe is None or recipe.kind is RecipeKind.LEAVE_ALONE:
        return None
    for one in (recipe, recipe.instead):
        if one is not None and any(step.do == "add" for step in one.steps):
            waits = [step.time_s for step in one.steps if step.do == "wait_until" and step.time_s is not None]
            if all(wait <= now_s + EARLY_S for wait in waits):
                return one
    return None


def closed(plant: Plant, watch: Watch, found: State, now_s: float) -> LandingRecord | None:
    """Judge a filling that has settled; None where no recipe was in force."""
    if watch.recipe is None:
        return None
    recipe = _nearest(watch.recipe, found)
    landed: Landed = judge_landing(plant, recipe, found)
    return LandingRecord(
        id=f"{watch.sump}-landing-{int(watch.began_s)}",
        sump=watch.sump,
        time_s=now_s,
        kind=recipe.kind,
        verdict=landed.verdict,
        said_volume_l=recipe.lands.volume_l,
        said_pct=recipe.lands.concentration_pct,
        p10=recipe.lands.p10,
        p90=recipe.lands.p90,
        found_volume_l=round(found.volume_l, 1),
        found_pct=round(found.concentration_pct, 2),
        found_sd_pct=round(found.concentration_sd_pct, 3),
        off_l=landed.off_l,
        off_pct=landed.off_pct,
        who=watch.who,
        text=landed.text,
        began_s=watch.began_s,
        followed=watch.told and is_followed(watch, recipe, found),
        logged=any(entry.kind is EntryKind.TOP_UP for entry in watch.entries),
    )


def is_followed(watch: Watch, recipe: Recipe, found: State) -> bool:
    """Tell whether a filling was what its recipe asked: by the log book, or by the gauge where nothing was logged."""
    asked_l, asked_pct = _sum((step.volume_l or 0.0, step.mix_pct or 0.0) for step in recipe.steps if step.do == "add")
    if asked_l <= 0.0:
        return False
    fills = [entry for entry in watch.entries if entry.kind is EntryKind.TOP_UP]
    if fills:
        litres, mix = _sum((entry.volume_l or 0.0, entry.mix_pct or 0.0) for entry in fills)
        return abs(litres - asked_l) <= LIKE * asked_l and abs(mix - asked_pct) <= LIKE * asked_pct
    return abs(found.volume_l - recipe.lands.volume_l) <= LIKE_BY_GAUGE * asked_l


def _sum(parts: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Return litres in all and their mean strength (percent)."""
    known = list(parts)
    return math.fsum(litres for litres, _ in known), _mean(known) or 0.0


def _nearest(recipe: Recipe, found: State) -> Recipe:
    """Return which of the two that were offered was carried out, by the litres that were put in."""
    offered = [recipe] + ([recipe.instead] if recipe.instead is not None and _adds(recipe.instead) else [])
    return min(offered, key=lambda one: abs(one.lands.volume_l - found.volume_l))


def _adds(recipe: Recipe) -> bool:
    return any(step.do == "add" for step in recipe.steps)


def mix_told(watch: Watch, found: State, full_l: float) -> tuple[float, float] | None:
    """Return by which share the mix was richer than asked, and its one-sigma; None where that cannot be told.

    What was asked is what was logged, else the recipe's. The litres come from the gauge: `m' = (V' c' - V c) / A`, so
    a filling before which fluid was taken out tells nothing.
    """
    asked, kept_l = _asked(watch), watch.before.volume_l
    if asked is None or takes_out(watch.recipe) or any(entry.kind is not EntryKind.TOP_UP for entry in watch.entries):
        return None
    added_l = found.volume_l - kept_l
    if added_l < _LEAST_SHARE * full_l or kept_l <= 0.0 or asked <= 0.0:
        return None
    mix = (found.volume_l * found.concentration_pct - kept_l * watch.before.concentration_pct) / added_l
    after, before = found.volume_l * found.concentration_sd_pct, kept_l * watch.before.concentration_sd_pct
    by_strength = after**2 + before**2 - 2.0 * _COMMON * after * before
    by_litres = (found.concentration_pct - mix) ** 2 * (found.volume_sd_l**2 + watch.before.volume_sd_l**2)
    sd = math.sqrt(max(by_strength, 0.0) + by_litres) / added_l / asked
    share = mix / asked - 1.0
    return (share, sd) if sd < 0.5 and abs(share) < 0.6 else None


def _asked(watch: Watch) -> float | None:
    """Return the strength that was logged for it, or that of its recipe (percent)."""
    logged = [
        (entry.volume_l or 0.0, entry.mix_pct or 0.0) for entry in watch.entries if entry.kind is EntryKind.TOP_UP
    ]
    if logged:
        return _mean(logged)
    if watch.recipe is None:
        return None
    return _mean([(step.volume_l or 0.0, step.mix_pct or 0.0) for step in watch.recipe.steps if step.do == "add"])


def _mean(parts: Sequence[tuple[float, float]]) -> float | None:
    litres = math.fsum(volume for volume, _ in parts)
    return math.fsum(volume * mix for volume, mix in parts) / litres if litres > 0.0 else None


def say_bias(who: str, bias: MixBias) -> str:
    """Say how somebody's mixes come out, as in: Mixes by Bruno come out about 10 % lean (± 4 %, 6 fillings)."""
    name = f"by {who}" if who else "here"
    side = "rich" if bias.mean > 0.0 else "lean"
    return (
        f"Mixes {name} come out about {abs(100.0 * bias.mean):.0f} % {side} "
        f"(± {100.0 * 1.2816 * bias.sd:.0f} %, {bias.count} fillings)."
    )
