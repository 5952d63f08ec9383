"""The right frames in Firefox, too: first picture, steps, repeat, the next result, two beside each other, logging."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from cliplib import ClipRow, Library
from tests.web import served
from tests.web.firefox import Firefox, firefox, needs_firefox
from tests.web.test_pages_clip import READ
from tests.web.test_show_page import step_frame

pytestmark = [*needs_firefox, pytest.mark.xdist_group("firefox"), pytest.mark.timeout(240)]

PAGE_DOWN, RIGHT, END = "\ue00f", "\ue014", "\ue010"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.busy_library(tmp_path_factory.mktemp("firefox"))


@pytest.fixture(scope="module")
def clips(folder: Path) -> list[ClipRow]:
    return list(Library(folder).finding.find("counter", limit=30).clips)


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served.serve(folder) as address:
        yield address


@pytest.fixture(scope="module")
def fox() -> Iterator[Firefox]:
    with firefox() as fox:
        yield fox


def seen(fox: Firefox, video: str) -> int:
    """The frame number that is burnt into the picture on screen."""
    found = f"document.querySelector({video!r})"
    fox.until(f"{found}?.readyState >= 2 && !{found}.seeking && {found}.currentTime > 0")
    return int(fox.run(f"await new Promise((done) => setTimeout(done, 250)); return ({READ})({found});"))


def test_a_clip_opens_on_its_first_frame_steps_and_repeats(
    fox: Firefox, address: str, clips: list[ClipRow]
) -> None:
    one = clips[4]
    assert one.start_frame is not None
    fox.open(f"{address}/clip/{one.id}?q=counter&at=4")
    fox.until("document.querySelector('.stage[data-ready]')")
    assert seen(fox, "video.player") == one.start_frame
    for _ in range(3):
        fox.press(RIGHT)
    assert seen(fox, "video.player") == one.start_frame + 3
    # From here until five frames on, again and again: what is painted stays within.
    fox.press("a")
    for _ in range(5):
        fox.press(RIGHT)
    fox.press("b")
    fox.press(" ")
    fox.until("!document.querySelector('video.player').paused")
    look = f"await new Promise((d) => setTimeout(d, 90)); return ({READ})(document.querySelector('video'));"
    painted = [fox.run(look) for _ in range(16)]
    frames = [frame for frame in painted if frame is not None]  # none while it seeks
    fox.press(" ")
    assert len(frames) >= 8
    assert min(frames) >= one.start_frame + 3, frames
    assert max(frames) <= one.start_frame + 3 + 5 + 2, (
        frames
    )  # a browser may paint one or two before it seeks


def test_shown_one_after_the_other_each_opens_on_its_first_frame(
    fox: Firefox, address: str, clips: list[ClipRow]
) -> None:
    fox.open(f"{address}/show/?q=counter")
    fox.until("document.querySelector('.show[data-begun]')")
    fox.press(RIGHT)  # a step stops it
    for place in (1, 2):
        fox.press(PAGE_DOWN)
        fox.until(f"document.querySelector('[data-place]').textContent === '{place + 1}'")
        assert seen(fox, ".show-film.on video") == clips[place].start_frame


def test_two_are_in_step(fox: Firefox, address: str, clips: list[ClipRow]) -> None:
    one, two = clips[3], clips[8]
    fox.open(f"{address}/beside/?q=counter&of={one.id},{two.id}")
    fox.until("document.querySelector('.show[data-begun]')")
    sides = ("[data-side=first] video", "[data-side=second] video")
    assert [seen(fox, side) for side in sides] == [step_frame(one), step_frame(two)]
    fox.press(RIGHT)
    fox.press(RIGHT)
    assert [seen(fox, side) for side in sides] == [step_frame(one) + 2, step_frame(two) + 2]


def test_the_frame_logged_is_the_frame_shown(fox: Firefox, address: str, folder: Path) -> None:
    fox.open(f"{address}/fights/1/log")
    # The name is asked for once; a second try finds it kept.
    fox.run(
        "const f = document.querySelector('.log-name');"
        "if (f) { f.elements.by.value = 'MK'; f.submit(); } return 1;"
    )
    fox.until("document.querySelector('.logging[data-begun]')")
    fox.until("document.querySelector('video').readyState >= 2 && !document.querySelector('video').seeking")
    fox.run("document.querySelector('#entry').focus(); return 1;")
    for _ in range(4):
        before = fox.run("return document.querySelector('[data-frame]').textContent;")
        fox.press(RIGHT)
        fox.until(f"document.querySelector('[data-frame]').textContent !== {json.dumps(before)}")
    frame, lines = seen(fox, "video"), int(fox.run("return document.querySelectorAll('.log-line').length;"))
    for key in "jm":
        fox.press(key)
    fox.press("\ue007")
    fox.until(f"document.querySelectorAll('.log-line').length === {lines + 1}")
    assert Library(folder).logging.live.lines(1, "MK")[-1].frame == frame
