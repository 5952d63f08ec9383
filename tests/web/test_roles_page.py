"""What a role may not do is not offered, and why stands where somebody would look for it."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from cliplib import Library
from cliplib_web import create_app, pages
from tests.web import served
from tests.web.test_sharing import HOME, LOG, LOOK, signed_in


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Flask:
    library = Library(served.make_library(tmp_path_factory.mktemp("roles")))
    library.care.passphrases.set("look", LOOK)
    library.care.passphrases.set("log", LOG)
    library.making.make_reel([1, 2], title="Made")
    assert library.making.themes.put('phrase = "jab"\ntitle = "Jabs"\n') == "jabs"
    assert library.making.breakdowns.put(None, "# Made\n\n## The pattern\n\n- [one](clip:1)\n") == "made"
    library.close()
    return create_app(library.folder, hosts=("gym.local",), share=True)


ADDRESSES = (
    *(address for page in pages.PAGES if not page.logs for address in page.samples),
    "/themes/jabs/",
    "/?q=jab",
)


def page_of(client: Any, address: str) -> str:
    answer = client.get(address, base_url=HOME)
    assert answer.status_code == 200, address
    return html.unescape(answer.get_data(as_text=True))


@pytest.mark.parametrize("address", ADDRESSES)
def test_who_looks_is_offered_nothing_that_is_refused(app: Flask, address: str) -> None:
    """Every link and every form of every page: none needs the pass phrase for logging, but to sign out."""
    client = signed_in(app, LOOK, "Ana")
    page = page_of(client, address)
    with app.test_request_context(base_url=HOME):
        routes = app.url_map.bind("gym.local")
        only_log = app.config["ONLY_FOR_LOGS"]
        refused = []
        for link in re.findall(r'<a [^>]*href="(/[^"#]*)', page):
            endpoint, _ = routes.match(link.partition("?")[0], method="GET")
            refused += [link] if endpoint in only_log else []
        forms = re.findall(r"<form [^>]*>", page)
        refused += [
            form
            for form in forms
            if 'method="post"' in form and "/signout" not in form and "tray" not in form
        ]
        assert not refused
    assert "Make the reel" not in page
    assert "<strong>Ana</strong>" in page or "show-top" in page  # the film has the screen there


def test_who_logs_is_offered_all_of_it(app: Flask) -> None:
    client = signed_in(app, LOG, "Ben")
    for address, words in (
        ("/?q=jab", ("Make a reel of all", "Keep as a theme", "Make the reel")),
        ("/clip/1?q=jab", ("Draw on it", "A copy to hand on", "Set in and out", "Correct what happens")),
        ("/reels/made/", ("Arrange", "Hand over", "Throw away")),
        ("/themes/", ("New theme",)),
        ("/themes/jabs/", ("Keep", "Throw away", "Hand over")),
        ("/fights/1", ("Log this fight",)),
    ):
        page = page_of(client, address)
        assert all(word in page for word in words), address
        assert "<strong>Ben</strong>" in page


def test_why_not_is_said_where_it_is_looked_for(app: Flask) -> None:
    client = signed_in(app, LOOK, "Ana")
    for address in ("/?q=jab", "/clip/1?q=jab", "/reels/made/", "/themes/jabs/"):
        assert "with the pass phrase for logging" in page_of(client, address), address


def test_nobody_is_named_where_nobody_signs_in(tmp_path: Path) -> None:
    Library(tmp_path / "library", create=True).close()
    page = create_app(tmp_path / "library").test_client().get("/fights/").get_data(as_text=True)
    assert 'class="who"' not in page


def test_one_log_and_an_empty_one_do_not_differ(tmp_path: Path) -> None:
    """Somebody opened the log page and wrote nothing: there is nothing to compare."""
    library = Library(served.make_library(tmp_path))
    for wanted, line in ((0, None), (2, "jab landed")):
        line_id = library.logging.live.add(1, "MK", 200, "jab missed", fighter="Teodor Vâlcan").id
        if line is None:
            library.logging.live.remove(1, "MK", line_id)
        page = create_app(library.folder).test_client().get("/fights/1").get_data(as_text=True)
        assert page.count("logs differ") == bool(wanted), wanted
        index = create_app(library.folder).test_client().get("/counts/").get_data(as_text=True)
        assert index.count("do the logs agree") == bool(wanted), wanted
