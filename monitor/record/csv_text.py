"""Text fields of a CSV file that a spreadsheet must not take for formulas.

A field that begins with `=`, `+`, `-`, `@`, tab or carriage return gets an apostrophe in front when it is written and
loses it again when it is read. A field that already begins with apostrophes before such a sign gets one more, so
that every text comes back as it was (OWASP, "CSV Injection").
"""

from __future__ import annotations

import re

_RISKY = re.compile(r"'*[=+\-@\t\r]")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")


def guard(text: str) -> str:
    """Return the field as it may stand in a file that a spreadsheet opens."""
    return f"'{text}" if _RISKY.match(text) else text


def cell(text: str) -> str:
    """Return a text of several lines as a guarded field whose line ends are all of one kind (LF)."""
    return guard(text.replace("\r\n", "\n").replace("\r", "\n"))


def unguard(text: str) -> str:
    """Undo `guard`."""
    return text[1:] if _GUARDED.match(text) else text
