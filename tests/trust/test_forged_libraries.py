"""Catalogues that are none, or that a stranger wrote: nothing is taken for a new library, nothing is served or
removed that lies elsewhere (CWE-22, CWE-73)."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import sqlite3
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

from cliplib import Library, restore
from cliplib.catalogue import state
from cliplib.core.errors import FootageError, InputError, StorageError
from cliplib.library.care import backup as backups
from cliplib_web import create_app
from tests import libraries

# Private parts: the limit is lowered, so that it is reached.


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("forged")
    libraries.make_fight(place / "fights" / "one")
    library = Library(place / "library", create=True)
    library.logging.ingest([place / "fights"])
    library.close()
    return place


@pytest.fixture
def place(built: Path, tmp_path: Path) -> Path:
    shutil.copytree(built, tmp_path / "copy")
    return tmp_path / "copy"


def held(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


# --- what is no catalogue --------------------------------------------------------------------------------


def foreign(path: Path) -> None:
    raw = sqlite3.connect(path)
    raw.executescript(
        "CREATE TABLE meta (key, value); CREATE TABLE songs (name); INSERT INTO songs VALUES ('x')"
    )
    raw.close()


def emptied(path: Path) -> None:
    """A database without a table, as sqlite3 writes one."""
    raw = sqlite3.connect(path)
    raw.executescript("CREATE TABLE t (x); DROP TABLE t; VACUUM")
    raw.close()


def somebody_elses(path: Path) -> None:
    """Our tables, under another application's number."""
    raw = sqlite3.connect(path)
    raw.executescript(
        "CREATE TABLE _sqlite_migrations (id, migration_set, name, applied_at); CREATE TABLE meta (a);"
        "CREATE TABLE fights (a); PRAGMA application_id = 7;"
        "INSERT INTO _sqlite_migrations VALUES (1, 'cliplib', 'first_tables', '')"
    )
    raw.close()


NONE = {
    "zero bytes": lambda path: path.write_bytes(b""),
    "foreign": foreign, "emptied": emptied, "somebody else's": somebody_elses,
    "text": lambda path: path.write_bytes(b"not a database at all\n" * 400),
    "cut short": lambda path: path.write_bytes(b"SQLite format 3\0" + bytes(40)),
}  # fmt: skip


@pytest.mark.parametrize("kind", NONE)
def test_what_is_no_catalogue_is_never_taken_for_a_new_library(place: Path, kind: str) -> None:
    """No command writes over it; each says what to do, and all that is there stays as it was."""
    folder = place / "library"
    for left in folder.glob("catalogue.db*"):
        left.unlink()
    NONE[kind](folder / "catalogue.db")
    before = held(folder)
    for create in (False, True):
        with pytest.raises(StorageError, match=r"backup|copy of it back"):
            Library(folder, create=create)
    for words in (["ingest", str(place / "fights")], ["check", "--repair"], ["find", "jab"]):
        command = [sys.executable, "-m", "cliplib", "--library", str(folder), *words]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 1, done.stderr
        assert "Traceback" not in done.stderr
        assert "backup" in done.stderr or "put a copy of it back" in done.stderr
    assert held(folder) == before


def test_a_log_of_changes_without_its_catalogue_is_no_new_library(tmp_path: Path) -> None:
    """SQLite would replay it over the new file."""
    (tmp_path / "catalogue.db-wal").write_bytes(b"x" * 100)
    with pytest.raises(StorageError, match="put the file back"):
        Library(tmp_path, create=True)
    assert [path.name for path in tmp_path.iterdir()] == ["catalogue.db-wal"]


def test_a_library_says_what_it_is(place: Path) -> None:
    path = place / "library" / "catalogue.db"
    raw = sqlite3.connect(path)
    assert raw.execute("PRAGMA application_id").fetchone()[0] == state.APPLICATION
    raw.execute("PRAGMA application_id = 0")  # as libraries of before did
    raw.close()
    assert len(Library(place / "library").finding.fights()) == 1
    # Bytes 68 to 71 of the header (SQLite's fileformat2.html, 1.3.15).
    assert path.read_bytes()[68:72] in (b"clip", bytes(4))


# --- what lies elsewhere ---------------------------------------------------------------------------------

SECRET = "root:x:0:0"
ELSEWHERE = (
    "/etc/passwd", "../../etc/passwd", "clips/../../secret.mp4", "clips/..", "passphrases.json", "clips",
    "catalogue.db", "clips/.hidden", "clips//etc/passwd", "C:/secret", "clips/a\\..\\..\\b", "fights/x/y",
)  # fmt: skip


def forge(place: Path, sql: str, *values: object) -> None:
    raw = sqlite3.connect(place / "library" / "catalogue.db")
    raw.execute(sql, values)
    raw.commit()
    raw.close()


@pytest.mark.parametrize("name", ELSEWHERE)
def test_a_forged_clip_serves_no_other_file(place: Path, name: str) -> None:
    (place / "secret.mp4").write_text(SECRET)
    forge(place, "UPDATE clips SET file = ?, poster = ? WHERE exchange_id = 1", name, name)
    client = create_app(place / "library").test_client()
    for address in ("/clips/1.mp4", "/clips/1.jpg", "/clip/1"):
        with client.get(address, base_url="http://127.0.0.1") as answer:
            assert answer.status_code == (200 if address == "/clip/1" else 404)
            assert SECRET.encode() not in answer.data
    library = Library(place / "library")
    (found, again) = (f for f in library.care.check() if "no clip or poster" in f.what)
    assert name[:80] in found.what
    assert "clip 1" in again.what
    (place / "outside").mkdir()
    library.care.check(repair=True)
    assert (place / "secret.mp4").read_text() == SECRET
    library.logging.ingest([fight.folder for fight in library.finding.fights()])
    assert libraries.faults(library) == []
    with client.get("/clips/1.mp4", base_url="http://127.0.0.1") as answer:
        assert answer.status_code == 200


@pytest.mark.parametrize("column", ["path", "sliced_path"])
def test_forged_footage_serves_no_other_file(place: Path, column: str) -> None:
    """Also with size and time as they are: what is served is what was probed."""
    secret = place / "secret.mp4"
    secret.write_text(SECRET)
    forge(
        place, f"UPDATE footage SET {column} = ?, size = ?, mtime_ns = ?",
        str(secret), secret.stat().st_size, secret.stat().st_mtime_ns,
    )  # fmt: skip
    client = create_app(place / "library").test_client()
    with client.get("/fights/1/footage.mp4", base_url="http://127.0.0.1") as answer:
        assert SECRET.encode() not in answer.data
    library = Library(place / "library")
    if column == "path":
        with pytest.raises(FootageError, match="has changed"):
            library.making.still(1, 3)
    library.care.check(repair=True)
    assert secret.read_text() == SECRET


def test_footage_kept_in_the_library_is_never_a_working_copy(place: Path) -> None:
    """Footage that was sent lies in the library itself; `check --repair` must not remove it as a spoilt copy."""
    library = Library(place / "library")
    own = place / "library" / "fights" / "two"
    libraries.make_fight(own, title="Okafor v Lindqvist")
    library.logging.ingest([own])
    film = own / "fight.mp4"
    film.write_bytes(film.read_bytes()[:-1000])
    library.care.check(repair=True)
    assert film.is_file()


# --- backups that a stranger made ------------------------------------------------------------------------


def packed(place: Path, out: Path, files: dict[str, bytes], *, twice: str = "", extra: int = 0) -> Path:
    """A backup of these files with a manifest that fits, whatever they are."""
    noted = {n: {"size": len(b), "sha256": hashlib.sha256(b).hexdigest()} for n, b in files.items()}
    manifest = json.dumps({"form": backups.FORM, "cliplib": "1", "made": "", "files": noted}).encode()
    with tarfile.open(out, "w") as tar:
        for name, data in [
            *files.items(),
            *([(twice, b"other")] if twice else []),
            (backups.MANIFEST, manifest),
        ]:
            member = tarfile.TarInfo(name)
            member.size = len(data)
            tar.addfile(member, io.BytesIO(data))
    return out


def catalogue_bytes(place: Path, *statements: str) -> bytes:
    library = Library(place / "library")
    copy = place / "copy.db"
    library.desk.catalogue.care.copy_to(copy)
    raw = sqlite3.connect(copy)
    for statement in statements:
        raw.execute(statement)
    raw.commit()
    raw.close()
    return copy.read_bytes()


def test_a_backup_is_tested_whole_before_it_becomes_anything(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = catalogue_bytes(place)
    damaged = bytearray(good)
    damaged[4096 * 3 : 4096 * 4] = bytes(4096)
    other = place / "other.db"
    foreign(other)
    bad = {
        "“catalogue.db” twice": ({"catalogue.db": good}, "catalogue.db"),
        "“themes/a.toml” twice": ({"catalogue.db": good, "themes/a.toml": b"x"}, "themes/a.toml"),
        "no catalogue of cliplib": ({"catalogue.db": other.read_bytes()}, ""),
        "is empty": ({"catalogue.db": b""}, ""),
        "not a catalogue": ({"catalogue.db": b"nothing of the kind" * 300}, ""),
        "no sound library|damaged": ({"catalogue.db": bytes(damaged)}, ""),
        "names “/etc/passwd”": (
            {"catalogue.db": catalogue_bytes(place, "UPDATE clips SET file = '/etc/passwd' WHERE exchange_id = 1")}, "",
        ),
        "is not TOML": ({"catalogue.db": good, "settings.toml": b"lead_in = = 3"}, ""),
        "no part of a backup": ({"catalogue.db": good, "session.key": b"k" * 32}, ""),
        "newer cliplib": (
            {"catalogue.db": catalogue_bytes(
                place, "INSERT INTO _sqlite_migrations (migration_set, name) VALUES ('cliplib', 'of_2031')")}, "",
        ),
    }  # fmt: skip
    for number, (said, (files, twice)) in enumerate(bad.items()):
        backup = packed(place, place / f"{number}.tar", files, twice=twice)
        with pytest.raises(InputError, match=said):
            restore(backup, place / "restored")
        assert not (place / "restored").exists()
        assert list(place.glob(".restore-*")) == []
    monkeypatch.setattr(backups, "_MOST_FILES", 5)
    many = packed(
        place, place / "many.tar", {"catalogue.db": good, **{f"themes/{n}.toml": b"" for n in range(9)}}
    )
    with pytest.raises(InputError, match=r"more than 5 files, “themes/"):
        restore(many, place / "restored")


def test_an_honest_backup_still_restores(place: Path) -> None:
    library = Library(place / "library")
    library.care.backup(place / "b.tar", clips=True)
    restore(place / "b.tar", place / "restored")
    again = Library(place / "restored")
    assert libraries.faults(again, deep=True) == []
