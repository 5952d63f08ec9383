"""The first page in a real browser: find, read back, narrow, watch, pick, build, download."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cliplib import Library
from fixtures import demo, framecode
from tests.web import served
from tests.web.browser import needs_chromium, new_page

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]

PHRASE = "counter to the body after a missed jab"
FOCUSED = "(e) => e === document.activeElement"

READ = f"""(video) => {{
  const readCode = {framecode.READ_JS};
  const canvas = document.createElement("canvas");
  canvas.width = video.videoWidth; canvas.height = video.videoHeight;
  const pen = canvas.getContext("2d");
  pen.drawImage(video, 0, 0);
  return readCode(pen.getImageData(0, 0, canvas.width, canvas.height),
    {demo.CODE_X}, {demo.CODE_Y}, {demo.CODE_CELL});
}}"""


@pytest.fixture(scope="module")
def library() -> Path:
    return served.demo_library()


@pytest.fixture(scope="module")
def address(library: Path) -> Iterator[str]:
    with served.serve(library) as address:
        yield address


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A library with more than a page of results."""
    with served.serve(served.busy_library(tmp_path_factory.mktemp("busy"))) as address:
        yield address


def search(page: Any, address: str, phrase: str) -> None:
    page.goto(address)
    page.get_by_label("What are you looking for?").fill(phrase)
    page.get_by_role("button", name="Find", exact=True).click()
    page.wait_for_url("**/?q=*")


def test_a_phrase_is_read_back_and_counted(page: Any, address: str, library: Path) -> None:
    search(page, address, PHRASE)
    truth = Library(library).finding.find(PHRASE)
    assert truth.total > 0
    assert truth.reading.said in page.get_by_label("How it was read").inner_text()
    assert page.locator("[data-total]").inner_text() == str(truth.total)
    assert page.locator("article.card").count() == truth.total


def test_a_facet_shows_as_many_as_it_says(page: Any, address: str) -> None:
    search(page, address, "punch")
    told = page.locator(".facets li a").evaluate_all(
        """(links) => Promise.all(links.map(async (a) => {
          const there = new DOMParser().parseFromString(await (await fetch(a.href)).text(), "text/html");
          return [a.textContent, Number(a.querySelector(".count").textContent),
            Number(there.querySelector("[data-total]").textContent)];
        }))"""
    )
    assert len(told) > 8
    assert all(said == found for _, said, found in told), told
    link = page.locator(".facets li a").first
    count = link.locator(".count").inner_text()
    link.click()
    page.wait_for_url("**technique=**")
    assert page.locator("[data-total]").inner_text() == count
    assert page.locator(".facets a.chosen").count() == 1


def test_a_card_plays_from_its_first_frame(page: Any, address: str, library: Path) -> None:
    search(page, address, PHRASE)
    card = page.locator("article.card").first
    clip = Library(library).finding.clip(int(card.get_attribute("data-clip")))
    card.get_by_role("button", name="Play clip").click()
    video = card.locator("video")
    page.wait_for_function("(v) => v.readyState >= 2 && v.currentTime > 0.2", arg=video.element_handle())
    assert clip.start_frame is not None
    assert clip.end_frame is not None
    assert clip.start_frame <= video.evaluate(READ) < clip.end_frame
    video.evaluate("(v) => new Promise(d => { v.pause(); v.onseeked = d; v.currentTime = 0.001; })")
    assert video.evaluate(READ) == clip.start_frame


def test_the_first_picture_is_the_first_frame(page: Any, address: str, library: Path) -> None:
    for clip in Library(library).finding.find("punch").clips:
        page.goto(f"{address}/clip/{clip.id}")
        video = page.locator("video")
        page.wait_for_function("(v) => v.readyState >= 2 && !v.seeking", arg=video.element_handle())
        assert video.evaluate(READ) == clip.start_frame


def test_pick_build_watch_download(page: Any, address: str, tmp_path: Path) -> None:
    search(page, address, PHRASE)
    ticks = page.get_by_label("Pick", exact=True)
    for i in range(ticks.count()):
        ticks.nth(i).check()
    tray = page.get_by_label("Picked clips")
    assert f"{ticks.count()} picked" in tray.inner_text()
    tray.get_by_label("Title").fill("Down the middle, “after the jab”")
    tray.get_by_role("button", name="Make the reel").click()
    page.wait_for_selector("video.player", timeout=60_000)
    assert "Down the middle, “after the jab”" in page.inner_text("h1")
    page.wait_for_function("() => document.querySelector('video').readyState >= 1")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download").click()
    saved = tmp_path / "reel.mp4"
    download.value.save_as(saved)
    assert saved.read_bytes()[4:8] == b"ftyp"
    page.get_by_role("link", name="Reels").click()
    assert page.get_by_role("link", name="Down the middle, “after the jab”").is_visible()


def test_unread_words_are_offered(page: Any, address: str) -> None:
    search(page, address, "missed jabb zzgloves")
    assert "Not understood" in page.inner_text(".warn")
    page.get_by_role("link", name="jab", exact=True).click()
    page.wait_for_url("**/?q=missed+jab+zzgloves")
    page.get_by_role("link", name="leave “zzgloves” out").click()
    page.wait_for_url("**/?q=missed+jab")
    assert page.locator(".warn").count() == 0


def test_a_search_that_is_only_misspelt_shows_its_results_and_says_what_it_took(
    page: Any, address: str
) -> None:
    search(page, address, "missed jab")
    total = page.locator("[data-total]").inner_text()
    search(page, address, "mised jabb")
    assert page.locator("[data-total]").inner_text() == total
    assert page.get_by_role("status").inner_text().startswith("Taken for “missed jab”")
    page.get_by_role("link", name="Rather just “mised jabb”").click()
    page.wait_for_url("**typed=yes**")
    assert "Not understood" in page.inner_text(".read")
    page.get_by_role("link", name="Fix all: “missed jab”").click()
    page.wait_for_url("**/?q=missed+jab")
    assert page.locator("[data-total]").inner_text() == total


def test_a_word_of_a_note_is_no_slip_of_the_pen(tmp_path: Path) -> None:
    """“jabz” is near a term, but somebody wrote it into a note: it is looked up there, not put right."""
    from cliplib_web import create_app
    from tests import libraries

    fight = libraries.make_fight(tmp_path / "fights" / "one", kind=None)
    row = "time,fighter,action,note\n2,Brandt,cross landed,jabz they call it\n3,Brandt,jab,\n"
    (fight / "log.csv").write_text(row, encoding="utf-8")
    client = create_app(served.ingested(tmp_path)).test_client()
    page = client.get("/?q=cross+jabz").get_data(as_text=True)
    assert "Not understood" in page
    assert "Taken for" not in page
    assert "Taken for" in client.get("/?q=cross+jabx").get_data(as_text=True)


def test_a_search_leads_on_with_its_filters(page: Any, busy: str) -> None:
    page.goto(f"{busy}/?q=counter&technique=cross")
    for name in ("Counts", "What comes next"):
        page.locator(".ways").get_by_role("link", name=name).click()
        page.wait_for_load_state()
        assert "technique=cross" in page.url
        assert page.locator("#q").input_value() == "counter"
        assert "technique: cross" in page.inner_text("main")
        if name == "Counts":
            tried = page.locator("table tbody tr").first.locator("td").first.inner_text()
            assert tried == "10", "of thirty counters ten are crosses"
        page.go_back()
        page.wait_for_url("**/?q=counter&technique=cross")


def test_by_keyboard_the_clips_are_near(page: Any, address: str) -> None:
    """It was 45 presses of Tab from the top of the page to the first clip."""
    search(page, address, PHRASE)
    assert page.evaluate("document.activeElement.id") == "clips", "after a search the focus is on its results"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('article.card') !== null")
    page.goto(f"{address}/?q=jab")
    skip = page.get_by_role("link", name="Skip to the clips")
    assert skip.count() == 1


def test_taking_a_part_out_widens(page: Any, address: str) -> None:
    search(page, address, PHRASE)
    before = int(page.locator("[data-total]").inner_text())
    page.locator(".parts a").first.click()
    page.wait_for_load_state()
    assert int(page.locator("[data-total]").inner_text()) >= before


def test_completions_by_keyboard(page: Any, address: str) -> None:
    page.goto(address)
    box = page.get_by_label("What are you looking for?")
    box.press_sequentially("counter upper", delay=20)
    page.wait_for_selector("#offers li:has-text('uppercut')")
    box.press("ArrowDown")
    chosen = page.locator("#offers li[aria-selected=true]").inner_text()
    assert "uppercut" in chosen
    box.press("Enter")
    assert box.input_value() == chosen
    box.press("Enter")
    page.wait_for_url("**/?q=*")


def test_all_by_keyboard(page: Any, address: str) -> None:
    """Search, move, play, pick and open without a mouse."""
    page.goto(address)
    page.keyboard.type(PHRASE)
    page.keyboard.press("Escape")  # closes the list and leaves the words
    page.keyboard.press("Enter")
    page.wait_for_url("**/?q=*")
    page.get_by_label("What are you looking for?").focus()
    page.keyboard.press("ArrowDown")
    pictures = page.locator("article.card [data-play]")
    assert pictures.count() == 2
    assert pictures.nth(0).evaluate(FOCUSED)
    page.keyboard.press("ArrowRight")
    assert pictures.nth(1).evaluate(FOCUSED)
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.querySelector('article.card video')?.currentTime > 0.1")
    assert page.locator("article.card video").evaluate("(v) => v.muted") is False
    page.keyboard.press("Enter")
    assert page.locator("article.card video").count() == 0
    page.keyboard.press("p")
    page.keyboard.press("ArrowLeft")
    assert pictures.nth(0).evaluate(FOCUSED)
    page.keyboard.press("p")
    ids = [page.locator("article.card").nth(n).get_attribute("data-clip") for n in (1, 0)]
    tray = page.get_by_label("Picked clips")
    assert tray.locator("[name=clips]").input_value() == ",".join(map(str, ids))
    page.keyboard.press("p")
    assert tray.locator("[name=clips]").input_value() == ids[0]
    page.keyboard.press("o")
    page.wait_for_url(f"**/clip/{ids[1]}?q=*")


def test_a_look_is_silent_and_ends(browser: Any, address: str) -> None:
    with new_page(browser, reduced_motion="no-preference") as page:
        search(page, address, PHRASE)
        pictures = page.locator("article.card [data-play]")
        pictures.nth(0).hover()
        page.wait_for_function("() => document.querySelector('.card video')?.currentTime > 0.05")
        assert page.locator(".card video").evaluate("(v) => v.muted") is True
        pictures.nth(1).hover()
        page.wait_for_function(
            "() => { const v = document.querySelectorAll('.card video');"
            " return v.length === 1 && v[0].closest('.card') === document.querySelectorAll('.card')[1]; }"
        )
        page.get_by_role("heading", level=1).hover()
        page.wait_for_function("() => !document.querySelector('.card video')")


def test_nothing_moves_for_who_asked_for_calm(page: Any, address: str) -> None:
    search(page, address, PHRASE)
    page.locator("article.card [data-play]").first.hover()
    page.wait_for_timeout(600)
    assert page.locator(".card video").count() == 0


def test_going_back_keeps_the_place(page: Any, busy: str) -> None:
    page.goto(f"{busy}/?q=counter")
    assert page.locator("article.card").count() == 12
    page.get_by_role("link", name="More results").click()
    page.wait_for_url("**page=2**")
    assert page.locator("article.card").count() == 12
    page.go_back()
    page.wait_for_url(lambda url: "page" not in url)
    card = page.locator("article.card").nth(10)
    card.scroll_into_view_if_needed()
    before = page.evaluate("scrollY")
    assert before > 400
    card.locator("[data-open]").click()
    page.wait_for_url("**/clip/**")
    page.go_back()
    page.wait_for_url("**/?q=counter")
    page.wait_for_function("(y) => Math.abs(scrollY - y) < 3", arg=before)


def test_pages_together_are_the_whole_result(page: Any, busy: str) -> None:
    seen: list[str] = []
    for number in (1, 2, 3, 4):
        page.goto(f"{busy}/?q=counter&page={number}")
        seen += page.locator("article.card").evaluate_all("(all) => all.map(c => c.dataset.clip)")
    assert len(seen) == len(set(seen)) == 30
    assert "There are only 3 pages" in page.inner_text("main")


def test_a_reel_of_all_honours_filters(page: Any, busy: str) -> None:
    page.goto(f"{busy}/?q=counter&technique=cross")
    assert page.locator("[data-total]").inner_text() == "10"
    page.get_by_role("button", name="Make a reel of all 10").click()
    page.wait_for_selector("video.player", timeout=90_000)
    assert "10 clips" in page.inner_text("main")


def test_a_reel_of_very_many_is_of_the_best(page: Any, busy: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("finding.find", "making.reels"):
        monkeypatch.setattr(f"cliplib_web.{module}.LONGEST", 3)
    page.goto(f"{busy}/?q=counter")
    page.get_by_role("button", name="Make a reel of the best 3").click()
    page.wait_for_selector("video.player", timeout=60_000)
    assert "3 clips" in page.inner_text("main")


def test_words_of_notes_are_marked(page: Any, busy: str) -> None:
    page.goto(f"{busy}/?q=counter+elbow")
    assert page.locator("article.card").count() == 1
    assert page.locator("article.card mark").all_inner_texts() == ["Elbow"]


def test_another_meaning_is_one_click(page: Any, busy: str) -> None:
    page.goto(f"{busy}/?q=right+hand")
    assert "was taken to mean any punch with the right hand" in page.inner_text(".read")
    page.get_by_role("link", name="Rather an overhand right").click()
    page.wait_for_url("**/?q=overhand+right")
    assert "Nothing matches" in page.inner_text("main")


@pytest.mark.parametrize(
    "path", ["/?q=jab&round=abc", "/clip/99999", "/nowhere", "/reels/none/", "/fights/999"]
)
def test_what_is_wrong_is_said(browser: Any, address: str, path: str) -> None:
    with new_page(browser, allow="404") as page:
        answer = page.goto(address + path)
        assert answer.status in (200, 404)
        text = page.inner_text("main")
        assert "Traceback" not in text
        assert any(
            word in text for word in ("not a round", "no clip 99999", "not found", "no reel", "no fight")
        )


def test_an_empty_library_says_how_to_begin(page: Any, tmp_path: Path) -> None:
    Library(tmp_path / "library", create=True).close()
    with served.serve(tmp_path / "library") as empty:
        for path in ("/", "/fights/", "/reels/"):
            page.goto(empty + path)
            assert any(w in page.inner_text("main") for w in ("still empty", "No fight", "No reel")), path
        page.goto(f"{empty}/?q=jab")
        assert "Nothing matches" in page.inner_text("main")


def test_posters_show_a_frame_of_the_clip(library: Path) -> None:
    from PIL import Image

    for clip in Library(library).finding.find("punch").clips:
        assert clip.poster is not None
        picture = np.asarray(Image.open(clip.poster).convert("RGB"))
        scale = picture.shape[1] / footage_width(library)
        number = framecode.read(picture, 0, 0, demo.CODE_CELL * scale)
        assert clip.start_frame is not None
        assert clip.end_frame is not None
        assert number is not None
        assert clip.start_frame <= number < clip.end_frame


def footage_width(library: Path) -> int:
    import av

    with av.open(str(next(library.parent.glob("fights/*/fight.*4")))) as container:
        return container.streams.video[0].width
