"""The history-and-forecast drawings of a sump: one quantity, what was, now, and the fan of what is likely.

The curves live in an inner picture of 1000 by 1000 that stretches with the screen; words and marks stay their size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from monitor.status.axis import Axis

HEIGHT: Final = 216
PLOT: Final = 180
LEFT: Final = 0.0

Band = tuple[float, float, float, float]
"""Unix seconds, low, middle, high."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A line not to cross, with its name."""

    value: float
    text: str


@dataclass(frozen=True, slots=True)
class Mark:
    """Something done or noticed: when, which shape (`in`, `out`, `check`, `seen`), and in words."""

    time_s: float
    shape: str
    text: str


@dataclass(frozen=True, slots=True)
class Chart:
    """What one drawing shows. `past` and `ahead` are bands in rising time; all values in one unit."""

    name: str
    title: str
    words: str
    now_s: float
    past: Sequence[Band]
    ahead: Sequence[Band]
    limits: Sequence[Limit]
    marks: Sequence[Mark]


def draw(chart: Chart, axis: Axis) -> Markup:
    """Return the drawing of a chart."""
    low, high = scale(chart)
    inner = _curve(chart.past, axis, low, high, "past") + _curve(chart.ahead, axis, low, high, "ahead")
    return Markup(
        '<svg class="chart" role="img" aria-labelledby="t-{n}" aria-describedby="d-{n}" width="100%" height="{height}">'
        '<title id="t-{n}">{title}</title><desc id="d-{n}">{words}</desc>{ground}'
        '<svg x="0" y="0" width="100%" height="{plot}" viewBox="0 0 1000 1000" preserveAspectRatio="none">{inner}</svg>'
        "{limits}{now}{marks}</svg>"
    ).format(
        n=chart.name,
        height=HEIGHT,
        title=chart.title,
        words=chart.words,
        plot=PLOT,
        ground=_ground(axis),
        inner=inner,
        limits=_limits(chart, low, high),
        now=_now(chart, axis),
        marks=_marks(chart, axis),
    )


def scale(chart: Chart) -> tuple[float, float]:
    """Return the range to draw: everything shown with an eighth of air on both sides, never empty."""
    values = [v for band in (*chart.past, *chart.ahead) for v in band[1:] if math.isfinite(v)]
    values += [limit.value for limit in chart.limits]
    low, high = min(values, default=0.0), max(values, default=1.0)
    air = (high - low) / 8 or max(abs(high), 1.0) / 10
    return low - air, high + air


def _y(value: float, low: float, high: float) -> float:
    """Return the height of a value from the top, as a share of the plot."""
    return min(max((high - value) / (high - low), 0.0), 1.0)


def _curve(bands: Sequence[Band], axis: Axis, low: float, high: float, kind: str) -> Markup:
    whole = [band for band in bands if all(math.isfinite(v) for v in band)]
    if len(whole) < 2:
        return Markup("")

    def points(column: int) -> list[str]:
        return [f"{axis.x(band[0]) * 10:.1f},{_y(band[column], low, high) * 1000:.1f}" for band in whole]

    area = " ".join(points(1) + points(3)[::-1])
    line = " ".join(points(2))
    return Markup('<polygon class="{k} area" points="{a}"/><polyline class="{k} line" points="{p}"/>').format(
        k=kind, a=area, p=line
    )


def _ground(axis: Axis) -> Markup:
    parts = [
        Markup('<rect class="away" fill="url(#away)" x="{}%" y="0" width="{:.2f}%" height="{}"/>').format(
            axis.x(start), axis.x(end) - axis.x(start), PLOT
        )
        for start, end in axis.away
    ]
    for tick in axis.ticks(24):
        parts.append(Markup('<line class="tick day" x1="{}%" x2="{}%" y1="0" y2="{}"/>').format(tick.x, tick.x, PLOT))
        if tick.x < 94:
            parts.append(
                Markup('<text class="day" x="{}%" dx="3" y="{}">{}</text>').format(tick.x, HEIGHT - 4, tick.text)
            )
    parts.append(Markup('<line class="floor" x1="0" x2="100%" y1="{}" y2="{}"/>').format(PLOT, PLOT))
    return Markup("").join(parts)


def _limits(chart: Chart, low: float, high: float) -> Markup:
    return Markup("").join(
        Markup(
            '<line class="limit" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>'
            '<text class="limit" x="2" y="{t:.1f}">{w}</text>'
        ).format(y=_y(limit.value, low, high) * PLOT, t=_y(limit.value, low, high) * PLOT - 4, w=limit.text)
        for limit in chart.limits
    )


def _now(chart: Chart, axis: Axis) -> Markup:
    x = axis.x(chart.now_s)
    return Markup(
        '<line class="now" x1="{x}%" x2="{x}%" y1="0" y2="{p}"/><text class="now" x="{x}%" dx="4" y="12">now</text>'
    ).format(x=x, p=PLOT)


def _marks(chart: Chart, axis: Axis) -> Markup:
    return Markup("").join(
        Markup('<svg class="mark {s}" x="{x}%" y="{y}" width="1" height="1" overflow="visible">{shape}</svg>').format(
            s=mark.shape, x=axis.x(mark.time_s), y=PLOT + 8, shape=_SHAPES[mark.shape]
        )
        for mark in chart.marks
        if axis.from_s <= mark.time_s <= axis.to_s
    )


_SHAPES: Final = {
    "in": Markup('<path d="M-5 -5 H5 L0 4 Z"/>'),
    "out": Markup('<path d="M-5 4 H5 L0 -5 Z"/>'),
    "check": Markup('<path d="M0 -6 L5 0 L0 6 L-5 0 Z"/>'),
    "seen": Markup('<circle cx="0" cy="0" r="4.5"/>'),
}
