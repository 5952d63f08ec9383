"""A new fight made in the library: footage sent in pieces or from the roots, hostile files refused."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest

from cliplib import (
    BusyError,
    FightFolderError,
    FootageError,
    InputError,
    Library,
    NewFight,
    NotFoundError,
    StorageError,
)
from cliplib.library.logging import fights as library_new
from tests.media import footage
from tests.web import served
from tests.web.browser import needs_chromium, new_page

NEW = NewFight("Okoro v Visser", "Ada Okoro", "Bram Visser", rounds="1", round_seconds="7", rest_seconds="60",
               first_bell="0:01", date="2024-06-01")  # fmt: skip


@pytest.fixture
def library(tmp_path: Path) -> Library:
    films = tmp_path / "films"
    films.mkdir()
    (tmp_path / "library").mkdir()
    (tmp_path / "library" / "settings.toml").write_text('footage_roots = ["../films"]\n', encoding="utf-8")
    (films / "no ending").write_bytes(footage.make("closed gop").path.read_bytes())
    (films / "notes.txt").write_text("not footage")
    return Library(tmp_path / "library", create=True)


def held(library: Library) -> list[str]:
    return sorted(
        str(p.relative_to(library.folder))
        for kind in ("fights", "uploads")
        for p in (library.folder / kind).rglob("*")
    )


def send(library: Library, data: bytes, size: int = 100_000) -> str:
    upload = library.logging.new_fights.begin(len(data))
    for start in range(0, len(data), size):
        upload = library.logging.new_fights.append(upload.key, start, data[start : start + size])
    assert upload.complete
    return upload.key


def test_from_the_footage_roots_whatever_it_is_called(library: Library) -> None:
    (path,) = library.logging.new_fights.candidates()
    assert Path(path).name == "no ending"
    fight_id = library.logging.new_fights.make(NEW, footage=path)
    fight = library.finding.fight(fight_id)
    assert (fight.title, fight.info.red.name, fight.info.round_starts_us) == (
        "Okoro v Visser", "Ada Okoro", (1_000_000,),
    )  # fmt: skip
    assert len(library.logging.live.timeline(fight_id)) == len(footage.make("closed gop"))
    line = library.logging.live.add(fight_id, "MK", 60, "jab landed", fighter="Ada Okoro")
    assert library.finding.find("jab").clips[0].fight == "Okoro v Visser"
    library.logging.ingest([fight.folder])
    assert library.logging.live.lines(fight_id, "MK")[0].id == line.id


def test_sent_in_pieces(library: Library) -> None:
    data = footage.make("matroska").path.read_bytes()
    fight_id = library.logging.new_fights.make(NEW, upload=send(library, data))
    kept = library.finding.fight(fight_id).footage
    assert kept is not None
    assert (kept.suffix, kept.read_bytes()) == (".mkv", data)
    assert [name for name in held(library) if name.startswith("uploads")] == []


def test_pieces_that_do_not_fit(library: Library) -> None:
    uploads = library.logging.new_fights
    key = uploads.begin(10).key
    assert uploads.append(key, 0, b"abcd").offset == 4
    for offset in (0, 3, 5):
        with pytest.raises(BusyError, match="4 bytes are here"):
            uploads.append(key, offset, b"x")
    with pytest.raises(InputError):
        uploads.append(key, 4, b"1234567")
    assert uploads.upload(key).offset == 4
    with pytest.raises(InputError, match="only 4 of 10"):
        uploads.make(NEW, upload=key)
    uploads.drop(key)
    with pytest.raises(NotFoundError):
        uploads.upload(key)


@pytest.mark.parametrize("key", ["", "../../catalogue.db", "x" * 20, "a/b", "..", "%2e%2e"])
def test_keys_that_are_none(library: Library, key: str) -> None:
    with pytest.raises(NotFoundError):
        library.logging.new_fights.upload(key)


def test_too_large_or_no_room(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    for size in (0, -1, library_new.LARGEST + 1):
        with pytest.raises(InputError):
            library.logging.new_fights.begin(size)
    monkeypatch.setattr(library_new, "SPARE", 1 << 62)
    with pytest.raises(StorageError, match="room"):
        library.logging.new_fights.begin(10)
    assert held(library) == []


def test_room_is_promised_to_one_only(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files that are announced together must fit together, and what stays free stays free while they come."""
    free = [library_new.SPARE + 1000]
    monkeypatch.setattr(
        "cliplib.library.logging.fights.shutil.disk_usage", lambda _: type("Usage", (), {"free": free[0]})()
    )
    first = library.logging.new_fights.begin(600)
    with pytest.raises(StorageError, match="not enough room"):
        library.logging.new_fights.begin(600)
    assert library.logging.new_fights.append(first.key, 0, b"x" * 500).offset == 500
    free[0] -= 500
    second = library.logging.new_fights.begin(400)
    free[0] -= 450
    assert library.logging.new_fights.append(second.key, 0, b"x" * 50).offset == 50
    with pytest.raises(StorageError, match="not enough room"):
        library.logging.new_fights.append(second.key, 50, b"x" * 100)
    assert library.logging.new_fights.upload(second.key).offset == 50
    library.logging.new_fights.drop(first.key)


@pytest.mark.parametrize(
    "data",
    [
        b"not a film at all" * 100,
        b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n",
        b"ffconcat version 1.0\nfile '/etc/passwd'\n",
        b"\x00" * 5000,
        b"<?xml version='1.0'?><MPD/>",
    ],
)
def test_what_is_no_footage_is_refused(library: Library, data: bytes) -> None:
    """Playlists and lists of files must not be followed, whatever the file is called."""
    key = send(library, data)
    before = held(library)
    with pytest.raises(FootageError):
        library.logging.new_fights.make(NEW, upload=key)
    assert held(library) == before
    assert library.finding.fights() == ()


@pytest.mark.parametrize(
    "changes",
    [{"title": ""}, {"red": "Bram Visser"}, {"date": "yesterday"}, {"rounds": "many"}, {"rounds": "0"},
     {"red_stance": "sideways"}, {"first_bell": "1:99"}, {"title": 'a"\n[log]\nx = 1'},
     {"round_seconds": "1\ntitle = 2"}],
)  # fmt: skip
def test_what_a_fight_cannot_be_leaves_nothing(library: Library, changes: dict[str, str]) -> None:
    from dataclasses import replace

    key = send(library, footage.make("closed gop").path.read_bytes())
    before = held(library)
    with pytest.raises(FightFolderError):
        library.logging.new_fights.make(replace(NEW, **changes), upload=key)
    assert held(library) == before
    assert library.finding.fights() == ()
    library.logging.new_fights.make(NEW, upload=key)
    with pytest.raises(FightFolderError, match="already"):
        library.logging.new_fights.make(NEW)
    assert len(library.finding.fights()) == 1


def test_titles_may_hold_anything_printable(library: Library) -> None:
    from dataclasses import replace

    title = 'The “last” one: "Ada" \\ v. B\u00fcrgi \U0001f94a'
    fight_id = library.logging.new_fights.make(replace(NEW, title=title))
    assert library.finding.fight(fight_id).title == title


@pytest.mark.parametrize("path", ["/etc/passwd", "../films/no ending", "films/../../etc/passwd", "no ending"])
def test_only_footage_of_the_roots(library: Library, path: str) -> None:
    with pytest.raises(FootageError):
        library.logging.new_fights.make(NEW, footage=path)
    outside = library.folder.parent / "secret"
    outside.write_bytes(footage.make("closed gop").path.read_bytes())
    link = library.folder.parent / "films" / "link"
    link.symlink_to(outside)
    with pytest.raises(FootageError):
        library.logging.new_fights.make(NEW, footage=str(link))


# --- the page -----------------------------------------------------------------------------------------------


@pytest.mark.browser
@needs_chromium[1]
@pytest.mark.xdist_group("pages")
def test_send_break_go_on_and_log(library: Library, browser: Any) -> None:
    """The third piece fails; the same file, chosen again after a reload, goes on where it stopped."""
    data = footage.make("closed gop").path.read_bytes() + b"\x00\x00\x00\x08free" * 400_000
    pieces: list[int] = []
    with served.serve(library.folder) as address, new_page(browser, allow="Failed to load") as page:
        broken = [True]

        def piece(route: Any) -> None:
            if route.request.method != "PATCH":
                return route.continue_()
            pieces.append(int(route.request.headers["upload-offset"]))
            if broken[0] and len(pieces) == 3:
                return route.fulfill(status=400, json={"message": "cut off"})
            return route.continue_()

        page.route("**/api/uploads/*", piece)
        page.goto(f"{address}/fights/new")
        film = {"name": "film", "mimeType": "video/mp4", "buffer": data}
        page.get_by_label("Send a file").set_input_files(film)
        page.wait_for_selector("text=cut off")
        assert pieces == [0, 1 << 20, 2 << 20]
        broken[0] = False
        page.get_by_label("Send a file").set_input_files([])
        page.get_by_label("Send a file").set_input_files(film)
        page.wait_for_selector("text=All of it is here.")
        assert pieces[3] in (0, 2 << 20)  # a file made up by the test may be new to the browser each time
        page.get_by_label("Title").fill("Okoro v Visser")
        page.get_by_label("Full name").nth(0).fill("Ada Okoro")
        page.get_by_label("Full name").nth(1).fill("Bram Visser")
        page.get_by_role("button", name="Make the fight").click()
        page.wait_for_url("**/log")
        page.get_by_label("Who logs?").fill("MK")
        page.keyboard.press("Enter")
        page.wait_for_selector(".logging[data-begun]")
    (fight,) = library.finding.fights()
    assert fight.footage is not None
    assert io.BytesIO(fight.footage.read_bytes()).getvalue() == data
