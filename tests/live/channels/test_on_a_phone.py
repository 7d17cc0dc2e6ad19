"""The mails in a browser as narrow as a phone: readable without zooming, the work first, a button a thumb can hit."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from alerts.letters import Links, alert_content
from alerts.types import AlertKind, Priority, Transition
from tests.fixtures.board import FakeBoard
from tests.live.status.conftest import CHROMIUM, FLAGS
from tests.unit.pipeline.test_hand_over import Night

pytestmark = [pytest.mark.live, pytest.mark.browser]
LINK = "https://bandkeeper.example.org/acknowledge/" + "x" * 120
TOO_SMALL = """() => [...document.querySelectorAll("h2, p")]
    .filter(one => parseFloat(getComputedStyle(one).fontSize) < 16 && !one.textContent.startsWith("Bandkeeper"))
    .map(one => one.textContent)"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def mails(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Give a real hand-over message, and the mail of an alert."""
    night = Night(tmp_path_factory.mktemp("night"))
    with closing(night.record):
        night.until(21.0)
        (said,) = night.hand_overs()
    board = FakeBoard()
    alert = next(one for one in board.picture.alerts if one.kind is AlertKind.OUTSIDE_BAND)
    assert alert.priority is Priority.HIGH
    move = Transition("t-1", alert.id, board.now_s, alert.state, alert.state, "it is out", alert)
    called = alert_content(move, board.plant, Links("https://bandkeeper.example.org/sump/mill-11", LINK))
    return {"hand-over": said["html"], "alert": called.html, "subject": json.dumps(said["subject"])}


def shown(browser: Browser, html: str, width: int) -> Page:
    page = browser.new_context(viewport={"width": width, "height": 844}, offline=True).new_page()
    page.set_content(html)
    return page


@pytest.mark.parametrize("name", ["hand-over", "alert"])
@pytest.mark.parametrize("width", [320, 390])
def test_a_mail_is_readable_on_a_phone(browser: Browser, mails: dict[str, str], name: str, width: int) -> None:
    page = shown(browser, mails[name], width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(TOO_SMALL) == []
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()
    assert page.locator("img, script, link, iframe").count() == 0, "nothing is fetched"
    page.context.close()


def test_the_work_comes_first_and_in_the_order_of_the_walk(browser: Browser, mails: dict[str, str]) -> None:
    page = shown(browser, mails["hand-over"], 390)
    headings = page.locator("h2").all_text_contents()
    assert headings == ["hall-1", "hall-2", "Take along", "Caution"]
    first = page.locator("p").first
    assert first.text_content() is not None
    assert str(first.text_content()).startswith("lathe-04 (")
    box = page.locator("h2", has_text="Take along").bounding_box()
    assert box is not None
    assert box["y"] < 844, "the round and the cart fit one screen"
    page.context.close()


def test_an_alert_begins_with_the_recipe_and_its_button_is_in_reach_of_a_thumb(
    browser: Browser, mails: dict[str, str]
) -> None:
    page = shown(browser, mails["alert"], 390)
    assert page.locator("h2").first.text_content() == "Do this"
    button = page.get_by_role("link", name="I am on it")
    box = button.bounding_box()
    assert box is not None
    assert box["height"] >= 44
    assert box["width"] >= 44
    assert box["y"] + box["height"] < 844
    assert button.get_attribute("href") == LINK
    page.context.close()


def test_in_the_dark_it_stays_as_legible(browser: Browser, mails: dict[str, str]) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, color_scheme="dark", offline=True)
    page = context.new_page()
    for name in ("hand-over", "alert"):
        page.set_content(mails[name])
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
    context.close()


def test_the_mails_hold_nothing_of_the_machine_they_were_made_on(mails: dict[str, str]) -> None:
    for html in mails.values():
        assert str(Path.cwd()) not in html
