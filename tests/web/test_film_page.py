"""What was found on a film, on the page for logging in Chromium: seen, stepped, decided by keys, passed over."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library
from cliplib.catalogue.proposals import StoredProposal, Watching
from cliplib.core.timebase import SECOND
from tests import libraries
from tests.media import footage
from tests.web import served
from tests.web.browser import needs_chromium, new_page
from tests.web.test_log_page import NUMBER, SETTLED, begin

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]


def one(kind: str, start: float, end: float, **more: Any) -> StoredProposal:
    return StoredProposal(kind, int(start * SECOND), int(end * SECOND), "sure", ("because",), "test", **more)


FOUND = (
    one("round", 1, 3, number=1, verdict="both"),
    one("replay", 3.2, 3.8, of_us=2 * SECOND, speed=0.5, of_sureness="sure"),
    one("replay", 4.2, 4.6),
    one("round", 5, 7, number=2, verdict="both"),
)


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    folder = libraries.make_fight(tmp_path / "fight", rows=(), bell=None)
    path = folder / "fight.toml"
    text = path.read_text().replace(
        "rounds = 1\nround_seconds = 7", "rounds = 2\nround_seconds = 2\nrest_seconds = 2"
    )
    path.write_text(text)
    opened = Library(tmp_path / "library", create=True)
    assert opened.logging.ingest([folder]).exit_code == 0
    opened.desk.catalogue.proposals.put(1, FOUND, Watching("f", "test", "whole", ("a note",)))
    yield opened
    opened.close()


@pytest.fixture
def page(library: Library, browser: Any) -> Iterator[Any]:
    with served.serve(library.folder) as address, new_page(browser, allow="409") as page:
        begin(page, address)
        page.wait_for_selector(".film-card[data-shown]")
        yield page


def parts(library: Library) -> list[tuple[str, float, float]]:
    info = library.finding.fight(1).info
    return [(part.kind, part.start_us / SECOND, part.end_us / SECOND) for part in info.parts]


def still(page: Any, frame: int) -> None:
    page.wait_for_function(
        f"() => [...document.querySelectorAll('.film-stills canvas')][1].dataset.frame === '{frame}'"
    )


def open_left(page: Any, count: int) -> None:
    page.wait_for_function(f"() => document.querySelector('.film').dataset.open === '{count}'")


def test_decided_by_keys(library: Library, page: Any) -> None:
    """Seven keys: to the card, a frame on, accepted; the next is refused, that is undone, then all that both say."""
    page.locator("#entry").press("F2")
    assert "Round 1: 0:01.00 to 0:03.00" in page.inner_text("[data-film-name]")
    assert "sure, both" in page.inner_text("[data-film-sure]")
    page.keyboard.press("ArrowRight")
    still(page, 26)
    page.keyboard.press("a")
    open_left(page, 3)
    assert parts(library) == [("round", 1.04, 3.0)]
    assert "Replay" in page.inner_text("[data-film-name]")
    page.keyboard.press("x")
    open_left(page, 2)
    page.keyboard.press("u")
    open_left(page, 3)
    page.keyboard.press("b")
    open_left(page, 2)
    assert parts(library) == [("round", 1.04, 3.0), ("round", 5.0, 7.0)]
    page.keyboard.press("F2")
    assert page.evaluate("document.activeElement.id") == "entry"
    decided = {p.decision for p in library.logging.watching.of(1).proposals}
    assert decided == {"changed", "accepted", None}


def test_pictures_are_of_the_boundary(page: Any) -> None:
    """The frame just before, and the one at it, by the numbers that are burnt into them; of a replay also the
    first frame of what it shows again."""
    page.locator("#entry").press("F2")
    page.keyboard.press("ArrowDown")
    still(page, 80)
    page.wait_for_selector(".film-card[data-shown$='-0-80']")
    shown = page.evaluate("[...document.querySelectorAll('.film-stills canvas')].map((c) => c.dataset.frame)")
    assert shown == ["79", "80", "50"]
    page.wait_for_function(SETTLED)
    page.wait_for_function("() => document.querySelector('[data-frame]').textContent.endsWith('frame 80')")
    video = page.locator("video.log-video").element_handle()
    assert page.evaluate(NUMBER, video) - footage.make("closed gop").first == 80
    page.keyboard.press("e")
    still(page, 95)


def test_hearing_a_boundary_leaves_the_film_as_it_stood(page: Any) -> None:
    """At the speed of the fight, whatever the speed is; then paused and at the page's speed. A step ends it, and
    what it would have paused plays on."""
    rate = "document.querySelector('.log-video').playbackRate"
    paused = "document.querySelector('.log-video').paused"
    page.locator("[data-speed]").select_option("0.5")
    page.locator("#entry").press("F2")
    page.keyboard.press("h")
    assert (page.evaluate(rate), page.evaluate(paused)) == (1, False)
    page.keyboard.press("h")
    page.wait_for_function(f"() => {paused}")
    assert page.evaluate(rate) == 0.5
    for key in ("ArrowRight", "ArrowDown", "e"):
        page.keyboard.press("h")
        page.keyboard.press(key)
        assert (page.evaluate(rate), page.evaluate(paused)) == (0.5, True)
    page.evaluate("document.querySelector('.log-video').play()")
    page.wait_for_timeout(800)  # longer than a hearing
    assert not page.evaluate(paused)


def test_a_picture_shows_the_frame_that_its_caption_names(library: Library, browser: Any) -> None:
    """However quickly one steps, and however late the browser is: here each of its seeks takes its time, and the sign
    of an earlier one comes meanwhile. The frames have their numbers burnt into them."""
    late = """() => {
      const time = Object.getOwnPropertyDescriptor(HTMLMediaElement.prototype, 'currentTime');
      Object.defineProperty(HTMLMediaElement.prototype, 'currentTime', { get: time.get, set(to) {
        if (this.isConnected) return time.set.call(this, to);
        setTimeout(() => time.set.call(this, to), 150);
        setTimeout(() => this.dispatchEvent(new Event('seeked')), 20);
      } });
      const number = NUMBER, draw = CanvasRenderingContext2D.prototype.drawImage;
      CanvasRenderingContext2D.prototype.drawImage = function (source, ...where) {
        if (this.canvas.isConnected) this.canvas.dataset.painted = number(source);
        return draw.call(this, source, ...where);
      };
    }""".replace("NUMBER", NUMBER)
    with served.serve(library.folder) as address, new_page(browser) as page:
        page.add_init_script(f"({late})()")
        begin(page, address)
        page.locator("#entry").press("F2")
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.wait_for_selector(".film-card[data-shown$='-0-28']")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("e")
        page.wait_for_selector(".film-card[data-shown$='-1-95']")
        shown = page.evaluate(
            "[...document.querySelectorAll('.film-stills canvas')].map((c) => [c.dataset.frame, c.dataset.painted])"
        )
    first = footage.make("closed gop").first
    assert (
        [int(painted) - first for _, painted in shown] == [int(frame) for frame, _ in shown] == [94, 95, 50]
    )


def test_somebody_was_quicker(library: Library, page: Any) -> None:
    first = library.logging.watching.of(1).proposals[0]
    library.logging.watching.refuse(1, first.id, "JL")
    page.locator("#entry").press("F2")
    page.keyboard.press("a")
    page.wait_for_function(
        "() => document.querySelector('[data-film-said]').textContent.includes('JL has refused')"
    )
    open_left(page, 3)
    assert parts(library) == []


def test_rests_and_replays_are_passed_over_and_nothing_else(library: Library, page: Any) -> None:
    """Both rounds are confirmed, and a replay within the second. The film is watched from its beginning to
    where it stops by itself: every frame of the rounds' live film came by, and the replay did not."""
    library.logging.watching.accept_both(1, "JL")
    told = library.logging.stretches.parts(1)
    replay = {"kind": "replay", "from": "0:05.6", "until": "0:06.2"}
    library.logging.stretches.put(1, "part", [*told.rows, replay])
    page.reload()
    page.wait_for_selector(".logging[data-begun]")
    page.evaluate("""() => { window.seen = []; const v = document.querySelector('video');
      const look = (_, about) => { window.seen.push(about.mediaTime); v.requestVideoFrameCallback(look); };
      v.requestVideoFrameCallback(look); v.playbackRate = 1; }""")
    page.locator("#entry").press(" ")
    page.wait_for_function("() => document.querySelector('video').currentTime > 6.9", timeout=30_000)
    seen = page.evaluate("window.seen")
    assert not [t for t in seen if 4.05 < t < 4.2 - 0.3 or 5.75 < t < 6.1]
    missed = [
        at / 10 for at in (*range(10, 30), *range(50, 56), *range(63, 69))
        if not any(abs(t - at / 10) < 0.12 for t in seen)
    ]  # fmt: skip
    assert missed == []


def test_it_says_what_it_is(page: Any) -> None:
    text = page.inner_text(".film")
    assert "tested on drawn film only" in text
    assert "a note" in text
