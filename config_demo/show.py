"""What a visitor sees in the terminal: a small steady table, a log of noteworthy lines, the summary at the end.

On a terminal the table stays in its place; piped into a file only the noteworthy lines are written. Colour only for
what needs somebody, and never colour alone.
"""

from __future__ import annotations

import textwrap
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from itertools import groupby
from types import TracebackType
from typing import Final, Self

from rich import box
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from alerts.types import Alert, AlertKind, Priority
from config_demo.summary import Summary, landing_lines, local
from monitor.model.types import Event, EventKind, Forecast, Side
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot, SumpView

_INDENT: Final = 11  # width of the time before a log line
_FIXED_ROWS: Final = 8  # rows that are neither sump nor log line
_SIDES: Final = {Side.RICH: "rich", Side.LEAN: "lean", Side.LOW: "low", Side.NONE: ""}
_URGENT: Final = {Priority.HIGH: "bold red", Priority.MEDIUM: "yellow", Priority.LOW: ""}
_SIGNS: Final = {
    AlertKind.LEAVES_BAND_UNATTENDED: "will leave",
    AlertKind.OUTSIDE_BAND: "outside",
    AlertKind.LOWEST_NEAR: "running low",
    AlertKind.LOSS_JUMP: "losing",
    AlertKind.CHECK_OVERDUE: "check due",
    AlertKind.LIMIT_PASSED: "limit passed",
    AlertKind.SIGNAL_SILENT: "silent",
    AlertKind.SIGNAL_DOUBTFUL: "doubtful",
    AlertKind.SOURCE_DOWN: "no source",
    AlertKind.OWN_FAULT: "own fault",
}


class Show:
    """The terminal. `tell` adds a line to the log, `picture` renews the table; both may be called at any rate."""

    def __init__(self, plant: Plant, *, console: Console | None = None) -> None:
        self.console = console or Console(highlight=False)
        self._plant = plant
        self._lock = threading.Lock()
        self._log: deque[str] = deque(maxlen=40)
        self._body: RenderableType = Text("")
        self._live = Live(
            get_renderable=self._frame,
            console=self.console,
            refresh_per_second=4,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )

    def __enter__(self) -> Self:
        if self.console.is_terminal:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def greet(self, address: str, days: float, speed: float) -> None:
        """Say what is about to be seen."""
        self.console.print(
            f"[bold]{escape(self._plant.name)}[/bold] (invented): {len(self._plant.sumps)} sumps,"
            " half over MQTT, half over serial lines.\n"
            f"{days:g} days at up to {speed:,.0f} times life. Page: {address}\n"
            "[dim]\\[In brackets]: what really happens and nobody tells the daemon. Ctrl-C ends it.[/dim]\n",
            soft_wrap=True,
        )

    def tell(self, time_s: float, line: str) -> None:
        """Add a noteworthy line, stamped with the works' own time."""
        stamped = f"{local(time_s)}  {line}"
        with self._lock:
            self._log.append(stamped)
        if not self.console.is_terminal:
            self.console.print(Text(stamped), soft_wrap=True)

    def picture(self, snapshot: Snapshot, now_s: float, done: float) -> None:
        """Renew the table; `done` is the share of the run."""
        body = Group(self._heading(now_s, done), sump_table(self._plant, snapshot))
        with self._lock:
            self._body = body

    def close(self, summary: Summary) -> None:
        """Take the table away and print the log, the landings and the summary."""
        self._live.stop()
        if self.console.is_terminal:
            with self._lock:
                lines = list(self._log)
            for part in (part for line in lines for part in wrap_line(line, self.console.width)):
                self.console.print(Text(part), soft_wrap=True)
        if summary.landed:
            self.console.print(landing_table(summary))
        self.console.print(summary_table(summary))

    def _heading(self, now_s: float, done: float) -> Text:
        width = 30
        full = round(width * min(max(done, 0.0), 1.0))
        return Text(f"{local(now_s)}  {'━' * full}{'─' * (width - full)}  {100.0 * done:.0f} %")

    def _frame(self) -> RenderableType:
        room = max(self.console.height - len(self._plant.sumps) - _FIXED_ROWS, 3)
        with self._lock:
            lines = list(self._log)
            body = self._body
        wrapped = [part for line in lines for part in wrap_line(line, self.console.width)]
        return Group(body, Text("\n".join(wrapped[-room:]), no_wrap=True))


def sump_table(plant: Plant, snapshot: Snapshot) -> Table:
    """Return a row a sump: volume, strength, losses split, likely exit, what is up."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, collapse_padding=True, padding=(0, 1))
    table.add_column("sump", no_wrap=True, min_width=max(map(len, plant.sumps)))
    for name, width in (("litres", 6), ("strength\n%", 11), ("evap.\nL a day", 7), ("drag-out\nL a day", 8)):
        table.add_column(name, justify="right", no_wrap=True, min_width=width)
    table.add_column("likely to\nleave its band", no_wrap=True, min_width=14)
    table.add_column("alert", no_wrap=True, min_width=12)
    open_alerts = alerts_by_sump(snapshot.alerts)
    for name in plant.sumps:
        table.add_row(*sump_cells(name, snapshot.sumps.get(name), open_alerts.get(name, ())))
    return table


def sump_cells(name: str, view: SumpView | None, alerts: Sequence[Alert]) -> tuple[str | Text, ...]:
    """Return the cells of one sump."""
    if view is None or not view.estimate.known:
        return (name, "…", "", "", "", "", alert_text(alerts))
    now = view.estimate
    return (
        name,
        f"{now.volume_l:.0f}",
        f"{now.concentration_pct:.2f} ±{now.concentration_sd_pct:.2f}",
        f"{max(now.evaporation_l_per_day, 0.0):.1f}",
        f"{max(now.drag_out_l_per_day, 0.0):.1f}",
        "" if view.forecast is None else exit_text(view.forecast),
        alert_text(alerts),
    )


def exit_text(forecast: Forecast) -> str:
    """Return the likely exit in a few words."""
    if forecast.side is Side.NONE or forecast.exit_p50_h >= forecast.horizon_h:
        return "not soon"
    if forecast.exit_p50_h <= 0.0:
        return f"is {_SIDES[forecast.side]} now"
    return f"{local(forecast.made_s + 3600.0 * forecast.exit_p50_h)} {_SIDES[forecast.side]}"


def alert_text(alerts: Sequence[Alert]) -> Text:
    """Return the open alerts of a sump in a word for each kind; what is acknowledged stands in brackets."""
    words: dict[str, str] = {}
    for alert in alerts:
        seen = alert.acknowledged_s is not None
        words.setdefault(
            f"({_SIGNS[alert.kind]})" if seen else _SIGNS[alert.kind], "" if seen else _URGENT[alert.priority]
        )
    return Text(" ").join(Text(word, style) for word, style in words.items())


def alerts_by_sump(alerts: Sequence[Alert]) -> Mapping[str, list[Alert]]:
    """Return the open alerts of each sump."""
    found: dict[str, list[Alert]] = {}
    for alert in alerts:
        if alert.is_open:
            found.setdefault(alert.sump, []).append(alert)
    return found


def wrap_line(line: str, width: int) -> list[str]:
    """Break a log line so that it goes on below its own words, not below its time."""
    return textwrap.wrap(line, max(width - 1, _INDENT + 20), subsequent_indent=" " * _INDENT) or [line]


def news_lines(events: Sequence[Event], alerts: Sequence[Alert]) -> list[str]:
    """Return a line for each piece of news: what an alert says already is not said again as an event."""
    silent = [alert for alert in alerts if alert.kind is AlertKind.SIGNAL_SILENT]
    losing = {alert.sump for alert in alerts if alert.kind is AlertKind.LOSS_JUMP}
    lines = [
        event_line(event)
        for event in events
        if event.kind is not EventKind.SILENT_SIGNAL
        and not (event.kind is EventKind.LOSS_JUMP and event.sump in losing)
    ]
    for sump, group in groupby(sorted(silent, key=lambda alert: alert.sump), key=lambda alert: alert.sump):
        mute = list(group)
        lines.append(f"ALERT {mute[0].text}" if len(mute) == 1 else f"ALERT {sump}: {len(mute)} signals are silent")
    return lines + [alert_line(alert) for alert in alerts if alert.kind is not AlertKind.SIGNAL_SILENT]


def event_line(event: Event) -> str:
    """Return an event in a sentence."""
    size = "" if event.volume_l is None else f" about {event.volume_l:.0f} L"
    mix = "" if event.mix_pct is None else f" of {event.mix_pct:.1f} %"
    sure = f" ({100.0 * event.confidence:.0f} % sure)"
    words = {
        EventKind.UNLOGGED_TOP_UP: f"noticed an unlogged top-up:{size}{mix} at {local(event.time_s)}{sure}",
        EventKind.UNLOGGED_REMOVAL: f"noticed that{size or ' fluid'} went out unlogged at {local(event.time_s)}{sure}",
        EventKind.LOSS_JUMP: f"loses{size} a day more than it should since {local(event.time_s)}{sure}",
        EventKind.DOUBTFUL_SIGNAL: f"a signal is doubtful: {event.detail}",
        EventKind.SILENT_SIGNAL: f"a signal is silent: {event.detail}",
    }
    return f"{event.sump}: {words[event.kind]}"


def alert_line(alert: Alert) -> str:
    """Return an alert in a line, with what its recipe says to do."""
    if alert.recipe is None:
        return f"ALERT {alert.text}"
    adds = [step for step in alert.recipe.steps if step.do == "add"]
    doing = ", ".join(f"add {step.volume_l:.0f} L of {step.mix_pct:.1f} %" for step in adds)
    lands = alert.recipe.lands
    promise = f" → lands at {lands.concentration_pct:.1f} % ({lands.p10:.1f}–{lands.p90:.1f})" if adds else ""
    kind = alert.recipe.kind.value.replace("_", " ")
    return f"ALERT {alert.text} Recipe, {kind}: {doing}{promise}" if adds else f"ALERT {alert.text} Recipe: {kind}"


def landing_table(summary: Summary) -> Table:
    """Return the landings: promise, truth and estimate side by side."""
    table = Table(title="Where the recipes landed", title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("when", "sump", "said", "10–90 %", "truth", "estimate", ""):
        table.add_column(name, no_wrap=True, justify="left" if name in ("when", "sump", "") else "right")
    for row in landing_lines(summary.acts):
        table.add_row(*row)
    return table


def summary_table(summary: Summary) -> Table:
    """Return the summary as a table of two columns."""
    table = Table(
        title="Measured in this run", title_justify="left", box=box.SIMPLE_HEAD, show_header=False, pad_edge=False
    )
    table.add_column(no_wrap=True)
    table.add_column()
    for what, words in summary.lines():
        table.add_row(what, words)
    return table
