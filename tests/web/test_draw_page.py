"""Drawing on a clip in Chromium: what the mouse drew is where it is in the reel; keys, undo, a measure."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
import pytest

from cliplib import ClipChange, Library, ReelSettings
from tests.media import footage
from tests.web import served
from tests.web.browser import needs_chromium, new_page

WIDTH, HEIGHT = footage.WIDTH, footage.HEIGHT
pytestmark = [*needs_chromium, pytest.mark.xdist_group("draw")]
SETTINGS = ReelSettings(
    size=(WIDTH, HEIGHT), rate=Fraction(25), cards=False, captions=False, preset="archive"
)
LINE = {"kind": "line", "points": [[0.3, 0.2], [0.3, 0.8]]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.kinds_library(tmp_path_factory.mktemp("draw"), ("closed gop",))


@pytest.fixture
def library(folder: Path) -> Iterator[Library]:
    library = Library(folder)
    yield library
    for kept in library.making.drawings.of(1):
        library.making.drawings.remove(1, kept.id)
    library.close()


@pytest.fixture
def page(browser: Any, folder: Path) -> Iterator[Any]:
    with served.serve(folder) as address, new_page(browser) as page:
        page.address = address
        page.goto(f"{address}/clip/1/draw")
        page.wait_for_selector("[data-drawing=ready]")
        page.wait_for_function("() => document.querySelector('.board').viewBox.baseVal.width > 0")
        yield page


def choose(page: Any, tool: str) -> None:
    page.locator(f".tools label:has([value={tool}])").click()


def drag(page: Any, start: tuple[float, float], end: tuple[float, float], done: bool = True) -> None:
    """From one place on the screen to another, both as shares of what the video shows."""
    box = page.locator(".board").bounding_box()
    (x0, y0), (x1, y1) = (
        (box["x"] + x * box["width"], box["y"] + y * box["height"]) for x, y in (start, end)
    )
    before = page.locator(".drawn-list li").count() if done else -1
    page.mouse.move(x0, y0)
    page.mouse.down()
    page.mouse.move((x0 + x1) / 2, (y0 + y1) / 2)
    page.mouse.move(x1, y1)
    page.mouse.up()
    page.wait_for_function(f"() => document.querySelectorAll('.drawn-list li').length > {before}")


def wait_until(true: Callable[[], object]) -> None:
    for _ in range(200):
        if true():
            return
        time.sleep(0.05)
    raise AssertionError("it did not come")


def lumas(library: Library, out: Path, mirror: bool) -> npt.NDArray[np.float64]:
    """Each frame of clip 1's reel, shape (frames, height, width)."""
    library.making.reel([1], out, settings=SETTINGS, changes=[ClipChange(1, mirror=mirror)])
    with av.open(str(out)) as container:
        frames = [f.to_ndarray()[: f.height] for f in container.decode(video=0)]
    return np.stack(frames).astype(float)


@pytest.mark.parametrize("mirror", [False, True], ids=["as filmed", "mirrored"])
def test_a_line_is_in_the_reel_where_the_mouse_drew_it(
    mirror: bool, page: Any, library: Library, tmp_path: Path
) -> None:
    """Drawn in what the page shows, mirrored or not, and burnt into a reel that is shown the same way."""
    if mirror:
        page.get_by_role("button", name="Mirror").click()
    page.locator("[data-new] [name=lasts]").select_option("clip")
    page.locator("[data-new] [name=colour]").select_option("#101010")
    start, end = (0.62, 0.28), (0.81, 0.9)
    drag(page, start, end)
    plain = tmp_path / "plain.mp4"
    drawn = lumas(library, tmp_path / "drawn.mp4", mirror)
    library.making.drawings.remove(1, library.making.drawings.of(1)[0].id)
    bare = lumas(library, plain, mirror)
    changed = np.abs(drawn - bare).mean(axis=0)
    changed[changed < 20] = 0
    checked = 0
    for row in range(round(start[1] * HEIGHT) + 6, round(end[1] * HEIGHT) - 6):
        if changed[row].sum() == 0:
            continue
        middle = (np.arange(WIDTH) + 0.5) @ changed[row] / changed[row].sum()
        along = ((row + 0.5) / HEIGHT - start[1]) / (end[1] - start[1])
        expected = (start[0] + along * (end[0] - start[0])) * WIDTH
        assert abs(middle - expected) < 1.5, f"row {row}"
        checked += 1
    assert checked > HEIGHT / 3


def test_every_kind_is_drawn_kept_and_shown_at_its_time(page: Any, library: Library) -> None:
    for kind in ("arrow", "circle", "box", "path"):
        choose(page, kind)
        drag(page, (0.3, 0.3), (0.4, 0.6))
    choose(page, "angle")
    drag(page, (0.2, 0.5), (0.2, 0.8), done=False)  # the first two points; the third:
    box = page.locator(".board").bounding_box()
    page.mouse.click(box["x"] + 0.35 * box["width"], box["y"] + 0.8 * box["height"])
    page.wait_for_function("() => document.querySelectorAll('.drawn-list li').length === 5")
    page.locator("[data-new] [name=text]").fill("stays <b>behind</b>")
    page.locator("[data-new] [name=lasts]").select_option("frame")
    choose(page, "text")
    page.mouse.click(box["x"] + 0.1 * box["width"], box["y"] + 0.9 * box["height"])
    page.wait_for_function("() => document.querySelectorAll('.drawn-list li').length === 6")
    kept = [one.drawing for one in library.making.drawings.of(1)]
    assert [one.kind for one in kept] == ["arrow", "circle", "box", "path", "angle", "text"]
    assert kept[5].text == "stays <b>behind</b>"
    assert kept[4].points[2] == pytest.approx((0.35, 0.8), abs=0.002)
    zero = library.finding.frames(1).times_us
    assert (kept[5].from_us, kept[5].until_us) == (zero[0], zero[1])
    assert kept[0].from_us == zero[0]
    assert kept[0].until_us == min(zero[0] + 2_000_000, zero[-1])
    page.goto(f"{page.address}/clip/1")
    page.wait_for_selector(".drawings text:has-text('stays <b>behind</b>')")
    assert page.locator(".drawings .drawn").count() == 6
    page.get_by_role("button", name="One frame forward").click()
    page.wait_for_function("() => document.querySelectorAll('.drawings .drawn').length === 5")


def test_everything_goes_by_keyboard_and_can_be_undone(page: Any, library: Library) -> None:
    page.locator("[name=tool][value=arrow]").focus()
    page.keyboard.press("Space")
    page.locator(".board").focus()
    for keys in (["ArrowLeft"] * 5, ["Enter"], ["ArrowRight"] * 3, ["ArrowUp"] * 2, ["Enter"]):
        for key in keys:
            page.keyboard.press(key)
    page.wait_for_selector(".drawn-list li")
    step = HEIGHT / 50  # pixels of the picture
    tail, head = (0.5 - 5 * step / WIDTH, 0.5), (0.5 - 2 * step / WIDTH, 0.5 - 2 * step / HEIGHT)
    (arrow,) = library.making.drawings.of(1)
    assert np.allclose(arrow.drawing.points, (tail, head), atol=1e-6)
    page.locator(".pick-drawing").focus()
    page.keyboard.press("Enter")
    page.locator(".board").focus()
    for key in ("Enter", "Enter", "ArrowDown", "Shift+ArrowDown"):  # the head, one step and one pixel
        page.keyboard.press(key)
    page.wait_for_timeout(900)
    moved = library.making.drawings.of(1)[0].drawing.points
    assert np.allclose(moved, (tail, (head[0], head[1] + (step + 1) / HEIGHT)), atol=1e-6)
    page.keyboard.press("Control+z")
    page.wait_for_selector("[data-redo]:enabled")
    assert library.making.drawings.of(1) == (arrow,)
    page.locator(".board").focus()
    page.keyboard.press("Delete")
    page.wait_for_selector(".drawn-list li", state="detached")
    assert library.making.drawings.of(1) == ()
    page.keyboard.press("Control+z")
    page.wait_for_selector(".drawn-list li")
    assert library.making.drawings.of(1) == (arrow,)
    page.keyboard.press("Control+Shift+Z")
    page.wait_for_selector(".drawn-list li", state="detached")


def test_a_point_is_taken_back_and_a_text_needs_words(page: Any, library: Library) -> None:
    choose(page, "line")
    page.locator(".board").focus()
    for key in (
        "Enter",
        *["ArrowRight"] * 5,
        "Backspace",
        "Enter",
        "ArrowDown",
        "Escape",
        "Enter",
        "ArrowUp",
        "Enter",
    ):
        page.keyboard.press(key)
    page.wait_for_selector(".drawn-list li")
    (line,) = library.making.drawings.of(1)
    here = 0.5 + 5 * (HEIGHT / 50) / WIDTH
    assert np.allclose(line.drawing.points, ((here, 0.5 + 1 / 50), (here, 0.5)), atol=1e-6)
    choose(page, "text")
    page.locator(".board").focus()
    page.keyboard.press("Enter")
    assert "A text needs words" in page.inner_text("[data-how]")


def _drawn_freely(page: Any, board: Any, points: list[tuple[float, float]]) -> None:
    choose(page, "path")
    for number, (x, y) in enumerate(points):
        page.mouse.move(board["x"] + x * board["width"], board["y"] + y * board["height"])
        if number == 0:
            page.mouse.down()
    page.mouse.up()
    page.wait_for_selector(".drawn-list li")


def test_points_of_a_path_are_moved_singly(page: Any, library: Library) -> None:
    """By mouse and by keys; a hand's line with a corner keeps its corner and no point in between."""
    board = page.locator(".board").bounding_box()
    way = [(0.2 + 0.3 * k / 30, 0.3) for k in range(31)] + [(0.5, 0.3 + 0.4 * k / 30) for k in range(1, 31)]
    _drawn_freely(page, board, way)
    corner = ((0.2, 0.3), (0.5, 0.3), (0.5, 0.7))
    (path,) = library.making.drawings.of(1)
    assert np.allclose(path.drawing.points, corner, atol=0.004)
    start = path.drawing.points
    page.locator(".pick-drawing").click()
    assert page.locator(".board .handle").count() == 3
    page.mouse.move(board["x"] + 0.5 * board["width"], board["y"] + 0.3 * board["height"])
    page.mouse.down()
    page.mouse.move(board["x"] + 0.6 * board["width"], board["y"] + 0.25 * board["height"])
    page.mouse.move(board["x"] + 0.7 * board["width"], board["y"] + 0.2 * board["height"])
    page.mouse.up()
    page.wait_for_selector("[data-undo]:enabled")
    page.wait_for_function("() => !document.querySelector('[data-problem]:not([hidden])')")
    wanted = (start[0], (start[1][0] + 0.2, start[1][1] - 0.1), start[2])
    wait_until(lambda: np.allclose(library.making.drawings.of(1)[0].drawing.points, wanted, atol=0.004))
    page.locator(".board").focus()
    page.keyboard.press("Enter")  # from the corner to the end
    assert "point 3 of 3" in page.locator("[data-how]").inner_text()
    page.keyboard.press("Shift+ArrowLeft")
    now = library.making.drawings.of(1)[0].drawing.points
    wanted = (*now[:2], (start[2][0] - 1 / WIDTH, start[2][1]))
    wait_until(
        lambda: np.allclose(library.making.drawings.of(1)[0].drawing.points, wanted, rtol=0, atol=1e-6)
    )
    page.keyboard.press("Shift+Enter")
    page.keyboard.press("Shift+Enter")
    assert "point 1 of 3" in page.locator("[data-how]").inner_text()


def test_a_finger_bends_a_path_at_one_place(browser: Any, folder: Path, library: Library) -> None:
    """Of a curve of many points the one under the finger goes all the way, those beside it less, the ends
    stay: it bends and does not break."""
    curve = [[0.2 + 0.6 * k / 200, 0.5 + 0.2 * float(np.sin(k / 200 * np.pi))] for k in range(201)]
    library.making.drawings.add(1, {"kind": "path", "points": curve})
    phone = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
    with served.serve(folder) as address, new_page(browser, **phone) as page:
        page.goto(f"{address}/clip/1/draw")
        page.wait_for_selector("[data-drawing=ready]")
        page.locator(".pick-drawing").tap()
        board = page.locator(".board").bounding_box()
        page.locator(".board").scroll_into_view_if_needed()
        board = page.locator(".board").bounding_box()
        x, y = board["x"] + 0.5 * board["width"], board["y"] + 0.7 * board["height"]
        touch = page.context.new_cdp_session(page)
        for kind, below in (("touchStart", 0), ("touchMove", 10), ("touchMove", 20), ("touchEnd", None)):
            at = [] if below is None else [{"x": x, "y": y + below}]
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})
        page.wait_for_selector("[data-undo]:enabled")
        wait_until(lambda: library.making.drawings.of(1)[0].drawing.points != tuple(map(tuple, curve)))
        by = 20 / board["height"]
    moved = np.array(library.making.drawings.of(1)[0].drawing.points) - curve
    assert np.abs(moved[:, 0]).max() < 1e-9
    assert moved[:, 1].max() == pytest.approx(by, rel=0.02)
    assert 90 < moved[:, 1].argmax() < 110
    assert np.count_nonzero(moved[:, 1]) < 70
    assert np.abs(np.diff(moved[:, 1])).max() < by / 4


def test_a_finger_places_points_one_by_one(browser: Any, folder: Path, library: Library) -> None:
    phone = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
    with served.serve(folder) as address, new_page(browser, **phone) as page:
        page.goto(f"{address}/clip/1/draw")
        page.wait_for_selector("[data-drawing=ready]")
        choose(page, "angle")
        box = page.locator(".board").bounding_box()
        points = ((0.25, 0.25), (0.5, 0.75), (0.75, 0.25))
        for x, y in points:
            page.touchscreen.tap(box["x"] + x * box["width"], box["y"] + y * box["height"])
        page.wait_for_selector(".drawn-list li")
    (angle,) = library.making.drawings.of(1)
    assert np.allclose(angle.drawing.points, points, atol=0.5 / 390 + 0.001)


def test_two_lines_and_a_stance_give_a_share(page: Any, library: Library) -> None:
    """0.2 of the picture's width apart, by a stance of 0.4 of it: half a stance."""
    for points in ((0.3, 0.2), (0.3, 0.8)), ((0.5, 0.1), (0.5, 0.9)), ((0.2, 0.9), (0.6, 0.9)):
        drag(page, *points)
    page.wait_for_selector("[data-measure]:visible")
    page.wait_for_function(
        "() => document.querySelector('[data-measure] [data-share]').textContent.startsWith('0.50 ')"
    )
    assert "not metres" in page.locator("[data-measure]").inner_text()


def test_a_drawing_that_somebody_removed_meanwhile_is_said(browser: Any, folder: Path) -> None:
    library = Library(folder)
    kept = library.making.drawings.add(1, LINE)
    with served.serve(folder) as address, new_page(browser, allow="404") as page:
        page.goto(f"{address}/clip/1/draw")
        page.wait_for_selector(".drawn-list li")
        library.making.drawings.remove(1, kept.id)
        page.locator(".away-one").click()
        page.get_by_role("alert").wait_for()
        assert "no drawing" in page.get_by_role("alert").inner_text()
        page.wait_for_selector(".drawn-list li", state="detached")
    library.close()


def test_what_does_not_come_or_go_is_said(browser: Any, folder: Path, library: Library) -> None:
    """The network goes before the page is there, then in the middle of drawing; when it is back, one goes on."""
    failed = "Failed to load resource"
    with served.serve(folder) as address, new_page(browser, allow=failed) as page:
        page.route("**/drawings.json", lambda asked: asked.abort())
        page.goto(f"{address}/clip/1/draw")
        page.get_by_role("alert").filter(has_text="What is drawn here did not come").wait_for()
        page.unroute("**/drawings.json")
        page.reload()
        page.wait_for_selector("[data-drawing=ready]")
        page.context.set_offline(True)
        drag(page, (0.3, 0.3), (0.4, 0.6), done=False)
        page.get_by_role("alert").filter(has_text="The library cannot be reached").wait_for()
        page.context.set_offline(False)
        drag(page, (0.3, 0.3), (0.4, 0.6))
        assert page.get_by_role("alert").is_hidden()
    assert len(library.making.drawings.of(1)) == 1
