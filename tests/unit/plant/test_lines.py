"""Line numbers of keys, elements and tables."""

from __future__ import annotations

import tomllib

import pytest

from monitor.plant.lines import Path, Unclosed, find_lines

TEXT = """\
# a comment with [brackets] and "quotes
top = 1
[a]
x = \"\"\"
[not.a.header]
y = 2
\"\"\"
"quoted key" = 'it'

[a.b]
list = [ 1, # ]
  2, [3,
  4] ]
inline = { p = 1, q = { r = [5, "]}"] } }
dotted.key . name = true
[[many]]
one = 1
[[many]]
two = 2
[many.deep]
three = 3
[[many.deeper]]
[[many.deeper]]
four = \"\"\"a""b\\\"\"\" still\"\"\"
five = 5
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        ((), 1),
        (("top",), 2),
        (("a",), 3),
        (("a", "x"), 4),
        (("a", "y"), 3),
        (("a", "quoted key"), 8),
        (("a", "b"), 10),
        (("a", "b", "list"), 11),
        (("a", "b", "list", 1), 12),
        (("a", "b", "list", 2, 0), 12),
        (("a", "b", "list", 2, 1), 13),
        (("a", "b", "inline", "q", "r", 1), 14),
        (("a", "b", "dotted", "key", "name"), 15),
        (("many",), 16),
        (("many", 0, "one"), 17),
        (("many", 0, "absent"), 16),
        (("many", 1), 18),
        (("many", 1, "two"), 19),
        (("many", 1, "deep", "three"), 21),
        (("many", 1, "deeper", 0), 22),
        (("many", 1, "deeper", 1, "four"), 24),
        (("many", 1, "deeper", 1, "five"), 25),
        (("nowhere", "at", "all"), 1),
    ],
)
def test_line(path: Path, line: int) -> None:
    assert find_lines(TEXT).of(path) == line


def test_a_later_header_beats_the_mention_in_a_deeper_one() -> None:
    lines = find_lines("[a.b]\n[a]\nx = 1\n")
    assert (lines.of(("a",)), lines.of(("a", "b")), lines.of(("a", "x"))) == (2, 1, 3)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a = [1,\n2\nb = 3\n", 1),
        ('x = 1\na = """\n\n', 2),
        ("a = '''x", 1),
        ("\n\na = { b = 1", 3),
        ("a = [[1, 2],\n[3", 2),
    ],
)
def test_unclosed_values_are_told_where_they_begin(text: str, line: int) -> None:
    with pytest.raises(Unclosed) as caught:
        find_lines(text)
    assert caught.value.line == line


def test_the_text_of_this_test_is_toml() -> None:
    assert tomllib.loads(TEXT)["many"][1]["deeper"][1] == {"four": 'a""b""" still', "five": 5}
