"""Every text that a library stores, shown by the pages in a real browser, with what scripts make of it.

Names, titles, notes, drawings, reels and themes are markup that would call `alert`. The Content-Security-Policy,
which would stop it, is switched off in the browser, so that it is the pages that hold.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib_web import create_app
from tests.trust.attacks import HOME, at_home, pages, trapped
from tests.web import served
from tests.web.browser import chromium, needs_chromium, new_page

pytestmark = needs_chromium

BROKEN = """() => [
    ...document.querySelectorAll('xss-probe, img[src="x"], [onload], [onerror], a[href^="javascript:" i]'),
].map((one) => one.outerHTML.slice(0, 200))"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return trapped(tmp_path_factory.mktemp("stored"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as started:
        yield started


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    with new_page(browser, bypass_csp=True) as opened:
        yield opened


def addresses(folder: Path) -> list[str]:
    """Those that answer with a page."""
    app = create_app(folder)
    found = []
    client = at_home(app)
    for address in dict.fromkeys(
        (*pages(app, folder), "/?q=jab", "/?q=xss-probe", "/counts/?q=jab&by=fighter")
    ):
        with client.get(address, base_url=HOME) as answer:
            if answer.mimetype == "text/html" and answer.status_code == 200:
                found.append(address)
    return found


def test_no_stored_text_becomes_markup(folder: Path, page: Any) -> None:
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    shown = 0
    with served.serve(folder) as address:
        every = addresses(folder)
        for one in every:
            page.goto(address + one, wait_until="load")
            page.wait_for_timeout(80)  # what scripts fetch and show
            assert page.evaluate(BROKEN) == [], one
            shown += "<xss-probe" in page.inner_text("body")
        page.goto(address + "/")
        page.get_by_role("searchbox").or_(page.get_by_role("combobox")).first.fill("<xss")
        page.wait_for_timeout(400)
        assert page.evaluate(BROKEN) == [], "offers under the search box"
    assert asked == []
    assert len(every) > 20
    assert shown > 10, "the texts are shown, or this test sees nothing"


def test_the_browser_would_ask(page: Any) -> None:
    """The same text as markup calls `alert` in this browser, or the test above sees nothing."""
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    page.set_content("<p>'\"><img src='data:,x' onerror=alert(2)></p>")
    page.wait_for_timeout(300)
    assert asked == ["2"]
