"""The page in a real browser: phone and desk, light and dark, with and without a program running in it."""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect

from monitor.status.serve import StatusServer
from tests.fixtures.board import FakeBoard

pytestmark = [pytest.mark.live, pytest.mark.browser]

PATHS = ["/", "/sump/lathe-04", "/sump/mill-11", "/sump/mill-12", "/round", "/checks", "/mixing", "/sign-in"]
SCREENS = [(390, 844), (1280, 900)]


class _Watch:
    """What a page asked for and complained about."""

    def __init__(self, context: BrowserContext) -> None:
        self.hosts: set[str] = set()
        self.complaints: list[str] = []
        context.on("request", lambda request: self.hosts.add(request.url.split("/")[2]))
        context.on("console", lambda message: self.complaints.append(message.text))
        context.on("weberror", lambda error: self.complaints.append(str(error.error)))


def _open(browser: Browser, server: StatusServer, path: str, **options: Any) -> tuple[Page, _Watch]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, **options)
    watch = _Watch(context)
    page = context.new_page()
    page.goto(server.url.rstrip("/") + path)
    return page, watch


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_a_page_is_sound_on_every_screen(browser: Browser, server: StatusServer, path: str, scheme: Any) -> None:
    page, watch = _open(browser, server, path, color_scheme=scheme)
    for width, height in SCREENS:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for details in page.locator("details").all():
            details.evaluate("element => { element.open = true; }")
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert watch.hosts == {f"127.0.0.1:{server.port}"}
    assert watch.complaints == []
    page.context.close()


@pytest.mark.parametrize("width", [320, 360, 390])
def test_no_sideways_scroll_on_small_phones(browser: Browser, server: StatusServer, width: int) -> None:
    page, _ = _open(browser, server, "/")
    page.set_viewport_size({"width": width, "height": 700})
    for path in ("/", "/sump/mill-11", "/round", "/checks", "/mixing"):
        page.goto(server.url.rstrip("/") + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.context.close()


def test_the_accessibility_tree_says_what_the_eye_sees(browser: Browser, server: StatusServer) -> None:
    page, _ = _open(browser, server, "/")
    tree = page.locator("#row-lathe-04").aria_snapshot()
    assert 'heading "lathe-04 hall-1"' in tree or 'link "lathe-04"' in tree
    assert "Likely too rich Sat" in tree
    assert "Hours ahead of lathe-04" in tree
    assert "I am on it" in tree
    images = page.get_by_role("img", name="Hours ahead of lathe-04")
    expect(images).to_have_accessible_description(
        "Likely too rich Sat\u00a017:10. early Sat\u00a008:24, late Sun\u00a008:46. "
        "20 of 20 chances before Mon\u00a006:00"
    )
    page.context.close()


def test_the_recipe_is_one_tap_away_and_reachable_by_keyboard(browser: Browser, server: StatusServer) -> None:
    page, _ = _open(browser, server, "/")
    steps = page.locator("#recipe-mill-11 .steps li")
    expect(steps.first).to_be_hidden()
    summary = page.locator("#recipe-mill-11 summary")
    for _ in range(20):
        page.keyboard.press("Tab")
        if summary.evaluate("element => element === document.activeElement"):
            break
    page.keyboard.press("Enter")
    expect(steps.first).to_be_visible()
    expect(steps.first).to_contain_text("Add 8 buckets of 20 L")
    assert float(steps.first.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) >= 20
    page.context.close()


def test_what_a_thumb_touches_is_large_enough(browser: Browser, server: StatusServer) -> None:
    page, _ = _open(browser, server, "/")
    for target in page.locator("button:visible, summary:visible, nav a:visible").all():
        box = target.bounding_box()
        assert box is not None
        assert box["height"] >= 40
    page.context.close()


def test_it_refreshes_by_itself_and_keeps_the_recipe_open(
    browser: Browser, server: StatusServer, board: FakeBoard
) -> None:
    page, watch = _open(browser, server, "/")
    with page.expect_response("**/api/stream"):
        page.reload()
    page.locator("#recipe-lathe-04 summary").click()
    expect(page.locator("h1")).to_have_text("3 sumps need somebody")
    board.acknowledge("mill-11-outside_band-1", "Rui")
    expect(page.locator("h1")).to_have_text("2 sumps need somebody", timeout=30_000)
    expect(page.locator("#row-mill-11")).to_contain_text("Being dealt with by Rui")
    expect(page.locator("#recipe-lathe-04 .steps li").first).to_be_visible()
    assert watch.complaints == []
    page.context.close()


def test_somebody_typing_is_left_alone(browser: Browser, server: StatusServer, board: FakeBoard) -> None:
    page, _ = _open(browser, server, "/")
    with page.expect_response("**/api/stream"):
        page.reload()
    page.locator("#row-lathe-04 .aside summary").click()
    page.locator("#row-lathe-04 [action$=shelve] [name=reason]").fill("waiting for the ta")
    with page.expect_response(server.url, timeout=30_000):
        board.acknowledge("mill-11-outside_band-1", "Rui")
    page.keyboard.type("nker")
    expect(page.locator("#row-lathe-04 [action$=shelve] [name=reason]")).to_have_value("waiting for the tanker")
    page.context.close()


def test_everything_works_without_a_program_in_the_browser(
    browser: Browser, server: StatusServer, board: FakeBoard
) -> None:
    page, watch = _open(browser, server, "/", java_script_enabled=False)
    page.locator("#recipe-mill-11 summary").click()
    expect(page.locator("#recipe-mill-11 .steps")).to_be_visible()
    page.locator("#row-mill-11").get_by_role("button", name="I am on it").click()
    expect(page.locator("h1")).to_have_text("2 sumps need somebody")
    page.locator("#row-lathe-04 .aside summary").click()
    page.locator("#row-lathe-04 [action$=shelve] [name=reason]").fill("tanker comes tomorrow")
    page.locator("#row-lathe-04").get_by_role("button", name="Put aside").click()
    expect(page.locator("h1")).to_have_text("1 sump needs somebody")
    page.goto(server.url + "sump/mill-11")
    page.get_by_role("button", name="Write down: put in").click()
    expect(page.get_by_role("status")).to_contain_text("Written down")
    assert (board.record.book[-1].volume_l, board.record.book[-1].mix_pct) == (160.0, 1.0)
    assert watch.complaints == []
    page.context.close()


def test_a_faulty_form_says_what_is_wrong_and_the_way_back(browser: Browser, server: StatusServer) -> None:
    page, _ = _open(browser, server, "/sump/mill-11")
    page.locator("#log-add input[name=volume]").fill("99999")
    page.get_by_role("button", name="Write down: put in").click()
    expect(page.locator(".faults")).to_contain_text("far more than the whole sump holds")
    assert Axe().run(page).violations_count == 0
    page.get_by_role("link", name="Go back").click()
    expect(page.locator("h1")).to_have_text("mill-11")
    page.context.close()


def test_a_sick_watch_is_seen_at_once(browser: Browser, server: StatusServer, board: FakeBoard) -> None:
    board.fail("hall-mqtt: the broker refuses the password.", "Put the right one into its password_file.")
    page, _ = _open(browser, server, "/")
    banner = page.get_by_role("heading", name="The watch itself needs help")
    expect(banner).to_be_in_viewport()
    assert Axe().run(page).violations_count == 0
    page.context.close()


def test_the_round_prints_without_buttons(browser: Browser, server: StatusServer) -> None:
    page, _ = _open(browser, server, "/round")
    page.emulate_media(media="print")
    expect(page.locator("nav")).to_be_hidden()
    expect(page.locator(".round .steps").first).to_be_visible()
    box = page.get_by_role("checkbox", name="lathe-04")
    box.check()
    expect(box).to_be_checked()
    page.context.close()
