"""The mixing page with its batches, the labels and the last landings in a real browser: sound, narrow and printable."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from monitor.status.app import create_app
from monitor.status.serve import StatusServer
from tests.fixtures.board import FakeBoard
from tests.unit.status.test_aftercare import a_picture

pytestmark = [pytest.mark.live, pytest.mark.browser]


@pytest.fixture
def rich_server() -> Iterator[StatusServer]:
    board = FakeBoard()
    board.picture = a_picture(board)
    server = StatusServer(create_app(board, open_without_token=True), "127.0.0.1", 0)
    server.start()
    yield server
    server.stop()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/mixing", "/labels", "/sump/lathe-04"])
def test_a_page_with_everything_on_it_is_sound(
    browser: Browser, rich_server: StatusServer, path: str, scheme: Any
) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, color_scheme=scheme)
    page = context.new_page()
    page.goto(rich_server.url.rstrip("/") + path)
    for width in (320, 390, 1280):
        page.set_viewport_size({"width": width, "height": 844})
        for details in page.locator("details").all():
            details.evaluate("element => { element.open = true; }")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
    context.close()


def test_labels_are_all_that_is_printed(browser: Browser, rich_server: StatusServer) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(rich_server.url.rstrip("/") + "/labels")
    page.emulate_media(media="print")
    assert not page.locator("nav").first.is_visible()
    assert page.locator(".label").count() == 3
    assert page.locator(".label").first.is_visible()
    context.close()
