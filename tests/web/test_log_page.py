"""Logging in Chromium: the frame logged is the frame shown, nothing acknowledged is lost, few keys."""

from __future__ import annotations

import http.cookiejar
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.base import AXE_FILE_PATH

from cliplib import Action, Library
from cliplib.media import ffmpeg
from cliplib.search.following import said_of
from cliplib.vocabulary import load_vocabulary
from fixtures import framecode
from tests import libraries
from tests.libraries import BLUE, RED
from tests.media import footage
from tests.search import archive
from tests.web import served
from tests.web.accessible import RULES
from tests.web.browser import needs_chromium, new_page

# Private parts: what is offered is compared with the words behind it.

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]

NUMBER = f"""(video) => {{
  const readCode = {framecode.READ_JS};
  const canvas = document.createElement("canvas");
  canvas.width = video.videoWidth; canvas.height = video.videoHeight;
  const pen = canvas.getContext("2d");
  pen.drawImage(video, 0, 0);
  return readCode(pen.getImageData(0, 0, canvas.width, canvas.height),
    {footage.CODE_X}, {footage.CODE_Y}, {framecode.CELL});
}}"""


SETTLED = "() => { const v = document.querySelector('video'); return v.readyState >= 2 && !v.seeking; }"


@pytest.fixture
def library(tmp_path: Path) -> Library:
    libraries.make_fight(tmp_path / "fight")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fight"]).exit_code == 0
    return library


@pytest.fixture
def address(library: Library) -> Iterator[str]:
    with served.serve(library.folder) as address:
        yield address


def begin(page: Any, address: str, by: str = "MK", fight: int = 1) -> None:
    page.goto(f"{address}/fights/{fight}/log")
    page.get_by_label("Who logs?").fill(by)
    page.keyboard.press("Enter")
    begun(page)


def begun(page: Any) -> None:
    page.wait_for_selector(".logging[data-begun]")
    page.wait_for_function(SETTLED)
    # The page learns from the first picture where the film's zero is; nobody moves the film by hand before it.
    page.wait_for_function("() => document.querySelector('[data-frame]').textContent.includes('frame')")


def go_to(page: Any, frame: int) -> None:
    """As a logger would: frame by frame with the arrow keys is slow, so by time, then to the frame."""
    page.evaluate("(at) => { document.querySelector('video').currentTime = at; }", (frame + 0.5) / 25)
    page.wait_for_function(
        f"() => document.querySelector('[data-frame]').textContent.endsWith('frame {frame}')"
    )
    page.wait_for_function(SETTLED)


def saved(page: Any, count: int) -> None:
    page.wait_for_function(f"() => document.querySelectorAll('.log-line').length === {count}")
    page.wait_for_function("() => document.querySelector('[data-saved]').textContent !== 'saving…'")


# --- time ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["ntsc", "variable rate", "late video", "edit list", "matroska ntsc"])
def test_the_frame_logged_is_the_frame_shown(tmp_path: Path, browser: Any, kind: str) -> None:
    """The number is burnt into the picture and read off a canvas, paused and while it plays."""
    libraries.make_fight(tmp_path / "fight", kind=kind)
    made = footage.make(kind)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fight"], cut=False).exit_code == 0
    with served.serve(library.folder) as address, new_page(browser) as page:
        page.goto(f"{address}/fights/1/log")
        page.get_by_label("Who logs?").fill("MK")
        page.keyboard.press("Enter")
        if library.logging.live.footage(1) is None:
            page.get_by_role("button", name="Make the copy").click()
            page.wait_for_url("**/fights/1/log", timeout=30_000)
        begun(page)
        video = page.locator("video").element_handle()
        wanted = []
        for at in (1.5, 2.341, 4.7):
            page.evaluate("(at) => { document.querySelector('video').currentTime = at; }", at)
            page.wait_for_function(SETTLED)
            page.wait_for_timeout(80)
            for key in ("ArrowRight", "ArrowRight", "ArrowLeft"):
                before = page.inner_text("[data-frame]")
                page.locator("#entry").press(key)
                page.wait_for_function(
                    "(before) => document.querySelector('[data-frame]').textContent !== before", arg=before
                )
                page.wait_for_function(SETTLED)
            wanted.append(page.evaluate(NUMBER, video) - made.first)
            page.keyboard.type("jm")
            page.keyboard.press("Enter")
            saved(page, len(wanted))
        assert [line.frame for line in library.logging.live.lines(1, "MK")] == wanted


@pytest.mark.parametrize("plays", [False, True])
def test_a_film_that_is_there_before_its_frames_are_known(tmp_path: Path, browser: Any, plays: bool) -> None:
    """On a slow line the first picture may be painted long before the page knows the film's frames; and somebody may
    play the film as soon as it is followed."""
    at_once = """
      const ask = HTMLVideoElement.prototype.requestVideoFrameCallback;
      HTMLVideoElement.prototype.requestVideoFrameCallback = function (look) {
        HTMLVideoElement.prototype.requestVideoFrameCallback = ask;
        setTimeout(() => this.play());
        return ask.call(this, look);
      };"""
    libraries.make_fight(tmp_path / "fight", kind="late video")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fight"], cut=False).exit_code == 0
    with served.serve(library.folder) as address, new_page(browser) as page:
        page.route("**/frames", lambda route: (time.sleep(1.5), route.continue_()))
        if plays:
            page.add_init_script(at_once)
        page.goto(f"{address}/fights/1/log")
        page.get_by_label("Who logs?").fill("MK")
        page.keyboard.press("Enter")
        begun(page)
        page.evaluate("document.querySelector('video').pause()")
        for key in ("ArrowRight", "ArrowRight", "ArrowLeft"):
            before = page.inner_text("[data-frame]")
            page.locator("#entry").press(key)
            page.wait_for_function(
                "(before) => document.querySelector('[data-frame]').textContent !== before", arg=before
            )
            page.wait_for_function(SETTLED)
        number = page.evaluate(NUMBER, page.locator("video").element_handle())
        assert page.inner_text("[data-frame]").endswith(f"frame {number - footage.make('late video').first}")


def test_typing_pauses_and_entering_plays_on(library: Library, address: str, browser: Any) -> None:
    with new_page(browser) as page:
        begin(page, address)
        go_to(page, 40)
        video = page.locator("video").element_handle()
        page.locator("#entry").press(" ")
        page.wait_for_function("() => document.querySelector('video').currentTime > 2.2")
        page.keyboard.press("j")
        page.wait_for_function("() => document.querySelector('video').paused")
        page.wait_for_timeout(120)
        shown = page.evaluate(NUMBER, video) - footage.make("closed gop").first
        page.keyboard.press("m")
        page.keyboard.press("Enter")
        page.wait_for_function("() => !document.querySelector('video').paused")
        saved(page, 1)
        page.keyboard.press(" ")
        assert [line.frame for line in library.logging.live.lines(1, "MK")] == [shown]
        page.get_by_label("Pause while I type").uncheck()
        page.locator("#entry").press(" ")
        page.keyboard.press("j")
        assert not page.evaluate("document.querySelector('video').paused")


# --- keys ---------------------------------------------------------------------------------------------------


def test_repeat_undo_nudge_edit_remove_by_keys(library: Library, address: str, browser: Any) -> None:
    log = library.logging.live
    with new_page(browser) as page:
        begin(page, address)
        go_to(page, 60)
        page.keyboard.type("jm")
        page.keyboard.press("Enter")
        saved(page, 1)
        first = log.lines(1, "MK")[0]
        assert (first.frame, first.action) == (60, "jab missed")
        go_to(page, 70)
        page.keyboard.press(".")
        saved(page, 2)
        assert [(ln.frame, ln.action, ln.fighter) for ln in log.lines(1, "MK")] == [
            (60, "jab missed", first.fighter),
            (70, "jab missed", first.fighter),
        ]
        page.keyboard.press("Control+ArrowRight")
        page.keyboard.press("Control+ArrowRight")
        page.wait_for_timeout(700)
        assert [ln.frame for ln in log.lines(1, "MK")] == [60, 72]
        page.keyboard.press("Control+z")
        page.wait_for_timeout(300)
        assert [ln.frame for ln in log.lines(1, "MK")] == [60, 70]
        page.keyboard.press("Control+z")
        saved(page, 1)
        assert [ln.frame for ln in log.lines(1, "MK")] == [60]
        # In the list: move, edit, remove, and back again.
        page.locator(".log-line").focus()
        page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("ArrowLeft")
        page.wait_for_timeout(700)
        assert [ln.frame for ln in log.lines(1, "MK")] == [69]
        page.keyboard.press("Enter")
        page.locator("#entry").fill("cross landed")
        page.wait_for_function(
            "() => document.querySelector('#log-offers li').textContent.includes('cross landed')"
        )
        page.keyboard.press("Enter")
        page.wait_for_timeout(300)
        assert [(ln.frame, ln.action) for ln in log.lines(1, "MK")] == [(69, "cross landed")]
        page.locator(".log-line").focus()
        page.keyboard.press("Delete")
        saved(page, 0)
        assert log.lines(1, "MK") == ()
        page.get_by_role("button", name="Undo").click()
        saved(page, 1)
        assert [(ln.frame, ln.action) for ln in log.lines(1, "MK")] == [(69, "cross landed")]


def test_a_mark_dragged_on_the_strip_takes_its_line_along(
    library: Library, address: str, browser: Any
) -> None:
    library.logging.live.add(1, "MK", 60, "jab missed", fighter=RED)
    with new_page(browser) as page:
        begin(page, address)
        mark = page.locator(".log-mark").bounding_box()
        width = page.locator(".log-strip").bounding_box()["width"]
        x, y = mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + width / 24, y, steps=5)
        page.mouse.move(x + width / 12, y, steps=5)  # a second: the strip shows twelve
        page.mouse.up()
        page.wait_for_function("() => document.querySelector('[data-saved]').textContent === 'all saved'")
        (line,) = library.logging.live.lines(1, "MK")
        assert abs((line.frame or 0) - 85) <= 1
        page.get_by_role("button", name="Undo").click()
        page.wait_for_timeout(300)
        assert library.logging.live.lines(1, "MK")[0].frame == 60


def test_what_is_not_understood_is_marked_and_not_saved(library: Library, address: str, browser: Any) -> None:
    with new_page(browser) as page:
        begin(page, address)
        go_to(page, 60)
        page.keyboard.type("Brandt wibble jab")
        page.wait_for_selector(".log-reading mark")
        assert page.inner_text(".log-reading mark") == "wibble"
        page.keyboard.press("Enter")
        page.wait_for_timeout(200)
        assert page.input_value("#entry") == "Brandt wibble jab"
        assert library.logging.live.lines(1, "MK") == ()
        # Words that are understood, but say nothing that a log can hold: why not is said, in the reader's words.
        page.locator("#entry").fill("Brandt jab or cross landed")
        page.wait_for_function(
            "() => document.querySelector('#log-reading').textContent.includes('one action, not “or”: ')"
        )
        assert "Not understood" not in page.inner_text("#log-reading")
        page.keyboard.press("Enter")
        page.wait_for_timeout(200)
        assert library.logging.live.lines(1, "MK") == ()
        assert library.logging.live.check(1, "Brandt jab landed").because == ""
        page.locator("#entry").fill("Brandt bolo to the body landed, Adeyemi clinches")
        page.wait_for_function(
            "() => document.querySelector('#log-reading').textContent.startsWith('Read as')"
        )
        page.keyboard.press("Enter")
        saved(page, 1)
        (clip,) = library.finding.find("bolo to the body", second_opinions=True).clips
        assert [(a.fighter, a.technique) for a in clip.actions] == [(BLUE, "bolo"), (RED, "clinch")]


def test_outside_the_rounds_it_says_why_nothing_is_logged(
    library: Library, address: str, browser: Any
) -> None:
    with new_page(browser, allow="400") as page:
        begin(page, address)
        go_to(page, 5)
        entry, reading = page.locator("#entry"), page.locator("#log-reading")
        entry.press_sequentially("Brandt jab missed")
        page.wait_for_function(
            "() => document.querySelector('#log-reading').textContent.startsWith('Read as')"
        )
        with page.expect_response("**/check?*"):  # the text is back in the box and is read again
            entry.press("Enter")
        page.wait_for_timeout(50)
        assert reading.inner_text().startswith(
            "Not logged: 0:00.2 is before the first bell (0:01). Move the film"
        )
        assert reading.get_attribute("aria-live") == "polite"
        assert entry.input_value() == "Brandt jab missed"
        assert library.logging.live.lines(1, "MK") == ()
        # The remedy works, with what is still in the box.
        go_to(page, 60)
        entry.press("Enter")
        saved(page, 1)
        assert reading.inner_text() == ""
        assert [ln.frame for ln in library.logging.live.lines(1, "MK")] == [60]


def test_two_people_at_once_each_with_a_log_of_their_own(
    library: Library, address: str, browser: Any
) -> None:
    with new_page(browser) as one, new_page(browser) as two:
        begin(one, address, "MK")
        begin(two, address, "TB")
        for page, frame in ((one, 60), (two, 62), (one, 90), (two, 95)):
            go_to(page, frame)
            page.locator("#entry").press_sequentially("jm")
            page.keyboard.press("Enter")
            page.wait_for_function("() => document.querySelector('[data-saved]').textContent === 'all saved'")
        assert [ln.frame for ln in library.logging.live.lines(1, "MK")] == [60, 90]
        assert [ln.frame for ln in library.logging.live.lines(1, "TB")] == [62, 95]
        one.reload()
        begun(one)
        saved(one, 2)


def test_done_cuts_and_files_go_out_and_in(
    library: Library, address: str, browser: Any, tmp_path: Path
) -> None:
    with new_page(browser) as page:
        begin(page, address)
        go_to(page, 100)
        page.keyboard.type("jm")
        page.keyboard.press("Enter")
        saved(page, 1)
        page.get_by_role("button", name="Done: cut the clips").click()
        page.wait_for_function(
            "() => document.querySelector('[data-waiting]').textContent === 'All clips are cut.'",
            timeout=20_000,
        )
        assert library.logging.live.waiting(1) == 0
        page.get_by_text("Files: save this log, take one in").click()
        with page.expect_download() as download:
            page.get_by_role("link", name="CSV", exact=True).click()
        kept = tmp_path / "kept.csv"
        download.value.save_as(kept)
        assert "jab" in kept.read_text(encoding="utf-8")
        page.get_by_text("Somebody else logs").click()
        page.locator("details", has_text="Somebody else logs").get_by_label("Name").fill("TB")
        page.get_by_role("button", name="Change").click()
        begun(page)
        page.get_by_text("Files: save this log, take one in").click()
        page.get_by_label("Log file").set_input_files(str(kept))
        page.get_by_role("button", name="Take it in").click()
        begun(page)
        saved(page, 1)
        assert [ln.frame for ln in library.logging.live.lines(1, "TB")] == [100]


@pytest.mark.parametrize("width", [360, 1600])
def test_nothing_runs_off_the_side(address: str, browser: Any, width: int) -> None:
    with new_page(browser, viewport={"width": width, "height": 800}) as page:
        begin(page, address)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessible(library: Library, browser: Any, scheme: str) -> None:
    """axe-core's rules for WCAG 2.2 A and AA, all folded open, narrow and wide."""
    axe = Path(AXE_FILE_PATH).read_text(encoding="utf-8")
    library.logging.live.add(1, "MK", 60, "jab missed", fighter=RED)
    library.logging.live.add(1, "MK", 70, "bolo landed", fighter=BLUE)
    library.care.passphrases.set("look", "quiet southpaw corner")
    problems = []

    def look(page: Any, name: str) -> None:
        page.evaluate(axe)
        page.evaluate("() => document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        for width in (360, 1280):
            page.set_viewport_size({"width": width, "height": 900})
            found = page.evaluate(
                "(tags) => axe.run(document, { runOnly: tags, resultTypes: ['violations'] })", RULES
            )
            problems.extend(
                f"{name} {width}: {v['id']}: {v['help']}: {n['html'][:160]} {n.get('failureSummary')}"
                for v in found["violations"]
                for n in v["nodes"]
            )
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name

    with served.serve(library.folder) as address, new_page(browser, color_scheme=scheme) as page:
        page.goto(f"{address}/fights/1/log")
        look(page, "name")
        page.get_by_label("Who logs?").fill("MK")
        page.keyboard.press("Enter")
        begun(page)
        page.locator("#entry").press_sequentially("Brandt wibble")
        page.wait_for_selector(".log-reading mark")
        look(page, "log, not understood")
        page.locator("#entry").fill("j")
        page.wait_for_selector("#log-offers li")
        look(page, "log, offers")
        page.locator("#entry").fill("")
        page.goto(f"{address}/fights/new")
        look(page, "new fight")
    with served.serve(library.folder, share=True) as address, new_page(browser, color_scheme=scheme) as page:
        page.goto(address)
        look(page, "sign in")
    assert not problems, "\n".join(problems)


# --- a killed server ----------------------------------------------------------------------------------------


def test_a_killed_server_loses_nothing_it_acknowledged(library: Library) -> None:
    """SIGKILL the moment the answer is here; a new process finds the line and its exchange."""
    folder = library.folder
    library.close()
    for number in range(3):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        command = [sys.executable, "-m", "cliplib", "--library", str(folder), "serve", "--port", str(port)]
        server = subprocess.Popen(command, stdout=subprocess.DEVNULL, start_new_session=True)
        try:
            browser = urllib.request.build_opener(
                urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
            )
            home = f"http://127.0.0.1:{port}"
            for _ in range(200):
                try:
                    page = browser.open(f"{home}/fights/1/log").read().decode()
                    break
                except OSError:
                    time.sleep(0.1)
            key = re.search(r'name="form_key" value="([^"]+)"', page)
            assert key
            body = {"by": "MK", "frame": 60 + number, "action": "bolo landed", "fighter": RED}
            request = urllib.request.Request(
                f"{home}/api/fights/1/lines",
                json.dumps(body).encode(),
                {"Content-Type": "application/json", "X-Form-Key": key[1]},
            )
            assert browser.open(request).status == 201
        finally:
            os.kill(server.pid, signal.SIGKILL)
            server.wait()
        again = Library(folder)
        assert [ln.frame for ln in again.logging.live.lines(1, "MK")] == [60 + n for n in range(number + 1)]
        assert again.finding.find("bolo", second_opinions=True).total == 1
        again.logging.live.cut(1)
        assert again.care.check() == []
        again.close()


# --- how many keys ------------------------------------------------------------------------------------------

ACTIONS, ARCHIVE, SEED = 40, 3, 11


def the_round() -> list[list[tuple[int, Action]]]:
    """Exchanges of (corner, action), about 40 actions: a fight that the library does not hold, made from the
    archive's own transition frequencies."""
    rows = next(iter(archive.large(1, seed=SEED)))
    red = rows.info.red.name
    found: list[list[tuple[int, Action]]] = []
    for exchange in archive.exchanges_of_rows(rows):
        found.append([(0 if a.fighter == red else 1, a) for a in exchange.actions])
        if sum(map(len, found)) >= ACTIONS:
            break
    found[-1] = found[-1][: len(found[-1]) - (sum(map(len, found)) - ACTIONS)]
    return [exchange for exchange in found if exchange]


@pytest.fixture(scope="module")
def expert_library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """Three fights of the archive to learn from, and a 3-minute round to log."""
    folder = tmp_path_factory.mktemp("expert")
    fight = libraries.make_fight(folder / "fight", kind=None, file="fight.mp4", rows=())
    text = (fight / "fight.toml").read_text(encoding="utf-8")
    (fight / "fight.toml").write_text(text.replace("round_seconds = 7", "round_seconds = 180"))
    picture = ["-f", "lavfi", "-i", "testsrc2=size=160x90:rate=25:duration=184"]
    coding = [
        "-c:v",
        "libx264",
        "-preset",
        "ultrafast",
        "-g",
        "25",
        "-pix_fmt",
        "yuv420p",
        "-sc_threshold",
        "0",
    ]
    subprocess.run(
        [str(ffmpeg.binary()), "-v", "error", *picture, *coding, "-flags", "+cgop", str(fight / "fight.mp4")],
        check=True,
    )
    library = Library(folder / "library", create=True)
    archive.write_catalogue(library.desk.catalogue, ARCHIVE)
    assert library.logging.ingest([fight]).exit_code == 0
    return library


def test_an_expert_needs_few_keys(expert_library: Library, browser: Any) -> None:
    """A scripted expert logs a round of 40 actions: at most 3.0 key presses an action; 2 is the aim.

    He takes what is marked with Enter, another of the ten rows by its digit; else he types the letters that
    tell his line apart (the technique's, the outcome's, the target's, the hand's, the fighter's) until it is
    among the rows. Every keydown is counted. The constants of search_next were chosen on other rounds (seeds 21
    to 36 of `the_round`), so that this one is not what they were made for.
    """
    library, words = expert_library, load_vocabulary()
    (fight,) = [f for f in library.finding.fights() if f.title == "Adeyemi v Brandt"]
    texts = {
        s: offer.text
        for s, offer in zip(
            library.logging.next_lines._current()[0].said, library.logging.next_lines.offers(), strict=True
        )
    }
    wanted: list[tuple[str, str]] = []
    with served.serve(library.folder) as address, new_page(browser) as page:
        begin(page, address, "expert", fight.id)
        page.evaluate("() => { window.keys = 0; addEventListener('keydown', () => window.keys++, true); }")
        at = 3.0
        for exchange in the_round():
            for corner, action in exchange:
                frame = round(at * 25)
                go_to(page, frame)
                said = said_of(action, words)
                name = fight.info.fighters[corner]
                text = texts.get(said)
                if text is None:  # not offered: typed out
                    text = " ".join(
                        filter(None, (said[1], said[0], "to the body" if said[2] else "", said[3]))
                    )
                    page.keyboard.type(f"{name.split()[-1]} {text}")
                    page.wait_for_function(
                        "() => document.querySelector('#log-reading').textContent.startsWith('Read as')"
                    )
                    page.keyboard.press("Enter")
                    wanted.append((name, said[0]))
                else:
                    pick(page, corner, name, text)
                    wanted.append((name, text))
                saved(page, len(wanted))
                at += 0.4
            at += 3.0
        assert at < 181
        pressed = page.evaluate("window.keys")
    logged = [(line.fighter, line.action) for line in library.logging.live.lines(fight.id, "expert")]
    assert len(logged) == len(wanted) == ACTIONS
    assert all(got == want for got, want in zip(logged, wanted, strict=True) if got[0])
    print(f"\n{pressed} key presses for {ACTIONS} actions: {pressed / ACTIONS:.2f} each")
    assert pressed / ACTIONS <= 1.8  # 1.65 of this seed, 2.15 before more rows had a key; the aim is 1.6


def pick(page: Any, corner: int, name: str, text: str) -> None:
    short = name.split()[-1]
    letters = hints(text, short)
    while True:
        rows = [row.strip() for row in page.locator("#log-offers li").all_inner_texts()]
        place = rows.index(f"{short} {text}") if f"{short} {text}" in rows else None
        if place is not None:
            keys = page.eval_on_selector_all("#log-offers li", "(all) => all.map((one) => one.dataset.key)")
            page.keyboard.press(keys[place] if place else "Enter")
            return
        if not letters:  # none of the ten rows: typed out
            page.keyboard.press("Escape")
            page.keyboard.type(f"{short} {text}")
            page.wait_for_function(
                "() => document.querySelector('#log-offers .log-who').textContent === 'as typed'"
            )
            page.keyboard.press("Enter")
            return
        page.keyboard.press(letters.pop(0))


def hints(text: str, short: str) -> list[str]:
    """One letter for each word that matters, in the order in which an expert would give them."""
    words = [w for w in text.split() if w not in ("to", "the")]
    hand = [words.pop(0)] if words[0] in ("lead", "rear") else []
    return [w[0].lower() for w in (*words[:1], *words[1:][::-1], *hand, short)]


def test_a_line_that_was_typed_looks_like_one_that_was_picked(
    library: Library, address: str, browser: Any
) -> None:
    library.logging.live.add(1, "MK", 60, "Brandt counter hook landed")
    library.logging.live.add(1, "MK", 50, "jab missed", fighter=RED)
    with new_page(browser) as page:
        begin(page, address)
        rows = page.locator(".log-line")
        assert rows.locator(".log-who").all_inner_texts() == ["Adeyemi", "Brandt"]
        assert [
            name.split()[-1]
            for name in page.locator(".log-mark").evaluate_all("(all) => all.map(m => m.className)")
        ] == ["red", "blue"]
        assert "Brandt Brandt" not in rows.nth(1).inner_text()


# --- short letters, and moments for later -------------------------------------------------------------------


def test_an_exchange_in_one_entry_by_short_letters(library: Library, address: str, browser: Any) -> None:
    """`j- so rhb+` is read as it is typed, and logged in whole words: three actions."""
    with new_page(browser) as page:
        begin(page, address)
        go_to(page, 60)
        page.keyboard.type("j- so rhb+")
        page.wait_for_function(
            "() => document.querySelector('#log-offers .log-who')?.textContent === 'as typed'"
        )
        read = page.inner_text("#log-reading")
        assert "jab, missed" in read
        assert "slips outside" in read
        first, second = page.locator("#log-offers li").all_inner_texts()[:2]
        assert {first.split()[2], second.split()[2]} == {"Adeyemi", "Brandt"}
        page.keyboard.press("Enter")
        saved(page, 1)
    (exchange,) = library.logging.live.exchanges(1, "MK")
    assert [(a.technique, a.target, a.outcome) for a in exchange.actions] == [
        ("jab", None, "missed"), ("slip", None, None), ("hook", "body", "landed"),
    ]  # fmt: skip
    who = [a.fighter for a in exchange.actions]
    assert (who[0] != who[1], who[1] == who[2]) == (True, True)


def test_moments_are_marked_for_later_and_visited(library: Library, address: str, browser: Any) -> None:
    """Two marks; the first is visited, and what is logged there takes its place."""
    log = library.logging.live
    with new_page(browser) as page:
        begin(page, address)
        for count, frame in enumerate((50, 90), 1):
            go_to(page, frame)
            page.locator("#entry").press("!")
            saved(page, count)
        go_to(page, 30)
        page.locator("#entry").press("?")
        page.wait_for_function(
            "() => document.querySelector('[data-frame]').textContent.endsWith('frame 50')"
        )
        assert "2 are left" in page.inner_text("#log-reading")
        page.keyboard.type("jm")
        page.keyboard.press("Enter")
        page.wait_for_function("() => document.querySelectorAll('.log-line.later').length === 1")
        page.wait_for_function("() => document.querySelector('[data-saved]').textContent === 'all saved'")
    assert [(line.frame, line.action) for line in log.lines(1, "MK")] == [(50, "jab missed"), (90, "")]


def test_an_outcome_as_typed_wins_over_an_initial(address: str, browser: Any) -> None:
    """`mjb` was a jab to the body by somebody whose name begins with M, without the outcome that was typed."""
    script = """async () => {
      const { Offers } = await import('/static/log_offers.js');
      const texts = ['jab to the body', 'jab to the body missed'];
      const offers = new Offers(texts, ['', ''], ['Lu Morinaga', 'Al Diaz']);
      offers.rank({ going_on: [], opening: [[0, 0], [1, 0], [0, 1], [1, 1]], until: null }, 0);
      return offers.rows('mjb', 3).map((row) => row.action);
    }"""
    with new_page(browser) as page:
        page.goto(f"{address}/fights/1")
        assert page.evaluate(script)[0] == "jab to the body missed"
