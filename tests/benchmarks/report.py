"""Print figures as tables: ours beside the straight line's, with the bars we hold ourselves to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from tests.benchmarks.recording import Cases
from tests.benchmarks.scoring import Figures, by_group, by_horizon, scored

BARS: Final[dict[str, tuple[str, str]]] = {
    "relative error, median": ("0.125", "0.095"),
    "relative error, 90th": ("0.45", "0.34"),
    "absolute error h, median": ("6.5", "5.2"),
    "within 24 h: error h, median": ("3.5", "2.9"),
    "within 24 h: error h, 90th": ("12", "10"),
    "truth inside 10-90 %": ("0.72-0.90", "0.76-0.85"),
    "strength error points, median": ("0.11", "0.08"),
    "strength error points, 95th": ("0.40", "0.26"),
    "unlogged top-ups: precision": ("0.95", "0.99"),
    "unlogged top-ups: recall": ("0.95", "0.99"),
    "unlogged top-ups: volume error, median": ("0.05", "0.025"),
    "loss jump: delay h, median": ("24", "7"),
    "loss jump: delay h, worst": ("72", "42"),
    "loss jump: false a sump-month": ("0.05", "0.01"),
    "evenings: recall": ("0.90", "0.95"),
    "evenings: false share": ("0.45", "0.35"),
    "evaporation error % of full a day, mean": ("half line", "0.8"),
    "drag-out error % of full a day, mean": ("half line", "0.6"),
    "lean side: recall": ("0.80", "0.95"),
    "lean side: false share": ("0.25", "0.10"),
    "sick sensor: delay h, median": ("24", "8"),
    "sick sensor: false a sump-month": ("1", "0.1"),
    "replay, seconds": ("60", "20"),
}
ON_EVERY_KIND: Final[dict[str, tuple[str, str]]] = {
    "relative error, median": ("0.30, half line", "0.15; weather 0.22"),
    "truth inside 10-90 %": ("0.65-0.92", "0.75-0.87"),
    "evaporation error % of full a day, mean": ("half line", "0.8"),
    "drag-out error % of full a day, mean": ("half line", "0.6"),
    "lean side: recall": ("0.80", "0.95"),
    "lean side: false share": ("0.25", "0.10"),
    "sick sensor: delay h, median": ("24", "8"),
    "sick sensor: false a sump-month": ("1", "0.1"),
}
"""The bars of halls of other kinds than the plain one; the rest is only watched there."""
DETAIL: Final = (
    "cases",
    "relative error, median",
    "relative error, 90th",
    "absolute error h, median",
    "signed error h, median",
    "truth inside 10-90 %",
    "truth before the 10 %",
    "truth after the 90 %",
    "side right",
    "strength error points, median",
    "volume error of full, median",
)
WORST: Final = 10


def show(value: float | None) -> str:
    """Return a figure in few digits; a dash where there is none."""
    if value is None or math.isnan(value):
        return "-"
    if math.isinf(value):
        return "never"
    if value == int(value) and abs(value) < 1e6:
        return str(int(value))
    return f"{value:.3f}" if abs(value) < 10 else f"{value:.1f}"


def table(head: Sequence[str], body: Sequence[Sequence[str]]) -> str:
    """Return an aligned table, the first column left, the others right."""
    widths = [max(len(row[i]) for row in [head, *body]) for i in range(len(head))]
    lines = [_line(row, widths) for row in [head, *body]]
    return "\n".join([lines[0], "-" * len(lines[0]), *lines[1:]])


def _line(row: Sequence[str], widths: Sequence[int]) -> str:
    cells = [row[0].ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True))]
    return "  ".join(cells)


def side_by_side(ours: Mapping[str, Figures], line: Mapping[str, Figures], *, plain: bool = True) -> str:
    """Return every figure of every recording, ours and the straight line's, with must and aim."""
    bars = BARS if plain else ON_EVERY_KIND
    names = list(dict.fromkeys(name for figures in [*ours.values(), *line.values()] for name in figures))
    halls = list(line)
    head = ["figure", *(cell for hall in halls for cell in (hall, "line")), "must", "aim"]
    body = []
    for name in names:
        pairs = [cell for hall in halls for cell in (ours.get(hall, {}).get(name), line[hall].get(name))]
        body.append([name, *(show(value) for value in pairs), *bars.get(name, ("", ""))])
    return table(head, body)


def markdown(ours: Mapping[str, Figures], line: Mapping[str, Figures]) -> str:
    """Return the table of DEVELOPERS.md: the figures that have a bar, ours / the straight line's."""
    halls = list(line)
    rows = [["figure", *halls, "must", "aim"], ["---"] * (len(halls) + 3)]
    for name, bars in BARS.items():
        pairs = [(show(ours[hall].get(name)), show(line[hall].get(name))) for hall in halls]
        if any(mine != "-" for mine, _ in pairs):
            cells = [mine if rival == "-" else f"{mine} / {rival}" for mine, rival in pairs]
            rows.append([name, *cells, *bars])
    return "\n".join(f"| {' | '.join(row)} |" for row in rows) + "\n"


def breakdown(title: str, groups: Mapping[str, Figures]) -> str:
    """Return the exit figures of each group of cases."""
    head = [title, "n", "rel 50", "rel 90", "abs 50", "signed", "inside", "<10%", ">90%", "side", "pts 50", "vol 50"]
    return table(head, [[name, *(show(figures.get(key)) for key in DETAIL)] for name, figures in groups.items()])


def details(every: Cases) -> str:
    """Return the breakdowns by side, by how far ahead and by day, and the worst sumps."""
    table_ = scored(every)
    days = (table_.time_s - every.time_s.min()) // 86400 + 5
    sumps = by_group(table_, table_.sump)
    worst = sorted(sumps.items(), key=lambda item: -item[1]["relative error, median"])[:WORST]
    parts = [
        breakdown("true side", by_group(table_, table_.true_side)),
        breakdown("true exit in", by_horizon(table_)),
        breakdown("week", by_group(table_, (days // 7).astype(int).astype(str))),
        breakdown("worst sumps", dict(worst)),
    ]
    return "\n\n".join(parts)
