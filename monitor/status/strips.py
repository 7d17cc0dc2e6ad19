"""Small drawings of the opening page: the strip of hours with its twenty dots, the ruler above, the sight glass.

Positions along the hours are percentages, so that every strip fits any screen and all share one axis. Dots that fall
before somebody is back are filled, the others are rings; hours without anybody are hatched.
"""

from __future__ import annotations

from typing import Final

from markupsafe import Markup

from monitor.model.types import Forecast
from monitor.status.axis import Axis
from monitor.status.words import SIDES, dots_before, is_out

COLUMNS: Final = 24
ROWS: Final = 4
PITCH: Final = 11.6
RADIUS: Final = 5.2
FLOOR: Final = 54
HEIGHT: Final = 56


def strip(name: str, forecast: Forecast | None, axis: Axis, back_s: float, words: str) -> Markup:
    """Return the strip of one sump; `words` says the same for those who do not see it."""
    inside = Markup("").join(_ground(axis, FLOOR))
    if forecast is None:
        inside += Markup('<text class="word" x="2%" y="34">no forecast yet</text>')
    elif is_out(forecast):
        inside += _outside(forecast)
    else:
        inside += _dots(forecast, axis, back_s)
    return Markup(
        '<svg class="strip" role="img" aria-labelledby="t-{n}" aria-describedby="d-{n}" width="100%" height="{h}">'
        '<title id="t-{n}">Hours ahead of {n}</title><desc id="d-{n}">{w}</desc>{inside}</svg>'
    ).format(n=name, h=HEIGHT, w=words, inside=inside)


def ruler(axis: Axis) -> Markup:
    """Return the ruler that all strips share; hidden from screen readers, whose strips speak in words."""
    parts = [Markup('<svg class="ruler" aria-hidden="true" width="100%" height="30">')]
    parts += _ground(axis, 30, ticks=False)
    for tick in axis.ticks(6 if axis.hours <= 48 else 12):
        kind = "day" if tick.day else "hour"
        anchor = "start" if tick.x < 4 else "middle"
        parts.append(Markup('<line class="tick {}" x1="{}%" x2="{}%" y1="22" y2="30"/>').format(kind, tick.x, tick.x))
        if tick.x < axis.width_pct - 2:
            parts.append(
                Markup('<text class="{}" x="{}%" y="17" text-anchor="{}">{}</text>').format(
                    kind, tick.x, anchor, tick.text
                )
            )
    parts.append(Markup('<text class="hour" x="100%" y="17" text-anchor="end">later</text></svg>'))
    return Markup("").join(parts)


def glass(volume_l: float | None, full_l: float, lowest_l: float) -> Markup:
    """Return a sight glass: how full, and where the lowest level is. Decoration; the figures stand beside it."""
    share = 0.0 if volume_l is None else min(max(volume_l / full_l, 0.0), 1.0)
    low = lowest_l / full_l
    return Markup(
        '<svg class="glass" aria-hidden="true" width="20" height="60" viewBox="0 0 20 60">'
        '<rect class="fluid" x="3.5" y="{y:.1f}" width="13" height="{h:.1f}"/>'
        '<rect class="wall" x="3" y="1.5" width="14" height="57" rx="4"/>'
        '<line class="low" x1="0" x2="20" y1="{low:.1f}" y2="{low:.1f}"/></svg>'
    ).format(y=58 - 56 * share, h=56 * share, low=58 - 56 * low)


def _ground(axis: Axis, height: float, *, ticks: bool = True) -> list[Markup]:
    """Return the hatched hours, the lines at the full days and the edge behind which lies later."""
    parts = [
        Markup('<rect class="away" fill="url(#away)" x="{}%" y="0" width="{:.2f}%" height="{}"/>').format(
            axis.x(start), axis.x(end) - axis.x(start), height
        )
        for start, end in axis.away
    ]
    if ticks:
        parts += [
            Markup('<line class="tick {}" x1="{}%" x2="{}%" y1="{}" y2="{}"/>').format(
                "day" if tick.day else "hour", tick.x, tick.x, 0 if tick.day else height - 5, height
            )
            for tick in axis.ticks(6)
        ]
        parts.append(
            Markup('<line class="floor" x1="0" x2="{}%" y1="{}" y2="{}"/>').format(axis.width_pct, height, height)
        )
    return parts


def _outside(forecast: Forecast) -> Markup:
    return Markup(
        '<rect class="gone" x="0" y="0" width="8" height="{h}"/><text class="word act" x="16" y="33">{side} now</text>'
    ).format(h=FLOOR, side=SIDES[forecast.side])


def _dots(forecast: Forecast, axis: Axis, back_s: float) -> Markup:
    """Return the twenty dots, stacked in columns; those beyond the axis are counted at its edge."""
    shift_h = (forecast.made_s - axis.from_s) / 3600
    ahead = [max(dot + shift_h, 0.0) for dot in forecast.dots_h]
    drawn = [hours / axis.hours * COLUMNS for hours in ahead if hours < axis.hours]
    filled = dots_before(forecast, back_s)
    parts = [
        Markup('<circle class="{}" cx="{:.2f}%" cy="{:.1f}" r="{}"/>').format(
            "dot before" if number < filled else "dot",
            (column + 0.5) / COLUMNS * axis.width_pct,
            FLOOR - RADIUS - 1 - row * PITCH,
            RADIUS,
        )
        for number, (column, row) in enumerate(stacked(drawn))
    ]
    later = len(ahead) - len(drawn)
    if later:
        parts.append(Markup('<text class="more" x="100%" y="34" text-anchor="end">+{}</text>').format(later))
    return Markup("").join(parts)


def stacked(places: list[float], columns: int = COLUMNS, rows: int = ROWS) -> list[tuple[int, int]]:
    """Return (column, row) for each place (0 to `columns`, rising); a full column spills into the nearest with room.

    Nothing is left out: `columns` * `rows` must be at least the number of dots (else ValueError).
    """
    if len(places) > columns * rows:
        raise ValueError("more dots than places")
    heights = [0] * columns
    out = []
    for place in places:
        wanted = min(int(place), columns - 1)
        column = min((c for c in range(columns) if heights[c] < rows), key=lambda c: (abs(c - wanted), c < wanted))
        out.append((column, heights[column]))
        heights[column] += 1
    return out
