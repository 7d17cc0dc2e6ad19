"""The morning message names the hand checks that pay, in order of worth, a line each, in all its forms."""

from __future__ import annotations

import json
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from alerts.reports import MOST_NAMED, morning
from monitor.model.checks import CheckWorth
from monitor.post import PATIENCE_S
from tests.unit.post.office import Office, at

MORNING = at("2031-03-04T06:00:30")
CHECKS = (CheckWorth("lathe-04", 0.214, 0.45, 0.312), CheckWorth("gone-1", 0.05, 0.08, 0.2))
LINE = (
    "lathe-04 (hall-1): 9 of 20 chances that it leaves its band before somebody is back; its strength is known to "
    "± 0.31 points. With a check, a wrong call gets rarer by 21 in 100."
)


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    found = Office(tmp_path)
    yield found
    found.close()


def reports(office: Office) -> list[dict[str, Any]]:
    """Return the bodies of the morning messages."""
    return [json.loads(row["body"]) for row in office.rows() if row["event"].startswith("morning")]


class Shown(HTMLParser):
    """Collects what a mail shows: headings and paragraphs."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def handle_data(self, data: str) -> None:
        self.lines.append(data.replace("\u00a0", " "))


def test_the_checks_stand_behind_what_is_to_do_in_order_of_worth(office: Office) -> None:
    office.raise_alert(at("2031-03-03T23:10"))
    office.turn(MORNING, CHECKS)
    text = reports(office)[0]["text"]
    assert f"CHECK BY HAND TODAY\n{LINE}\ngone-1: 2 of 20 chances" in text
    assert text.index("TO DO NOW") < text.index("CHECK BY HAND TODAY") < text.index("SINCE MON 22:00")
    assert "gloves" in text.lower()
    assert "/checks" in text


def test_the_mail_for_phones_says_the_same_and_is_escaped(office: Office) -> None:
    office.turn(MORNING, CHECKS)
    body = reports(office)[0]
    shown = Shown()
    shown.feed(body["html"])
    assert LINE in shown.lines
    assert "Check by hand today" in shown.lines
    assert office.plant.status is not None
    assert f'href="{office.plant.status.address}/checks"' in body["html"]


def test_programs_and_short_texts_get_them_too(office: Office) -> None:
    office.turn(MORNING, CHECKS)
    body = reports(office)[0]
    part = next(one for one in body["event"]["data"]["parts"] if one["heading"] == "Check by hand today")
    assert part["lines"][0] == LINE
    assert body["short"].endswith("Check lathe-04, gone-1.")
    assert len(body["short"]) <= 160


def test_without_checks_that_pay_nothing_is_said_of_checks(office: Office) -> None:
    office.turn(MORNING)
    (first, *_) = reports(office)
    assert "CHECK" not in first["text"]
    assert "Check" not in first["short"]
    assert "/checks" not in first["text"]


def test_only_the_worthiest_are_named_where_there_are_many(office: Office) -> None:
    many = [CheckWorth(f"sump-{n}", 0.3 - 0.01 * n, 0.5, 0.3) for n in range(MOST_NAMED + 3)]
    said = morning(office.plant, (), (), many, MORNING - 8 * 3600.0, MORNING, "morning-1")
    assert "sump-9:" in said.text
    assert "sump-10:" not in said.text
    assert "And 3 more." in said.text
    assert len(said.short) <= 160


def test_it_waits_for_a_picture_of_the_same_morning(office: Office) -> None:
    """What paid in the night that is over is no advice for the day."""
    night_s = at("2031-03-04T05:00")
    office.turn(MORNING, CHECKS, picture_s=night_s)
    assert not reports(office)
    office.turn(MORNING + 60.0, CHECKS[:1], picture_s=at("2031-03-04T06:00"))
    assert LINE in reports(office)[0]["text"]


def test_it_does_not_wait_for_ever(office: Office) -> None:
    night_s = at("2031-03-04T05:00")
    office.turn(at("2031-03-04T06:00") + PATIENCE_S, CHECKS, picture_s=night_s)
    assert "CHECK" not in reports(office)[0]["text"]
