"""Talking over the film in Chromium: the take is what was seen and said, and nothing that was stored is lost."""

from __future__ import annotations

import contextlib
import itertools
import json
import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.base import AXE_FILE_PATH

from cliplib import Library
from tests.breakdowns import sessions
from tests.media import footage
from tests.web import served, talking
from tests.web.browser import CHROMIUM, FLAGS, SPOKEN, chromium, needs_chromium, new_page

pytestmark = [*needs_chromium, pytest.mark.xdist_group("talk")]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    return talking.made_library(tmp_path_factory.mktemp("talk"), points=5)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with chromium(*talking.flags(tmp_path_factory.mktemp("microphone"))) as browser:
        yield browser


@pytest.fixture(scope="module")
def address(made: tuple[Path, str]) -> Iterator[str]:
    with served.serve(made[0]) as address:
        yield address


@pytest.fixture(scope="module")
def pair(made: tuple[Path, str]) -> str:
    """A breakdown whose first shot is two clips at once, the other two are one clip each."""
    text = "# Two at once\n\n## Both\n\nLook.\n\n- [both](beside:1,2)\n- [one](clip:1)\n- [two](clip:3)\n"
    return Library(made[0]).making.breakdowns.put(None, text)


@pytest.fixture(autouse=True)
def no_takes(made: tuple[Path, str]) -> None:
    """Also when a test is tried once more."""
    for n in range(1, 6):
        for take in takes_of(made, f"point-{n}").all():
            takes_of(made, f"point-{n}").remove(take.name)


def takes_of(made: tuple[Path, str], key: str) -> Any:
    return Library(made[0]).making.breakdowns.takes(made[1], key)


def test_a_take_is_what_was_seen_and_said(browser: Any, address: str, made: tuple[Path, str]) -> None:
    """Film plays, stops, steps, slows, is scrubbed and drawn on; the film that is built shows at 200 moments
    the frame that was on the picture, at most one of its own frames off, and no click is further off than EBU
    R 37 allows (sound 40 ms early to 60 ms late, as tabled beside ITU-R BT.1359)."""
    place, name = made
    rng = random.Random(4)
    with new_page(browser) as page:
        talker = talking.Talker(page, address, name)
        talker.record()
        talker.play(1.2)
        talker.key("ArrowRight", 4, 0.12)
        talker.play(1.0, "0.25")
        talker.scrub(rng, 12)
        talker.press("[data-sentence='1']")
        talker.arrow()
        time.sleep(0.4)
        talker.key("n")
        page.wait_for_selector(".talk[data-shown='1']")
        talker.play(1.5)
        talker.shot(2)
        talker.play(1.0, "0.5")
        talker.end()
        painted, clicks = talker.truth()
    library = Library(place)
    report = library.making.breakdowns.build(name)
    take = library.making.breakdowns.takes(name, "point-1").chosen()
    assert take is not None
    assert [number for _, number in take.taps] == [1]
    assert any(sample.drawings for sample in take.samples)
    assert {sample.shot for sample in take.samples} == {0, 1, 2}
    assert not [note for note in report.notes if "lost" in note]
    frames = -(-take.us * 25 // 1_000_000)
    very, wrong = talking.in_step(footage.numbers(report.out)[:frames], painted, take.us, rng)
    assert not wrong, wrong[:5]
    assert very >= 150
    heard = [at for at in sessions.onsets(report.out) if at < take.us / 1e6 - 0.1]
    said = [at for at in clicks if 0.1 < at < take.us / 1e6 - 0.1]
    heard = [at for at in heard if at > 0.1]
    assert len(heard) == len(said) >= 5
    assert all(-0.040 <= h - s <= 0.060 for h, s in zip(heard, said, strict=True)), (heard, said)


def test_it_breaks_off_goes_on_and_is_played_back(browser: Any, address: str, made: tuple[Path, str]) -> None:
    """The tab goes in the middle of a recording: what was acknowledged is there, and the take goes on from its
    end, or again from any moment. It is heard and seen without rendering."""
    name = made[1]
    with new_page(browser) as page:
        talker = talking.Talker(page, address, name, "point-2")
        acknowledged: list[int] = []
        page.on("response", lambda answer: "/sound?" in answer.url and acknowledged.append(answer.status))
        talker.record()
        talker.play(1.5)
        page.wait_for_function(
            "() => /Stored up to 0:(0[2-9]|[1-5])/.test(document.querySelector('[data-record-said]').textContent)"
        )
        page.close()
    takes = takes_of(made, "point-2")
    (broken,) = takes.all()
    stored = takes.take(broken.name).recordings[0]
    assert len(stored.pieces) >= acknowledged.count(200) >= 2
    assert not stored.ended
    with new_page(browser) as page:
        talker = talking.Talker(page, address, name, "point-2")
        talker.press("[data-open='1']")
        page.wait_for_selector("[data-heard]:not([hidden])")
        assert "broke off" in page.inner_text("[data-heard-notes]")
        page.locator("[data-heard-seek]").focus()
        page.keyboard.press("End")
        assert page.inner_text("[data-again]") == "Go on from the end"
        talker.press("[data-again]")
        page.wait_for_selector(".talk[data-state=recording]")
        talker.shot(1)
        talker.play(0.8)
        talker.end()
        take = takes.take("1")
        assert [one.begins for one in take.recordings] == [0, stored.length]
        assert take.us > stored.length + 1_000_000
        page.locator("[data-heard-seek]").focus()
        page.keyboard.press("Home")
        talker.press("[data-heard-play]")
        seen = []
        for _ in range(12):
            time.sleep(0.2)
            seen.append(page.evaluate(
                "() => [document.querySelector('[data-heard-seek]').valueAsNumber,"
                " Number(document.querySelector('[data-frame]').textContent),"
                " Number(document.querySelector('[data-shot][aria-current]').dataset.shot)]"
            ))  # fmt: skip
        page.wait_for_function(
            "() => document.querySelector('[data-heard-play]').textContent === 'Play the take'"
        )
        assert page.get_attribute("[data-shot][aria-current]", "data-shot") == "1"
    moved = [at for at, _, _ in seen]
    assert moved == sorted(moved)
    assert moved[-1] > 1500
    close = 0
    for ms, frame, shot in seen:
        samples = [one for one in take.samples if abs(one.t / 1000 - ms) < 350 and one.shot == shot]
        close += any(abs(one.frame - frame) <= 9 for one in samples)
    assert close >= 9, (seen, take.samples)


def test_the_network_goes_and_comes_back(browser: Any, address: str, made: tuple[Path, str]) -> None:
    with new_page(browser, allow="ERR_INTERNET_DISCONNECTED") as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        talker.record()
        time.sleep(1.3)
        page.context.set_offline(True)
        page.wait_for_function(
            "() => /cannot be reached/.test(document.querySelector('[data-record-said]').textContent)"
        )
        assert "The recording goes on" in page.inner_text("[data-record-said]")
        time.sleep(1.5)
        page.context.set_offline(False)
        page.wait_for_function(
            "() => /Stored up to/.test(document.querySelector('[data-record-said]').textContent)"
        )
        talker.end()
    take = takes_of(made, "point-3").chosen()
    clocks = [piece.clock for piece in take.recordings[0].pieces]
    assert len(clocks) >= 3
    assert clocks == sorted(clocks)
    assert max(b - a for a, b in itertools.pairwise(clocks)) < 1_700_000, "none is missing"


def test_what_the_library_refuses_is_saved_as_files(
    browser: Any, address: str, made: tuple[Path, str], tmp_path: Path
) -> None:
    """Two recordings wait for the network; when it is back the library refuses the sound of the first. The page
    stops recording, keeps the sound of both, gives a file of each, and can record anew."""
    with new_page(browser, allow="Failed to load resource") as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        sound = "**/recordings/*/sound?*"
        page.route(sound, lambda asked: asked.abort())
        talker.record()
        page.wait_for_timeout(1300)
        talker.press("[data-record]")
        page.wait_for_selector(".talk[data-state=paused]")
        talker.press("[data-record]")
        page.wait_for_selector(".talk[data-state=recording]")
        page.wait_for_timeout(1300)
        page.unroute(sound)
        refusal = {"status": 400, "json": {"message": "That is no sound."}}
        page.route(sound, lambda asked: asked.fulfill(**refusal))
        page.wait_for_selector("[data-save]:not([hidden])")
        page.wait_for_selector(".talk[data-state=idle]")
        assert "That is no sound." in page.inner_text("[data-problem]")
        assert "Stored up to" not in page.inner_text("[data-record-said]")
        talker.press("[data-record]")
        assert page.get_attribute(".talk", "data-state") == "idle", "its sound first"
        came: list[Any] = []
        page.on("download", lambda file: came.append(file))
        talker.press("[data-save-sound]")
        for _ in range(50):
            if len(came) == 2:
                break
            page.wait_for_timeout(100)
        assert [one.suggested_filename for one in came] == ["take-1-part-1.webm", "take-1-part-2.webm"]
        for number, one in enumerate(came):
            one.save_as(tmp_path / str(number))
            saved = (tmp_path / str(number)).read_bytes()
            assert saved[:4] == b"\x1a\x45\xdf\xa3", "a WebM file begins so (RFC 8794, EBML header)"
            assert len(saved) > 3000
        assert page.locator("[data-problem]").is_hidden()
        assert "2 files" in page.inner_text("[data-record-said]")
        page.unroute(sound)
        talker.record()
        assert page.locator("[data-save]").is_hidden()
        page.wait_for_timeout(500)
        talker.end()
    assert takes_of(made, "point-3").take("2").us > 400_000


def test_the_microphone_is_pulled_out(browser: Any, address: str, made: tuple[Path, str]) -> None:
    with new_page(browser) as page:
        talker = talking.Talker(page, address, made[1], "point-4")
        talker.record()
        time.sleep(1.2)
        page.evaluate("() => { track.stop(); track.dispatchEvent(new Event('ended')); }")
        page.wait_for_selector(".talk[data-state=paused]")
        assert "pulled out" in page.inner_text("[data-problem]")
        talker.press("[data-record]")
        page.wait_for_selector(".talk[data-state=recording]")
        time.sleep(0.5)
        talker.end()
    take = takes_of(made, "point-4").chosen()
    assert len(take.recordings) == 2
    assert take.recordings[1].begins == take.recordings[0].length >= 1_000_000


def test_the_machine_slept(browser: Any, address: str, made: tuple[Path, str]) -> None:
    """The clock jumps by an hour: the recording ends where that began."""
    with new_page(browser) as page:
        talker = talking.Talker(page, address, made[1], "point-4")
        talker.record()
        time.sleep(0.8)
        page.evaluate("() => { const now = Date.now; Date.now = () => now() + 3_600_000; }")
        page.wait_for_selector(".talk[data-state=paused]")
        assert "slept" in page.inner_text("[data-problem]")
        talker.end()
    take = takes_of(made, "point-4").take("1")
    assert 500_000 < take.us < 10_000_000


def test_refused_and_everything_by_keys(browser: Any, address: str, made: tuple[Path, str]) -> None:
    """Nobody may use the microphone here: it is said what to do, and no take is begun. Then by keys alone."""
    plain = browser.browser_type.launch(executable_path=str(CHROMIUM), args=FLAGS)
    with contextlib.closing(plain), new_page(plain) as page:
        page.goto(f"{address}/breakdowns/{made[1]}/points/point-5/talk")
        page.wait_for_selector(".talk[data-ready=yes][data-shown='0']")
        page.locator("[data-record]").focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("[data-problem]:not([hidden])")
        assert page.get_attribute(".talk", "data-state") == "idle"
        assert not takes_of(made, "point-5").all()
        page.evaluate(AXE_FILE_PATH.read_text(encoding="utf-8"))
        for width in (1280, 390):
            page.set_viewport_size({"width": width, "height": 900})
            found = page.evaluate(
                "(rules) => axe.run(document, { runOnly: rules }).then((r) => r.violations.map("
                "(v) => v.id + ': ' + v.nodes[0].html))", RULES,
            )  # fmt: skip
            assert not found, (width, found)
            assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        page.locator("[data-do=play]").focus()
        page.keyboard.press("n")
        page.wait_for_selector(".talk[data-shown='1']")
        page.keyboard.press("m")
        page.wait_for_selector("video.mirrored")
        page.locator("[data-tool=arrow]").focus()
        page.keyboard.press("Enter")
        page.locator(".board").first.focus()
        page.keyboard.press("Enter")
        for _ in range(6):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        page.wait_for_selector(".board .drawn .ink")
        page.locator("[data-do=play]").focus()
        page.keyboard.press("c")
        page.wait_for_selector("[data-clear][disabled]")


def test_a_chart_is_a_shot_of_a_take(browser: Any, address: str, made: tuple[Path, str]) -> None:
    with new_page(browser) as page:
        talker = talking.Talker(page, address, made[1], "point-5")
        talker.record()
        chart = page.locator("[data-shot]").count() - 1
        talker.press(f"[data-shot='{chart}']")
        page.wait_for_selector("[data-still]:not([hidden])")
        talker.key(" ")
        assert page.evaluate("() => document.querySelector('video').paused"), "nothing is played behind it"
        time.sleep(1)
        talker.end()
    take = takes_of(made, "point-5").chosen()
    assert take.stills == {chart: "picture:next?phrase=jab"}
    assert take.samples[-1].shot == chart
    read = json.loads(
        (made[0] / "breakdowns" / made[1] / "takes" / "point-5" / "1" / "take.json").read_text()
    )
    assert read["shots"][chart] == []


def test_the_second_of_two_clips_rests_when_one_is_shown(
    browser: Any, address: str, made: tuple[Path, str], pair: str
) -> None:
    """It is neither played nor followed, and writes nothing into the recording: a single clip that stands still
    is one line, as it is where there never was a second."""
    with new_page(browser) as page:
        talker = talking.Talker(page, address, pair, "both")
        talker.play(0.5)
        page.keyboard.press(" ")
        page.wait_for_function("() => !document.querySelector('.second video').paused")
        page.keyboard.press("n")
        page.wait_for_selector(".talk[data-shown='1']")
        assert page.evaluate("() => document.querySelector('.second video').paused")
        talker.record()
        talker.key("ArrowRight", 6, 0.15)
        talker.end()
        page.evaluate(
            "() => { window.moved = 0; const twin = document.querySelector('.second video');"
            " for (const sign of ['play', 'seeking']) twin.addEventListener(sign, () => { moved += 1; }); }"
        )
        talker.play(0.4)
        assert page.evaluate("() => moved") == 0
    lines = (made[0] / "breakdowns" / pair / "takes/both/1/0/picture.jsonl").read_text().splitlines()
    assert len(lines) <= 1 + 6 + 1, "the first, one for each step, and one at the end"


def test_frames_that_did_not_come_are_asked_for_anew(browser: Any, address: str, pair: str) -> None:
    with new_page(browser, allow="ERR_FAILED") as page:
        talker = talking.Talker(page, address, pair, "both")
        page.route("**/clip/3/frames*", lambda asked: asked.abort())
        talker.press("[data-shot='2']")
        page.wait_for_selector("[data-problem]:not([hidden])")
        page.unroute("**/clip/3/frames*")
        talker.shot(1)
        talker.press("[data-shot='2']")
        page.wait_for_function("() => document.querySelector('[data-frame]').textContent !== ''")
        page.wait_for_function("() => document.querySelector('.talk').dataset.shown === '2'")
        assert page.evaluate("() => document.querySelector('.seek').ariaLabel") == "Frame of shot 3"


def test_of_two_takes_the_last_one_asked_for_is_opened(
    browser: Any, address: str, made: tuple[Path, str]
) -> None:
    """Though the first answers later; and one that does not come is said."""
    with new_page(browser, allow="Failed to load resource") as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        for _ in range(2):
            talker.record()
            page.wait_for_timeout(300)
            talker.end()
        page.wait_for_selector("[data-open='2'][aria-pressed=true]")
        late: list[Any] = []
        page.route("**/takes/1", lambda asked: late.append(asked))
        talker.press("[data-open='1']")
        page.wait_for_timeout(100)
        talker.press("[data-open='2']")
        page.wait_for_timeout(300)
        page.unroute("**/takes/1")  # lets it go on
        page.wait_for_timeout(300)
        assert page.inner_text("[data-heard-name]") == "Take 2"
        assert page.get_attribute("[data-open='1']", "aria-pressed") != "true"
        gone = {"status": 404, "json": {"message": "There is no recording 0."}}
        page.route("**/takes/1/recordings/0/picture", lambda asked: asked.fulfill(**gone))
        talker.press("[data-open='1']")
        page.wait_for_selector("[data-problem]:not([hidden])")
        assert page.inner_text("[data-problem]") == "There is no recording 0."
        assert page.inner_text("[data-heard-name]") == "Take 2"


def test_other_pages_keep_their_speed(browser: Any, address: str, made: tuple[Path, str]) -> None:
    """A take that was spoken over slow film is played back; the next clip plays as clips did before."""
    with new_page(browser) as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        talker.record()
        talker.play(0.6, "0.25")
        talker.end()
        talker.press("[data-speed='1']")
        talker.press("[data-heard-play]")
        page.wait_for_function("() => document.querySelector('video').playbackRate === 0.25")
        page.goto(f"{address}/clip/1")
        page.wait_for_selector(".stage[data-ready]")
        assert page.evaluate("() => document.querySelector('video.player').playbackRate") == 1


def test_a_screen_reader_is_told_of_changes_and_not_of_each_second(
    browser: Any, address: str, made: tuple[Path, str]
) -> None:
    with new_page(browser) as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        talker.record()
        stored = "/Stored up to 0:0[1-9]/.test(document.querySelector('[data-record-said]').textContent)"
        page.wait_for_function(f"() => {stored}")
        page.evaluate(SPOKEN)
        page.keyboard.press(" ")
        page.wait_for_timeout(1500)
        assert page.evaluate("() => spoken") == 0, "while somebody talks"
        talker.end()
        page.wait_for_selector("[data-heard]:not([hidden])")
        page.evaluate(SPOKEN)
        talker.press("[data-heard-play]")
        page.wait_for_timeout(1000)
        assert page.evaluate("() => spoken") <= 1, "the speed of the film, once"


def test_the_keys_are_the_film_s_when_a_recording_begins(
    browser: Any, address: str, made: tuple[Path, str]
) -> None:
    """Record is pressed, then Space, N, P and T, with nothing pressed between; also from a button beside."""
    with new_page(browser) as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        talker.record()
        page.keyboard.press(" ")
        page.wait_for_function("() => !document.querySelector('video').paused")
        page.keyboard.press(" ")
        page.wait_for_function("() => document.querySelector('video').paused")
        assert page.get_attribute(".talk", "data-state") == "recording"
        page.keyboard.press("n")
        page.wait_for_selector(".talk[data-shown='1']")
        page.locator("[data-sentence='2']").focus()
        page.keyboard.press("t")
        page.wait_for_selector("[data-sentence='0'][aria-current]")
        page.keyboard.press("p")
        page.wait_for_selector(".talk[data-shown='0']")
        page.locator("[data-words]").focus()
        page.keyboard.type("not tnp")
        assert page.input_value("[data-words]") == "not tnp"
        assert page.get_attribute(".talk", "data-shown") == "0"
        talker.end()


def test_a_sound_that_does_not_come_is_said(browser: Any, address: str, made: tuple[Path, str]) -> None:
    with new_page(browser, allow="Failed to load resource") as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        page.route("**/recordings/0/sound", lambda asked: asked.abort())
        talker.record()
        page.wait_for_timeout(400)
        talker.end()
        page.get_by_text("The sound of this take did not come").wait_for()
        talker.press("[data-heard-play]")
        page.wait_for_function("() => document.querySelector('[data-heard-seek]').valueAsNumber > 100")


def test_a_take_is_thrown_away_in_two_presses(browser: Any, address: str, made: tuple[Path, str]) -> None:
    with new_page(browser) as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        talker.record()
        page.wait_for_timeout(400)
        talker.end()
        number = takes_of(made, "point-3").all()[-1].name
        page.get_by_text(f"Throw away take {number}").click()
        page.get_by_role("button", name=f"Yes, throw take {number} away for good").click()
        page.wait_for_selector(f"[data-open='{number}']", state="detached")
        assert page.locator("[data-heard]").is_hidden(), "it was the one that was open"
    assert number not in [one.name for one in takes_of(made, "point-3").all()]


def test_a_point_of_a_drawing_is_taken_back(browser: Any, address: str, made: tuple[Path, str]) -> None:
    """By Backspace, as on the page for drawing: the line goes from the second place that was chosen."""
    with new_page(browser) as page:
        talking.Talker(page, address, made[1], "point-3")
        page.locator("[data-tool=line]").click()
        page.locator(".board").first.focus()
        for key in (
            *["ArrowLeft"] * 5,
            "Enter",
            "Backspace",
            *["ArrowRight"] * 4,
            "Enter",
            "ArrowDown",
            "Enter",
        ):
            page.keyboard.press(key)
        page.wait_for_selector(".board .drawn .ink", state="attached")
        way = page.locator(".board .drawn .ink").first.get_attribute("d")
    (x0, y0), (x1, y1) = (map(float, spot.split()) for spot in way.removeprefix("M").split("L"))
    step = footage.HEIGHT / 50
    assert (x0, y0) == pytest.approx((footage.WIDTH / 2 - step, footage.HEIGHT / 2), abs=0.02)
    assert (x1, y1) == pytest.approx((x0, y0 + step), abs=0.02)


@pytest.mark.parametrize("width", [1280, 390])
def test_it_opens_at_its_head(browser: Any, address: str, made: tuple[Path, str], width: int) -> None:
    with new_page(browser, viewport={"width": width, "height": 600}) as page:
        talker = talking.Talker(page, address, made[1], "point-3")
        assert page.evaluate("() => scrollY") == 0
        talker.key("n", 3, 0.2)
        page.wait_for_selector(".talk[data-shown='3']")
        row, button = (page.locator(what).bounding_box() for what in ("[data-shots]", "[data-shot='3']"))
        assert row["x"] - 1 <= button["x"]
        assert button["x"] + button["width"] <= row["x"] + row["width"] + 1
