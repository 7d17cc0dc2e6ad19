"""What is lost and what is doubled when the daemon is killed between a change, its message, the sending and the mark.

`python -m tests.benchmarks outbox [--times N]`: at each point N lives are killed over one record, each with messages of
its own; a last life sends what is left. Lost is what the record held and the receiver never got; doubled is what it got
twice, with the id it had before or with another.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.faults.outbox.test_kills import POINTS, run
from tests.fixtures.receivers import HookServer

A_LIFE: Final = 6


def figures(point: str, times: int) -> tuple[int, int, int, int]:
    """Return messages stored, lost, doubled under their id, and events of an id that nobody stored."""
    with tempfile.TemporaryDirectory() as folder, HookServer() as server:
        path, stored = Path(folder) / "bandkeeper.db", list[int]()
        for life in range(times):
            stored += run(path, server.url, point, life * A_LIFE, A_LIFE)[1]
        stored += run(path, server.url, "never", times * A_LIFE, 1)[1]
        got = Counter(str(post.event["id"]) for post in server.posts)
    wanted = {f"t-{number}" for number in stored}
    return len(wanted), len(wanted - got.keys()), sum(count > 1 for count in got.values()), len(got.keys() - wanted)


def main(arguments: Sequence[str]) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="outbox")
    parser.add_argument("--times", type=int, default=5, help="how many lives are killed at each point")
    options = parser.parse_args(arguments)
    print(f"{'killed':<16}{'messages':>10}{'lost':>6}{'doubled, same id':>18}{'of another id':>15}")
    for point in POINTS:
        messages, lost, doubled, strange = figures(point, options.times)
        print(f"{point.replace('_', ' '):<16}{messages:>10}{lost:>6}{doubled:>18}{strange:>15}")
    return 0
