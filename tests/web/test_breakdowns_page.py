"""Breakdowns on the pages, over HTTP and in Chromium: the same documents that the commands use."""

from __future__ import annotations

import hashlib
import html
import io
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from cliplib import Cancelled, Library, evidence_tables
from cliplib.breakdowns.editing import target_of
from cliplib.breakdowns.links import CATEGORIES
from cliplib.core.errors import ClipLibError
from cliplib_web import create_app
from cliplib_web.evidence import tables
from cliplib_web.evidence.asked import asked
from tests import libraries
from tests.web import served
from tests.web.browser import chromium, needs_chromium, new_page
from tests.web.test_sharing import HOME, LOG, LOOK, signed_in

TEXT = """# The jab

What it is about.

## He tries it

It landed [0 of 1](<count:jab>), in [1](count:jab) exchange.

- [the try](clip:1 "slow 0.5")
- [how often](<picture:counts?phrase=jab>)

## The answer

Nobody counts here.

- [both](beside:1,2)

## Last

Said.
"""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.kinds_library(tmp_path_factory.mktemp("breakdowns"), ("closed gop", "open gop"))


@pytest.fixture
def folder(whole: Path) -> Iterator[Path]:
    yield whole
    breakdowns = Library(whole).making.breakdowns
    for one in breakdowns.all():
        breakdowns.remove(one.name)


@pytest.fixture
def client(folder: Path) -> Any:
    client = create_app(folder).test_client()
    client.key = client.get("/api/session").get_json()["form_key"]
    return client


def post(client: Any, path: str, **fields: str) -> Any:
    return client.post(path, data={"form_key": client.key, **fields})


def shown(client: Any, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    return html.unescape(answer.get_data(as_text=True))


def kept(folder: Path, name: str) -> bytes:
    return (folder / "breakdowns" / name / "breakdown.md").read_bytes()


def text_in(page: str) -> str:
    """The text as a browser puts it into its box: the first line end after the tag is left out."""
    return page.split('<textarea id="text"')[1].split(">\n", 1)[1].split("</textarea>")[0]


def test_one_is_begun_listed_and_thrown_away(client: Any, folder: Path) -> None:
    assert "No breakdown yet" in shown(client, "/breakdowns/")
    answer = post(client, "/breakdowns/", title="The jab – who has it?", phrase="jab")
    assert (answer.status_code, answer.location) == (303, "/breakdowns/the-jab-who-has-it/edit")
    page = shown(client, answer.location)
    assert "[2](<count:jab>)" in text_in(page)
    assert "Every count and every shot is as the text says" in page
    assert "1 point, no film yet" in shown(client, "/breakdowns/")
    (talk,) = re.findall(r'href="([^"]+)">Talk over this point', page)
    assert "Record" in shown(client, talk)
    page = shown(client, "/breakdowns/the-jab-who-has-it/")
    assert "No film has been built" in page
    assert page.index("Throw away") < page.index("Yes, throw it away")
    assert post(client, "/breakdowns/the-jab-who-has-it/remove").status_code == 303
    assert client.get("/breakdowns/the-jab-who-has-it/").status_code == 404


def test_a_phrase_that_is_not_understood_begins_nothing(client: Any, folder: Path) -> None:
    answer = post(client, "/breakdowns/", title="It", phrase="jabberwock")
    assert answer.status_code == 400
    assert "jabberwock" in answer.text
    assert 'value="It"' in answer.text
    assert not list((folder / "breakdowns").glob("*"))


@pytest.mark.parametrize("end", ["\n", "\r\n", "mixed"])
def test_the_text_is_kept_byte_for_byte(client: Any, folder: Path, end: str) -> None:
    """A browser sends lines ending in CR LF, whatever they were (HTML, 4.10.21.4)."""
    data = TEXT.replace("\n", end) if end != "mixed" else TEXT.replace("\n", "\r\n", 5)
    name = Library(folder).making.breakdowns.put(None, "\n" + data)
    page = client.get(f"/breakdowns/{name}/edit").get_data(as_text=True)
    typed = html.unescape(text_in(page)).replace("\r\n", "\n")
    token = re.search(r'name="seen" value="(\w+)"', page)
    assert token
    sent = typed.replace("\n", "\r\n")
    assert post(client, f"/breakdowns/{name}/edit", text=sent, seen=token[1]).status_code == 303
    assert kept(folder, name) == ("\n" + data).encode()
    # A changed line leaves the others alone.
    token = re.search(r'name="seen" value="(\w+)"', shown(client, f"/breakdowns/{name}/edit"))
    assert token
    post(client, f"/breakdowns/{name}/edit", text=sent.replace("Said.", "Said – so."), seen=token[1])
    assert kept(folder, name) == ("\n" + data).replace("Said.", "Said – so.").encode()


def test_what_another_tab_kept_is_not_lost(client: Any, folder: Path) -> None:
    name = Library(folder).making.breakdowns.put(None, TEXT)
    token = re.search(r'name="seen" value="(\w+)"', shown(client, f"/breakdowns/{name}/edit"))
    assert token
    first = post(client, f"/breakdowns/{name}/edit", text=TEXT + "\nFirst.\n", seen=token[1])
    assert first.status_code == 303
    second = post(client, f"/breakdowns/{name}/edit", text=TEXT + "\nSecond.\n", seen=token[1])
    assert second.status_code == 409
    page = html.unescape(second.text)
    assert "Somebody kept another text meanwhile" in page
    assert "Second." in text_in(page)
    assert "First." in page.split("The text that is kept now")[2].split("</textarea>")[0]
    assert kept(folder, name).decode().endswith("First.\n")
    token = re.search(r'name="seen" value="(\w+)"', page)
    assert token
    assert post(client, f"/breakdowns/{name}/edit", text=TEXT + "\nBoth.\n", seen=token[1]).status_code == 303
    assert kept(folder, name).decode().endswith("Both.\n")


def test_what_is_wrong_is_named_and_the_rest_is_shown(client: Any, folder: Path) -> None:
    bad = (
        "# 体の打撃\n\n## Удар\n\n[5 of 9](count:jab), [1 of 2](count:jibber), [many](count:jab), "
        "[x](https://example.org), <b>bold</b>\n\n- [gone](clip:999)\n- [pie](<picture:pie?phrase=jab>)\n"
        '- [there](clip:1 "wobble")\n\n## Twice\n\n## Twice\n\n- [there too](clip:2)\n'
    )
    name = Library(folder).making.breakdowns.put(None, bad)
    before = (folder / "breakdowns" / name / "breakdown.notes.json").read_bytes()
    for address in (f"/breakdowns/{name}/edit", f"/breakdowns/{name}/"):
        page = shown(client, address)
        for said in (
            "written 5 of 9, now 0 of 2",
            "“jibber” is not understood",
            "it holds no count",
            "there is no clip 999 in this library",
            "“pie” is no picture",
            "“wobble” is no treatment",
            "a link to https://example.org, kept",
            "the heading “Twice” is there twice",
            "/clips/1.mp4",
            "/clips/2.mp4",
        ):
            assert said in page, said
        assert "<b>bold</b>" not in client.get(address).text.split("data-points")[1]
        assert 'id="p-twice-2"' in page
    assert kept(folder, name).decode() == bad
    assert (folder / "breakdowns" / name / "breakdown.notes.json").read_bytes() == before


def test_counts_of_today_are_taken_when_asked_for(client: Any, folder: Path) -> None:
    name = Library(folder).making.breakdowns.put(None, TEXT.replace("0 of 1", "7 of 9"))
    assert "written 7 of 9, now 0 of 2" in shown(client, f"/breakdowns/{name}/edit")
    assert b"7 of 9" in kept(folder, name)
    assert post(client, f"/breakdowns/{name}/update").status_code == 303
    assert b"[0 of 2](<count:jab>), in [2](count:jab) exchange" in kept(folder, name)
    assert "Every count and every shot" in shown(client, f"/breakdowns/{name}/edit")


def test_a_text_that_is_no_utf_8_is_shown_but_not_written_here(client: Any, folder: Path) -> None:
    name = Library(folder).making.breakdowns.put(None, TEXT)
    path = folder / "breakdowns" / name / "breakdown.md"
    path.write_bytes(b"# T\xe9\n\n## P\n\nsaid\n")
    page = shown(client, f"/breakdowns/{name}/edit")
    assert "not all UTF-8" in page
    assert "readonly" in page
    assert "1. P" in page
    assert "T�" in shown(client, f"/breakdowns/{name}/")
    assert client.get(f"/api/breakdowns/{name}").status_code == 200
    assert path.read_bytes() == b"# T\xe9\n\n## P\n\nsaid\n"


def test_the_film_is_built_played_and_handed_out(client: Any, folder: Path) -> None:
    text = "# Short\n\n```toml\n[picture]\ncards = false\n```\n\n## One\n\nSaid.\n\n- [it](clip:1)\n"
    name = Library(folder).making.breakdowns.put(None, text)
    assert client.get(f"/breakdowns/{name}/film.mp4").status_code == 404
    answer = post(client, f"/breakdowns/{name}/build")
    last = json.loads(client.get(f"{answer.location}/events").text.strip().split("data: ")[-1])
    assert (last["state"], last["result"]) == ("done", f"/breakdowns/{name}/"), last
    page = shown(client, f"/breakdowns/{name}/")
    assert f'src="/breakdowns/{name}/film.mp4#t=0.6"' in page
    files = re.findall(r'<a href="([^"]+/files/[^"]+)" download', page)
    names = {link.rpartition("/")[2] for link in files}
    assert names >= {
        "film.mp4", "description.txt", "captions.vtt", "script.pdf", "sources.csv", "sources.txt",
        "timeline.otio", "timeline.edl",
    }  # fmt: skip
    for link in files:
        with client.get(link) as given:
            assert given.status_code == 200
            assert given.headers["Content-Disposition"].startswith("attachment")
    with client.get(f"/breakdowns/{name}/film.mp4") as film:
        assert film.data == (folder / "breakdowns" / name / "film.mp4").read_bytes()
    for other in ("breakdown.md", "breakdown.notes.json", "../../catalogue.db", "takes"):
        assert client.get(f"/breakdowns/{name}/files/{other}").status_code == 404
    assert "film built" in shown(client, "/breakdowns/")
    Library(folder).making.breakdowns.put(name, text + "\nMore.\n")
    assert "text was changed after this film" in shown(client, f"/breakdowns/{name}/")


def done(client: Any, answer: Any) -> str:
    """Where the work that a press began leads to."""
    last = json.loads(client.get(f"{answer.location}/events").text.strip().split("data: ")[-1])
    assert last["state"] == "done", last
    return str(last["result"])


SHORT = "# Short\n\n```toml\n[picture]\ncards = false\n```\n\n## One\n\nSaid.\n\n- [it](clip:1)\n"


@needs_chromium[0]
@needs_chromium[1]
def test_a_folder_that_plays_without_the_library_is_made_by_one_press(
    client: Any, folder: Path, tmp_path: Path
) -> None:
    """Unpacked (ZIP as Python's own reader has it) it is played by Chromium from the disk, by what each file is
    called and sha256sum would say of it. A film that is built afterwards makes it go."""
    name = Library(folder).making.breakdowns.put(None, SHORT)
    page = shown(client, f"/breakdowns/{name}/")
    assert f'action="/breakdowns/{name}/pack"' in page
    result = done(client, post(client, f"/breakdowns/{name}/pack"))
    page = shown(client, result)
    assert "The folder is ready" in page
    (link, _) = re.findall(r'<a [^>]*href="([^"]+/folder\.zip)" download', page)
    with client.get(link) as given:
        assert given.headers["Content-Disposition"].startswith("attachment")
        packed = zipfile.ZipFile(io.BytesIO(given.data))
    assert packed.testzip() is None
    packed.extractall(tmp_path)
    said = json.loads((tmp_path / name / "manifest.json").read_text(encoding="utf-8"))
    assert {f"{name}/{one['file']}" for one in said["files"]} | {f"{name}/manifest.json"} == set(
        packed.namelist()
    )
    for one in said["files"]:
        assert hashlib.sha256((tmp_path / name / one["file"]).read_bytes()).hexdigest() == one["sha256"]
    assert (tmp_path / name / "breakdown.md").read_text(encoding="utf-8") == SHORT
    with chromium() as browser, new_page(browser) as tab:
        tab.goto((tmp_path / name / "index.html").as_uri())
        assert tab.locator("h1").inner_text() == "Short"
        tab.get_by_role("button", name="0:00").click()
        tab.wait_for_function("() => document.querySelector('video').currentTime > 0.3")
    assert "The folder is ready" not in shown(client, f"/breakdowns/{name}/")
    done(client, post(client, f"/breakdowns/{name}/build"))
    assert client.get(link).status_code == 404
    assert "folder.zip" not in shown(client, f"/breakdowns/{name}/")


def test_making_the_folder_is_given_up_and_leaves_no_half_of_it(folder: Path) -> None:
    breakdowns = Library(folder).making.breakdowns
    name = breakdowns.put(None, SHORT)

    def progress(stage: str, done: int, total: int) -> None:
        if stage == "writing the folder":
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        breakdowns.pack(name, progress)
    assert not list((folder / "breakdowns" / name).glob("*.zip"))
    assert not list((folder / "breakdowns" / name).glob(".*"))
    assert breakdowns.one(name).film
    assert breakdowns.pack(name) in breakdowns.one(name).beside


@pytest.mark.parametrize(
    ("order", "status"), [([2, 0, 1], 200), ([0, 1], 400), ([0, 0, 1], 400), ("up", 400), ([True, 0, 1], 400)]
)
def test_points_are_put_into_order(client: Any, folder: Path, order: Any, status: int) -> None:
    name = Library(folder).making.breakdowns.put(None, TEXT)
    answer = client.post(
        f"/api/breakdowns/{name}/order",
        json={"text": TEXT, "order": order},
        headers={"X-Form-Key": client.key},
    )
    assert answer.status_code == status
    if status == 200:
        text = answer.get_json()["text"]
        assert re.findall(r"^## (.*)$", text, re.MULTILINE) == ["Last", "He tries it", "The answer"]
        assert sorted(text.split()) == sorted(TEXT.split())
    assert kept(folder, name).decode() == TEXT


def test_takes_of_points_with_one_heading_go_along_when_they_change_places(client: Any, folder: Path) -> None:
    text = "# T\n\n## Twice\n\nFirst.\n\n- [x](clip:1)\n\n## Twice\n\nSecond.\n\n- [y](clip:2)\n"
    breakdowns = Library(folder).making.breakdowns
    name = breakdowns.put(None, text)
    breakdowns.begin_take(name, "twice")
    breakdowns.begin_take(name, "twice-2")
    breakdowns.begin_take(name, "twice-2")
    breakdowns.put(name, breakdowns.in_order(text, [1, 0]))
    points = breakdowns.outline(name).points
    assert [(p.script[0][0].text, len(p.takes)) for p in points] == [("Second.", 2), ("First.", 1)]
    assert not breakdowns.outline(name).stray


def test_a_forgotten_fight_is_named_and_the_rest_is_shown(tmp_path: Path) -> None:
    folder = served.kinds_library(tmp_path, ("closed gop", "open gop"))
    library = Library(folder)
    gone = next(c.id for c in library.finding.find("jab").clips if c.fight == "closed gop")
    left = next(c.id for c in library.finding.find("jab").clips if c.fight != "closed gop")
    name = library.making.breakdowns.put(
        None, f"# T\n\n## P\n\n[2](count:jab) tries.\n\n- [gone](clip:{gone})\n- [left](clip:{left})\n"
    )
    packed = library.making.breakdowns.pack(name)
    library.care.forget([library.finding.fight("closed gop").id])
    assert not packed.exists(), "it shows the fight"
    library.close()
    for address in (f"/breakdowns/{name}/", f"/breakdowns/{name}/edit"):
        page = shown(create_app(folder).test_client(), address)
        assert "written 2, now 1" in page
        assert "no longer among them" in page
        assert "was of a fight that was forgotten" in page
        assert f"/clips/{left}.mp4" in page
        assert f"/clips/{gone}.mp4" not in page


def test_a_number_that_came_down_to_nothing_says_so(client: Any, folder: Path) -> None:
    """A table's row is there, and the number in it is nought: no key stands behind it any more."""
    filled = Library(folder).evidence.table("answers", phrase="jab", only={})
    (row,) = {key.rpartition("/")[0] for key in filled.openers if "/" in key}
    part = next(p for p in ("attack_landed", "punch_landed") if f"{row}/{p}" not in filled.openers)
    target = target_of("count", "jab", [("table", "answers"), ("key", f"{row}/{part}")])
    name = Library(folder).making.breakdowns.put(None, f"# T\n\n## P\n\n[2 of 3](<{target}>)\n")
    assert re.search(r"written 2 of 3, now 0 of \d", shown(client, f"/breakdowns/{name}/"))
    target = target_of("count", "jab", [("table", "answers"), ("key", "answers/open/dance/beaten")])
    Library(folder).making.breakdowns.put(name, f"# T\n\n## P\n\n[2 of 3](<{target}>)\n")
    assert "nothing is counted by that any more" in shown(client, f"/breakdowns/{name}/")


def test_a_broken_breakdown_does_not_hide_the_others(client: Any, folder: Path) -> None:
    breakdowns = Library(folder).making.breakdowns
    bad, good = breakdowns.put(None, "# Bad\n\n## P\n\nx\n"), breakdowns.put(None, TEXT)
    (folder / "breakdowns" / bad / "breakdown.notes.json").write_text("{", encoding="utf-8")
    page = shown(client, "/breakdowns/")
    assert f"cannot be read: {bad}/breakdown.notes.json cannot be read" in page
    assert str(folder) not in page
    assert f"/breakdowns/{good}/" in page
    page = shown(client, f"/breakdowns/{bad}/")
    assert f"{bad}/breakdown.notes.json cannot be read" in page
    assert "1. P" in page


# --- who may see and do what --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("shared")
    for name, private in (("a", True), ("b", False)):
        fight = libraries.make_fight(
            place / "fights" / name, title="Quiet sparring" if private else "Open night"
        )
        if private:
            toml = fight / "fight.toml"
            toml.write_text("private = true\n" + toml.read_text(encoding="utf-8"), encoding="utf-8")
    library = Library(place / "library", create=True)
    assert library.logging.ingest([place / "fights"]).exit_code == 0
    library.care.passphrases.set("look", LOOK)
    library.care.passphrases.set("log", LOG)
    hidden = [c.id for c in library.finding.find("jab").clips if c.fight == "Quiet sparring"]
    open_ones = [c.id for c in library.finding.find("jab").clips if c.fight == "Open night"]
    library.making.breakdowns.put(None, f"# Hidden one\n\n## P\n\nSaid.\n\n- [x](clip:{hidden[0]})\n")
    library.making.breakdowns.put(None, f"# Open one\n\n## P\n\nSaid.\n\n- [x](clip:{open_ones[0]})\n")
    library.making.breakdowns.put(None, "# Told of\n\n## P\n\nIn quiet sparring he did.\n")
    return place / "library"


def test_who_may_only_look_reads_and_writes_nothing(shared: Path) -> None:
    app = create_app(shared, hosts=("gym.local",), share=True)
    looker, logger = signed_in(app, LOOK), signed_in(app, LOG)

    def ask(client: Any, address: str) -> tuple[int, str]:
        with client.get(address, base_url=HOME) as answer:
            return answer.status_code, answer.data.decode(errors="replace")

    for name in ("open-one", "hidden-one", "told-of"):
        Library(shared).making.breakdowns.pack(name)
        assert ask(logger, f"/breakdowns/{name}/files/folder.zip")[0] == 200
    assert ask(looker, "/breakdowns/open-one/files/folder.zip")[0] == 200
    listed = ask(looker, "/breakdowns/")[1]
    assert "Open one" in listed
    assert "Hidden one" not in listed
    assert "Told of" not in listed
    assert "Begin one" not in listed
    listed = ask(logger, "/breakdowns/")[1]
    assert listed.count("<strong>private</strong>") == 1  # told of is for those who log, by its words
    assert "Begin one" in listed
    status, page = ask(looker, "/breakdowns/open-one/")
    assert status == 200
    for word in ("Write", "Build the film", "Make a folder", "Throw away", "Talk over", "elsewhere"):
        assert word not in page
    for name in ("hidden-one", "told-of", "nobody-wrote-it"):
        for ending in ("", "film.mp4", "files/description.txt", "files/folder.zip"):
            assert ask(looker, f"/breakdowns/{name}/{ending}")[0] == 404
        assert ask(looker, f"/api/breakdowns/{name}")[0] == 404
    assert {one["name"] for one in json.loads(ask(looker, "/api/breakdowns")[1])} == {"open-one"}
    for address in ("/breakdowns/open-one/edit", "/breakdowns/into?q=jab"):
        assert ask(looker, address)[0] == 403
    with looker.session_transaction(base_url=HOME) as session:
        session["form_key"] = "k" * 24
    before = kept(shared, "open-one")
    for address in (
        "/breakdowns/", "/breakdowns/open-one/edit", "/breakdowns/open-one/update",
        "/breakdowns/open-one/build", "/breakdowns/open-one/pack", "/breakdowns/open-one/remove", "/breakdowns/into?q=jab",
        "/api/breakdowns", "/api/breakdowns/open-one/insert", "/api/breakdowns/open-one/order",
    ):  # fmt: skip
        answer = looker.post(address, data={"title": "X"}, headers={"X-Form-Key": "k" * 24}, base_url=HOME)
        assert answer.status_code == 403, address
    assert kept(shared, "open-one") == before


# --- in a browser -------------------------------------------------------------------------------------------


@needs_chromium[0]
@needs_chromium[1]
def test_writing_in_chromium(folder: Path) -> None:
    """Points follow the text, move by keys and by dragging, and are kept; a second tab's change is not lost."""
    name = Library(folder).making.breakdowns.put(None, TEXT)
    heads = "() => [...document.querySelectorAll('.bd-point h2')].map((h) => h.textContent)"
    with chromium() as browser, served.serve(folder) as address:
        with new_page(browser, allow="409") as page:
            page.goto(f"{address}/breakdowns/{name}/edit")
            assert page.evaluate("document.querySelector('#text').value") == TEXT
            page.locator("#text").fill(TEXT.replace("## Last", "## The end").replace("0 of 1", "3 of 4"))
            page.wait_for_function("() => document.body.innerText.includes('3. The end')")
            assert "written 3 of 4, now 0 of 2" in page.locator(".bd-points").inner_text()
            assert page.locator("[data-said]").inner_text() == "Not kept yet."
            assert page.locator("[data-update] button").is_disabled()
            # by keys
            page.locator("[data-grip]").nth(2).press("ArrowUp")
            page.wait_for_function(f"() => ({heads})()[1] === '2. The end'")
            assert page.evaluate("document.activeElement.closest('.bd-point').dataset.number") == "1"
            # by dragging
            grip, first = page.locator("[data-grip]").nth(1), page.locator(".bd-point").nth(0)
            box, over = grip.bounding_box(), first.bounding_box()
            page.mouse.move(box["x"] + 5, box["y"] + 5)
            page.mouse.down()
            page.mouse.move(over["x"] + 20, over["y"] + 15, steps=6)
            page.mouse.up()
            page.wait_for_function(f"() => ({heads})()[0] === '1. The end'")
            # a clip plays in its place
            page.locator(".bd-shot [data-play]").first.click()
            page.wait_for_function("() => document.querySelector('.bd-shot video')?.readyState >= 2")
            assert kept(folder, name).decode() == TEXT
            page.keyboard.press("Control+s")
            page.wait_for_function("() => document.querySelector('[data-said]').textContent === 'Kept.'")
            text = kept(folder, name).decode()
            assert re.findall(r"^## (.*)$", text, re.MULTILINE) == ["The end", "He tries it", "The answer"]
            # another tab keeps something else
            Library(folder).making.breakdowns.put(name, text + "\nTheirs.\n")
            page.locator("#text").fill(text + "\nMine.\n")
            page.get_by_role("button", name="Keep", exact=True).click()
            page.get_by_text("Somebody kept another text meanwhile.").wait_for()
            assert page.locator("#text").input_value().endswith("Mine.\n")
            assert "Theirs." in page.get_by_label("The text that is kept now").input_value()
            page.get_by_role("button", name="Keep", exact=True).click()
            page.wait_for_function("() => document.querySelector('[data-said]').textContent === 'Kept.'")
        assert kept(folder, name).decode().endswith("Mine.\n")
        with new_page(browser, viewport={"width": 390, "height": 800}) as page:
            page.goto(f"{address}/breakdowns/into?clip=1")
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            last = page.get_by_role("link", name="Breakdowns").bounding_box()
            assert last["x"] + last["width"] <= 390  # the navigation fits
            page.goto(f"{address}/?q=jab")
            assert page.locator(".actions .who").first.is_visible()  # who did it


@needs_chromium[0]
@needs_chromium[1]
def test_a_point_that_is_moved_twice_quickly_moves_twice(folder: Path) -> None:
    """An arrow held down, a move while another one is being answered, and keeping right after a move."""
    name = Library(folder).making.breakdowns.put(None, TEXT)
    text = "document.querySelector('#text').value"
    heads = f"[...{text}.matchAll(/^## (.*)$/gm)].map((m) => m[1]).join()"
    move = """([number, ...keys]) => { for (const key of keys) {
      const grip = document.querySelector(`[data-number="${number}"] [data-grip]`);
      grip.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true })); } }"""
    with chromium() as browser, served.serve(folder) as address, new_page(browser) as page:
        page.goto(f"{address}/breakdowns/{name}/edit")
        page.evaluate(move, ["2", "ArrowUp", "ArrowUp"])
        page.wait_for_function(f"() => {heads} === 'Last,He tries it,The answer'")
        page.wait_for_function("() => document.querySelector('.bd-point h2').textContent === '1. Last'")
        assert page.inner_text("[data-moved]") == "Last is now point 1 of 3"

        held: list[Any] = []
        page.route("**/order", lambda route: held.append(route))
        with page.expect_request("**/order"):
            page.evaluate(move, ["0", "ArrowDown"])
        page.evaluate(move, ["0", "ArrowDown"])
        with page.expect_request("**/order"):
            held.pop().continue_()
        assert page.evaluate(heads) == "He tries it,Last,The answer"
        held.pop().continue_()
        page.wait_for_function(f"() => {heads} === 'He tries it,The answer,Last'")
        page.unroute("**/order")
        page.wait_for_function(
            "() => document.querySelector('.bd-point h2').textContent === '1. He tries it'"
        )

        page.evaluate(move, ["0", "ArrowDown"])
        page.keyboard.press("Control+s")
        page.wait_for_function("() => document.querySelector('[data-said]').textContent === 'Kept.'")
    assert re.findall(r"^## (.*)$", kept(folder, name).decode(), re.MULTILINE)[:2] == [
        "The answer",
        "He tries it",
    ]


# --- putting things in --------------------------------------------------------------------------------------

EMPTY = "# Numbers\n\n## First\n\nSaid.\n\n## Second\n\nSaid too.\n"


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fight whose rounds differ, and another one that it can be compared with."""
    place = tmp_path_factory.mktemp("busy")
    rows = []
    for n in range(24):  # a jab and the answer to it; the jab lands until the middle
        jab = f"Adeyemi,jab,{'landed' if n < 12 else 'missed'}"
        answer = f"Brandt,counter {('cross', 'lead hook')[n % 2]},{('landed', 'missed', 'blocked')[n % 3]}"
        at = 1_100_000 + n * 200_000
        rows += [f"{at / 1e6:.2f},{n},{jab}", f"{at / 1e6 + 0.08:.2f},{n},{answer}"]
    for name, count in (("one", 48), ("two", 26)):
        fight = libraries.make_fight(place / "fights" / name, title=f"Night {name}")
        log = "\n".join(["time,exchange,fighter,action,outcome", *rows[:count]])
        (fight / "log.csv").write_text(log + "\n", encoding="utf-8")
    return served.ingested(place)


@pytest.mark.parametrize("table", evidence_tables.TABLES, ids=lambda table: table.name)
def test_any_number_of_any_table_is_put_into_a_breakdown(busy: Path, table: Any) -> None:
    """Each link behind a number offers it; what is put in says the same number when it is counted again."""
    client = create_app(busy).test_client()
    client.key = client.get("/api/session").get_json()["form_key"]
    name = Library(busy).making.breakdowns.put(None, EMPTY)
    try:
        address = tables.sample(table).replace("counter+to+the+body+after+a+missed+jab", "jab")
        if table.name == "compare":
            address = "/counts/compare?q=jab&this=fight%3DNight+one&that=fight%3DNight+two&by=outcome"
        if table.name == "change":
            address += "&fight=1"
        if table.name == "elsewhere":
            address += "&only=fight%3DNight+one"
        if table.name == "tally":
            address += "&by=outcome&by=fight&only=fighter%3DEmeka+Adeyemi"
        if table.name == "caught":
            address = "/counts/caught?q=counter"
        page = shown(client, address)
        links = list(dict.fromkeys(re.findall(r'href="(/counts/clips\?[^"]*)"', page)))
        chosen = links[:: max(1, len(links) // 5)]
        for link in chosen:
            offered = re.findall(r'href="(/breakdowns/into\?[^"]*)">Put this count', shown(client, link))
            assert len(offered) == 1, link
            choices = re.findall(r'name="what" value="(\d+)"', shown(client, offered[0]))
            assert choices
            for what in choices:
                answer = post(client, offered[0], what=what, where=f"{name}/second")
                assert answer.status_code == 303, answer.text
                assert answer.location == f"/breakdowns/{name}/edit#p-second"
        page = shown(client, f"/breakdowns/{name}/edit")
        assert "at the end of “Second” now" in page, links
        counts = page.split('id="p-second"')[1].count(" holds")
        assert "Every count and every shot is as the text says" in page, re.findall(
            "Otherwise.*|Not counted.*", page
        )
        assert counts >= len(chosen)
        if table.name in ("tally", "next", "answers", "compare"):
            assert len(chosen) > 3
    finally:
        Library(busy).making.breakdowns.remove(name)


@pytest.fixture(scope="module")
def filtered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two fights of two rounds and a named period each; both fighters jab, and it goes otherwise each time."""
    place = tmp_path_factory.mktemp("filtered")
    rows = []
    for n in range(24):
        one, two = ("Adeyemi", "Brandt") if n % 3 else ("Brandt", "Adeyemi")
        went = "landed" if n % 5 < (3 if n < 12 else 1) else "missed"
        at = (1.1 if n < 12 else 4.1) + n % 12 * 0.15
        rows += [
            f"{at:.2f},{n},{one},{'slip' if n % 4 == 3 else 'jab'},{'' if n % 4 == 3 else went}",
            f"{at + 0.08:.2f},{n},{two},{('cross', 'lead hook')[n % 2]},{('landed', 'missed')[n % 7 > 3]}",
        ]
    for name, count in (("one", 48), ("two", 32)):
        fight = libraries.make_fight(place / "fights" / name, title=f"Night {name}")
        (fight / "log.csv").write_text(
            "\n".join(["time,exchange,fighter,action,outcome", *rows[:count]]) + "\n"
        )
        told = (fight / "fight.toml").read_text()
        told = told.replace(
            "rounds = 1\nround_seconds = 7", "rounds = 2\nround_seconds = 2\nrest_seconds = 1"
        )
        told += '[[period]]\nname = "one hand"\nfrom = "0:02"\nuntil = "0:04.5"\n'
        (fight / "fight.toml").write_text(told)
    return served.ingested(place)


FILTERED = {
    "tally": "q=jab&by=outcome&by=fighter",
    "next": "q=jab",
    "answers": "q=jab",
    "caught": "q=slip",
    "elsewhere": "q=jab&only=fight%3DNight+one",
    "compare": "q=jab&this=fight%3DNight+one&that=fight%3DNight+two&by=outcome",
    "change": "q=jab&fight=1&only=fighter%3DEmeka+Adeyemi",
}
FILTERS = (
    "fighter=Emeka+Adeyemi",
    "round=1",
    "during=one+hand",
    "fight=Night+one",
    "round=last&fighter=Brandt",
    "fight=Night+one&only=from%3D2024-01",
)


def in_table(app: Any, library: Library, name: str, link: str) -> Any:
    """The number behind a link of a table's page, asked of the library."""
    with app.test_request_context(link):
        asking = asked(evidence_tables.named(name)).parameters()
    return library.evidence.table(name, **asking).number(parse_qs(urlsplit(link).query)["key"][0])


@pytest.mark.parametrize("table", evidence_tables.TABLES, ids=lambda table: table.name)
def test_a_number_that_was_narrowed_is_put_in_narrowed(filtered: Path, table: Any) -> None:
    """A number shown for one fighter, round, period or fight is that number in the breakdown too, and when it
    is counted again, on the page and over JSON; without the filters it would be another one."""
    app, library = create_app(filtered), Library(filtered)
    client: Any = app.test_client()
    client.key = client.get("/api/session").get_json()["form_key"]
    breakdowns, headers = library.making.breakdowns, {"X-Form-Key": client.key}
    whole = "/counts/" if table.name == "tally" else f"/counts/{table.name}"
    put = othered = 0
    for filters in FILTERS:
        if table.parameter("fight") and "fight=" in filters:
            continue  # it asks for the fight by itself
        page = client.get(f"{whole}?{FILTERED[table.name]}&{filters}").get_data(as_text=True)
        links = list(dict.fromkeys(re.findall(r'href="(/counts/clips\?[^"]*)"', html.unescape(page))))
        for link in links[:: max(1, len(links) // 3)]:
            number = in_table(app, library, table.name, link)
            bare = re.sub(r"&(fighter|round|during)=[^&]*|(?<!only)&fight=Night[^&]*", "", link)
            try:
                other = in_table(app, library, table.name, bare)
                othered += (other.count, other.of) != (number.count, number.of)
            except ClipLibError:  # a number that is there with the filter alone
                othered += 1
            (into,) = re.findall(r'href="(/breakdowns/into\?[^"]*)">Put this count', shown(client, link))
            name = breakdowns.put(None, EMPTY)
            said = shown(client, into)
            assert "fighter=Emeka" not in link or "fighter Emeka Adeyemi" in said
            for what in re.findall(r'name="what" value="(\d+)"', said):
                assert post(client, into, what=what, where=f"{name}/second").status_code == 303
            checked = client.get(f"/api/breakdowns/{name}/check").get_json()
            assert checked["well"], (link, checked)
            written = [one["written"] for one in checked["counts"]]
            part = parse_qs(urlsplit(link).query)["key"][0].rpartition("/")[2]
            if table.name == "tally" and part in ("tried", "known"):  # written with how many of them landed
                wanted = f" of {number.count}" if part == "tried" else " %"
            elif table.name == "tally" and part in CATEGORIES:
                wanted = f"{number.count} of "
            else:
                wanted = str(number.count) if number.of is None else f"{number.count} of {number.of}"
            assert any(wanted in text for text in written), (link, written, wanted)
            target = checked["counts"][0]["target"]
            sent = {"point": "First", "target": target}
            assert (
                client.post(f"/api/breakdowns/{name}/insert", json=sent, headers=headers).status_code == 201
            )
            again = client.get(f"/api/breakdowns/{name}/check").get_json()
            assert again["well"], again
            assert again["counts"][0]["target"] == target
            assert again["counts"][0]["written"] in written
            breakdowns.remove(name)
            put += 1
        for kind in re.findall(r'href="(/breakdowns/into\?[^"]*picture=[^"]*)"', html.unescape(page)):
            name = breakdowns.put(None, EMPTY)
            assert post(client, kind, what="0", where=f"{name}/first").status_code == 303
            (target,) = re.findall(r"\(<?(picture:[^>)]*)", breakdowns.text(name))
            drawn = re.search(
                rf'src="(/counts/chart.svg\?[^"]*kind={target[8:].partition("?")[0]}[^"]*)"',
                html.unescape(page),
            )
            assert drawn
            assert breakdowns.chart(target) == client.get(drawn[1]).get_data()
            breakdowns.remove(name)
    assert put > 3
    assert othered or table.name == "change"  # which takes no filters, and shows them nowhere


def test_clips_finds_and_charts_are_put_in(client: Any, folder: Path) -> None:
    name = Library(folder).making.breakdowns.put(None, EMPTY)

    def put(address: str, what: str = "0", point: str = "first") -> str:
        page = shown(client, address)
        assert f'value="{name}/{point}"' in page
        answer = post(client, address, what=what, where=f"{name}/{point}")
        assert answer.status_code == 303, answer.text
        return page

    into = re.search(r'href="(/breakdowns/into\?clip=1)"', shown(client, "/clip/1?q=jab"))
    assert into
    put(into[1])
    page = put("/breakdowns/into?clips=1,2")
    assert "side by side" in page
    put("/breakdowns/into?clips=2,1", what="1", point="second")
    page = shown(client, "/?q=jab&outcome=missed")
    assert 'formaction="/breakdowns/into"' in page  # picked clips
    search = re.search(r'href="(/breakdowns/into[^"]*)">Into a breakdown', page)
    assert search
    assert "outcome=missed" in search[1]
    put(search[1])
    assert "](<find:jab?outcome=missed&limit=3>)\n" in kept(folder, name).decode()
    put("/breakdowns/into?first=2&second=1&offset=-3", point="second")
    put("/breakdowns/into?q=jab&outcome=missed&round=1")
    picture = re.search(
        r'href="(/breakdowns/into\?[^"]*picture=rates[^"]*)"', shown(client, "/counts/?q=jab&by=round")
    )
    assert picture
    put(picture[1])
    text = kept(folder, name).decode()
    assert "- [closed gop, round 1](clip:1)\n" in text
    assert "](beside:1,2)\n" in text
    assert '](beside:2,1 "offset -3")\n' in text
    assert "(<find:jab?outcome=missed&rounds=1&limit=3>)\n" in text
    assert "(<picture:rates?phrase=jab&by=round>)\n" in text
    assert text.index("(clip:2)") < text.rindex("(clip:1)")
    assert text.startswith("# Numbers\n\n## First\n\nSaid.\n\n- [")
    page = shown(client, f"/breakdowns/{name}/")
    assert "Every count and every shot is as the text says" in page
    assert "/breakdowns/chart.svg?of=picture:rates" in page.replace("%3A", ":")
    # without one, a new breakdown is begun
    answer = post(client, "/breakdowns/into?clip=1", what="0", where="", title="Fresh")
    assert answer.location == "/breakdowns/fresh/edit#p-the-pattern"
    assert b"(clip:1)" in kept(folder, "fresh")
    for address, fields in (
        ("/breakdowns/into?clip=1", {"what": "7", "where": f"{name}/first"}),
        ("/breakdowns/into?clip=1", {"what": "0", "where": f"{name}/nowhere"}),
        ("/breakdowns/into?clip=x", {"what": "0", "where": f"{name}/first"}),
        ("/breakdowns/into?q=jab&views=up", {"what": "0", "where": f"{name}/first"}),
        ("/breakdowns/into?table=tally&q=jab&key=total/none", {"what": "0", "where": f"{name}/first"}),
        ("/breakdowns/into?clip=1", {"what": "0", "where": ""}),
    ):
        assert post(client, address, **fields).status_code in (400, 404), (address, fields)
        assert kept(folder, name).decode() == text


def test_somebody_who_solved_it_elsewhere(client: Any, folder: Path) -> None:
    """The pattern of one fight, beaten in the other."""
    text = (
        "# T\n\n## He tries it\n\n[1](<count:jab?fight=closed gop>)\n\n- [it](clip:1)\n\n## Bare\n\nSaid.\n"
    )
    name = Library(folder).making.breakdowns.put(None, text)
    page = shown(client, f"/breakdowns/{name}/edit")
    (link,) = re.findall(rf'href="(/breakdowns/{name}/points/[^"]*/elsewhere[^"]*)"', page)
    page = shown(client, link)
    assert "Beaten: <strong>a jab" in page
    assert "in 1 other fight" in page
    assert "Beat it 1 of 1 times (100 %, 95 % interval 21 to 100 %)" in page
    assert "by Jonas Brandt" in page
    (clip,) = set(re.findall(r'name="clip" value="(\d+)"', page))
    row = Library(folder).finding.clip(int(clip))
    assert row.fight == "open gop"
    answer = post(client, f"/breakdowns/{name}/points/he-tries-it/take", clip=clip, q="jab")
    assert answer.status_code == 303
    assert f"Clip {clip} is at the end of this point now" in shown(client, answer.location)
    assert f"- [it](clip:1)\n- [open gop, round 1](clip:{clip})\n".encode() in kept(folder, name)
    page = shown(client, f"/breakdowns/{name}/points/bare/elsewhere")
    assert "say what is to be beaten" in page
    assert "is not understood" in shown(client, f"/breakdowns/{name}/points/bare/elsewhere?q=jibber")
    assert client.get(f"/breakdowns/{name}/points/gone/elsewhere").status_code == 404


def test_a_script_puts_things_in(client: Any, folder: Path) -> None:
    name = Library(folder).making.breakdowns.put(None, EMPTY)
    headers = {"X-Form-Key": client.key}
    address = f"/api/breakdowns/{name}/insert"
    seen = client.get(f"/api/breakdowns/{name}").get_json()["seen"]
    for target, more in (
        ("clip:1", {"text": "it", "treatment": "slow 0.5"}), ("count:jab", {}), ("find:jab?limit=1", {"text": "f"}),
    ):  # fmt: skip
        answer = client.post(address, json={"point": "Second", "target": target, **more}, headers=headers)
        assert answer.status_code == 201, answer.get_json()
    text = kept(folder, name).decode()
    assert text.endswith(
        'Said too.\n\nA jab: [0 of 2](count:jab).\n\n- [it](clip:1 "slow 0.5")\n- [f](<find:jab?limit=1>)\n'
    )
    for wrong, status in (
        ({"point": "9", "target": "clip:1"}, 404),
        ({"point": "1", "target": "https://example.org"}, 400),
        ({"point": "1", "target": "count:jibber"}, 400),
        ({"point": "1", "target": "clip:1", "treatment": "wobble"}, 400),
        ({"point": "1", "target": "clip:1", "seen": seen}, 409),
        ({"point": "1", "target": 3}, 400),
    ):
        assert client.post(address, json=wrong, headers=headers).status_code == status, wrong
    assert kept(folder, name).decode() == text
    answer = client.put(f"/api/breakdowns/{name}", json={"text": "# X\n", "seen": seen}, headers=headers)
    assert answer.status_code == 409
