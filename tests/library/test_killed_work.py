"""Work that is killed leaves nothing behind for good: what it wrote is swept, what it began is finished, told."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from cliplib.library.library import Library
from tests import libraries

TITLE, NAME = "Quillfeather v Brandt", "Quillfeather"


@pytest.fixture
def library(tmp_path: Path) -> Library:
    for number, title in enumerate((TITLE, "Adeyemi v Brandt")):
        fight = libraries.make_fight(tmp_path / "fights" / str(number), title=title)
        text = (fight / "fight.toml").read_text(encoding="utf-8")
        if title == TITLE:
            (fight / "fight.toml").write_text(text.replace("Emeka Adeyemi", f"Ezra {NAME}"), encoding="utf-8")
            log = (fight / "log.csv").read_text(encoding="utf-8")
            (fight / "log.csv").write_text(log.replace("Adeyemi", NAME), encoding="utf-8")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    return library


def run(library: Library, *words: str, killed_at: str = "") -> subprocess.CompletedProcess[str]:
    """A command; `killed_at`: module:name of a function at which the process ends as by SIGKILL."""
    patch = ""
    if killed_at:
        module, _, name = killed_at.partition(":")
        patch = (
            f"import importlib, os; m = importlib.import_module('{module}')\n"
            f"setattr(m, '{name}', lambda *a, **k: os._exit(9))\n"
        )
    code = f"{patch}import sys; from cliplib.cli.main import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "--library", str(library.folder), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("moment", "then"),
    [
        ("cliplib.library.care.forget:_remove_reels", "again"), ("cliplib.ingest.cut:sweep_fight", "again"),
        ("cliplib.ingest.cut:sweep_fight", "next command"), ("cliplib.ingest.cut:sweep_working", "check"),
    ],
)  # fmt: skip
def test_a_killed_forget_is_finished_and_told(
    library: Library, moment: str, then: str, tmp_path: Path
) -> None:
    assert run(library, "forget", TITLE, "--yes", killed_at=moment).returncode == 9
    told = run(library, "check")
    assert f"“{TITLE}” was being forgotten" in told.stdout
    if then == "again":
        done = run(library, "forget", TITLE, "--yes")
    elif then == "next command":
        done = run(library, "backup", str(tmp_path / "b.tar"))
    else:
        done = run(library, "check", "--repair")
    assert "Traceback" not in done.stderr
    assert f"“{TITLE}” was being forgotten" in done.stdout + done.stderr
    assert done.returncode == 0 or "MB are free" in done.stdout, done.stdout + done.stderr
    assert library.care.mentions(NAME) == ()
    assert [fight.title for fight in library.finding.fights()] == ["Adeyemi v Brandt"]
    assert not list((library.folder / "clips").glob("*-1"))
    assert not (library.folder / "forgetting.json").exists()


def hidden(*folders: Path) -> list[str]:
    return sorted(path.name for folder in folders for path in folder.glob(".*") if path.name != ".")


def test_parts_of_killed_backups_are_told_and_swept(library: Library, tmp_path: Path) -> None:
    away = tmp_path / "away"
    away.mkdir()
    for out in (away / "b.tar", away / "b"):
        killed = run(library, "backup", str(out), killed_at="cliplib.library.care.backup:_writer")
        assert killed.returncode == 9
        assert len(hidden(away)) == 1
        assert hidden(away)[0] in run(library, "check").stdout
        if out.suffix:
            assert run(library, "backup", str(away / "good.tar")).returncode == 0
        else:
            assert "removed" in run(library, "check", "--repair").stdout
        assert hidden(away) == []
        assert not any((library.folder / "unfinished").glob("*"))


def test_parts_of_a_killed_restore_are_told_and_swept(library: Library, tmp_path: Path) -> None:
    backup = tmp_path / "b.tar"
    assert run(library, "backup", str(backup)).returncode == 0
    other = Library(tmp_path / "other", create=True)
    other.close()

    def restore(folder: str, killed_at: str = "") -> subprocess.CompletedProcess[str]:
        place = tmp_path / folder
        stand_in = type("Place", (), {"folder": place})()
        return run(stand_in, "restore", str(backup), killed_at=killed_at)

    assert restore("new", "cliplib.library.care.backup:_sound").returncode == 9
    (part,) = [name for name in hidden(tmp_path) if name.startswith(".restore-")]
    assert part in run(library, "check").stdout
    assert restore("new").returncode == 0
    assert [name for name in hidden(tmp_path) if name.startswith(".restore-")] == []


def test_parts_of_a_killed_reel_are_told_and_swept(library: Library, tmp_path: Path) -> None:
    away = tmp_path / "reels"
    away.mkdir()
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    part, own = away / f".mine.{dead.pid}-a1.part.mp4", away / f".yours.{os.getpid()}-a1.part.mp4"
    other = away / ".somebody-elses"
    for path in (part, own, other):
        path.write_text(NAME)
    note = library.folder / "unfinished" / f"{dead.pid}-a1.json"
    note.parent.mkdir()
    note.write_text(f'{{"place": "{away}"}}')
    assert str(part) in "\n".join(map(str, library.care.check()))
    library.making.reel("jab", away / "new.mp4")
    assert sorted(path.name for path in away.iterdir()) == sorted([other.name, own.name, "new.mp4"])
    assert not note.exists()
