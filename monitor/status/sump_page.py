"""A sump's page as values: now, where the fluid goes, what was, what is likely, what was done, what to do."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup

from alerts.attendance import attendance
from alerts.types import Alert
from alerts.words import number
from monitor.model.types import Estimate, Forecast
from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.reading import Signal
from monitor.plant.show import show_height, show_volume
from monitor.plant.types import Plant, Sump
from monitor.snapshot import Snapshot, SumpView
from monitor.status.aftercare import LandingLine, landing_lines
from monitor.status.axis import hours_ahead
from monitor.status.board import RecordReader
from monitor.status.logbook import Done, done, marks
from monitor.status.recipes import RecipeText
from monitor.status.strips import glass, ruler, strip
from monitor.status.sump_charts import PAST_S, SIGMA_80, charts
from monitor.status.tonight import back_or_axis_end, recipe_of, say_strength, say_volume, standing_by_sump
from monitor.status.words import SIDES, SIGNALS, ago, ahead, chances, early_late, full, likely


@dataclass(frozen=True, slots=True)
class SignalLine:
    """A signal, when it was last heard, and what is wrong with it (empty: nothing)."""

    name: str
    source: str
    heard: str
    trouble: str


@dataclass(frozen=True, slots=True)
class Losses:
    """Where the fluid goes in a day, in words, and evaporation's share in percent."""

    evaporation: str
    drag_out: str
    share_pct: int


@dataclass(frozen=True, slots=True)
class SumpPage:
    """Everything a sump's page shows."""

    id: str
    area: str
    fluid: str
    now: str
    known: bool
    running: str
    likely: str
    spread: str
    chances: str
    volume: str
    level: str
    strength: str
    lowest: str
    losses: Losses | None
    strip: Markup
    ruler: Markup
    glass: Markup
    alerts: tuple[Alert, ...]
    recipe: RecipeText | None
    charts: tuple[Markup, ...]
    sides: tuple[tuple[str, str], ...]
    dots: tuple[str, ...]
    signals: tuple[SignalLine, ...]
    done: tuple[Done, ...]
    volume_unit: str
    take_out: str
    add: str
    mix: str
    form_ids: tuple[str, str, str]
    landings: tuple[LandingLine, ...]
    minerals: tuple[str, ...]


def sump_page(plant: Plant, snapshot: Snapshot, view: SumpView, reader: RecordReader) -> SumpPage:
    """Return the page of one sump."""
    sump, estimate, forecast, now_s = plant.sumps[view.sump], view.estimate, view.forecast, snapshot.now_s
    axis = hours_ahead(plant.attended, now_s, plant.zone)
    until_s = back_or_axis_end(attendance(plant.attended, now_s), axis)
    alerts = standing_by_sump(snapshot).get(sump.id, ())
    recipe = recipe_of(view, alerts, plant)
    said = "No forecast yet" if forecast is None else likely(forecast, now_s, plant.zone)
    spread = "" if forecast is None else early_late(forecast, now_s, plant.zone)
    chance = "" if forecast is None else chances(forecast, until_s, now_s, plant.zone)
    entries = list(reader.entries(now_s - PAST_S, now_s + 1, sump.id))
    events = list(reader.events(now_s - PAST_S, now_s + 1, sump.id))
    return SumpPage(
        id=sump.id,
        area=sump.area,
        fluid=sump.fluid.id,
        now=full(now_s, plant.zone),
        known=estimate.known,
        running={True: "machine running", False: "machine at rest", None: ""}[estimate.running],
        likely=said,
        spread=spread,
        chances=chance,
        volume=say_volume(view, sump, plant),
        level=say_level(estimate, sump, plant),
        strength=say_strength(view, sump),
        lowest=show_volume(sump.lowest_l, plant.units),
        losses=losses(estimate, plant),
        strip=strip(sump.id, forecast, axis, until_s, ". ".join(part for part in (said, spread, chance) if part)),
        ruler=ruler(axis),
        glass=glass(estimate.volume_l if estimate.known else None, sump.full_l, sump.lowest_l),
        alerts=alerts,
        recipe=recipe,
        charts=charts(plant, snapshot, view, reader, marks(entries, events, plant)),
        sides=sides(forecast),
        dots=dots(forecast, now_s, plant.zone),
        signals=tuple(signal_lines(estimate, sump, now_s)),
        done=done(entries, events, plant, now_s),
        volume_unit=volume_unit(plant),
        take_out=typed_volume(recipe.take_out_l if recipe else None, plant),
        add=typed_volume(recipe.add_l if recipe else None, plant),
        mix="" if recipe is None or recipe.add_pct is None else number(recipe.add_pct, 2),
        form_ids=(_form_id(), _form_id(), _form_id()),
        landings=landing_lines(view.landings, plant, now_s),
        minerals=tuple(one.text for one in view.minerals),
    )


def _form_id() -> str:
    """Return an id that makes a form sent twice one entry."""
    return f"page-{secrets.token_hex(8)}"


def volume_unit(plant: Plant) -> str:
    """Return the unit in which people of this plant type volumes."""
    return "US gal" if plant.units == "us" else "L"


def typed_volume(volume_l: float | None, plant: Plant) -> str:
    """Return a volume as somebody would type it in the plant's unit."""
    if volume_l is None:
        return ""
    return number(volume_l / L_PER_US_GAL, 2) if plant.units == "us" else number(volume_l, 1)


def say_level(estimate: Estimate, sump: Sump, plant: Plant) -> str:
    """Say where the gauge stands with the machine at rest."""
    return f"{show_height(sump.tank.level_mm(estimate.volume_l), plant.units)} on the gauge" if estimate.known else ""


def losses(estimate: Estimate, plant: Plant) -> Losses | None:
    """Return where the fluid goes, or None while it is not known."""
    out = max(estimate.evaporation_l_per_day, 0.0), max(estimate.drag_out_l_per_day, 0.0)
    if not estimate.known or sum(out) <= 0:
        return None
    said = [
        f"{show_volume(value, plant.units)} a day (± {show_volume(sd * SIGMA_80, plant.units)})"
        for value, sd in zip(out, (estimate.evaporation_sd_l_per_day, estimate.drag_out_sd_l_per_day), strict=True)
    ]
    return Losses(said[0], said[1], round(100 * out[0] / sum(out)))


def sides(forecast: Forecast | None) -> tuple[tuple[str, str], ...]:
    """Return how the sump may leave its band, with the chance of each way."""
    if forecast is None:
        return ()
    return tuple((SIDES[side], f"{share:.0%}") for side, share in forecast.side_share.items() if share >= 0.005)


def dots(forecast: Forecast | None, now_s: float, zone: str) -> tuple[str, ...]:
    """Return the twenty equally likely exits as moments."""
    if forecast is None:
        return ()
    return tuple(
        ahead(forecast.made_s + dot * 3600, now_s, zone) if dot < forecast.horizon_h else "later"
        for dot in forecast.dots_h
    )


def signal_lines(estimate: Estimate, sump: Sump, now_s: float) -> Iterable[SignalLine]:
    """Yield a line for each signal of the plant file."""
    for signal, spec in sump.signals.items():
        heard = estimate.last_heard_s.get(signal)
        yield SignalLine(
            name=SIGNALS[signal],
            source=spec.source,
            heard="never heard" if heard is None else f"heard {ago(heard, now_s)}",
            trouble=_trouble(signal, estimate),
        )


def _trouble(signal: Signal, estimate: Estimate) -> str:
    if signal in estimate.silent:
        return "silent"
    return "doubtful" if signal in estimate.doubtful else ""
