"""Alerts on the page in a real browser: put aside, switched off, brought back; the watch's own have their row."""

from __future__ import annotations

from dataclasses import replace

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from alerts.types import AlertKind, AlertState, Priority
from monitor.status.serve import StatusServer
from tests.fixtures.board import NOW_S, FakeBoard, alert

pytestmark = [pytest.mark.live, pytest.mark.browser]


@pytest.mark.parametrize("java_script", [True, False])
def test_an_alert_goes_out_of_service_and_back_with_a_thumb(
    browser: Browser, server: StatusServer, board: FakeBoard, java_script: bool
) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=java_script)
    page = context.new_page()
    page.goto(server.url)
    row = page.locator("#row-saw-01")
    row.locator(".aside summary").click()
    row.locator("form[action$=out-of-service] input[name=reason]").fill("gauge being replaced")
    row.get_by_role("button", name="Out of service until returned").click()
    out = page.locator("details", has_text="Out of service: 1")
    out.locator("summary").click()
    expect(out).to_contain_text("gauge being replaced")
    out.get_by_role("button", name="Return to service").click()
    expect(page.locator("details", has_text="Out of service: 1")).to_have_count(0)
    assert [move.after for move in board.record.moves] == [AlertState.OUT_OF_SERVICE, AlertState.UNACKNOWLEDGED]
    context.close()


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_the_watchs_own_row_and_all_that_is_aside_are_sound(
    browser: Browser, server: StatusServer, board: FakeBoard, width: int
) -> None:
    text = "channel post takes no messages since 4 min: mail.example.org refuses the log-in of watch: mend it."
    own = replace(alert("", AlertKind.OWN_FAULT, Priority.MEDIUM, text), id="own-fault-channel-post-1")
    dry = replace(
        alert("mill-07", AlertKind.OUTSIDE_BAND, Priority.HIGH, "mill-07 is low."),
        state=AlertState.SUPPRESSED_BY_DESIGN,
        shelved_reason="emptied for cleaning by Rui, Fri 20:00",
        aside_s=NOW_S - 3600.0,
    )
    board.picture = replace(board.picture, alerts=(*board.picture.alerts, own, dry))
    board.take_out_of_service("saw-01-signal_silent-1", "gauge being replaced", "Ida")
    page = browser.new_context(viewport={"width": width, "height": 844}).new_page()
    page.goto(server.url)
    expect(page.get_by_role("heading", name="The watch itself")).to_be_visible()
    expect(page.locator("#own-1").get_by_role("button", name="I am on it")).to_be_visible()
    for details in page.locator("details").all():
        details.evaluate("element => { element.open = true; }")
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.context.close()
