"""What holds for every page: accessible (axe-core, WCAG 2.2 A and AA), narrow and wide, light, quick."""

from __future__ import annotations

import json
import shutil
import socket
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib_web import pages
from tests.web import accessible, served
from tests.web.accessible import PAGES
from tests.web.browser import needs_chromium, new_page

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]


@pytest.fixture(scope="module")
def library() -> Path:
    return accessible.library()


@pytest.fixture(scope="module")
def address(library: Path) -> Iterator[str]:
    with served.serve(library) as address:
        yield address


@pytest.mark.parametrize("width", accessible.WIDTHS)
def test_accessible(browser: Any, address: str, width: int) -> None:
    size = {"width": width, "height": 900}
    with new_page(browser, allow="404", viewport=size) as page:
        found = accessible.problems(page, address, PAGES, [(width, scheme) for scheme in accessible.SCHEMES])
    assert not found, "\n".join(found)


@pytest.mark.parametrize("role", accessible.PHRASES)
def test_accessible_to_whoever_signed_in(browser: Any, tmp_path: Path, role: str) -> None:
    """One look at each page; `python -m tests.web.accessible` takes all of them. A size of its own for each, so
    that pages are also looked at after they were made narrower, as a tablet that is turned round makes them."""
    paths = [path for path in PAGES if role != "look" or path not in accessible.ONLY_LOGS]
    look = {"look": (360, "light"), "log": (820, "dark")}[role]
    folder = shutil.copytree(accessible.library(), tmp_path / "library")
    with accessible.signed_in(browser, folder, role, allow="404") as (page, address):
        found = accessible.problems(page, address, paths, [look])
    assert not found, "\n".join(found)


@pytest.mark.parametrize("width", [360, 768, 1920])
def test_nothing_runs_off_the_side(browser: Any, address: str, width: int) -> None:
    with new_page(browser, allow="404", viewport={"width": width, "height": 800}) as page:
        for path in PAGES:
            page.goto(address + path)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path


def test_every_count_can_be_read_on_a_phone(browser: Any, address: str) -> None:
    with new_page(browser, viewport={"width": 390, "height": 800}) as page:
        page.goto(address + "/counts/?q=jab&by=fighter&by=round")
        seen = page.evaluate(
            """() => [...document.querySelectorAll(".blocks td")].map((cell) =>
              [getComputedStyle(cell, "::before").content, cell.getBoundingClientRect().right,
               cell.scrollWidth - cell.clientWidth])"""
        )
    assert len(seen) >= 2 * 9
    labels = {label.strip(chr(34)) for label, _, _ in seen}
    assert labels >= {"missed", "unknown", "fights"}, sorted(labels)
    assert any(label.startswith("rate") and "known" in label for label in labels), sorted(labels)
    assert all(right <= 390 and over <= 0 for _, right, over in seen)


def test_what_is_pressed_is_large_enough(browser: Any, address: str) -> None:
    """WCAG 2.2, 2.5.8: targets of at least 24 by 24 CSS pixels (links in running text excepted)."""
    with new_page(browser, allow="404", viewport={"width": 390, "height": 800}) as page:
        for path in PAGES:
            page.goto(address + path)
            small = page.evaluate(
                """() => [...document.querySelectorAll(
                  "button, input, select, summary, .do a, .facets a, nav a")]
                .filter(e => e.checkVisibility() && e.type !== "hidden")
                .map(e => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
                .filter(([, b]) => b.width > 1 && (b.height < 24 || b.width < 24))
                .map(([html, b]) => `${html} ${b.width}x${b.height}`)"""
            )
            small = [text for text in small if 'type="checkbox"' not in text]  # its label is the target
            assert not small, (path, small)


def test_nothing_shifts(browser: Any, address: str) -> None:
    """Cumulative layout shift (Layout Instability specification) is nil on load and while playing."""
    for width in (390, 1280):
        with new_page(browser, allow="404", viewport={"width": width, "height": 800}) as page:
            page.add_init_script(
                "window.shifts = []; new PerformanceObserver((list) => { for (const e of list.getEntries())"
                " window.shifts.push([e.value, e.sources.map(s => s.node?.outerHTML?.slice(0, 80))]); })"
                ".observe({ type: 'layout-shift', buffered: true });"
            )
            for path in PAGES[1:8] if width == 390 else ("/", PAGES[1], "/clip/1"):
                page.goto(address + path)
                page.wait_for_load_state("load")
                page.wait_for_timeout(250)
                picture = page.locator("[data-play]")
                if picture.count():
                    picture.first.click()
                    page.wait_for_function("() => document.querySelector('.card video')?.readyState >= 2")
                    page.wait_for_timeout(600)  # what follows an input within half a second does not count
                assert page.evaluate("window.shifts") == [], path


def test_a_full_page_of_results_is_light(browser: Any, tmp_path: Path) -> None:
    """Under 100 kB without media, uncompressed, with a page of results on it."""
    with served.serve(served.busy_library(tmp_path)) as busy, new_page(browser) as page:
        page.goto(f"{busy}/?q=counter")
        page.wait_for_load_state("networkidle")
        assert page.locator("article.card").count() == 12
        loaded = page.evaluate(
            """() => ["navigation", "resource"].flatMap((kind) => performance.getEntriesByType(kind))
            .filter(e => !/\\.(jpg|mp4)$/.test(e.name)).map(e => [e.name, e.decodedBodySize])"""
        )
        assert any(name.endswith(".css") or ".css?" in name for name, _ in loaded)
        assert sum(size for _, size in loaded) < 100_000, loaded


def test_twelve_paused_players_do_not_slow_a_search(library: Path) -> None:
    """They ask for the whole of a long reel and read none of it; four threads must still answer."""
    folder = library / "reels"
    facts = {"title": "Long", "said": "", "clips": 1, "duration_us": 1, "made": "2024-05-11 20:00"}
    with (folder / "long.mp4").open("wb") as big:
        big.truncate(200 << 20)
    (folder / "long.json").write_text(json.dumps(facts), encoding="utf-8")
    players = []
    try:
        with served.serve(library) as address:
            host, port = address.removeprefix("http://").split(":")
            for _ in range(12):
                player = socket.socket()
                player.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                player.connect((host, int(port)))
                ask = "GET /reels/long/reel.mp4 HTTP/1.1\r\nHost: 127.0.0.1\r\nRange: bytes=0-\r\n\r\n"
                player.sendall(ask.encode())
                players.append(player)
            for player in players:
                assert player.recv(12) == b"HTTP/1.1 206"
            began = time.monotonic()
            with urllib.request.urlopen(f"{address}/?q=missed+jab", timeout=20) as answer:
                assert answer.status == 200
            assert time.monotonic() - began < 10  # it never comes where players hold the threads
            for player in players:
                player.close()
    finally:
        (folder / "long.json").unlink()
        (folder / "long.mp4").unlink()


@pytest.mark.parametrize("width", [390, 820])
def test_no_table_of_counts_is_wider_than_its_box(browser: Any, address: str, width: int) -> None:
    """On a phone and on a tablet a row becomes a block; nothing hides beyond a side."""
    rows = [page.samples[0] for page in pages.PAGES if page.endpoint.startswith("evidence.") and page.samples]
    rows += ["/counts/?q=jab&by=fighter&by=round"]
    boxed = set()
    with new_page(browser, viewport={"width": width, "height": 800}) as page:
        for path in rows:
            page.goto(address + path)
            wide = page.eval_on_selector_all(
                ".scroll", "(all) => all.map((e) => e.scrollWidth - e.clientWidth)"
            )
            assert all(over <= 0 for over in wide), (path, wide)
            boxed |= {path for _ in wide}
    # Clips are no table, a change asks for a fight first, and with one fight nothing was solved in another.
    without = {path.partition("?")[0] for path in rows if path not in boxed}
    assert without <= {"/counts/clips", "/counts/change", "/counts/elsewhere"}


def test_letters_of_a_chart_can_be_read_on_a_phone(browser: Any, address: str) -> None:
    """A phone is sent a chart drawn for its width: letters of 9 points, shown at 9 CSS pixels or more."""
    with new_page(browser, viewport={"width": 390, "height": 800}) as page:
        page.goto(address + "/counts/?q=jab&by=fighter")
        page.wait_for_function("() => [...document.querySelectorAll('.chart')].every((c) => c.naturalWidth)")
        charts = page.eval_on_selector_all(
            ".chart",
            "(all) => all.map((c) => [c.currentSrc, c.getBoundingClientRect().width / c.naturalWidth])",
        )
        assert charts
        points = 4 / 3  # CSS pixels of a point, as `naturalWidth` counts them
        assert all("narrow=1" in source and 9 * points * share >= 9 for source, share in charts), charts
