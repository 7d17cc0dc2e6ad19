"""A sump's page as values: now, where the fluid goes, what was, what is likely, what was done, what to do."""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from alerts.attendance import attendance
from alerts.types import Alert
from alerts.words import number
from monitor.model.types import Estimate, Event, EventKind, Forecast
from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.reading import Entry, Signal
from monitor.plant.show import show_height, show_volume
from monitor.plant.types import Plant, Sump
from monitor.snapshot import Snapshot, SumpView
from monitor.status.axis import Axis, away, hours_ahead
from monitor.status.board import EstimatePoint, RecordReader
from monitor.status.charts import Chart, Limit, Mark, draw
from monitor.status.recipes import RecipeText
from monitor.status.strips import glass, ruler, strip
from monitor.status.tonight import back_or_axis_end, recipe_of, say_strength, say_volume, standing
from monitor.status.words import ENTRIES, SIDES, SIGNALS, ago, at, chances, early_late, full, likely

PAST_S: Final = 5 * 86400.0
AHEAD_H: Final = 72.0
POINTS: Final = 240
SIGMA_80: Final = 1.2816
"""An 80 % interval of a normal distribution reaches this many standard deviations to each side."""


@dataclass(frozen=True, slots=True)
class SignalLine:
    """A signal, when it was last heard, and what is wrong with it (empty: nothing)."""

    name: str
    source: str
    heard: str
    trouble: str


@dataclass(frozen=True, slots=True)
class Done:
    """A line of what was done or noticed."""

    when: str
    what: str
    seen: bool


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


def sump_page(plant: Plant, snapshot: Snapshot, view: SumpView, reader: RecordReader) -> SumpPage:
    """Return the page of one sump."""
    sump, estimate, forecast, now_s = plant.sumps[view.sump], view.estimate, view.forecast, snapshot.now_s
    axis = hours_ahead(plant.attended, now_s, plant.zone)
    until_s = back_or_axis_end(attendance(plant.attended, now_s), axis)
    alerts = standing(snapshot, sump.id)
    recipe = recipe_of(view, alerts, plant)
    said = "No forecast yet" if forecast is None else likely(forecast, now_s, plant.zone)
    spread = "" if forecast is None else early_late(forecast, now_s, plant.zone)
    chance = "" if forecast is None else chances(forecast, until_s, now_s, plant.zone)
    entries = list(reader.entries(now_s - PAST_S, now_s, sump.id))
    events = list(reader.events(now_s - PAST_S, now_s, sump.id))
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


def charts(
    plant: Plant, snapshot: Snapshot, view: SumpView, reader: RecordReader, marked: Sequence[Mark]
) -> tuple[Markup, ...]:
    """Return the drawings of strength and volume: five days back, three ahead."""
    now_s, sump = snapshot.now_s, plant.sumps[view.sump]
    from_s, to_s = now_s - PAST_S, now_s + AHEAD_H * 3600
    axis = Axis(from_s, to_s, plant.zone, away(plant.attended, from_s, to_s))
    past = reader.estimates(sump.id, from_s, now_s, POINTS)
    return tuple(
        draw(chart, axis)
        for chart in (
            strength_chart(view, sump, past, marked, now_s),
            volume_chart(view, sump, plant, past, marked, now_s),
        )
    )


def strength_chart(
    view: SumpView, sump: Sump, past: Sequence[EstimatePoint], marked: Sequence[Mark], now_s: float
) -> Chart:
    """Return the drawing of the strength with the band to keep."""
    low, high = sump.fluid.band_pct
    words = f"Now {say_strength(view, sump)}. " + _ahead_words(view.forecast, "concentration", "{:.1f} %".format)
    return Chart(
        name=f"strength-{sump.id}",
        title=f"Strength of {sump.id}, five days back and three ahead",
        words=words,
        now_s=now_s,
        past=[_spread(p.time_s, p.concentration_pct, p.concentration_sd_pct) for p in past],
        ahead=_fan(view.forecast, "concentration", "pct"),
        limits=(Limit(high, f"too rich above {high:g} %"), Limit(low, f"too lean below {low:g} %")),
        marks=marked,
    )


def volume_chart(
    view: SumpView, sump: Sump, plant: Plant, past: Sequence[EstimatePoint], marked: Sequence[Mark], now_s: float
) -> Chart:
    """Return the drawing of the volume between the lowest level and full."""

    def say(volume_l: float) -> str:
        return show_volume(volume_l, plant.units)

    return Chart(
        name=f"volume-{sump.id}",
        title=f"Fluid in {sump.id}, five days back and three ahead",
        words=f"Now {say_volume(view, sump, plant)}. " + _ahead_words(view.forecast, "volume", say),
        now_s=now_s,
        past=[_spread(p.time_s, p.volume_l, p.volume_sd_l) for p in past],
        ahead=_fan(view.forecast, "volume", "l"),
        limits=(Limit(sump.full_l, f"full {say(sump.full_l)}"), Limit(sump.lowest_l, f"lowest {say(sump.lowest_l)}")),
        marks=marked,
    )


def _spread(time_s: float, middle: float, sd: float) -> tuple[float, float, float, float]:
    return time_s, middle - SIGMA_80 * sd, middle, middle + SIGMA_80 * sd


def _columns(forecast: Forecast, what: str, unit: str) -> list[tuple[float, float, float, float]]:
    path = forecast.path
    columns = (getattr(path, f"{what}_{name}_{unit}") for name in ("p10", "p50", "p90"))
    return list(zip(path.hours, *columns, strict=True))


def _fan(forecast: Forecast | None, what: str, unit: str) -> list[tuple[float, float, float, float]]:
    if forecast is None:
        return []
    return [
        (forecast.made_s + hours * 3600, low, middle, high)
        for hours, low, middle, high in _columns(forecast, what, unit)
        if hours <= AHEAD_H
    ]


def _ahead_words(forecast: Forecast | None, what: str, say: object) -> str:
    if forecast is None or not callable(say):
        return "No forecast yet."
    day = [c for c in _columns(forecast, what, "pct" if what == "concentration" else "l") if c[0] <= 24]
    if not day:
        return ""
    hours, low, middle, high = day[-1]
    return f"In {hours:.0f} hours likely {say(middle)}, between {say(low)} and {say(high)} in eight cases of ten."


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
        at(forecast.made_s + dot * 3600, now_s, zone) if dot < forecast.horizon_h else "later"
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


def marks(entries: Iterable[Entry], events: Iterable[Event], plant: Plant) -> list[Mark]:
    """Return the marks under the drawings: filled for what was logged, a ring for what was only noticed."""
    shape = {"top_up": "in", "charge": "in", "removal": "out"}
    out = [Mark(e.time_s, shape.get(e.kind.value, "check"), say_entry(e, plant)) for e in entries]
    return out + [Mark(e.time_s, "seen", say_event(e, plant)) for e in events]


def say_entry(entry: Entry, plant: Plant) -> str:
    """Say a line of the log book."""
    parts = [ENTRIES[entry.kind]]
    if entry.volume_l is not None:
        parts.append(show_volume(entry.volume_l, plant.units))
    if entry.mix_pct is not None:
        parts.append(f"at {entry.mix_pct:g} %")
    if entry.value is not None:
        parts.append(f"{entry.value:g} {entry.unit}".rstrip())
    return " ".join(parts) + (f" ({entry.note})" if entry.note else "")


def say_event(event: Event, plant: Plant) -> str:
    """Say what was noticed, with its size in the plant's units."""
    size = "" if event.volume_l is None else f"about {show_volume(event.volume_l, plant.units)} "
    mix = "" if event.mix_pct is None else f"at {event.mix_pct:.1f} % "
    words = {
        EventKind.UNLOGGED_TOP_UP: f"{size}{mix}went in",
        EventKind.UNLOGGED_REMOVAL: f"{size}went out",
        EventKind.LOSS_JUMP: f"{size}a day more is lost than before",
    }
    return words.get(event.kind) or event.detail or event.kind.value.replace("_", " ")


def done(entries: Iterable[Entry], events: Iterable[Event], plant: Plant, now_s: float) -> tuple[Done, ...]:
    """Return what was done and noticed, newest first."""
    lines = [(e.time_s, say_entry(e, plant), False) for e in entries]
    lines += [(e.time_s, say_event(e, plant), True) for e in events]
    lines.sort(key=lambda line: line[0], reverse=True)
    return tuple(Done(at(time_s, now_s, plant.zone), what, seen) for time_s, what, seen in lines)
