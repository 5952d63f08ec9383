"""Breakdowns on the pages, over HTTP and in Chromium: the same documents that the commands use."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library
from cliplib_web import create_app
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


def test_a_broken_breakdown_does_not_hide_the_others(client: Any, folder: Path) -> None:
    breakdowns = Library(folder).making.breakdowns
    bad, good = breakdowns.put(None, "# Bad\n\n## P\n\nx\n"), breakdowns.put(None, TEXT)
    (folder / "breakdowns" / bad / "breakdown.notes.json").write_text("{", encoding="utf-8")
    page = shown(client, "/breakdowns/")
    assert "cannot be read" in page
    assert f"/breakdowns/{good}/" in page


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
            return answer.status_code, answer.get_data(as_text=True)

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
    for word in ("Write", "Build the film", "Throw away", "Talk over", "elsewhere"):
        assert word not in page
    for name in ("hidden-one", "told-of", "nobody-wrote-it"):
        for ending in ("", "film.mp4", "files/description.txt"):
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
        "/breakdowns/open-one/build", "/breakdowns/open-one/remove", "/breakdowns/into?q=jab",
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
