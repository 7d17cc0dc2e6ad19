"""Halls that nobody tuned on: make them, replay them, and print the mean of every figure beside the straight line's.

`python -m tests.benchmarks held_out --kinds plain weather --seeds 11 12 13`: a column a kind, the mean over its seeds
(a figure that some halls do not have is the mean of those that do). With `--without SIGNAL` the same halls are replayed
a second time without that signal, and what it is worth stands beside as a ratio. Seeds 1 to 9 were looked at while the
estimator was built; take others.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.benchmarks import report, rival
from tests.benchmarks.accuracy import replay, score
from tests.benchmarks.recording import Recording
from tests.benchmarks.scoring import Figures, figures
from tests.worlds.files import write
from tests.worlds.makes import KINDS
from tests.worlds.world import build

SEEDS: Final = (11, 12, 13, 14, 15)
PLAIN: Final = ("plain",)


@dataclass(frozen=True)
class Hall:
    """A hall to make: its kind, seed and size, and the signals left out of it."""

    kind: str
    seed: int
    sumps: int
    days: int
    without: tuple[str, ...] = ()

    @property
    def column(self) -> str:
        """The column of the table that it belongs to."""
        return f"{self.kind} -{',-'.join(self.without)}" if self.without else self.kind

    @property
    def name(self) -> str:
        """The name of its folder."""
        return "-".join([self.kind, str(self.seed), *(f"no-{signal}" for signal in self.without)])


def measured(hall: Hall, base: Path) -> tuple[Figures, Figures]:
    """Make a hall, replay it and return the product's figures and the straight line's."""
    recording = Recording(base / "halls" / hall.name)
    write(build(KINDS[hall.kind], hall.seed, hall.sumps, hall.days), recording.folder, hall.without)
    out = base / "outputs" / hall.name
    took = replay(recording, out)
    ours = score(out, recording) | {"replay, seconds": took}
    return ours, figures(recording, rival.forecast(recording), None)


def mean(every: Sequence[Figures]) -> Figures:
    """Return the mean of each figure over the halls that have it; one that was never reached makes it never."""
    names = dict.fromkeys(name for one in every for name in one)
    found = {name: [one[name] for one in every if name in one and not math.isnan(one[name])] for name in names}
    return {name: sum(values) / len(values) if values else math.nan for name, values in found.items()}


def by_column(halls: Sequence[Hall], results: Iterable[Figures]) -> dict[str, Figures]:
    """Return the mean figures of each column."""
    columns: dict[str, list[Figures]] = {}
    for hall, one in zip(halls, results, strict=True):
        columns.setdefault(hall.column, []).append(one)
    return {column: mean(every) for column, every in columns.items()}


def worth(ours: Mapping[str, Figures], kinds: Sequence[str], without: Sequence[str]) -> str:
    """Return by which ratio each figure that has a bar grows when a signal is missing."""
    name = ", ".join(without)
    rows = []
    for figure in report.BARS:
        pairs = [
            (ours[kind].get(figure), ours[Hall(kind, 0, 0, 0, tuple(without)).column].get(figure)) for kind in kinds
        ]
        ratios = [math.nan if not full or bare is None else bare / full for full, bare in pairs]
        if any(not math.isnan(one) for one in ratios):
            rows.append([figure, *(report.show(one) for one in ratios)])
    return report.table([f"without {name} / with", *kinds], rows)


def main(arguments: Sequence[str]) -> int:
    """Make, replay and score halls."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks held_out")
    parser.add_argument("--kinds", nargs="+", choices=sorted(KINDS), default=list(PLAIN))
    parser.add_argument("--seeds", nargs="+", type=int, default=list(SEEDS))
    parser.add_argument("--sumps", type=int, default=40)
    parser.add_argument("--days", type=int, default=24)
    parser.add_argument("--without", nargs="+", default=[], metavar="SIGNAL", help="also without a signal, beside")
    parser.add_argument("--jobs", type=int, default=1, help="halls at the same time")
    parser.add_argument("--keep", type=Path, help="folder for halls and outputs")
    parser.add_argument("--json", type=Path, help="write the figures of every hall here")
    options = parser.parse_args(arguments)
    if options.sumps < 1 or options.days < 6:
        parser.error("a hall has at least one sump and six days (truth is told from day 5)")
    ways = [(), tuple(options.without)] if options.without else [()]
    halls = [
        Hall(kind, seed, options.sumps, options.days, without)
        for kind in options.kinds
        for without in ways
        for seed in options.seeds
    ]
    with tempfile.TemporaryDirectory() as scratch, ThreadPoolExecutor(options.jobs) as pool:
        base = options.keep or Path(scratch)
        results = list(pool.map(lambda hall: measured(hall, base), halls))
    ours, line = (by_column(halls, [pair[side] for pair in results]) for side in (0, 1))
    print(report.side_by_side(ours, line, plain=all(kind.startswith(PLAIN) for kind in options.kinds)))
    if options.without:
        print(f"\n{worth(ours, options.kinds, options.without)}")
    if options.json:
        found = {hall.name: {"ours": mine, "line": naive} for hall, (mine, naive) in zip(halls, results, strict=True)}
        options.json.write_text(json.dumps(found, indent=1, sort_keys=True))
    return 0
