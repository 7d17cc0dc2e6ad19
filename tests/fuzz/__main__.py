"""`python -m tests.fuzz [--payloads N] [--seed S] [--jobs N] [--forms json …]`: feed mutants, print what was found.

Exit code 1 if anything was found; each find is printed with its bytes, so that it can become a test.
"""

from __future__ import annotations

import argparse
import logging
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

from tests.fuzz.judges import FORMS, judge
from tests.fuzz.mutants import Mutants

CHUNK = 100_000
MOST_SHOWN = 20


class Found(NamedTuple):
    """What a stretch of mutants brought; `good` counts readings that were compared with the second opinion."""

    form: str
    tried: int
    good: int
    finds: list[tuple[bytes, str]]


def stretch(form_name: str, seed: int, count: int) -> Found:
    """Feed `count` mutants of one form and return the finds."""
    logging.disable(logging.CRITICAL)
    form, finds, good = FORMS[form_name], [], 0
    mutants = Mutants(form.seeds, seed)
    for _ in range(count):
        raw = mutants.one()
        verdict = judge(form, raw)
        good += verdict.good
        if verdict.wrong:
            finds.append((raw, verdict.wrong))
    return Found(form_name, count, good, finds)


def main(arguments: list[str]) -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("--payloads", type=int, default=10_000_000, help="how many in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--forms", nargs="+", choices=sorted(FORMS), default=sorted(FORMS))
    options = parser.parse_args(arguments)
    each = -(-options.payloads // len(options.forms))
    work = [
        (form, options.seed * 1_000_003 + start // CHUNK, min(CHUNK, each - start))
        for start in range(0, each, CHUNK)
        for form in options.forms
    ]
    begun = time.monotonic()
    tried, good = dict.fromkeys(options.forms, 0), dict.fromkeys(options.forms, 0)
    finds: list[tuple[str, bytes, str]] = []
    with ProcessPoolExecutor(options.jobs) as pool:
        for found in pool.map(stretch, *zip(*work, strict=True)):
            tried[found.form] += found.tried
            good[found.form] += found.good
            finds += [(found.form, raw, what) for raw, what in found.finds]
    for form, count in tried.items():
        finds_here = sum(one == form for one, _, _ in finds)
        print(f"{form:8} {count:>11,} tried, {good[form]:>11,} good readings compared, {finds_here} finds")
    for form, raw, what in finds[:MOST_SHOWN]:
        print(f"{form}: {raw!r}\n    {what}")
    print(f"seed {options.seed}, {time.monotonic() - begun:.0f} s")
    return 1 if finds else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
