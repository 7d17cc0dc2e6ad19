"""The JSON Schema for editors: valid itself, agrees with the loader, says what every key is."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from monitor.plant.file import plant_schema

CASES = Path(__file__).parents[2] / "cases" / "plant_files"
SOUND = ("contract-example", "shortest", "us-units", "all-shapes", "every-source", "record")
VALIDATOR = Draft202012Validator(plant_schema())


def document(story: str) -> dict[str, Any]:
    return tomllib.loads((CASES / story / "plant.toml").read_text(encoding="utf-8"))


def test_it_is_a_schema() -> None:
    Draft202012Validator.check_schema(plant_schema())
    assert plant_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("story", SOUND)
def test_sound_files_satisfy_it(story: str) -> None:
    assert [error.message for error in VALIDATOR.iter_errors(document(story))] == []


@pytest.mark.parametrize("story", ["unknown-keys", "wrong-kinds", "missing-keys", "sources", "calendars"])
def test_faulty_files_do_not(story: str) -> None:
    assert list(VALIDATOR.iter_errors(document(story)))


def test_every_key_has_a_description() -> None:
    bare = [
        f"{name}.{key}"
        for name, table in plant_schema()["$defs"].items()
        for key, value in table["properties"].items()
        if "description" not in value and "const" not in value and name != "SignalsTable"
    ]
    assert bare == []


def test_the_span_key_is_written_as_in_the_file() -> None:
    assert "from" in plant_schema()["$defs"]["SpanTable"]["properties"]
