"""A fight is forgotten while something of it is made: nothing of it comes to lie in the library afterwards."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from cliplib import Library
from cliplib.core.errors import BusyError, Cancelled, NotFoundError
from cliplib.library import filmlock as library_showing
from cliplib.library.care.forget import mentions
from cliplib.library.filmlock import nobody_shows, showing
from tests.libraries import faults, make_fight

# Private parts: patience is shortened, so that nobody waits for it.

HALL = "Quirkbury Hall"


@pytest.fixture
def library(tmp_path: Path) -> Library:
    for title in (HALL, "Another"):
        make_fight(tmp_path / "fights" / title, title=title)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    return library


def _forgotten_within(library: Library, work: Callable[[Callable[[str, int, int], None]], object]) -> None:
    """Begin to forget in another thread as soon as `work` tells its progress; end both."""
    waits = threading.Event()
    forgot: list[object] = []

    def told(stage: str, done: int, total: int) -> None:
        if stage.startswith("waiting"):
            waits.set()

    def forget() -> None:
        other = Library(library.folder)
        forgot.append(other.care.forget([other.finding.fight(HALL).id], told))
        other.close()

    forgetting = threading.Thread(target=forget)

    def progress(stage: str, done: int, total: int) -> None:
        if forgetting.ident is None:
            forgetting.start()
            assert waits.wait(60), "it did not wait"

    work(progress)
    forgetting.join(60)
    assert forgot


@pytest.mark.parametrize("kind", ["reel", "theme", "portable", "handover", "elsewhere"])
def test_what_is_made_meanwhile_goes_along(library: Library, tmp_path: Path, kind: str) -> None:
    clips = [clip.id for clip in library.finding.find("jab").clips]
    name = library.making.themes.put('phrase = "jab"\n')
    reel = library.making.make_reel(clips, title="Both")
    own = next(clip.id for clip in library.finding.find("jab").clips if clip.fight == HALL)
    work = {
        "reel": lambda progress: library.making.make_reel(clips[::-1], title="Again", progress=progress),
        "theme": lambda progress: library.making.themes.build(name, progress),
        "portable": lambda progress: library.making.portable(own, progress),
        "handover": lambda progress: library.making.handover.of_reel(reel, "bundle", progress),
        "elsewhere": lambda progress: library.making.reel(
            clips[::-1], tmp_path / "out.mp4", progress=progress
        ),
    }[kind]
    _forgotten_within(library, work)
    assert mentions(library.folder, HALL) == ()
    assert library.making.reels() == []
    assert not list((library.folder / "cache").rglob("*.mp4"))
    assert not list((library.folder / "reels").glob("*.mp4"))
    assert faults(library, deep=True) == []


def test_waiting_can_be_interrupted_and_nothing_is_gone(library: Library) -> None:
    def stop(stage: str, done: int, total: int) -> None:
        raise Cancelled("stopped")

    with showing(library.folder), pytest.raises(Cancelled):
        library.care.forget([library.finding.fight(HALL).id], stop)
    assert len(library.finding.fights()) == 2
    assert library.making.make_reel("jab", title="Jabs")


def test_nothing_begins_while_somebody_forgets(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(library_showing, "_PATIENCE_S", 0.05)
    with nobody_shows(library.folder, lambda *_: None):
        for act in (
            lambda: library.making.make_reel("jab"), lambda: library.making.still(1, 0), lambda: library.making.portable(1),
            lambda: library.care.forget([1]),
        ):  # fmt: skip
            with pytest.raises(BusyError, match="taken out"):
                act()
    assert library.making.still(1, 0).is_file()
    library.care.forget([1])
    with pytest.raises(NotFoundError):
        library.making.still(1, 0)


def test_a_killed_process_keeps_nobody_waiting(library: Library) -> None:
    code = (
        "import os, sys; from pathlib import Path; from cliplib.library.filmlock import showing\n"
        "with showing(Path(sys.argv[1])): print('in', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(library.folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"in\n"
        with pytest.raises(Cancelled), nobody_shows(library.folder, _give_up):
            pass
        child.kill()
    with nobody_shows(library.folder, _give_up):
        pass


def _give_up(stage: str, done: int, total: int) -> None:
    raise Cancelled("it would have to wait")
