"""`python -m tests.benchmarks NAME …`: every benchmark is a module here with a `main`, or one of the named commands."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Final

from tests.benchmarks import accuracy

COMMANDS: Final = {"accuracy": accuracy.main_accuracy, "score": accuracy.main_score}


def others() -> list[str]:
    """Return the benchmarks that are modules with a `main` of their own."""
    here = Path(__file__).parent
    return sorted(path.stem for path in here.glob("*.py") if "\ndef main(" in path.read_text())


def main(arguments: list[str]) -> int:
    """Run the benchmark that is asked for."""
    known = sorted({*COMMANDS, *others()} - {"__main__"})
    if not arguments or arguments[0] not in known:
        print(f"usage: python -m tests.benchmarks {{{','.join(known)}}} …", file=sys.stderr)
        return 2
    name, *rest = arguments
    if name in COMMANDS:
        return COMMANDS[name](rest)
    return int(importlib.import_module(f"tests.benchmarks.{name}").main(rest) or 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
