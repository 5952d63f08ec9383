"""The clip page in a real browser: every frame by its number, the clock, parts repeated, corrections."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from cliplib import ClipRow, Library
from fixtures import framecode
from tests.media import footage
from tests.web import served
from tests.web.browser import needs_chromium, new_page

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]

KINDS = ("closed gop", "ntsc", "variable rate")

READ = f"""(video) => {{
  const readCode = {framecode.READ_JS};
  const canvas = document.createElement("canvas");
  canvas.width = video.videoWidth; canvas.height = video.videoHeight;
  const pen = canvas.getContext("2d");
  pen.drawImage(video, 0, 0);
  return readCode(pen.getImageData(0, 0, canvas.width, canvas.height), {served.CODE[0]}, {served.CODE[1]},
    {framecode.CELL});
}}"""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.kinds_library(tmp_path_factory.mktemp("clips"), KINDS)


@pytest.fixture(scope="module")
def address(library: Path) -> Iterator[str]:
    with served.serve(library) as address:
        yield address


def first_clip(library: Path, title: str) -> ClipRow:
    lib = Library(library)
    ids = (c for c in lib.finding.find("punch").clips if c.fight == title)
    return lib.finding.clip(min(ids, key=lambda c: c.start_us or 0).id)


def open_clip(page: Any, address: str, clip: int, query: str = "") -> Any:
    page.goto(f"{address}/clip/{clip}{query}")
    page.wait_for_selector(".stage[data-ready]")
    video = page.locator("video.player")
    page.wait_for_function("(v) => v.readyState >= 2 && !v.seeking", arg=video.element_handle())
    return video


def told(page: Any) -> int:
    """The frame number that the page shows, once nothing is being looked for any more."""
    page.wait_for_function("() => !document.querySelector('video.player').seeking")
    return int(page.locator("[data-frame]").inner_text())


def left(times: tuple[Fraction, ...], frame: int) -> str:
    """The clock by hand: libraries.toml has its only bell at 0:01 and a round of 7 seconds."""
    micros = int(times[frame] * 1_000_000)
    hundredths = (8_000_000 - micros) // 10_000
    return f"round 1, 0:{hundredths // 100:02d}.{hundredths % 100:02d} left"


@pytest.mark.parametrize("kind", KINDS)
def test_a_link_leads_to_a_moment(page: Any, address: str, library: Path, kind: str) -> None:
    """#t= as in W3C Media Fragments URI 1.0, section 4.2.1 (npt), here with the footage's time: the picture of
    that moment is on the canvas, and it stands still."""
    clip, made = first_clip(library, kind), footage.make(kind)
    assert clip.start_frame is not None
    assert clip.end_frame is not None
    times = made.times
    for frame in (clip.start_frame + 3, clip.end_frame - 2):
        page.goto("about:blank")
        video = open_clip(page, address, clip.id, f"#t={float(times[frame]):.3f}")
        assert told(page) == frame
        assert video.evaluate(READ) == frame
        assert video.evaluate("(v) => v.paused")
    # Another moment of the page that is open; the end of a stretch is nothing to stop for; far off is the end.
    second = float(times[clip.start_frame + 5])
    for text, wanted in (
        (f"npt:0:{second:06.3f},9", clip.start_frame + 5),
        ("5:00", clip.end_frame - 1),
        ("0", clip.start_frame),
    ):
        page.evaluate("(text) => { location.hash = `t=${text}`; }", text)
        page.wait_for_function(f"() => document.querySelector('[data-frame]').textContent === '{wanted}'")
    page.evaluate("location.hash = 't=soon'")
    assert told(page) == clip.start_frame


@pytest.mark.parametrize("kind", KINDS)
def test_every_frame_has_its_number_and_clock(page: Any, address: str, library: Path, kind: str) -> None:
    """The number burnt into the picture and the one the page shows are one, on the way there and back."""
    clip = first_clip(library, kind)
    made = footage.make(kind)
    assert clip.start_frame is not None
    assert clip.end_frame is not None
    video = open_clip(page, address, clip.id)
    assert (video.evaluate(READ), told(page)) == (clip.start_frame, clip.start_frame)
    for frame in range(clip.start_frame + 1, clip.start_frame + 16):
        page.keyboard.press("ArrowRight")
        assert (told(page), video.evaluate(READ)) == (frame, frame)
        assert page.locator("[data-clock]").inner_text() == left(made.times, frame)
    for frame in range(clip.start_frame + 14, clip.start_frame + 9, -1):
        page.keyboard.press("ArrowLeft")
        assert (told(page), video.evaluate(READ)) == (frame, frame)
    page.get_by_label("Frame of the clip").press("End")
    assert (told(page), video.evaluate(READ)) == (clip.end_frame - 1, clip.end_frame - 1)


@pytest.mark.parametrize("kind", KINDS)
def test_what_plays_is_what_is_told(page: Any, address: str, library: Path, kind: str) -> None:
    clip = first_clip(library, kind)
    video = open_clip(page, address, clip.id)
    page.get_by_role("button", name="0.25×").click()
    assert video.evaluate("(v) => v.playbackRate") == 0.25
    page.get_by_role("button", name="Play", exact=True).click()
    page.wait_for_function(
        "(f) => Number(document.querySelector('[data-frame]').textContent) > f",
        arg=(clip.start_frame or 0) + 12,
    )
    page.get_by_role("button", name="Pause", exact=True).click()
    page.wait_for_timeout(150)
    assert told(page) == video.evaluate(READ)


def test_a_part_repeats(page: Any, address: str, library: Path) -> None:
    clip = first_clip(library, "closed gop")
    video = open_clip(page, address, clip.id)
    start = clip.start_frame or 0
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("a")
    for _ in range(6):
        page.keyboard.press("ArrowRight")
    assert told(page) == start + 11
    page.keyboard.press("b")
    page.keyboard.press("ArrowUp")
    assert video.evaluate("(v) => v.playbackRate") == 1.5
    page.evaluate(
        """() => { window.seen = []; window.turns = 0; let last = null;
        const out = document.querySelector("[data-frame]");
        new MutationObserver(() => { const n = Number(out.textContent);
          if (last !== null && n < last) window.turns++; last = n; window.seen.push(n); })
          .observe(out, { childList: true }); }"""
    )
    page.keyboard.press("Space")
    page.wait_for_function("() => window.turns >= 3")
    seen = page.evaluate("window.seen")
    assert min(seen) == start + 5
    assert max(seen) <= start + 12  # at half as fast again a picture may be passed before it is looked at
    page.keyboard.press("w")
    page.keyboard.press("r")
    assert page.get_by_role("button", name="Repeat", exact=True).get_attribute("aria-pressed") == "false"


@pytest.mark.parametrize("path", ["", "/draw"])
def test_frames_that_do_not_come_are_said(browser: Any, address: str, library: Path, path: str) -> None:
    clip = first_clip(library, "closed gop").id
    with new_page(browser, allow="Failed to load resource") as page:
        page.route("**/frames*", lambda asked: asked.fulfill(status=500, body="no"))
        page.goto(f"{address}/clip/{clip}{path}")
        said = page.get_by_role("alert").first.inner_text()
        assert "The library answered 500." in said
        assert "load the page again" in said
        page.unroute("**/frames*")
        page.route("**/frames*", lambda asked: asked.abort())
        page.reload()
        page.get_by_role("alert").filter(has_text="cannot be reached").wait_for()


def test_where_no_browser_tells_of_frames_the_time_will_do(browser: Any, address: str, library: Path) -> None:
    """Without requestVideoFrameCallback (not in every browser) what plays is still told; nothing is looked at
    while film rests."""
    clip = first_clip(library, "closed gop")
    with new_page(browser) as page:
        page.add_init_script(
            """delete HTMLVideoElement.prototype.requestVideoFrameCallback; window.looks = 0;
            const ask = window.requestAnimationFrame;
            window.requestAnimationFrame = (act) => { looks += 1; return ask(act); };"""
        )
        video = open_clip(page, address, clip.id)
        page.keyboard.press("ArrowRight")
        assert told(page) == video.evaluate(READ) == (clip.start_frame or 0) + 1
        page.get_by_role("button", name="0.25×").click()
        page.locator("[data-do=play]").press("Space")
        page.wait_for_function(
            "(f) => Number(document.querySelector('[data-frame]').textContent) > f",
            arg=(clip.start_frame or 0) + 8,
        )
        assert page.evaluate("looks") > 8
        page.keyboard.press("ArrowLeft")
        assert told(page) == video.evaluate(READ)
        page.wait_for_timeout(200)
        looks = page.evaluate("looks")
        page.wait_for_timeout(400)
        assert page.evaluate("looks") == looks


def test_mirroring_turns_the_picture_and_no_word(page: Any, address: str, library: Path) -> None:
    video = open_clip(page, address, first_clip(library, "ntsc").id)
    page.keyboard.press("m")
    assert video.evaluate("(v) => getComputedStyle(v).transform") == "matrix(-1, 0, 0, 1, 0, 0)"
    for what in (".now", ".clocks", ".strip", ".screen"):
        assert page.locator(what).evaluate("(e) => getComputedStyle(e).transform") == "none", what
    page.keyboard.press("m")
    assert video.evaluate("(v) => getComputedStyle(v).transform") == "none"
    page.keyboard.press("s")
    assert video.evaluate("(v) => v.muted") is True
    page.keyboard.press("f")
    page.wait_for_function("() => document.fullscreenElement?.classList.contains('stage')")
    assert page.locator(".now").is_visible()
    assert page.locator("[data-do=forward]").is_visible()
    page.keyboard.press("f")
    page.wait_for_function("() => !document.fullscreenElement")


def test_the_strip_leads_to_each_action(page: Any, address: str, library: Path) -> None:
    clip = first_clip(library, "variable rate")
    times = footage.make("variable rate").times
    video = open_clip(page, address, clip.id, "?q=counter+to+the+body+after+a+missed+jab")
    marks = page.locator(".at")
    assert marks.count() == len(clip.actions) == 2
    assert page.locator(".at.matched").count() == 2
    for place, action in enumerate(clip.actions):
        page.get_by_role("button", name="go there").nth(place).click()
        assert action.time_us is not None
        shown = max(i for i, t in enumerate(times) if t * 1_000_000 <= action.time_us)
        page.wait_for_function(
            "(f) => Number(document.querySelector('[data-frame]').textContent) === f", arg=shown
        )
        assert (told(page), video.evaluate(READ)) == (shown, shown)
    page.keyboard.press("1")
    assert told(page) == max(
        i for i, t in enumerate(times) if t * 1_000_000 <= (clip.actions[0].time_us or 0)
    )


def test_in_and_out_are_set_by_frame_and_cut_at_once(page: Any, address: str, library: Path) -> None:
    clip = first_clip(library, "ntsc")
    open_clip(page, address, clip.id)
    for _ in range(7):
        page.keyboard.press("ArrowRight")
    page.get_by_text("Set in and out").click()
    page.get_by_role("button", name="first frame where the player is").click()
    page.get_by_role("button", name="last frame ten earlier").click()
    page.get_by_role("button", name="last frame one later").click()
    wanted = ((clip.start_frame or 0) + 7, (clip.end_frame or 0) - 1 - 10 + 1)
    page.get_by_role("button", name="Cut anew").click()
    page.wait_for_selector("text=Corrected here")
    video = open_clip(page, address, clip.id)
    assert (video.evaluate(READ), told(page)) == (wanted[0], wanted[0])
    page.get_by_label("Frame of the clip").press("End")
    assert (told(page), video.evaluate(READ)) == (wanted[1], wanted[1])
    page.get_by_text("Set in and out").click()
    page.get_by_role("button", name="Back to the log’s in and out").click()
    page.wait_for_selector("text=Corrected here", state="detached")
    now = Library(library).finding.clip(clip.id)
    assert (now.start_frame, now.end_frame) == (clip.start_frame, clip.end_frame)


def test_an_action_is_corrected_and_a_bad_line_is_kept(browser: Any, address: str, library: Path) -> None:
    clip = first_clip(library, "variable rate")
    with new_page(browser, allow="400") as page:
        open_clip(page, address, clip.id)
        page.get_by_text("Correct what happens").click()
        page.get_by_label("Action 2", exact=True).fill("counter left hokk landed")
        page.get_by_role("button", name="Correct", exact=True).click()
        assert "hokk" in page.get_by_role("alert").inner_text()
        field = page.get_by_label("Action 2", exact=True)
        assert field.input_value() == "counter left hokk landed"
        field.fill("counter left hook landed")
        page.get_by_role("button", name="Correct", exact=True).click()
        page.wait_for_selector("text=Corrected here: actions")
        assert "counter left hook" in page.locator(".side .actions").inner_text()
        assert Library(library).finding.clip(clip.id).actions[1].technique == "hook"
        page.get_by_text("Correct what happens").click()
        page.get_by_role("button", name="Back to what the log says").click()
        page.wait_for_selector("text=Corrected here", state="detached")
    assert Library(library).finding.clip(clip.id) == clip


def test_on_to_the_next_and_to_others_like_it(page: Any, address: str, library: Path) -> None:
    clip = first_clip(library, "closed gop")
    open_clip(page, address, clip.id)
    assert page.get_by_text("first of the fight").is_visible()
    page.get_by_role("link", name="after it").click()
    page.wait_for_url(f"**/clip/{clip.id + 1}")
    page.get_by_role("link", name="before it").click()
    page.wait_for_url(f"**/clip/{clip.id}")
    others = page.get_by_label("More like this").locator("article")
    # The same exchange was logged in the two other fights.
    titles = {others.nth(i).locator(".fight").inner_text().split(",")[0] for i in range(2)}
    assert titles == set(KINDS) - {"closed gop"}


def test_a_copy_to_hand_on(page: Any, address: str, library: Path, tmp_path: Path) -> None:
    clip = first_clip(library, "closed gop")
    open_clip(page, address, clip.id)
    page.get_by_role("button", name="A copy to hand on").click()
    page.wait_for_selector("text=is ready to hand on", timeout=30_000)
    with page.expect_download() as download:
        page.get_by_role("link", name="Download").click()
    saved = tmp_path / "clip.mp4"
    download.value.save_as(saved)
    assert footage.numbers(saved) == list(range(clip.start_frame or 0, clip.end_frame or 0))
