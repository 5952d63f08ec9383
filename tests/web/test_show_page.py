"""Film shown to people in Chromium: the next of the list on its right frame, looked at as the one before."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib import ClipRow, Library
from tests.web import served
from tests.web.browser import SPOKEN, needs_chromium, new_page
from tests.web.test_pages_clip import READ, open_clip, told

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]

SHOWN = "document.querySelector('.show-film.on video')"
STILL = f"() => {{ const v = {SHOWN}; return v && v.readyState >= 2 && !v.seeking && v.currentTime > 0; }}"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.busy_library(tmp_path_factory.mktemp("show"))


@pytest.fixture(scope="module")
def clips(folder: Path) -> list[ClipRow]:
    """What “counter” finds, in the order in which it is listed."""
    return list(Library(folder).finding.find("counter", limit=30).clips)


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served.serve(folder) as address:
        yield address


def pause(page: Any) -> None:
    if page.evaluate(f"!{SHOWN}.paused"):
        page.keyboard.press(" ")
        page.wait_for_function(f"() => {SHOWN}.paused")


def shown(page: Any) -> int:
    page.wait_for_function(STILL)
    page.wait_for_timeout(60)  # the picture of the last seek is painted
    return int(page.evaluate(f"() => ({READ})({SHOWN})"))


def test_a_clip_opened_from_a_result_goes_on_to_the_next_result(
    page: Any, address: str, clips: list[ClipRow]
) -> None:
    page.goto(f"{address}/?q=counter&technique=cross&page=1")
    wanted = [int(card.get_attribute("data-clip")) for card in page.locator("article.card").all()]
    assert wanted != sorted(clip.id for clip in clips)[: len(wanted)], "the fight’s own order would do, too"
    page.locator("article.card [data-open]").nth(1).click()
    page.wait_for_selector(".stage[data-ready]")
    page.get_by_role("button", name="0.5×").click()
    page.get_by_role("button", name="Mirror").click()
    for number in wanted[2:4]:
        page.get_by_role("link", name="next →").click()
        page.wait_for_url(f"**/clip/{number}?**")
        page.wait_for_selector(".stage[data-ready]")
        video = page.locator("video.player")
        assert video.evaluate("(v) => v.playbackRate") == 0.5
        assert video.evaluate("(v) => v.classList.contains('mirrored')")
    page.locator(".stage").press("p")
    page.wait_for_url(f"**/clip/{wanted[2]}?**")
    page.get_by_role("link", name="3 of ").click()
    page.wait_for_url(f"**/?q=counter&technique=cross*#t{wanted[2]}")


def test_a_list_that_changed_is_no_dead_end(page: Any, address: str, clips: list[ClipRow]) -> None:
    """Its old place, a place that never was, and a list that the clip is not in."""
    third = clips[2].id
    page.goto(f"{address}/clip/{third}?q=counter&at=17")
    assert page.get_by_role("link", name="3 of 30").count() == 1
    open_clip(page, address, third, "?q=lead+hook+by+Adeyemi&at=2")
    assert told(page) == clips[2].start_frame
    assert page.get_by_role("link", name="after it").count() == 1


def test_three_examples_in_at_most_nine_presses(page: Any, address: str, clips: list[ClipRow]) -> None:
    """Slowed, stepped, mirrored and looped, each of three: keys that a clicker has, and the first press opens."""
    page.goto(f"{address}/?q=counter")
    presses = 0

    def press(key: str) -> None:
        nonlocal presses
        presses += 1
        page.keyboard.press(key)

    page.locator("article.card [data-show]").first.click()
    presses += 1
    page.wait_for_selector(".show[data-begun]")
    press("ArrowDown")
    press("m")
    for number in range(3):
        if number:
            press("PageDown")
            page.wait_for_function(
                f"() => document.querySelector('[data-place]').textContent === '{number + 1}'"
            )
        page.wait_for_function(STILL)
        assert page.evaluate(f"{SHOWN}.playbackRate") == 0.5
        assert page.evaluate(f"{SHOWN}.classList.contains('mirrored')")
        assert page.locator("[data-do=loop]").get_attribute("aria-pressed") == "true"
        press("ArrowRight")
        page.wait_for_function(f"() => {SHOWN}.paused")
    assert presses <= 9
    size = page.eval_on_selector(".show-films", "(e) => e.clientHeight / innerHeight")
    assert size > 0.75, "the film has the screen"


def test_each_clip_opens_on_its_first_frame_and_steps(page: Any, address: str, clips: list[ClipRow]) -> None:
    """The number burnt into the picture, by next, previous, a key for an action, the last and the first."""
    page.goto(f"{address}/show/?q=counter")
    page.wait_for_selector(".show[data-begun]")
    pause(page)
    page.keyboard.press("ArrowLeft")
    for step, place in (("PageDown", 1), ("n", 2), ("PageUp", 1), ("End", 29), ("Home", 0)):
        page.keyboard.press(step)
        page.wait_for_function(f"() => document.querySelector('[data-place]').textContent === '{place + 1}'")
        assert shown(page) == clips[place].start_frame
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        assert shown(page) == (clips[place].start_frame or 0) + 3
    assert page.get_by_label("Previous clip").is_disabled()
    assert f"1 of {len(clips)}" in page.inner_text("h1")
    assert "counter" in page.inner_text("h1")


def test_the_clips_beside_it_are_there_before_they_are_wanted(page: Any, address: str) -> None:
    page.goto(f"{address}/show/?q=counter&at=5")
    page.wait_for_selector(".show[data-begun]")
    page.wait_for_function(
        """() => { const all = [...document.querySelectorAll('.show-film video')];
        return all.length === 3 && all.every((v) => v.readyState >= 2); }"""
    )
    page.keyboard.press("PageDown")
    assert page.evaluate(f"{SHOWN}.readyState") >= 2
    page.wait_for_timeout(300)
    assert page.locator(".show-film").count() == 3, "what lies further off lets go of its connection"


def test_two_places_far_apart_are_asked_for_one_after_the_other(
    page: Any, address: str, clips: list[ClipRow]
) -> None:
    """The list answers late; meanwhile somebody wants the last clip, then one near the first."""
    page.goto(f"{address}/show/?q=counter")
    page.wait_for_selector(".show[data-begun]")
    pause(page)
    held: list[Any] = []
    page.route("**/*from=*&n=12*", lambda asked: held.append(asked))
    page.keyboard.press("End")
    page.wait_for_timeout(100)
    page.keyboard.press("Home")
    for _ in range(12):
        page.keyboard.press("n")
    page.wait_for_timeout(100)
    assert len(held) == 1, "one request at a time"
    page.unroute("**/*from=*&n=12*")  # lets it go on
    page.wait_for_function("() => document.querySelector('[data-place]').textContent === '13'")
    assert page.locator("[data-note]").is_hidden()
    assert shown(page) == clips[12].start_frame


def test_back_leads_to_the_place_in_the_list(page: Any, address: str, clips: list[ClipRow]) -> None:
    page.goto(f"{address}/show/?q=counter&at=13")
    page.wait_for_selector(".show[data-begun]")
    page.keyboard.press("n")
    page.wait_for_function("() => document.querySelector('[data-place]').textContent === '15'")
    page.keyboard.press("Escape")
    page.wait_for_url(f"**/?q=counter&page=2#t{clips[14].id}")
    assert page.locator(f"article.card[data-clip='{clips[14].id}']").count() == 1


def test_a_swipe_goes_on_and_a_tap_stops(browser: Any, address: str) -> None:
    from tests.web.test_log_touch import Finger

    size = {"viewport": {"width": 390, "height": 844}, "has_touch": True}
    with new_page(browser, **size) as page:
        page.goto(f"{address}/show/?q=counter")
        page.wait_for_selector(".show[data-begun]")
        finger = Finger(page)
        for way, place in ((-160, "2"), (-160, "3"), (160, "2")):
            finger.down(200, 300)
            for part in range(1, 5):
                finger.move(200 + way * part / 4, 302)
            finger.up()
            page.wait_for_function(f"() => document.querySelector('[data-place]').textContent === '{place}'")
        page.wait_for_function(STILL)
        was = page.evaluate(f"{SHOWN}.paused")
        finger.tap(200, 300)
        page.wait_for_function(f"() => {SHOWN}.paused === {'false' if was else 'true'}")


def test_a_clip_that_went_away_is_said_and_tried_again(tmp_path: Path, browser: Any) -> None:
    folder = served.busy_library(tmp_path)
    library = Library(folder)
    second = library.finding.find("counter", limit=2).clips[1]
    assert second.file is not None
    away = second.file.with_suffix(".away")
    second.file.rename(away)
    with served.serve(folder) as address, new_page(browser, allow="404") as page:
        page.goto(f"{address}/show/?q=counter")
        page.wait_for_selector(".show[data-begun]")
        page.keyboard.press("n")
        page.wait_for_selector("[data-note]:not([hidden])")
        assert "cannot be shown now" in page.inner_text("[data-note]")
        away.rename(second.file)
        page.get_by_role("button", name="Try again").click()
        page.wait_for_function(STILL)
        assert page.locator("[data-note]").is_hidden()


def test_a_clip_that_is_cut_anew_while_it_is_shown(tmp_path: Path, browser: Any) -> None:
    """The number that is told is always the one that is burnt into the picture: of the old cut while it is shown,
    of the new one when somebody comes back to it."""
    folder = served.busy_library(tmp_path)
    library = Library(folder)
    first = library.finding.find("counter", limit=1).clips[0]
    assert first.start_frame is not None
    assert first.end_frame is not None
    frame_told = "() => document.querySelector('[data-seek]').getAttribute('aria-valuetext')"
    with served.serve(folder) as address, new_page(browser) as page:
        page.goto(f"{address}/show/?q=counter")
        page.wait_for_selector(".show[data-begun]")
        pause(page)
        assert shown(page) >= first.start_frame
        library.logging.corrections.recut(first.id, first.start_frame + 5, first.end_frame)
        for key in ("0", "ArrowRight", "ArrowRight", "ArrowLeft"):
            page.keyboard.press(key)
            assert f"frame {shown(page)}," in page.evaluate(frame_told)
        for step, place in (("End", 30), ("Home", 1)):
            page.keyboard.press(step)
            page.wait_for_function(f"() => document.querySelector('[data-place]').textContent === '{place}'")
        assert (shown(page), page.evaluate(frame_told).split(",")[0]) == (
            first.start_frame + 5,
            f"frame {first.start_frame + 5}",
        )
        assert page.locator("[data-note]").is_hidden()


def test_picked_clips_and_a_reel_are_shown_too(page: Any, address: str, folder: Path) -> None:
    library = Library(folder)
    if not any(reel.name == "two" for reel in library.making.reels()):
        library.making.make_reel([3, 1], title="Two")
    page.goto(f"{address}/reels/two/")
    page.get_by_role("link", name="Show its clips").click()
    page.wait_for_selector(".show[data-begun]")
    assert "1 of 2" in page.inner_text("h1")
    assert page.evaluate(f"{SHOWN}.getAttribute('aria-label')") == "Clip 3"
    page.goto(f"{address}/?q=counter")
    for tick in page.locator("[data-pick]").all()[:2]:
        tick.check()
    page.locator(".tray").get_by_role("link", name="Show", exact=True).click()
    page.wait_for_selector(".show[data-begun]")
    assert "1 of 2" in page.inner_text("h1")


# --- beside each other --------------------------------------------------------------------------------------

TWO = (
    "() => [...document.querySelectorAll('[data-side] video')].every((v) => v.readyState >= 2 && !v.seeking)"
)


def both(page: Any) -> list[int]:
    page.wait_for_function(TWO)
    page.wait_for_timeout(60)
    return list(page.evaluate(f"() => [...document.querySelectorAll('[data-side] video')].map({READ})"))


def step_frame(clip: ClipRow) -> int:
    """The frame that shows when the clip's last matched action starts: 25 frames a second, by hand."""
    time = clip.actions[max(i for match in clip.matches for i in match)].time_us
    assert time is not None
    return time * 25 // 1_000_000


def test_two_clips_are_in_step_at_their_matched_actions(
    page: Any, address: str, clips: list[ClipRow]
) -> None:
    one, two = clips[3], clips[8]
    page.goto(f"{address}/beside/?q=counter&of={one.id},{two.id}")
    page.wait_for_selector(".show[data-begun]")
    wanted = [step_frame(one), step_frame(two)]
    assert both(page) == wanted
    for _ in range(4):
        page.keyboard.press("ArrowRight")
        both(page)
    assert both(page) == [frame + 4 for frame in wanted]
    page.keyboard.press("0")
    assert both(page) == wanted
    page.keyboard.press("]")  # the second a frame later
    assert both(page) == [wanted[0], wanted[1] - 1]
    assert "offset=1" in page.url
    page.reload()
    page.wait_for_selector(".show[data-begun]")
    assert both(page) == [wanted[0], wanted[1] - 1]
    page.keyboard.press("[")
    assert both(page) == wanted
    turned = (
        "[...document.querySelectorAll('[data-side] video')].map((v) => v.classList.contains('mirrored'))"
    )
    page.keyboard.press("2")
    assert page.evaluate(turned) == [False, True]
    page.keyboard.press("m")
    assert page.evaluate(turned) == [True, True], "as on the other pages"
    page.keyboard.press("m")
    assert page.evaluate(turned) == [False, False]
    assert both(page) == wanted, "it stays where it is"


@pytest.mark.parametrize("speed", ["1", "0.25"])
def test_two_clips_stay_in_step_while_they_play(
    page: Any, address: str, clips: list[ClipRow], speed: str
) -> None:
    one, two = clips[3], clips[8]
    page.goto(f"{address}/beside/?q=counter&of={one.id},{two.id}")
    page.wait_for_selector(".show[data-begun]")
    page.get_by_role("button", name=f"{speed} times speed", exact=True).click()
    page.keyboard.press(" ")
    page.wait_for_function(
        "() => [...document.querySelectorAll('[data-side] video')].every((v) => !v.paused && !v.seeking)"
    )
    page.wait_for_timeout(400)
    apart = []
    for _ in range(5):
        first, second = page.evaluate(
            f"() => [...document.querySelectorAll('[data-side] video')].map({READ})"
        )
        apart.append(first - step_frame(one) - second + step_frame(two))
        page.wait_for_timeout(60)
    assert max(map(abs, apart)) <= 2, apart
    page.keyboard.press(" ")
    first, second = both(page)
    assert first - step_frame(one) == second - step_frame(two)


def test_a_screen_reader_is_not_told_of_each_moment_that_passes(
    page: Any, address: str, clips: list[ClipRow]
) -> None:
    for path in (f"/beside/?q=counter&of={clips[3].id},{clips[8].id}", "/show/?q=counter"):
        page.goto(address + path)
        page.wait_for_selector(".show[data-begun]")
        page.evaluate(SPOKEN)
        if "beside" in path:
            page.keyboard.press(" ")
        page.wait_for_timeout(700)
        assert page.evaluate("() => spoken") == 0, path
    page.keyboard.press("n")
    page.wait_for_function("() => document.querySelector('[data-place]').textContent === '2'")
    assert page.evaluate("() => spoken") == 1, "the place is said once"


def test_beside_says_what_is_missing(browser: Any, address: str) -> None:
    with new_page(browser, allow="400") as page:
        page.goto(f"{address}/beside/?of=3")
        assert "pick two" in page.inner_text("[role=alert]")
        page.goto(f"{address}/beside/")
        assert "Pick two clips" in page.inner_text("main")
