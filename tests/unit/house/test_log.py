"""The log: one record, one line, whatever devices, names and requests put into it."""

from __future__ import annotations

import logging

import pytest

from monitor.service import OneLine


def _logged(what: str, *arguments: object, error: Exception | None = None) -> str:
    told = None if error is None else (type(error), error, error.__traceback__)
    record = logging.LogRecord("bandkeeper", logging.WARNING, "a.py", 1, what, arguments, told)
    return OneLine("%(levelname)s %(name)s: %(message)s").format(record)


def _raise(what: str) -> None:
    raise ValueError(what)


def test_a_name_begins_no_line_of_its_own() -> None:
    assert _logged("by %s", "ana\n2031-03-03 ERROR fake\x1b[2J\u2028") == (
        "WARNING bandkeeper: by ana\\n2031-03-03 ERROR fake\\x1b[2J\\u2028"
    )


def test_an_error_is_set_in_below_its_record() -> None:
    with pytest.raises(ValueError, match="fake") as raised:
        _raise("bad\n2031-03-03 ERROR fake\x1b[2J")
    first, *rest = _logged("own fault", error=raised.value).split("\n")
    assert first == "WARNING bandkeeper: own fault"
    assert all(line.startswith("  ") for line in rest)
    assert rest[-1] == "  2031-03-03 ERROR fake\\x1b[2J"
