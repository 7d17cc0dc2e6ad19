r"""Regular expressions of the plant file: read by RE2, whose time grows with the length of a line and no faster.

A pattern is written by people who copy it from somewhere, and lines come from instruments that send noise. With a
matcher that backtracks, `(\w+\s?)+:` and a line of 250 letters would hold a source for longer than the shop exists.
RE2 has no look-ahead and no back-references, which no line of an instrument needs.
"""

from __future__ import annotations

import re
from typing import Any, Final

import re2

_BEYOND: Final = re.compile(r"\(\?<?[=!]|\\[1-9]|\(\?P=")
_OPTIONS: Final = re2.Options()
_OPTIONS.log_errors = False  # the error is raised; the library would also write it to standard error
_OPTIONS.max_mem = 1 << 20  # also bounds what counted repeats, such as `(\w{900}){900}`, may unfold to


class PatternError(ValueError):
    """A text that is no regular expression, with what the matcher says of it."""


def compile_linear(text: str) -> Any:
    """Return the compiled pattern, with `fullmatch` and `groupindex` as in `re`; PatternError if it is none."""
    try:
        return re2.compile(text, _OPTIONS)
    except re2.error as error:
        raise PatternError(_what(error.args[0] if error.args else "", text)) from error
    except UnicodeEncodeError as error:
        raise PatternError("a character that is none") from error


def _what(said: object, text: str) -> str:
    words = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
    return f"{words}; look-ahead, look-behind and back-references are not possible" if _BEYOND.search(text) else words
