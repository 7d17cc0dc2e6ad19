"""`python -m tests.worlds KIND SEED OUT [--sumps N] [--days N] [--without SIGNAL …]`: write an invented hall.

It is a folder of the form of a recording.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.worlds.files import write
from tests.worlds.makes import KINDS
from tests.worlds.world import build


def main(arguments: Sequence[str]) -> int:
    """Write the hall that is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.worlds", description=__doc__)
    parser.add_argument("kind", choices=sorted(KINDS))
    parser.add_argument("seed", type=int)
    parser.add_argument("out", type=Path, help="folder to write")
    parser.add_argument("--sumps", type=int, default=24)
    parser.add_argument("--days", type=int, default=24)
    parser.add_argument("--without", nargs="+", default=[], metavar="SIGNAL", help="the same hall without a signal")
    options = parser.parse_args(arguments)
    if options.sumps < 1 or options.days < 6:
        parser.error("a hall has at least one sump and six days (truth is told from day 5)")
    write(build(KINDS[options.kind], options.seed, options.sumps, options.days), options.out, options.without)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
