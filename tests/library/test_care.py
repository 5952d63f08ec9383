"""Looking after a library: what check finds and mends, backups, forgetting, private fights."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tarfile
import threading
from pathlib import Path

import pytest

from cliplib import Library, Line, restore
from cliplib.core.errors import InputError, NotFoundError, StorageError
from cliplib.ingest.ingest import LOCK
from cliplib.ingest.lock import only_one
from cliplib.library.care.forget import mentions
from cliplib.search.patterns import store
from tests.libraries import BLUE, ROWS, dump, faults, make_fight

# Private parts: the catalogue is spoilt behind its back.


@pytest.fixture
def library(tmp_path: Path) -> Library:
    """Two fights, one of them with a working copy; everything derived is there."""
    make_fight(tmp_path / "fights" / "one")
    make_fight(tmp_path / "fights" / "two", kind="matroska", title="Other", rows=ROWS)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    library.finding.find("jab")
    assert faults(library, deep=True) == []
    return library


def _clips(library: Library, kind: str = "clips") -> list[Path]:
    return sorted((library.folder / kind).rglob("*.*"))


def test_columns_of_an_older_version_are_no_damage(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first `check` after an upgrade: they are made anew by the next search."""
    found = library.finding.find("jab").total
    monkeypatch.setattr(store, "LAYOUT", store.LAYOUT + 1)
    upgraded = Library(library.folder)
    assert not [f for f in upgraded.care.check() if "columns" in f.what]
    assert upgraded.finding.find("jab").total == found


def test_check_mends_what_was_lost_or_altered(library: Library) -> None:
    before = dump(library.folder)
    clips, posters, copies = (_clips(library, kind) for kind in ("clips", "posters", "working"))
    clips[0].unlink()
    with clips[1].open("r+b") as file:  # the size stays: only reading it all shows this
        file.seek(-20, os.SEEK_END)
        file.write(b"spoilt")
    posters[0].write_bytes(b"")
    copies[0].write_bytes(copies[0].read_bytes()[:5000])
    (clips[0].parent / "r01-0m05.0-99-0123abcd.mp4").write_bytes(b"x")
    (clips[0].parent / ".a.999999-ab12.part.mp4").write_bytes(b"x")
    (clips[0].parent / "somebody's own.txt").write_text("stays")
    (library.folder / "columns" / "columns.bin").write_bytes(b"nonsense")

    quick = "\n".join(map(str, library.care.check()))
    for said in (
        "1 clip missing", "1 poster altered", "1 working copy altered", "1 clip that nothing points to",
        "1 half-written file", "columns that are searched are damaged",
    ):  # fmt: skip
        assert said in quick
    assert "1 clip altered" not in quick
    assert "1 clip altered" in "\n".join(map(str, library.care.check(deep=True)))
    assert all(f.done for f in faults(library, deep=True, repair=True))
    assert faults(library, deep=True) == []
    after = dump(library.folder)
    changed = {name for name in before if before[name] != after.get(name)}
    assert changed <= {"footage", *(p.relative_to(library.folder).as_posix() for p in copies)}
    assert (clips[0].parent / "somebody's own.txt").exists()


def test_check_finds_footage_that_moved_or_changed(library: Library, tmp_path: Path) -> None:
    one = tmp_path / "fights" / "one"
    (one / "fight.mp4").rename(one / "moved.mp4")
    (found,) = library.care.check()
    assert "moved.mp4" in str(found)
    assert not found.done
    (found,) = library.care.check(repair=True)
    assert "found again" in found.done
    assert faults(library, deep=True) == []
    shutil.copy(tmp_path / "fights" / "two" / "fight.mkv", one / "moved.mp4")
    (found,) = library.care.check()
    assert "has changed" in str(found)


def test_without_footage_damage_is_told_and_nothing_removed(library: Library, tmp_path: Path) -> None:
    clip = _clips(library)[0]
    clip.write_bytes(clip.read_bytes()[:-1])
    for film in (tmp_path / "fights").rglob("fight.m*"):
        film.unlink()
    left = [str(f) for f in library.care.check(repair=True) if not f.done]
    assert any("when its footage is back" in said for said in left)
    assert clip.exists()


def test_a_corrected_library_is_sound(library: Library) -> None:
    """Nothing has been searched since, so that what is derived lacks the corrections; it catches up by itself."""
    library.finding.words("nice")
    library.logging.corrections.recut(1, 30, 60)
    library.logging.corrections.reword(2, (Line("", "Brandt", "jab", "he slipped"),))
    library.logging.live.add(1, "MK", 100, "overhand", fighter=BLUE)
    assert faults(library, deep=True) == []
    assert library.finding.words("slipped").total == 1
    library.logging.corrections.as_logged(2)
    library.logging.corrections.cut_as_logged(1)
    assert faults(library, deep=True) == []


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # a damaged file is left open
def test_stale_index_is_found(library: Library, tmp_path: Path) -> None:
    shutil.copytree(library.folder / "index", tmp_path / "old index")
    library.care.forget([2])
    assert faults(library, deep=True) == []
    shutil.rmtree(library.folder / "index")
    shutil.copytree(tmp_path / "old index", library.folder / "index")
    assert [str(f) for f in faults(library, deep=True)] == [
        "the text index tells of what the catalogue does not have"
    ]
    for path in (library.folder / "index").glob("*.seg"):
        path.write_bytes(b"nonsense")
    assert [str(f) for f in faults(library, deep=True)] == ["the text index is damaged"]
    assert all(f.done for f in faults(library, repair=True))
    assert faults(library, deep=True) == []


def test_check_beside_an_ingest_says_what_it_left_out(library: Library) -> None:
    _clips(library)[0].unlink()
    with only_one(library.folder / LOCK):
        assert any("were not looked at" in str(f) for f in library.care.check())


# --- backups ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["kept.tar", "kept"])
def test_a_backup_restores_to_the_same_library(library: Library, tmp_path: Path, name: str) -> None:
    (library.folder / "settings.toml").write_text("lead_in = 0.5\n")
    (library.folder / "session.key").write_bytes(b"secret" * 8)
    library.logging.live.add(1, "JL", 60, "Brandt jab landed")
    made = library.care.backup(tmp_path / name, clips=True)
    assert made.missing == 0
    restore(tmp_path / name, tmp_path / "again")
    kept = dump(library.folder)
    back = dump(tmp_path / "again")
    assert {k: v for k, v in kept.items() if not k.startswith("working/")} == back
    again = Library(tmp_path / "again")
    assert [line.action for line in again.logging.live.lines(1, "JL")] == ["Brandt jab landed"]
    assert again.settings.lead_in_us == 500_000
    assert not (tmp_path / "again" / "session.key").exists()
    assert all(f.done for f in faults(again, repair=True))
    assert faults(again, deep=True) == []
    with pytest.raises(InputError, match="never over a library"):
        restore(tmp_path / name, tmp_path / "again")


def test_a_backup_without_clips_is_cut_again(library: Library, tmp_path: Path) -> None:
    made = library.care.backup(tmp_path / "kept.tar")
    assert made.missing == len(_clips(library)) + len(_clips(library, "posters"))
    restore(tmp_path / "kept.tar", tmp_path / "again")
    again = Library(tmp_path / "again")
    assert again.finding.find("jab").total == library.finding.find("jab").total
    assert all(f.done for f in faults(again, repair=True))
    kept, back = dump(library.folder), dump(tmp_path / "again")
    assert {k: v for k, v in kept.items() if k.startswith(("clips/", "posters/"))} == {
        k: v for k, v in back.items() if k.startswith(("clips/", "posters/"))
    }


def test_a_backup_is_made_while_people_log(library: Library, tmp_path: Path) -> None:
    """What was acknowledged before the backup began is in it, whatever is written meanwhile."""
    acknowledged: list[str] = []
    stop = threading.Event()

    def log() -> None:
        for number in range(500):
            if stop.is_set():
                break
            library.logging.live.add(1, "MK", 50 + number % 140, "Brandt jab", note=f"n{number}")
            acknowledged.append(f"n{number}")
        library.close()

    writer = threading.Thread(target=log)
    writer.start()
    try:
        for number in range(4):
            before = list(acknowledged)
            library.care.backup(tmp_path / f"{number}.tar")
            restore(tmp_path / f"{number}.tar", tmp_path / f"again{number}")
            again = Library(tmp_path / f"again{number}")
            notes = {line.note for line in again.logging.live.lines(1, "MK")} if before else set()
            assert set(before) <= notes
            assert again.desk.catalogue.care.problems() == []
    finally:
        stop.set()
        writer.join()


def test_a_damaged_or_foreign_backup_makes_no_library(library: Library, tmp_path: Path) -> None:
    library.care.backup(tmp_path / "kept.tar")
    data = (tmp_path / "kept.tar").read_bytes()
    (tmp_path / "short.tar").write_bytes(data[: len(data) // 2])
    middle = data.index(b"SQLite format") + 5000
    (tmp_path / "spoilt.tar").write_bytes(data[:middle] + b"XX" + data[middle + 2 :])
    (tmp_path / "text.tar").write_text("nothing of the kind")
    (tmp_path / "evil").write_text("x")
    with tarfile.open(tmp_path / "evil.tar", "w") as tar:
        tar.add(tmp_path / "evil", "../../evil")
    with tarfile.open(tmp_path / "link.tar", "w") as tar:
        link = tarfile.TarInfo("settings.toml")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"
        tar.addfile(link)
    for name in ("short", "spoilt", "text", "evil", "link"):
        with pytest.raises(InputError):
            restore(tmp_path / f"{name}.tar", tmp_path / "again")
        assert not (tmp_path / "again").exists()
    assert not list(tmp_path.glob(".restore-*"))


# --- forgetting, and private fights -----------------------------------------------------------------------


def test_forgetting_a_fighter_leaves_no_trace(tmp_path: Path) -> None:
    """Names of our own that occur nowhere else, sought in every byte of the library."""
    fights = tmp_path / "fights"
    make_fight(fights / "stays")
    make_fight(
        fights / "goes",
        kind="matroska",
        title="Zwentibold v Brandt",
        rows=("0:02,Zwentibold,jab,,quirkword",),
    )
    toml = fights / "goes" / "fight.toml"
    toml.write_text(toml.read_text().replace("Emeka Adeyemi", "Odo Zwentibold"))
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([fights]).exit_code == 0
    (goes,) = library.care.fights_of("Odo Zwentibold")
    library.finding.find("jab")
    Library(library.folder, hide_private=True).finding.find("quirkword")
    library.logging.live.add(goes.id, "JL", 30, "Zwentibold jab", note="loud")
    library.logging.live.cut(goes.id)
    mixed = library.making.make_reel([c.id for c in library.finding.find("jab").clips], title="Both")
    kept = library.making.make_reel(
        [c.id for c in library.finding.find("hook").clips if c.fight_id != goes.id], title="Stays"
    )
    library.making.portable(library.finding.find("jab").clips[0].id)
    for word in ("Zwentibold", "quirkword"):
        assert mentions(library.folder, word)

    done = library.care.forget([goes.id])

    assert done.reels == ("Both",)
    assert done.left == ()
    for word in ("Zwentibold", "zwentibold", "quirkword"):
        assert mentions(library.folder, word) == ()
    assert [f.name for f in library.finding.fighters()] == ["Emeka Adeyemi", BLUE]
    assert [reel.name for reel in library.making.reels()] == [kept]
    with pytest.raises(NotFoundError):
        library.making.made_reel(mixed)
    assert not list((library.folder / "working").glob("*"))
    assert faults(library, deep=True) == []
    assert (fights / "goes" / "fight.mkv").exists()


def test_own_logs_and_reels_are_told_before_they_go(library: Library, tmp_path: Path) -> None:
    library.logging.live.add(1, "JL", 60, "Brandt jab landed", note="seen twice")
    library.logging.live.add(1, "M/K", 60, "Brandt jab landed")
    gone = library.logging.live.add(1, "RS", 60, "Brandt jab landed")
    library.logging.live.remove(1, "RS", gone.id)  # an empty log is nothing to keep
    name = library.making.make_reel([library.finding.find("jab", order="date").clips[0].id], title="One")
    shows = {clip.fight_id for clip in library.finding.clips(library.making.made_reel(name).shows)}
    going = library.care.what_goes([1])
    assert [(log.by, log.lines) for log in going.logs] == [("JL", 1), ("M/K", 1)]
    assert going.reels == (("One",) if shows == {1} else ())
    assert library.care.what_goes([2]).logs == ()
    out = tmp_path / "kept logs"
    saved = [*library.care.save_logs(going.logs, out), *library.care.save_logs(going.logs, out)]
    assert len({path.name for path in saved}) == 4
    assert all(path.parent == out for path in saved)
    lines = library.logging.live.lines(1, "JL")
    library.care.forget([1])
    library.logging.ingest([tmp_path / "fights"])
    back = library.finding.fight("Adeyemi v Brandt").id
    assert library.logging.live.logs(back) == ()
    assert library.logging.live.import_log(back, "JL", saved[0].read_text(), "csv") == 1
    again = library.logging.live.lines(back, "JL")
    assert [(one.frame, one.note) for one in again] == [(one.frame, one.note) for one in lines]


def test_forgetting_sweeps_up_what_a_killed_ingest_left(library: Library) -> None:
    """A half-written clip may be of the fight that is forgotten."""
    left = _clips(library)[0].with_name(".a.999999-ab12.part.mp4")
    left.write_bytes(b"somebody's face")
    library.care.forget([2])
    assert not left.exists()
    assert faults(library, deep=True) == []


def test_a_title_that_is_still_written_is_told(library: Library) -> None:
    """The fighters have another fight, so only the title can tell that something of it is left."""
    make_fight(library.folder.parent / "more" / "x", kind=None, title="Quirkbury Hall")
    library.logging.ingest([library.folder.parent / "more"])
    (library.folder / "terms.toml").write_text("# as at Quirkbury Hall\n")
    done = library.care.forget([library.finding.fight("Quirkbury Hall").id])
    assert [said.split(" is still written in ")[0] for said in done.left] == ["“Quirkbury Hall”"]
    assert "terms.toml" in done.left[0]


def test_a_mention_elsewhere_is_told(tmp_path: Path) -> None:
    fights = tmp_path / "fights"
    make_fight(fights / "a", kind=None)
    make_fight(fights / "b", kind=None, title="B", rows=("0:02,Brandt,jab,,as Odo Zwentibold did",))
    toml = fights / "a" / "fight.toml"
    toml.write_text(toml.read_text().replace("Emeka Adeyemi", "Odo Zwentibold").replace("Adeyemi v", "Z v"))
    (fights / "a" / "log.csv").write_text("time,fighter,action\n0:02,Zwentibold,jab\n")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([fights]).exit_code == 0
    done = library.care.forget([f.id for f in library.care.fights_of("Odo Zwentibold")])
    assert "catalogue.db" in done.left[0]


def test_private_fights_are_for_those_who_log(tmp_path: Path) -> None:
    fights = tmp_path / "fights"
    make_fight(fights / "open")
    make_fight(fights / "sparring", title="Sparring of members")
    toml = fights / "sparring" / "fight.toml"
    toml.write_text("private = true\n" + toml.read_text().replace(BLUE, "Odo Zwentibold"))
    (fights / "sparring" / "log.csv").write_text(
        "time,fighter,action,note\n0:02,Zwentibold,jab,hush\n0:06,Adeyemi,cross,\n"
    )
    everything = Library(tmp_path / "library", create=True)
    assert everything.logging.ingest([fights]).exit_code == 0
    looking = Library(tmp_path / "library", hide_private=True)
    secret = everything.finding.fight("Sparring").id
    clip = next(c.id for c in everything.finding.find("cross").clips if c.fight_id == secret)
    both = everything.making.make_reel(
        [c.id for c in everything.finding.find("jab or cross").clips] + [clip], title="Both"
    )
    assert everything.finding.find("jab").total == 2
    assert everything.finding.find("hush").total == 1
    assert looking.finding.find("jab").total == 1
    assert looking.finding.find("hush").total == 0
    assert looking.finding.words("hush").total == looking.finding.words("sparring").total == 0
    assert [f.title for f in looking.finding.fights()] == ["Adeyemi v Brandt"]
    assert [f.name for f in looking.finding.fighters()] == ["Emeka Adeyemi", BLUE]
    assert looking.finding.clips([clip]) == []
    assert looking.making.reels() == []
    for ask in (
        lambda: looking.finding.clip(clip),
        lambda: looking.finding.fight(secret),
        lambda: looking.making.still(secret, 0),
        lambda: looking.making.portable(clip),
        lambda: looking.making.made_reel(both),
        lambda: looking.finding.similar(clip),
        lambda: looking.logging.export_log(secret, "csv"),
    ):
        with pytest.raises(NotFoundError):
            ask()
    with pytest.raises(StorageError):
        looking.logging.live.add(looking.finding.fights()[0].id, "JL", 60, "Brandt jab")
    toml.write_text(toml.read_text().replace("private = true", "private = false"))
    everything.logging.ingest([fights])
    assert looking.finding.find("jab").total == 2
    toml.write_text(toml.read_text().replace("private = false", 'private = "yes"'))
    (bad,) = [f for f in everything.logging.ingest([fights]).fights if f.errors]
    assert "private must be true or false" in str(bad.errors[0])


def test_reels_that_were_lost_are_made_again(library: Library) -> None:
    name = library.making.make_reel("jab", title="Jabs")
    assert faults(library, deep=True) == []
    library.making.made_reel(name).file.unlink()
    assert ["Jabs" in str(f) for f in faults(library, deep=True)] == [True]
    assert all(f.done == "made again" for f in faults(library, repair=True))
    assert faults(library, deep=True) == []
    facts = library.folder / "reels" / f"{name}.json"
    facts.write_text(json.dumps(json.loads(facts.read_text()) | {"recipe": None}))
    library.making.made_reel(name).file.unlink()
    assert "cannot be made again" in str(library.care.check(repair=True)[0])
    assert faults(library, deep=True) == []


def test_its_locks_outlive_syncing_and_reading_every_byte(library: Library) -> None:
    """Closing a file of SQLite's behind its back cancels the locks this process holds on it, and another
    process then takes the log away from under it (https://sqlite.org/howtocorrupt.html, 2.2)."""
    other = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('PRAGMA user_version').fetchone(); c.close()"
    catalogue = library.folder / "catalogue.db"
    for work in (library.desk.catalogue.care.settle, lambda: mentions(library.folder, "nobody at all")):
        with library.desk.catalogue._store.transaction() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES ('tried', 'once')")
        work()
        subprocess.run([sys.executable, "-c", other, str(catalogue)], check=True)
        assert catalogue.with_name("catalogue.db-wal").exists()
        assert library.care.check() == []
