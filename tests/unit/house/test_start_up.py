"""What a command loads: a plant file is checked without the web server, and the daemon never loads heavy packages.

Packages that only the gates install are hidden, as on a plant's machine (sqlite-utils would take pandas along).
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Final

from tests.unit.house.tree import ROOT, imports_of, modules

HIDDEN: Final = ["pandas"]
HEAVY: Final = ["scipy", "pandas", "pint", "matplotlib", "statsmodels", "amqtt"]
NOT_FOR_A_CHECK: Final = [
    *HEAVY,
    "fastapi",
    "uvicorn",
    "paho",
    "serial",
    "sqlite_utils",
    "apscheduler",
    "rich",
]
EXAMPLE: Final = ROOT / "config_demo" / "examples" / "mqtt-minimal.toml"


def loaded(program: str, names: list[str]) -> list[str]:
    """Run a program in a Python of its own and return which of the names it loaded."""
    hide = f"sys.modules.update(dict.fromkeys({HIDDEN!r}))"
    tell = f"print('\\n' + json.dumps([n for n in {names!r} if sys.modules.get(n)]))"
    ask = f"import json, sys\n{hide}\n{program}\n{tell}"
    done = subprocess.run(
        [sys.executable, "-c", ask], cwd=ROOT, capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    return list(json.loads(done.stdout.splitlines()[-1]))


def test_checking_a_plant_file_loads_little() -> None:
    program = f"from monitor.cli import main\nassert main(['check', {str(EXAMPLE)!r}]) == 0"
    assert loaded(program, NOT_FOR_A_CHECK) == []


def test_the_daemon_starts_without_the_heavy_packages(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    file.write_text(EXAMPLE.read_text(encoding="utf-8").replace("127.0.0.1:8480", "off"), encoding="utf-8")
    program = (
        "from pathlib import Path\n"
        "from monitor.daemon import Daemon, wall_clock\n"
        "from monitor.plant.file import load_plant\n"
        f"Daemon(load_plant(Path({str(file)!r})), wall_clock).stop()"
    )
    assert loaded(program, HEAVY) == []


def test_nothing_of_the_product_imports_the_heavy_packages_later() -> None:
    for module, path in modules().items():
        heavy = {name.split(".")[0] for name in imports_of(path)} & set(HEAVY)
        assert not heavy or module == "config_demo.broker", f"{module} imports {heavy}"
