"""Fights and reels in a real browser: lanes, counts, ordering, trimming, making again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library
from tests.media import footage
from tests.web import served
from tests.web.browser import needs_chromium

pytestmark = [*needs_chromium, pytest.mark.xdist_group("pages")]


@pytest.fixture(scope="module")
def library() -> Path:
    return served.demo_library()


@pytest.fixture(scope="module")
def kinds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.kinds_library(tmp_path_factory.mktemp("reels"), ("closed gop", "ntsc"))


@pytest.fixture(scope="module")
def address(library: Path) -> Iterator[str]:
    with served.serve(library) as address:
        yield address


@pytest.fixture(scope="module")
def kinds_address(kinds: Path) -> Iterator[str]:
    with served.serve(kinds) as address:
        yield address


def test_every_exchange_is_in_its_lane(page: Any, address: str, library: Path) -> None:
    page.goto(f"{address}/fights/")
    page.get_by_role("link", name="Velankar v Vâlcan").click()
    lanes = page.locator(".lane")
    assert lanes.count() == 2
    # By the log: the bells at 0:01 and 0:13, rounds of 9 seconds; exchanges at 2.6, 5.6, 14.0 and 17.2.
    for lane, wanted in ((0, [(2.6 - 1) / 9, (5.6 - 1) / 9]), (1, [(14.0 - 13) / 9, (17.2 - 13) / 9])):
        found = lanes.nth(lane).locator(".stretch").evaluate_all("(all) => all.map(r => r.getAttribute('x'))")
        assert [float(x.rstrip("%")) for x in found] == pytest.approx([100 * w for w in wanted], abs=0.01)
    marks = lanes.nth(1).locator(".lane-picture .marks use")
    shapes = marks.evaluate_all(
        "(all) => all.sort((a, b) => parseFloat(a.getAttribute('x')) - parseFloat(b.getAttribute('x')))"
        ".map(m => m.getAttribute('href'))"
    )
    assert shapes == ["#o-missed", "#o-blocked", "#o-unknown", "#o-knockdown"]
    sizes = marks.evaluate_all("(all) => all.map(m => m.getBoundingClientRect().width)")
    assert all(3 <= size <= 16 for size in sizes), sizes
    lanes.nth(0).locator("a:has(.stretch)").nth(1).click(position={"x": 3, "y": 3})
    page.wait_for_url("**/clip/*")
    assert "Vâlcan jab" in page.inner_text(".side")


def test_a_count_leads_to_its_exchanges(page: Any, address: str, library: Path) -> None:
    fight = Library(library).finding.fights()[0]
    page.goto(f"{address}/fights/{fight.id}")
    table = page.get_by_label("Counts of Ishaan Velankar").get_by_role("table")
    assert [row.split() for row in table.locator("tbody tr").all_inner_texts()] == [
        ["jab", "1", "1", "2"],
        ["clinch", "1", "·", "1"],
        ["cross", "·", "1", "/", "1", "1", "/", "1"],
        ["step", "out", "·", "1", "1"],
    ]
    links = page.locator(".tried td a")
    for n in range(links.count()):
        count = int(links.nth(n).inner_text().split("/")[0])
        links.nth(n).click()
        page.wait_for_url("**/?q=*")
        # No fighter does the same thing twice in one exchange of this fight.
        assert page.locator("[data-total]").inner_text() == str(count)
        page.go_back()


def test_the_log_can_be_taken_along(page: Any, address: str, library: Path) -> None:
    fight = Library(library).finding.fights()[0]
    page.goto(f"{address}/fights/{fight.id}")
    with page.expect_download() as download:
        page.get_by_role("link", name="CSV", exact=True).click()
    saved = Path(download.value.path()).read_bytes().decode()
    assert saved == Library(library).logging.export_log(fight.id, "csv")


def pick_all(page: Any, address: str, phrase: str) -> list[str]:
    page.goto(f"{address}/?q={phrase}&order=date")
    ticks = page.get_by_label("Pick", exact=True)
    for n in range(ticks.count()):
        ticks.nth(n).check()
    return [str(page.locator("article.card").nth(n).get_attribute("data-clip")) for n in range(ticks.count())]


def order(page: Any) -> list[str]:
    return list(page.locator(".row").evaluate_all("(all) => all.map(r => r.dataset.row)"))


def test_arrange_make_and_make_again(page: Any, kinds_address: str, kinds: Path, tmp_path: Path) -> None:
    """Ordered by keys and by dragging, trimmed, captioned; the frames of the reel are those asked for."""
    ids = pick_all(page, kinds_address, "counter+to+the+body")
    ids += pick_all(page, kinds_address, "lead+hook")
    assert len(ids) == 4
    page.get_by_role("button", name="Arrange first").click()
    page.wait_for_url("**/reels/arrange?*")
    assert order(page) == ids
    page.locator(f"[data-row='{ids[0]}'] [data-grip]").press("ArrowDown")
    assert order(page) == [ids[1], ids[0], ids[2], ids[3]]
    page.locator(f"[data-row='{ids[0]}'] [data-first]").focus()
    page.keyboard.press("Alt+ArrowUp")
    assert order(page) == ids
    assert page.evaluate("document.activeElement.name") == f"first-{ids[0]}"
    grip = page.locator(f"[data-row='{ids[3]}'] [data-grip]")
    grip.scroll_into_view_if_needed()
    box = grip.bounding_box()
    page.mouse.move(box["x"] + 10, box["y"] + 10)
    page.mouse.down()
    target = page.locator(f"[data-row='{ids[2]}']").bounding_box()
    page.mouse.move(box["x"] + 10, target["y"] + 4, steps=4)
    page.mouse.up()
    assert order(page) == [ids[0], ids[1], ids[3], ids[2]]
    page.locator(f"[data-row='{ids[3]}']").get_by_role("button", name="Leave out").click()
    page.locator(f"[data-row='{ids[1]}']").get_by_role("button", name="Leave out").click()
    assert order(page) == [ids[0], ids[2]]
    first = int(page.locator(f"[name=first-{ids[0]}]").input_value())
    page.locator(f"[name=last-{ids[0]}]").fill(str(first + 9))
    page.locator(f"[name=first-{ids[2]}]").fill("170")
    page.locator(f"[name=last-{ids[2]}]").fill("184")
    page.get_by_label(f"Caption of clip {ids[0]}, first line").fill("Watch the rear hand")
    assert page.locator("[data-total-time]").inner_text() == "2 clips, 0:01 of film"
    page.get_by_label("Title", exact=True).fill("Two short ones")
    page.get_by_label("Captions", exact=True).uncheck()
    page.get_by_label("Title and end card").uncheck()
    page.get_by_role("button", name="Make the reel").click()
    page.wait_for_selector("video.player", timeout=60_000)
    reel = Library(kinds).making.reels()[0]
    clips = {str(c.id): c for c in Library(kinds).finding.clips([int(ids[0]), int(ids[2])])}
    assert {c.fight for c in clips.values()} <= {"closed gop", "ntsc"}
    shown = footage.numbers(reel.file)
    if clips[ids[0]].fight == clips[ids[2]].fight == "closed gop":
        assert shown == [*range(first, first + 10), *range(170, 185)]
    else:  # another rate doubles or drops a frame now and then, but in order and between the same two
        assert {first, first + 9, 170, 184} <= set(shown)
    page.get_by_role("link", name="Arrange").click()
    page.wait_for_url("**/arrange")
    assert order(page) == [ids[0], ids[2]]
    assert page.get_by_label(f"Caption of clip {ids[0]}, first line").input_value() == "Watch the rear hand"
    assert page.locator(f"[name=last-{ids[2]}]").input_value() == "184"
    page.locator(f"[name=last-{ids[2]}]").fill("174")
    page.get_by_role("button", name="Make it again").click()
    page.wait_for_selector("video.player", timeout=60_000)
    again = Library(kinds).making.reels()
    assert [r.name for r in again] == [reel.name]
    assert max(n for n in footage.numbers(again[0].file) if n is not None) == 174


def test_a_reel_of_a_search_is_made_again_with_what_came_in(
    page: Any, kinds_address: str, kinds: Path
) -> None:
    page.goto(f"{kinds_address}/?q=lead+hook")
    page.get_by_role("button", name="Make a reel of all 2").click()
    page.wait_for_selector("video.player", timeout=60_000)
    before = Library(kinds).making.reels()[0]
    page.get_by_role("button", name="Make it again").click()
    page.wait_for_url(f"**/reels/{before.name}/", timeout=60_000)
    page.wait_for_selector("video.player")
    assert Library(kinds).making.made_reel(before.name).clips == 2
    page.get_by_text("Throw away").click()
    page.get_by_role("button", name="Yes, throw this reel away").click()
    page.wait_for_url("**/reels/")
    assert before.name not in [r.name for r in Library(kinds).making.reels()]
    assert not before.file.exists()
