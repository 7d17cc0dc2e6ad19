"""Run the replay over recordings and print every figure beside the straight line's.

`accuracy` replays each recording into a folder that is thrown away (or kept with `--keep`); `score` takes an output
that already exists.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from tests.benchmarks import report, rival
from tests.benchmarks.recording import Recording, cases, rows, stamp
from tests.benchmarks.scoring import Figures, figures

ROOT: Final = Path(__file__).resolve().parents[2]
FIELD: Final = ROOT.parent / "shared" / "field"


def default_halls() -> list[Path]:
    """Return the field recordings that lie beside the repository, if any."""
    return sorted(path.parent for path in FIELD.glob("*/plant.toml"))


def replay_command(recording: Recording, out: Path) -> list[str]:
    """Return the replay command for a whole recording, a forecast every six hours."""
    start, end = recording.span_s()
    entry = "import sys; from monitor.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", entry, "replay", str(recording.plant_file)]
    command += ["--readings", str(recording.readings_file)]
    if recording.entries_file.exists():
        command += ["--entries", str(recording.entries_file)]
    return [*command, "--every", "6h", "--from", stamp(start), "--to", stamp(end), "--out", str(out)]


def replay(recording: Recording, out: Path) -> float:
    """Replay a recording into a folder and return the seconds it took; a failed replay is a RuntimeError."""
    started = time.perf_counter()
    done = subprocess.run(replay_command(recording, out), cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"the replay of {recording.name} ended with {done.returncode}:\n{done.stderr[-4000:]}")
    if not (out / "forecasts.csv").exists():
        raise RuntimeError(f"the replay of {recording.name} ended well but wrote no forecasts:\n{done.stderr[-4000:]}")
    return time.perf_counter() - started


def score(out: Path, recording: Recording) -> Figures:
    """Return the figures of an output folder."""
    return figures(recording, rows(out / "forecasts.csv"), rows(out / "events.csv"))


def compare(
    outs: dict[str, tuple[Recording, Path]], seconds: dict[str, float], detailed: bool
) -> tuple[dict[str, Figures], dict[str, Figures]]:
    """Print the figures of several output folders beside the straight line's, and return ours and the line's."""
    ours = {name: score(out, recording) for name, (recording, out) in outs.items()}
    for name, took in seconds.items():
        ours[name]["replay, seconds"] = took
    line = {name: figures(recording, rival.forecast(recording), None) for name, (recording, _) in outs.items()}
    print(report.side_by_side(ours, line))
    for name, (recording, out) in outs.items():
        if detailed:
            print(f"\n== {name}\n{report.details(cases(recording, rows(out / 'forecasts.csv')))}")
    return ours, line


def main_accuracy(arguments: Sequence[str]) -> int:
    """Replay and score recordings."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks accuracy")
    parser.add_argument("--halls", nargs="+", type=Path, default=default_halls(), help="folders of recordings")
    parser.add_argument("--jobs", type=int, default=1, help="replays at the same time")
    parser.add_argument("--keep", type=Path, help="folder for the outputs")
    parser.add_argument("--json", type=Path, help="write the figures here too")
    parser.add_argument("--table", type=Path, help="write the table of DEVELOPERS.md here")
    parser.add_argument("--details", action="store_true", help="also by side, by horizon, by week, worst sumps")
    options = parser.parse_args(arguments)
    if not options.halls:
        parser.error(f"no recordings: {FIELD} has none, name some with --halls")
    with tempfile.TemporaryDirectory() as scratch:
        base = options.keep or Path(scratch)
        outs = {hall.name: (Recording(hall), base / hall.name) for hall in options.halls}
        with ThreadPoolExecutor(options.jobs) as pool:
            took = dict(zip(outs, pool.map(lambda pair: replay(*pair), outs.values()), strict=True))
        ours, line = compare(outs, took, options.details)
    if options.json:
        options.json.write_text(json.dumps(ours, indent=1, sort_keys=True))
    if options.table:
        options.table.write_text(report.markdown(ours, line))
    return 0


def main_score(arguments: Sequence[str]) -> int:
    """Score an output folder that exists already."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks score")
    parser.add_argument("folder", type=Path, help="output folder of a replay")
    parser.add_argument("hall", type=Path, help="folder of the recording")
    options = parser.parse_args(arguments)
    recording = Recording(options.hall)
    compare({recording.name: (recording, options.folder)}, {}, detailed=True)
    return 0
