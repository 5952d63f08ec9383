"""Logging by fingers: raw touches at one place of the glass, since a test tool's own tap scrolls by itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from cliplib import InputError, Library
from tests import libraries
from tests.web import served
from tests.web.browser import needs_chromium, new_page
from tests.web.test_log_page import begin, go_to, saved

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]

SIZES = {"tablet upright": (820, 1180), "tablet lying": (1180, 820), "phone": (390, 844)}
TAPS, FIRST = 10, 30  # taps, and a frame after the bell


@pytest.fixture
def library(tmp_path: Path) -> Library:
    libraries.make_fight(tmp_path / "fight")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fight"]).exit_code == 0
    return library


class Finger:
    def __init__(self, page: Any):
        self._send = page.context.new_cdp_session(page).send

    def down(self, x: float, y: float) -> None:
        self._send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})

    def move(self, x: float, y: float) -> None:
        self._send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": y}]})

    def up(self) -> None:
        self._send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    def tap(self, x: float, y: float) -> None:
        self.down(x, y)
        self.up()


def middle(page: Any, what: str) -> tuple[float, float]:
    """Where the middle of something stands on the glass now, without any scrolling to it."""
    box = page.eval_on_selector(
        what,
        "(e) => { const b = e.getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]; }",
    )
    return box[0], box[1]


def film(page: Any) -> tuple[float, float]:
    """Top and bottom of the film on the glass."""
    top, bottom = page.eval_on_selector(
        "video", "(v) => { const b = v.getBoundingClientRect(); return [b.top, b.bottom]; }"
    )
    return top, bottom


@pytest.mark.parametrize("size", SIZES)
def test_ten_actions_in_ten_taps_with_the_film_in_sight(library: Library, browser: Any, size: str) -> None:
    width, height = SIZES[size]
    screen = {"viewport": {"width": width, "height": height}, "has_touch": True}
    with served.serve(library.folder) as address, new_page(browser, **screen) as page:
        begin(page, address)
        finger = Finger(page)
        place = middle(page, "#log-offers li")
        for number in range(1, TAPS + 1):
            go_to(page, FIRST + 10 * number)
            finger.tap(*place)  # always at the same place: no row has moved away
            saved(page, number)
            top, bottom = film(page)
            assert top >= 0
            assert bottom <= height
        assert [line.frame for line in library.logging.live.lines(1, "MK")] == [
            FIRST + 10 * n for n in range(1, TAPS + 1)
        ]
        assert page.evaluate("document.activeElement.id") != "entry"  # else a keyboard comes up over the film

        # However far somebody scrolls to look at the log, the film stays, and undo is one tap.
        page.evaluate("scrollTo(0, 1e6)")
        page.wait_for_timeout(100)
        top, bottom = film(page)
        assert (top, bottom) >= (0, 0)
        assert bottom <= height
        finger.tap(*middle(page, "[data-do=undo]"))
        saved(page, TAPS - 1)


def test_a_finger_that_scrolls_takes_nothing(library: Library, browser: Any) -> None:
    screen = {"viewport": {"width": 390, "height": 844}, "has_touch": True}
    with served.serve(library.folder) as address, new_page(browser, **screen) as page:
        begin(page, address)
        finger = Finger(page)
        x, y = middle(page, "#log-offers li:nth-child(4)")
        finger.down(x, y)
        for way in range(10, 200, 20):
            finger.move(x, y - way)
            page.wait_for_timeout(20)
        finger.up()
        page.wait_for_timeout(400)
        assert library.logging.live.lines(1, "MK") == ()
        assert page.evaluate("scrollY") > 0


def test_what_is_tapped_is_large_enough_while_film_runs(library: Library, browser: Any) -> None:
    """44 by 44 CSS pixels for what is pressed while film runs (WCAG 2.2, 2.5.5, target size, enhanced)."""
    screen = {"viewport": {"width": 390, "height": 844}, "has_touch": True}
    with served.serve(library.folder) as address, new_page(browser, **screen) as page:
        begin(page, address)
        small = page.evaluate(
            """() => [...document.querySelectorAll('.log-film button, #log-offers li')]
            .map((e) => e.getBoundingClientRect()).filter((b) => b.width < 44 || b.height < 44).length"""
        )
        assert small == 0


def test_the_log_of_a_new_fight_opens_at_its_first_bell(library: Library, browser: Any) -> None:
    (bell,) = library.finding.fight(1).info.round_starts_us
    with served.serve(library.folder) as address, new_page(browser) as page:
        begin(page, address, "somebody else")
        page.wait_for_function(
            f"() => document.querySelector('[data-frame]').textContent.endsWith('frame {bell * 25 // 1_000_000}')"
        )


def test_the_first_bell_is_set_where_none_is_known(tmp_path: Path, browser: Any) -> None:
    folder = libraries.make_fight(tmp_path / "fight", bell=None)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([folder]).exit_code == 0
    before = (folder / "fight.toml").read_text(encoding="utf-8")
    assert library.finding.fight(1).info.round_starts_us == ()
    with served.serve(library.folder) as address, new_page(browser, allow="400") as page:
        begin(page, address)
        go_to(page, 30)
        page.get_by_role("button", name="The first bell rings here").click()
        page.wait_for_function(
            "() => !document.querySelector('[data-bell]') && document.querySelector('.logging[data-begun]')"
        )
        page.wait_for_function(
            "() => document.querySelector('[data-frame]').textContent.endsWith('frame 30')"
        )
    assert library.finding.fight(1).info.round_starts_us == (1_200_000,)
    after = (folder / "fight.toml").read_text(encoding="utf-8")
    assert after.replace('first_bell = "0:01.2"\n', "") == before
    with pytest.raises(InputError, match="known already"):
        library.logging.stretches.ring(1, 1_000_000)
