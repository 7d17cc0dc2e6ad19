from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.lines import LONGEST
from monitor.plant.linear import PatternError, compile_linear
from monitor.plant.source_schema import PATTERN_EXAMPLE

ATOMS = st.sampled_from([r"\w+", r"\d*", r"\S+", r"(?:ab|a)", "[a-z-]", r"\s?", ".", "x{2,3}", "(?:\\w\\d)*?", "b"])
PATTERNS = st.lists(ATOMS, min_size=1, max_size=5).map(lambda atoms: "(?P<value>" + "".join(atoms) + ")")


@given(PATTERNS, st.text(st.characters(codec="ascii", min_codepoint=32), max_size=24))
def test_lines_are_read_as_the_standard_library_reads_them(pattern: str, line: str) -> None:
    ours, theirs = compile_linear(pattern).fullmatch(line), re.compile(pattern, re.ASCII).fullmatch(line)
    assert (ours and ours.groupdict()) == (theirs and theirs.groupdict())


@pytest.mark.parametrize("pattern", [r"(?P<value>(a+)+)$", r"(?P<value>(\w+\s?)+):", r"(?P<value>(a|aa|a?)+)b"])
def test_a_pattern_that_would_blow_up_answers_all_the_same(pattern: str) -> None:
    assert compile_linear(pattern).fullmatch("a" * (LONGEST - 1) + "!") is None


def test_groups_are_known_by_name() -> None:
    assert set(compile_linear(PATTERN_EXAMPLE).groupindex) == {"channel", "value", "unit"}


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("(", "missing )"),
        ("(?=a)b", "look-ahead"),
        (r"(a)\1", "back-references"),
        (r"(\w{900}){900}", "repetition size"),
        ("\ud800", "a character that is none"),
    ],
)
def test_what_is_no_pattern_is_said(pattern: str, said: str, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(PatternError, match=re.escape(said)):
        compile_linear(pattern)
    assert capfd.readouterr() == ("", "")
