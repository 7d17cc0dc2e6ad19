"""README and DEVELOPERS name every command, setting, address and topic that exists, and none that does not."""

from __future__ import annotations

import argparse
import ast
import re
from functools import cache
from pathlib import Path
from typing import Any, Final

import pytest

from adapters.dispensed import topic_of
from adapters.event_stream import TOPIC
from adapters.mqtt_out import MqttPublisher, Payload
from alerts.lifecycle import acknowledge
from monitor import cli
from monitor.plant import people_schema, record_schema, schema, source_schema
from monitor.plant.errors import PlantFileError
from monitor.plant.file import PlantFile, load_plant, plant_schema
from monitor.plant.quantity import parse_quantity
from monitor.plant.reading import Signal
from monitor.plant.source_folder import FolderTable
from monitor.plant.source_modbus import ModbusTable
from monitor.publishing import Publishing
from monitor.snapshot import Changes
from monitor.status.app import create_app
from monitor.status.link_pages import router_for as links_for
from monitor.status.pages import router_for
from tests.fixtures.board import FakeBoard
from tests.unit.house.papers import BOTH, DEVELOPERS, README, Row, blocks, code, tables
from tests.unit.house.tree import PACKAGES, files, python_files, text, tree_of

NEEDED: Final = "needed"
WORD: Final = re.compile(r"`([^`]+)`")


# commands


@cache
def commands() -> dict[str, set[str]]:
    """Return every command with its options."""
    parser = cli._parser()
    subs = next(action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    return {name: _options(sub) for name, sub in subs.choices.items()} | {"": _options(parser)}


def _options(parser: argparse.ArgumentParser) -> set[str]:
    return {option for action in parser._actions for option in action.option_strings if option.startswith("--")}


@pytest.mark.parametrize("command", sorted(set(commands()) - {""}))
def test_the_readme_shows_every_command_with_its_options(command: str) -> None:
    shown = " ".join(line for line in code(README) if re.search(rf"\bbandkeeper {command}\b", line))
    assert shown, f"README: say what `bandkeeper {command}` does"
    missing = {option for option in commands()[command] - {"--help"} if option not in README}
    assert not missing, f"README: `bandkeeper {command}` has {missing} too"


def test_the_papers_show_no_command_that_does_not_exist() -> None:
    for line in code(BOTH):
        for dashes, name in re.findall(r"(?<!-)\bbandkeeper (--?)?([\w-]+)", line):
            assert (f"--{name}" in commands()[""]) if dashes else (name in commands()), line


def test_the_readme_shows_no_option_that_does_not_exist() -> None:
    known = set[str]().union(*commands().values())
    for line in code(README):
        if "bandkeeper " in line or line.startswith("--"):
            assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", line)) <= known, line


def test_the_papers_name_the_ci_commands_and_only_those() -> None:
    there = {path.name for path in files() if path.parts[0] == ".ci" and not path.suffix}
    assert set(re.findall(r"\.ci/([a-z]+)\b(?!\.lock|-)", " ".join(code(BOTH)))) - {"requirements"} == there


def test_the_two_commands_come_first() -> None:
    first = blocks(README, "sh")[0]
    assert [line.split()[0] for line in first.splitlines()] == [".ci/demo", ".ci/test"]
    assert README.startswith("# Bandkeeper\n\n")
    assert len(README.split("\n\n")[1].splitlines()) < 12, "the job comes first, in one paragraph"


def test_every_path_the_papers_name_is_there() -> None:
    there = {path.as_posix() for path in files()}
    folders = {parent.as_posix() for path in files() for parent in path.parents}
    for one in code(BOTH):
        if re.fullmatch(r"(monitor|adapters|alerts|config_demo|tests|\.ci)/[\w./-]*", one):
            assert one.rstrip("/") in there | folders, f"the papers name {one}"


def test_every_room_of_the_house_is_on_the_map() -> None:
    rooms = {
        path.parts[1] for path in python_files("monitor") if len(path.parts) > 1 and path.parts[1] != "__init__.py"
    }
    for room in rooms:
        assert f"`monitor/{room}" in DEVELOPERS, f"DEVELOPERS: the map lacks monitor/{room}"
    for folder in {path.parts[1] for path in python_files("tests") if len(path.parts) > 2}:
        assert f"`tests/{folder}" in DEVELOPERS, f"DEVELOPERS: say what tests/{folder} holds"


# environment


def _variables() -> set[str]:
    """Return the variables of the environment that the code and the commands read."""
    found: set[str] = set()
    for path in [*python_files(*PACKAGES), Path("tests/conftest.py")]:
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in {"os.environ.get", "os.getenv"}:
                found.add(ast.literal_eval(node.args[0]))
            if isinstance(node, ast.Subscript) and ast.unparse(node.value) == "os.environ":
                found.add(ast.literal_eval(node.slice))
    for path in files():
        if path.parts[0] == ".ci" and not path.suffix:
            found |= set(re.findall(r"\$\{([A-Z][A-Z_]+):[-+]", text(path)))
    return found


def test_every_variable_of_the_environment_is_named() -> None:
    assert {"CREDENTIALS_DIRECTORY", "BANDKEEPER_NO_SKIPS"} <= _variables()
    assert not {name for name in _variables() if f"`{name}" not in BOTH}


def test_no_variable_is_named_that_nothing_reads() -> None:
    named = set(re.findall(r"`([A-Z]+_[A-Z_]+)(?:=\S*)?`", README)) | set(re.findall(r"`(BANDKEEPER_[A-Z_]+)", BOTH))
    assert named <= _variables()


# addresses


@cache
def addresses() -> set[str]:
    """Return every address the server answers, as `METHOD path`."""
    board = FakeBoard()
    app = create_app(board, open_without_token=True)
    found = {f"{method.upper()} {path}" for path, item in app.openapi()["paths"].items() for method in item}
    for route in [*app.routes, *router_for(board, with_sign_out=True).routes, *links_for(board).routes]:
        if path := getattr(route, "path", ""):
            methods: set[str] = getattr(route, "methods", None) or {"GET"}
            found |= {f"{method} {path}" for method in methods - {"HEAD"}}
    return found


def test_the_readme_names_every_address() -> None:
    assert len(addresses()) > 20
    assert not {one for one in addresses() if f"`{one}`" not in README}


def test_no_address_is_named_that_is_not_served() -> None:
    named = {one for one in code(BOTH) if re.fullmatch(r"(GET|POST|PUT|DELETE|PATCH) /\S*", one)}
    assert named <= addresses()
    paths = {one.split()[1] for one in addresses()}
    assert {one for one in code(BOTH) if re.fullmatch(r"/(api|health|metrics)\S*", one)} <= paths


# topics


class _Heard(MqttPublisher):
    """A publisher that only notes the topics."""

    def __init__(self) -> None:
        self.topics: set[str] = set()

    def publish(self, topic_suffix: str, payload: Payload, *, retain: bool = True) -> None:
        assert retain
        if payload:
            self.topics.add(topic_suffix)


@cache
def families() -> set[str]:
    """Return the families of topics that come out when everything there is gets published."""
    board, heard = FakeBoard(), _Heard()
    alert = board.picture.alerts[0]
    moved = tuple(t for t in [acknowledge(alert, "somebody", board.now_s)[1]] if t is not None)
    assert moved
    Publishing(board.plant, heard).told(Changes(board.picture, transitions=moved))
    found = set()
    for topic in heard.topics:
        first, name, *rest = topic.split("/")
        found.add("/".join([first, {"sump": "{sump}", "alert": "{alert_id}", "mixing": "{fluid}"}[first], *rest]))
        assert name
    dispensed = topic_of(board.plant.id).removeprefix(f"bandkeeper/{board.plant.id}/")
    return found | {"status", TOPIC, "alert/{alert_id}/acknowledge", dispensed}


def test_the_readme_names_every_topic_and_no_other() -> None:
    assert len(families()) == 9
    shown = [rows for _, rows in tables(README) if any(row.key == "sump/{sump}/state" for row in rows)]
    assert {row.key for row in shown[0] if not row.key.startswith(("GET", "POST"))} == families()


# the plant file


SECTIONS: Final[dict[str, tuple[type[schema.TableModel], ...]]] = {
    "`[plant]`": (schema.PlantTable,),
    "`[[plant.attended]]`, `[[duty.NAME.spans]]`": (schema.SpanTable,),
    "`[fluid.NAME]`": (schema.FluidTable,),
    "`[water.NAME]`": (schema.WaterTable,),
    "`[duty.NAME]`": (schema.DutyTable,),
    "`[sump.NAME]`": (schema.SumpTable,),
    "`[sump.NAME.signal.SIGNAL]`": (schema.SignalTable,),
    "`[sump.NAME.signal.SIGNAL.current]`": (schema.CurrentTable,),
    '`[source.NAME]` with `kind = "mqtt"`': (source_schema.MqttTable,),
    '`[source.NAME]` with `kind = "serial"`': (source_schema.SerialTable,),
    '`[source.NAME]` with `kind = "modbus"`': (ModbusTable,),
    '`[source.NAME]` with `kind = "folder"`': (FolderTable,),
    "`[publish]`": (schema.PublishTable,),
    "`[record]`": (record_schema.RecordTable,),
    "`[station]`": (schema.StationTable,),
    "`[status]`": (schema.StatusTable,),
    '`[channel.NAME]` with `kind = "mail"`': (people_schema.MailTable,),
    '`[channel.NAME]` with `kind = "webhook"`': (people_schema.WebhookTable,),
    "`[person.NAME]`": (people_schema.PersonTable,),
    "`[[person.NAME.reach]]`": (people_schema.ReachTable,),
    "`[group.NAME]`": (people_schema.GroupTable,),
    "`[on_call.NAME]`": (people_schema.OnCallTable,),
    "`[route.NAME]`": (people_schema.RouteTable,),
    "`[reports]`": (people_schema.ReportsTable,),
    "`[alerts]`": (people_schema.AlertsTable,),
    "`[[closed]]`": (people_schema.ClosedTable,),
}
SHAPES: Final[tuple[type[schema.TableModel], ...]] = (
    schema.PerHeightTable,
    schema.StrappingTable,
    *schema.SHAPE_TABLES.values(),
)


@cache
def readme_tables() -> dict[str, list[Row]]:
    """Return README's tables by heading."""
    return dict(tables(README))


def test_every_table_of_the_plant_file_has_its_section() -> None:
    told = {model.__name__ for models in SECTIONS.values() for model in models} | {model.__name__ for model in SHAPES}
    assert set(plant_schema()["$defs"]) == told | {schema.SignalsTable.__name__}
    tops = {heading.split(".")[0].strip("`[]") for heading in SECTIONS}
    assert set(PlantFile.model_fields) == tops


@pytest.mark.parametrize("heading", SECTIONS)
def test_the_readme_names_every_key_with_its_default(heading: str) -> None:
    rows = {row.key: row.cells[-1] for row in readme_tables()[heading]}
    properties: dict[str, Any] = {}
    needed: set[str] = set()
    for model in SECTIONS[heading]:
        said = plant_schema()["$defs"][model.__name__]
        properties |= said["properties"]
        needed |= set(said.get("required", []))
    assert rows.keys() == properties.keys()
    assert {key for key, cell in rows.items() if cell == NEEDED} == needed
    for key, cell in rows.items():
        default = properties[key].get("default")
        if default is not None:
            assert _same(cell.strip("`"), default), f"{heading} {key}: {cell} is not the default {default}"


def _same(told: str, default: object) -> bool:
    if isinstance(default, bool):
        return told == str(default).lower()
    if isinstance(default, list):
        return told == ", ".join(default)
    if isinstance(default, float) and not re.fullmatch(r"[\d.]+", told):
        return parse_quantity(told, "time") == default
    return float(told) == default if isinstance(default, int | float) else told == default


def test_the_readme_names_every_shape_and_signal() -> None:
    section = README.partition("### `volume`")[2].partition("\n### ")[0]
    words = set(WORD.findall(section)) | set(re.findall(r"\{ (\w+) =", section))
    assert {key for model in SHAPES for key in schema.known_keys(model)} <= words
    assert set(schema.SHAPES) <= words
    signals = README.partition("### `[sump.NAME.signal.SIGNAL]`")[2].partition("\n|")[0]
    assert set(WORD.findall(signals)) == {signal.value for signal in Signal}


def test_the_shortest_plant_file_works(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    file.write_text(blocks(README, "toml")[0], encoding="utf-8")
    plant = load_plant(file)
    assert list(plant.sumps) == ["mill"]
    assert plant.status is not None
    assert plant.fluids["semi-synthetic"].target_pct == 8.0


def test_no_line_of_the_shortest_plant_file_could_be_left_out(tmp_path: Path) -> None:
    lines = blocks(README, "toml")[0].splitlines()
    file = tmp_path / "plant.toml"
    for number, line in enumerate(lines):
        if "=" in line:
            file.write_text("\n".join([*lines[:number], *lines[number + 1 :]]), encoding="utf-8")
            with pytest.raises(PlantFileError):
                load_plant(file)
