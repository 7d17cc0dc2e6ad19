"""Who may import whom: pure rooms stay pure, directions hold, nothing goes in circles."""

from __future__ import annotations

from graphlib import TopologicalSorter
from typing import Final

import pytest

from tests.unit.house.tree import calls_of, imports_of, modules, others, ours, room_of, text

PLANT, MODEL, SNAPSHOT = "monitor.plant", "monitor.model", "monitor.snapshot"
MAY_IMPORT: Final[dict[str, set[str]]] = {
    "monitor": set(),
    PLANT: set(),
    MODEL: {PLANT},
    "alerts": {PLANT, MODEL},
    SNAPSHOT: {"alerts", MODEL},
    "monitor.memory": {"alerts", MODEL, PLANT},
    "monitor.fence": {MODEL, PLANT},
    "monitor.waiting": {"alerts", MODEL, PLANT},
    "monitor.pipeline": {"alerts", MODEL, PLANT, SNAPSHOT, "monitor.fence", "monitor.memory", "monitor.waiting"},
    "monitor.record": {"alerts", MODEL, PLANT, SNAPSHOT},
    "monitor.status": {"alerts", MODEL, PLANT, SNAPSHOT},
    "adapters": {PLANT},
}
"""The rooms below the roof. A new room gets a line here, and a reason in DEVELOPERS.md."""
ROOF: Final = {
    "monitor.cli",
    "monitor.daemon",
    "monitor.desk",
    "monitor.fittings",
    "monitor.give_back",
    "monitor.health",
    "monitor.hygiene",
    "monitor.keys",
    "monitor.lock",
    "monitor.nightly",
    "monitor.outward",
    "monitor.own_alerts",
    "monitor.post",
    "monitor.publishing",
    "monitor.recall",
    "monitor.reload",
    "monitor.replay",
    "monitor.patience",
    "monitor.rounds",
    "monitor.sender",
    "monitor.service",
    "monitor.sources",
    "monitor.timekeeper",
    "monitor.together",
    "monitor.watchdog",
    "monitor.worker",
}
DEMO: Final = "config_demo"

OUTSIDE: Final[dict[str, set[str]]] = {
    PLANT: {"numpy", "pydantic", "pydantic_core", "re2"},
    MODEL: {"numpy"},
    "alerts": {"pydantic"},
    "monitor.record": {"sqlite_utils"},
    "monitor.status": {"fastapi", "starlette", "uvicorn", "jinja2", "markupsafe", "prometheus_client", "pydantic"},
    "adapters": {"paho", "pymodbus", "serial"},
    "monitor.daemon": {"apscheduler"},
    "monitor.replay": {"rich"},
    "monitor.cli": {"rich"},
    DEMO: {"amqtt", "paho", "rich", "numpy"},
}
"""The packages of others that a room may use."""

PURE_ADAPTERS: Final = {
    "adapters.bus_plan",
    "adapters.current_loop",
    "adapters.intake",
    "adapters.iolink",
    "adapters.line_reader",
    "adapters.lines",
    "adapters.parsers",
    "adapters.payloads",
    "adapters.register_values",
    "adapters.routes",
    "adapters.sample",
    "adapters.senml",
    "adapters.timestamps",
}
PURE_ROOMS: Final = {
    PLANT,
    MODEL,
    "alerts",
    SNAPSHOT,
    "monitor.fence",
    "monitor.memory",
    "monitor.waiting",
    "monitor.pipeline",
}
THE_LOADER: Final = "monitor.plant.file"
NOT_PURE: Final = {
    "asyncio",
    "concurrent",
    "ctypes",
    "http",
    "multiprocessing",
    "os",
    "queue",
    "random",
    "select",
    "selectors",
    "shutil",
    "signal",
    "socket",
    "sqlite3",
    "ssl",
    "subprocess",
    "sys",
    "tempfile",
    "threading",
    "time",
}
NOT_CALLED: Final = {
    "now",
    "utcnow",
    "today",
    "read_text",
    "read_bytes",
    "write_text",
    "write_bytes",
    "unlink",
    "mkdir",
}


def pure_modules() -> list[str]:
    """Return the modules that know no clock, file, socket, thread or database."""
    return sorted(m for m in modules() if m in PURE_ADAPTERS or (room_of(m) in PURE_ROOMS and m != THE_LOADER))


def test_the_pure_parts_of_the_adapters_are_still_there() -> None:
    assert modules().keys() >= PURE_ADAPTERS | {THE_LOADER}


@pytest.mark.parametrize("module", pure_modules())
def test_a_pure_module_imports_nothing_of_the_outside_world(module: str) -> None:
    names = imports_of(modules()[module])
    assert not {name.split(".")[0] for name in names} & NOT_PURE
    impure = ours(names) - set(pure_modules()) - {"monitor", "adapters"}
    assert not impure, f"{module} is pure and imports {impure}, which is not"


@pytest.mark.parametrize("module", pure_modules())
def test_a_pure_module_asks_no_clock_and_opens_no_file(module: str) -> None:
    for line, name in calls_of(modules()[module]):
        last = name.rpartition(".")[2]
        assert name != "open", f"{module}, line {line}: opens a file"
        assert last not in NOT_CALLED, f"{module}, line {line}: {name}"


@pytest.mark.parametrize("module", [m for m in modules() if room_of(m) in PURE_ROOMS])
def test_draws_are_fixed(module: str) -> None:
    assert "default_rng()" not in text(modules()[module])
    for line, name in calls_of(modules()[module]):
        assert ".random." not in name or "default_rng" in name, f"{module}, line {line}: {name}"


@pytest.mark.parametrize("module", sorted(modules()))
def test_imports_go_in_the_directions_of_the_table(module: str) -> None:
    room = room_of(module)
    wanted = {room_of(name) for name in ours(imports_of(modules()[module]))} - {room, "monitor"}
    if room == DEMO:
        assert not wanted & {"monitor.cli", "monitor.worker", "monitor.publishing"}
    elif room not in ROOF:
        assert room in MAY_IMPORT, f"{room} is a room that the table of directions does not know"
        assert wanted <= MAY_IMPORT[room], f"{module} must not import {wanted - MAY_IMPORT[room]}"


@pytest.mark.parametrize("module", sorted(modules()))
def test_a_room_uses_only_the_packages_it_may(module: str) -> None:
    assert others(imports_of(modules()[module])) <= OUTSIDE.get(room_of(module), set())


def test_no_circle_of_imports() -> None:
    graph = {module: ours(imports_of(path)) - {module} for module, path in modules().items()}
    assert len(list(TopologicalSorter(graph).static_order())) >= len(graph)


def test_nothing_is_imported_for_type_checking_only() -> None:
    assert not [module for module, path in modules().items() if "TYPE_CHECKING" in text(path)]


def test_packages_bring_nothing_in_by_themselves() -> None:
    for module, path in modules().items():
        if path.name == "__init__.py":
            assert not imports_of(path), f"{module}: an __init__ imports nothing"
