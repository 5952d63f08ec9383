"""Damage that `check --repair` meets in the wild: footage exchanged or cut short, and things in the way."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from cliplib import Library
from tests.libraries import ROWS, clip_files, dump, faults, make_fight
from tests.media import footage


@pytest.fixture
def library(tmp_path: Path) -> Library:
    make_fight(tmp_path / "fights" / "one")
    make_fight(tmp_path / "fights" / "two", title="Other", rows=ROWS[:2])
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    library.finding.find("nice")
    return library


def _said(library: Library, **how: bool) -> list[str]:
    return [str(f) for f in faults(library, **how)]


def _first_clip(library: Library) -> Path:
    file = library.finding.clip(1).file
    assert file is not None
    return file


def test_exchanged_footage_comes_to_what_a_fresh_library_has(library: Library, tmp_path: Path) -> None:
    film = tmp_path / "fights" / "one" / "fight.mp4"
    before = clip_files(library.folder)
    shutil.copy(footage.make("open gop").path, film)
    assert [said.rpartition(": ")[2] for said in _said(library, repair=True)] == ["ingested again"]
    assert _said(library, deep=True) == []
    fresh = Library(tmp_path / "fresh", create=True)
    assert fresh.logging.ingest([tmp_path / "fights"]).exit_code == 0
    assert clip_files(library.folder) == clip_files(fresh.folder) != before
    assert dump(library.folder) == dump(fresh.folder)


def test_footage_cut_short_costs_no_clip(library: Library, tmp_path: Path) -> None:
    film = tmp_path / "fights" / "one" / "fight.mp4"
    before, whole = clip_files(library.folder), film.read_bytes()
    for damaged in (whole[: len(whole) // 2], b""):
        film.write_bytes(damaged)
        (said,) = _said(library, repair=True)
        assert "has changed" in said
        assert "copy it again" in said
        assert clip_files(library.folder) == before
    film.write_bytes(whole)
    assert _said(library, repair=True) == []
    assert _said(library, deep=True) == []


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "somebody's own.txt").write_text("stays")


def test_a_folder_where_a_clip_belongs_keeps_nothing_else_from_being_mended(library: Library) -> None:
    blocked = _first_clip(library)
    other = next(
        c.file for c in library.finding.find("jab").clips if c.fight_id != library.finding.clip(1).fight_id
    )
    assert other is not None
    _folder(blocked)
    other.unlink()
    stays, made = sorted(_said(library, repair=True))
    assert "move it away" in stays
    assert made.endswith("made again")
    assert (blocked / "somebody's own.txt").exists()
    shutil.rmtree(blocked)
    assert all(said.endswith("made again") for said in _said(library, repair=True))
    assert _said(library, deep=True) == []


def _link(path: Path, to: Path) -> None:
    path.unlink()
    path.symlink_to(to)


def test_a_link_where_a_clip_belongs_is_replaced_not_followed(library: Library, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("nobody's business")
    clip = _first_clip(library)
    _link(clip, secret)
    assert all(said.endswith("made again") for said in _said(library, repair=True))
    assert not clip.is_symlink()
    assert secret.read_text() == "nobody's business"
    assert _said(library, deep=True) == []


@pytest.mark.parametrize("name", ["index", "columns", "cache"])
def test_a_file_where_a_folder_belongs(library: Library, name: str) -> None:
    act: dict[str, Callable[[Library], object]] = {
        "index": lambda lib: lib.finding.words("nice").total,
        "columns": lambda lib: lib.finding.find("jab").total,
        "cache": lambda lib: lib.making.still(1, 0).is_file(),
    }
    wanted = act[name](library)
    shutil.rmtree(library.folder / name)
    (library.folder / name).write_text("x")
    again = Library(library.folder)
    (said,) = _said(again)
    assert "where a folder belongs" in said
    assert all("made anew" in said for said in _said(again, repair=True))
    assert act[name](again) == wanted
    assert _said(again, deep=True) == []
