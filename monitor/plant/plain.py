"""Texts from outside on one line: no control characters, no halves of characters, nothing that hides or turns text."""

from __future__ import annotations

import unicodedata
from typing import Final

_NO_TEXT: Final = frozenset({"Cc", "Cs", "Zl", "Zp"})
_SHORT: Final = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}
_TURNS: Final = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def is_plain(text: str) -> bool:
    """Tell whether a text stands on one line and holds nothing but characters."""
    return text.isprintable() or not any(unicodedata.category(sign) in _NO_TEXT for sign in text)


def one_line(text: str) -> str:
    """Write out what is no plain text, and the signs that turn the direction of writing, as in a string of Python."""
    if text.isprintable():
        return text
    return "".join(_written(sign) for sign in text)


def _written(sign: str) -> str:
    hidden = sign in _TURNS or unicodedata.category(sign) in _NO_TEXT
    if not hidden:
        return sign
    number = ord(sign)
    return _SHORT.get(sign) or (f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}")
