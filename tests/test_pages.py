"""The first page in a real browser: find, read back, narrow, watch, pick, build, download."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cliplib.library import Library
from fixtures import demo, framecode
from tests import served
from tests.browser import chromium, needs_chromium

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]

PHRASE = "counter to the body after a missed jab"

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
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.make_library(tmp_path_factory.mktemp("pages"))


@pytest.fixture(scope="module")
def address(library: Path) -> Iterator[str]:
    with served.serve(library) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, reduced_motion="reduce")
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    yield page
    context.close()
    assert not faults, faults


def search(page: Any, address: str, phrase: str) -> None:
    page.goto(address)
    page.get_by_label("What are you looking for?").fill(phrase)
    page.get_by_role("button", name="Find", exact=True).click()
    page.wait_for_url("**/?q=*")


def test_a_phrase_is_read_back_and_counted(page: Any, address: str, library: Path) -> None:
    search(page, address, PHRASE)
    truth = Library(library).find(PHRASE)
    assert truth.total > 0
    assert truth.reading.said in page.get_by_label("How it was read").inner_text()
    assert page.locator("[data-total]").inner_text() == str(truth.total)
    assert page.locator("article.card").count() == truth.total


def test_a_facet_shows_as_many_as_it_says(page: Any, address: str) -> None:
    search(page, address, "punch")
    for row in range(page.locator(".facets li a").count()):
        link = page.locator(".facets li a").nth(row)
        value, count = link.locator(".value").inner_text(), int(link.locator(".count").inner_text())
        link.click()
        page.wait_for_load_state()
        assert int(page.locator("[data-total]").inner_text()) == count, value
        page.go_back()


def test_a_card_plays_from_its_first_frame(page: Any, address: str, library: Path) -> None:
    search(page, address, PHRASE)
    card = page.locator("article.card").first
    clip = Library(library).clip(int(card.get_attribute("data-clip")))
    card.get_by_role("button", name="Play clip").click()
    video = card.locator("video")
    page.wait_for_function("(v) => v.readyState >= 2 && v.currentTime > 0.2", arg=video.element_handle())
    assert clip.start_frame is not None
    assert clip.end_frame is not None
    assert clip.start_frame <= video.evaluate(READ) < clip.end_frame
    video.evaluate("(v) => new Promise(d => { v.pause(); v.onseeked = d; v.currentTime = 0.001; })")
    assert video.evaluate(READ) == clip.start_frame


def test_the_first_picture_is_the_first_frame(page: Any, address: str, library: Path) -> None:
    for clip in Library(library).find("punch").clips:
        page.goto(f"{address}/clip/{clip.id}")
        video = page.locator("video")
        page.wait_for_function("(v) => v.readyState >= 2 && !v.seeking", arg=video.element_handle())
        assert video.evaluate(READ) == clip.start_frame


def test_pick_build_watch_download(page: Any, address: str, tmp_path: Path) -> None:
    search(page, address, PHRASE)
    ticks = page.get_by_label("Pick for a reel")
    for i in range(ticks.count()):
        ticks.nth(i).check()
    tray = page.get_by_label("Picked clips")
    assert f"{ticks.count()} picked" in tray.inner_text()
    tray.get_by_label("Title").fill("Down the middle, “after the jab”")
    tray.get_by_role("button", name="Make the reel").click()
    page.wait_for_selector("video.player", timeout=60_000)
    assert "Down the middle, “after the jab”" in page.inner_text("h1")
    page.wait_for_function("document.querySelector('video').readyState >= 1")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download").click()
    saved = tmp_path / "reel.mp4"
    download.value.save_as(saved)
    assert saved.read_bytes()[4:8] == b"ftyp"
    page.get_by_role("link", name="Reels").click()
    assert page.get_by_role("link", name="Down the middle, “after the jab”").is_visible()


def test_unread_words_are_offered(page: Any, address: str) -> None:
    search(page, address, "missed jabb")
    assert "Not understood" in page.inner_text(".warn")
    page.get_by_role("link", name="jab", exact=True).click()
    page.wait_for_url("**/?q=missed+jab")
    assert page.locator(".warn").count() == 0


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
    """Search, play and pick without a mouse."""
    page.goto(address)
    page.keyboard.type(PHRASE)
    page.keyboard.press("Escape")
    page.keyboard.press("Enter")
    page.wait_for_url("**/?q=*")
    play = page.get_by_role("button", name="Play clip").first
    play.focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("article.card video")
    page.get_by_label("Pick for a reel").first.focus()
    page.keyboard.press("Space")
    assert page.get_by_label("Picked clips").is_visible()


@pytest.mark.parametrize("width", [360, 1600])
def test_nothing_runs_off_the_side(browser: Any, address: str, width: int) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800})
    page = context.new_page()
    for path in ("/", "/?q=punch", "/reels/"):
        page.goto(address + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    context.close()


def test_posters_show_a_frame_of_the_clip(library: Path) -> None:
    from PIL import Image

    for clip in Library(library).find("punch").clips:
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
