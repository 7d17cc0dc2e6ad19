"""Reading one table at a time: every key by itself, so that one fault hides no other."""

from __future__ import annotations

from functools import cache
from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from monitor.plant.faults import Faults, dotted, listed, near, said, shown, toml
from monitor.plant.lines import Path
from monitor.plant.schema import TableModel, known_keys

Table = dict[str, Any]

_SECRETS = (
    "password", "passwd", "pass", "secret", "token", "api_key", "apikey", "private_key", "credentials", "key",
)  # fmt: skip


def read_table(model: type[TableModel], raw: Any, path: Path, faults: Faults) -> Table:
    """Read a table key by key. The result holds what was right, and defaults for what was left out.

    Nested tables come back as they are, to be read by whoever knows them. A key with a fault is not in the result.
    """
    if not isinstance(raw, dict):
        faults.add(path, f"{shown(raw)} must be a table with the keys {listed(known_keys(model), last='and')}")
        return {}
    _refuse_unknown(model, raw, path, faults)
    values: Table = {}
    for key, name in known_keys(model).items():
        info = model.model_fields[name]
        if key in raw:
            value = raw[key] if name in model.nested else read_value(model, name, raw[key], (*path, key), faults)
            if value is not None:
                values[name] = value
        elif info.is_required():
            faults.miss((*path, key), f"is missing: {info.description}{_examples(info)}")
        else:
            values[name] = info.get_default()
    return values


def tables_in(raw: Any, path: Path, faults: Faults) -> dict[str, Any]:
    """Return the named tables under a key such as `sump`, nothing with a fault if it is no table."""
    if isinstance(raw, dict):
        return raw
    faults.add(path, f"{shown(raw)} must be a table of tables, each under its own name: [{dotted(path)}.NAME]")
    return {}


def list_in(raw: Any, path: Path, faults: Faults) -> list[Any]:
    """Return the elements of an array of tables, nothing with a fault if it is none."""
    if isinstance(raw, list):
        return raw
    faults.add(path, f"must be an array of tables: write its header in double brackets, [[{dotted(path)}]]")
    return []


def read_value(model: type[TableModel], name: str, raw: Any, path: Path, faults: Faults) -> Any:
    """Read the value of one field; None, with faults, if it is not what the field holds."""
    try:
        return _adapter(model, name).validate_python(raw)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            where = (*path, *(part for part in detail["loc"] if isinstance(part, int)))
            faults.add(where, said(detail, _examples(model.model_fields[name])))
        return None


@cache
def _adapter(model: type[TableModel], name: str) -> TypeAdapter[Any]:
    info = model.model_fields[name]
    whole: Any = Annotated[info.annotation, *info.metadata] if info.metadata else info.annotation
    return TypeAdapter(whole)


def _refuse_unknown(model: type[TableModel], raw: Table, path: Path, faults: Faults) -> None:
    keys = known_keys(model)
    for key in raw:
        if key in keys:
            continue
        if key.lower() in _SECRETS:
            faults.add((*path, key), _remedy((*path, key), keys))
        else:
            faults.add(
                (*path, key), f"is no key of this table: {near(key, keys)}it may hold {listed(keys, last='and')}"
            )


def _remedy(path: Path, keys: dict[str, str]) -> str:
    """Say where a secret belongs."""
    if "password_file" in keys and "key" not in str(path[-1]).lower():
        return (
            "secrets never stand in this file: put it alone in a file that only the daemon may read and write "
            f'password_file = "THAT FILE", or give systemd the credential {path[-2]}-password'
        )
    if "secret_file" in keys:
        return (
            "secrets never stand in this file: put it alone in a file that only the daemon may read and write "
            f'secret_file = "THAT FILE", or give systemd the credential {path[-2]}-secret'
        )
    if "client_key" in keys:
        return 'secrets never stand in this file: name the file that holds the key, client_key = "THAT FILE"'
    return "secrets never stand in this file, and nothing in this table needs one: take it out"


def _examples(info: FieldInfo) -> str:
    """Write `, such as …` from the examples of a field."""
    return f", such as {' or '.join(toml(one) for one in info.examples)}" if info.examples else ""
