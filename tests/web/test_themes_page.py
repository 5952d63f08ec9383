"""Themes and hand-over on the pages, over HTTP and in Chromium: the same files that the commands use."""

from __future__ import annotations

import io
import json
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import opentimelineio
import pytest
import webvtt

from cliplib import InputError, Library, NotFoundError, ThemeError, text_of_fields
from cliplib.cli import main
from cliplib_web import create_app
from cliplib_web.finding import lists
from tests import libraries
from tests.web import served
from tests.web.browser import chromium, needs_chromium, new_page

PLAIN = 'phrase = "jab"\n[picture]\ncards = false\n'


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return served.kinds_library(tmp_path_factory.mktemp("themes"), ("closed gop",))


@pytest.fixture
def folder(whole: Path) -> Iterator[Path]:
    yield whole
    for one in (library := Library(whole)).making.themes.all():
        library.making.themes.remove(one.name)
    library.close()


@pytest.fixture
def client(folder: Path) -> Any:
    client = create_app(folder).test_client()
    page = client.get("/themes/new").text
    client.key = page.split('name="form_key" value="')[1].split('"')[0]
    return client


def post(client: Any, path: str, **fields: str) -> Any:
    return client.post(path, data={"form_key": client.key, **fields})


def finished(client: Any, answer: Any) -> str:
    """Where a piece of work led to."""
    assert answer.status_code == 303, answer.text
    events = client.get(f"{answer.location}/events").text
    last = json.loads(events.strip().split("data: ")[-1])
    assert last["state"] == "done", last
    return str(last["result"])


def file(client: Any, path: str) -> bytes:
    """What a download holds."""
    with client.get(path) as answer:
        assert answer.status_code == 200
        return bytes(answer.data)


FORM = {
    ".phrase": "jab or hook",
    ".title": "Jabs – and “hooks”",
    ".order": "alternate",
    ".chapters": "none",
    "limits.clips": "12",
    "slow": "1",
    "slow.speed": "0.25",
    "slow.sound": "muted",
    "zoom": "1",
    "zoom.region": "0.2, 0.1 0.5,0.5",
    "zoom.shots": "slow,freeze",
    "picture.preset": "standard",
    "picture.captions": "1",
    "picture.size": "480x272",
}


def test_the_form_writes_a_theme_file_and_shows_it_again(client: Any, folder: Path) -> None:
    answer = post(client, "/themes/new", **FORM)
    assert (answer.status_code, answer.location) == (303, "/themes/jabs-and-hooks/")
    text = (folder / "themes" / "jabs-and-hooks.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text) == {
        "phrase": "jab or hook",
        "title": "Jabs – and “hooks”",
        "order": "alternate",
        "limits": {"clips": 12},
        "slow": {"speed": 0.25},
        "zoom": {"region": [0.2, 0.1, 0.5, 0.5], "shots": ["slow", "freeze"]},
        "picture": {"size": "480x272", "cards": False},
    }


@needs_chromium[0]
@needs_chromium[1]
def test_what_the_form_shows_sent_as_it_is_changes_nothing(client: Any, folder: Path) -> None:
    post(client, "/themes/new", **FORM)
    text = (folder / "themes" / "jabs-and-hooks.toml").read_text(encoding="utf-8")
    with chromium() as browser, served.serve(folder) as address, new_page(browser) as page:
        page.goto(f"{address}/themes/jabs-and-hooks/")
        page.locator("[name='limits.clips']").fill("13")
        page.get_by_role("button", name="Keep", exact=True).click()
        page.wait_for_function("() => document.querySelector('textarea').value.includes('13')")
    after = (folder / "themes" / "jabs-and-hooks.toml").read_text(encoding="utf-8")
    assert after == text.replace("clips = 12", "clips = 13")


def test_what_the_form_does_not_show_is_kept(client: Any, folder: Path) -> None:
    """Treatments of single clips, and names of the same title."""
    text = PLAIN + '[[clips]]\nid = 1\ncaption = ["Look at the feet"]\nslow = false\n'
    assert post(client, "/themes/new", text=text).location == "/themes/jab/"
    assert post(client, "/themes/new", text=PLAIN).location == "/themes/jab-2/"
    assert (folder / "themes" / "jab.toml").read_text(encoding="utf-8") == text  # to the letter
    post(client, "/themes/jab/", **{".phrase": "jab", ".order": "round"})
    theme = Library(folder).making.themes.read("jab")
    assert theme.order == "round"
    assert [(c.id, c.caption, c.slow) for c in theme.changes] == [(1, ("Look at the feet",), False)]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({".phrase": ""}, "phrase"),
        ({"limits.clips": "many"}, "clips must be a whole number"),
        ({"slow": "1", "slow.speed": "2"}, "speed must be a share of the real speed"),
        ({"zoom": "1", "zoom.region": "0.2 0.1"}, "region must be 4 shares"),
        ({"picture.rate": "fast"}, "rate must be frames a second"),
        ({".phrase": "jab jabberwock", ".strict": "1"}, "jabberwock"),
        ({"text": 'phrase = "jab\n'}, "is not TOML"),
        ({"text": 'phrase = "jab"\nordre = "date"\n'}, "theme.toml:2:1: ordre is not a key of a theme"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_kept(
    client: Any, folder: Path, fields: dict[str, str], said: str
) -> None:
    answer = post(client, "/themes/new", **{".phrase": "jab", **fields})
    assert answer.status_code == 400
    told = answer.text.split('role="alert">')[1].split("</p>")[0]
    assert said in told.replace("&#34;", '"').replace("&#39;", "'")
    assert Library(folder).making.themes.all() == []


def test_checking_keeps_nothing_and_counts(client: Any, folder: Path) -> None:
    answer = post(client, "/themes/new", **{".phrase": "jab", "check": "1"})
    assert answer.status_code == 200
    assert "It would show 1 clip now." in answer.text
    assert 'value="jab"' in answer.text
    assert Library(folder).making.themes.all() == []
    answer = post(client, "/themes/new", **{".phrase": "bolo punch", "check": "1"})
    assert "It would show nothing now" in answer.text


def test_a_reel_is_made_kept_and_made_anew_when_the_theme_changes(client: Any, folder: Path) -> None:
    post(client, "/themes/new", text=PLAIN)
    assert "has not been made yet" in client.get("/themes/jab/").text
    assert finished(client, post(client, "/themes/jab/build")) == "/themes/jab/"
    film = file(client, "/themes/jab/reel.mp4")
    assert film == (folder / "reels" / "jab.mp4").read_bytes()
    page = client.get("/themes/jab/").text
    assert "of 1 clip." in page
    assert "<li>new</li>" in page
    finished(client, post(client, "/themes/build"))
    assert "Nothing had changed when it was looked at again" in client.get("/themes/jab/").text
    assert file(client, "/themes/jab/reel.mp4") == film
    post(client, "/themes/jab/", **{".phrase": "punch", "limits.overlap": "1", "picture.size": ""})
    finished(client, post(client, "/themes/jab/build"))
    page = client.get("/themes/jab/").text
    assert "of 2 clips." in page
    assert "<li>added: " in page
    # The command sees the same theme, and finds its reel up to date.
    assert main.run(["--library", str(folder), "themes", "build"]) == 0
    last = Library(folder).making.themes.one("jab").last
    assert last is not None
    assert (last.clips, bool(last.checked)) == (2, True)
    assert post(client, "/themes/jab/remove").status_code == 303
    assert not (folder / "reels" / "jab.mp4").exists()
    assert client.get("/themes/jab/").status_code == 404


def test_a_theme_never_takes_the_place_of_a_kept_reel(client: Any, folder: Path) -> None:
    library = Library(folder)
    name = library.making.make_reel([1], title="Jab")
    before = library.making.made_reel(name).file.read_bytes()
    assert library.making.themes.put(PLAIN) == "jab-2"
    (folder / "themes" / "jab.toml").write_text(PLAIN, encoding="utf-8")
    with pytest.raises(InputError, match=r"rename themes/jab\.toml"):
        library.making.themes.build("jab")
    library.making.themes.remove("jab")
    assert library.making.made_reel(name).file.read_bytes() == before
    library.making.remove_reel(name)


@pytest.mark.parametrize("name", ["..", "../catalogue", "a/b", "none", "", "x\0y"])
def test_a_name_never_leads_outside_the_folder(folder: Path, name: str) -> None:
    themes = Library(folder).making.themes
    for act in (themes.one, themes.text, themes.read, themes.remove, lambda n: themes.put(PLAIN, n)):
        with pytest.raises(NotFoundError):
            act(name)


def test_a_file_that_cannot_be_read_is_shown_as_text(client: Any, folder: Path) -> None:
    (folder / "themes").mkdir(exist_ok=True)
    (folder / "themes" / "bad one.toml").write_text('phrase = "jab"\norder = "up"\n', encoding="utf-8")
    assert "cannot be read" in client.get("/themes/").text
    page = client.get("/themes/bad one/").text
    assert "bad one.toml:2:1: order must be one of" in page
    assert 'name="text"' in page
    assert 'name=".phrase"' not in page
    with pytest.raises(ThemeError):
        Library(folder).making.themes.build("bad one")
    assert post(client, "/themes/bad one/", text=PLAIN).status_code == 303
    assert Library(folder).making.themes.one("bad one").problem == ""


def test_fields_become_a_file_that_says_the_same() -> None:
    fields = {"phrase": 'a "b"\\\n', "limits": {"clips": 3}, "zoom": {"region": [0.1, 1], "shots": ["slow"]}}
    assert tomllib.loads(text_of_fields(fields)) == fields


def test_themes_on_the_command_line(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def run(*arguments: object) -> tuple[int, str]:
        capsys.readouterr()
        code = main.run(["--library", str(folder), "themes", *map(str, arguments)])
        out, err = capsys.readouterr()
        return code, out + err

    mine = tmp_path / "mine.toml"
    mine.write_text(PLAIN, encoding="utf-8")
    assert run("put", mine) == (0, "jab\n")
    assert run("show", "jab") == (0, PLAIN)
    mine.write_text(PLAIN.replace("jab", "hook"), encoding="utf-8")
    assert run("put", mine, "--name", "jab") == (0, "jab\n")
    assert run("list") == (0, "jab: hook (no reel yet)\n")
    (told,) = json.loads(run("list", "--json")[1])
    assert told == {"name": "jab", "title": "hook", "phrase": "hook", "problem": None, "reel": None}
    mine.write_text("phrase = 3", encoding="utf-8")
    code, said = run("put", mine, "--name", "jab")
    assert (code, "phrase must be text" in said) == (2, True)
    assert run("remove", "jab") == (0, "")
    assert run("list") == (0, "")


def test_a_reel_and_a_theme_are_handed_over(client: Any, folder: Path) -> None:
    """Every kind, read by libraries that are not ours where there is one."""
    library = Library(folder)
    name = library.making.make_reel("jab", title="Jab & more")
    library.making.themes.put(PLAIN)
    assert f"/handover/reel/{name}/" in client.get(f"/reels/{name}/").text
    clip = library.finding.find("jab").clips[0]
    for of, what in (("reel", name), ("theme", "jab")):
        files = {}
        for kind in library.making.handover.kinds:
            path = f"/handover/{of}/{what}/{kind}"
            assert client.get(f"/handover/{of}/{what}/").text.count(f'action="{path}"') == 1
            to = finished(client, post(client, path))
            assert f'href="{path}" download' in client.get(to).text
            files[kind] = file(client, path)
        timeline = opentimelineio.adapters.read_from_string(files["timeline"].decode(), "otio_json")
        (told,) = timeline.tracks[0].find_clips()
        assert clip.start_frame is not None
        assert told.source_range.start_time.value == clip.start_frame
        captions = webvtt.from_buffer(io.StringIO(files["captions"].decode()))
        assert len(captions) == 1
        assert files["sheet"].startswith(b"%PDF-")
        assert files["edl"].startswith(b"TITLE:")
        with zipfile.ZipFile(io.BytesIO(files["bundle"])) as packed:
            assert packed.testzip() is None
            (manifest,) = (n for n in packed.namelist() if n.endswith("manifest.json"))
            listed = {one["file"]: one["bytes"] for one in json.loads(packed.read(manifest))["files"]}
            held = {
                i.filename.split("/", 1)[1]: i.file_size for i in packed.infolist() if i.filename != manifest
            }
        assert held == listed
    assert post(client, f"/handover/reel/{name}/fax").status_code == 404
    assert client.get(f"/handover/fight/{name}/").status_code == 404
    library.making.remove_reel(name)


def test_what_is_drawn_is_in_a_bundle_of_the_same_reel(tmp_path: Path) -> None:
    """Reel and hand-over are made of the same parts."""
    libraries.make_fight(tmp_path / "fights" / "one")
    library = Library(tmp_path / "library", create=True)
    library.logging.ingest([tmp_path / "fights"])
    library.making.drawings.add(1, {"kind": "line", "points": [[0.2, 0.2], [0.8, 0.8]]})
    library.making.reel([1], tmp_path / "reel.mp4")
    made = library.making.handover.bundle([1], tmp_path / "bundle")
    assert (made.reel.made, made.reel.reused) == (0, 1)


def test_who_may_only_look_sees_no_private_clip_in_a_theme(tmp_path: Path) -> None:
    for name, private in (("one", True), ("two", False)):
        fight = libraries.make_fight(tmp_path / "fights" / name, title=name)
        if private:
            toml = fight / "fight.toml"
            toml.write_text("private = true\n" + toml.read_text(encoding="utf-8"), encoding="utf-8")
    library = Library(tmp_path / "library", create=True)
    library.logging.ingest([tmp_path / "fights"])
    library.making.themes.put(PLAIN)
    library.making.themes.put(PLAIN.replace("jab", "jab in two"), None)
    for one in library.making.themes.all():
        library.making.themes.build(one.name)
        library.making.handover.of_theme(one.name, "shots")
    assert [one.last.clips for one in library.making.themes.all() if one.last] == [2, 1]
    library.making.drawings.add(1, {"kind": "line", "points": [[0.2, 0.2], [0.8, 0.8]]})
    looking = Library(tmp_path / "library", hide_private=True)
    everything, open_one = looking.making.themes.all()
    assert (everything.reel, everything.last) == (None, None)
    assert open_one.reel is not None
    for act in (
        lambda: looking.making.handover.ready("theme", "jab", "shots"),
        lambda: looking.making.drawings.of(1),
    ):
        with pytest.raises(NotFoundError):
            act()


@needs_chromium[0]
@needs_chromium[1]
def test_a_theme_opens_with_five_choices(tmp_path: Path) -> None:
    """Phrase, title, order, how many, slow replays; the rest is folded, and what is folded is kept all the same."""
    folder = served.make_library(tmp_path)
    with served.serve(folder) as address, chromium() as browser, new_page(browser) as page:
        page.goto(f"{address}/themes/new?q=jab")
        seen = page.locator(".theme-form :is(input, select):not([type=hidden])").evaluate_all(
            "(all) => all.filter((e) => e.checkVisibility()).map((e) => e.name)"
        )
        assert seen == [".phrase", ".title", ".order", "limits.clips", "slow"]
        page.get_by_label("Title", exact=True).fill("Jabs")
        page.get_by_text("Everything else").click()
        page.get_by_label("Line under the title").fill("for Tuesday")
        page.get_by_role("button", name="Keep", exact=True).click()
        page.wait_for_url("**/themes/jabs/")
    text = Library(folder).making.themes.text("jabs")
    assert 'subtitle = "for Tuesday"' in text
    assert "clips = 20" in text
    assert "[slow]" in text


def test_a_themes_clips_are_those_of_its_reel(client: Any, folder: Path) -> None:
    """In the theme's own order and number, not as a plain search for its phrase lists them."""
    library = Library(folder)
    name = library.making.themes.put('phrase = "punch"\norder = "round"\n[limits]\nclips = 1\n')
    shown = library.making.themes.clips(name)
    assert len(shown) == 1 < library.finding.find("punch").total
    with client.application.test_request_context():
        listed = lists.listed(library, {"theme": name})
    assert listed is not None
    assert (listed.numbers, listed.phrase) == (shown, "punch")
    library.close()
