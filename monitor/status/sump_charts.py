"""The two drawings of a sump's page: its strength against the band, its volume between lowest and full."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from markupsafe import Markup

from monitor.model.types import Forecast
from monitor.plant.show import show_strength, show_volume
from monitor.plant.types import Plant, Sump
from monitor.snapshot import Snapshot, SumpView
from monitor.status.axis import Axis, away
from monitor.status.board import EstimatePoint, RecordReader
from monitor.status.charts import Chart, Limit, Mark, draw
from monitor.status.tonight import say_strength, say_volume

PAST_S: Final = 5 * 86400.0
AHEAD_H: Final = 72.0
POINTS: Final = 240
SIGMA_80: Final = 1.2816
"""An 80 % interval of a normal distribution reaches this many standard deviations to each side."""


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
    words = f"Now {say_strength(view, sump)}. " + _ahead_words(view.forecast, "concentration", show_strength)
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


def _ahead_words(forecast: Forecast | None, what: str, say: Callable[[float], str]) -> str:
    if forecast is None:
        return "No forecast yet."
    day = [c for c in _columns(forecast, what, "pct" if what == "concentration" else "l") if c[0] <= 24]
    if not day:
        return ""
    hours, low, middle, high = day[-1]
    return f"In {hours:.0f} hours likely {say(middle)}, between {say(low)} and {say(high)} in eight cases of ten."
