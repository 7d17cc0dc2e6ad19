"""What people read on one line is one line, and any letters are letters."""

from __future__ import annotations

import pytest

from monitor.plant.plain import is_plain, one_line

FAMILY = "\U0001f468\u200d\U0001f527"


@pytest.mark.parametrize("text", ["", "Ana", "zwei  Eimer", "工場 ä é\u00a0x", FAMILY, "\u202eabc"])
def test_letters_of_any_kind_are_plain(text: str) -> None:
    assert is_plain(text)


@pytest.mark.parametrize("text", ["a\nb", "a\r", "\0", "\x1b[31m", "\x85", "\u2028", "\u2029", "\ud800", "\x7f", "\t"])
def test_control_characters_and_halves_of_characters_are_not(text: str) -> None:
    assert not is_plain(text)
    assert one_line(text).isprintable()


def test_what_is_hidden_is_written_out_and_the_rest_stays() -> None:
    assert one_line(f"a\nb\x1b[31m{FAMILY}\u202ec\ud800\\n") == f"a\\nb\\x1b[31m{FAMILY}\\u202ec\\ud800\\n"
