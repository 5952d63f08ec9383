"""Forgetting fights and fighters for good: rows, clips, posters, working copies, words, reels.

What the library made is removed, and what it wrote is written anew without them, so that no name is left in
its files. Fight folders, footage, backups, and reels that were written elsewhere are not the library's
to remove.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from cliplib import ingest_cut
from cliplib.errors import NotFoundError, StorageError
from cliplib.ingest import LOCK
from cliplib.ingest_lock import only_one
from cliplib.reels.build import digest_of

if TYPE_CHECKING:
    from cliplib.catalogue_rows import FightRow
    from cliplib.library import Library

_CATALOGUE = "catalogue.db"
_COPY = "import shutil, sys; shutil.copyfileobj(open(sys.argv[1], 'rb'), sys.stdout.buffer)"


@dataclass(frozen=True, slots=True)
class Forgotten:
    """`reels`: titles of kept reels that went along. `left`: names of fighters that
    were forgotten and files of the library that still hold them (a note about another fight, say)."""

    fights: tuple[FightRow, ...]
    reels: tuple[str, ...] = ()
    left: tuple[str, ...] = ()


def forget_fights(library: Library, fight_ids: Sequence[int]) -> Forgotten:
    """Take fights out, and fighters who then have none. NotFoundError for a fight there isn't; BusyError
    while an ingest is at work; StorageError if the file could not be written anew: then forget again."""
    catalogue, root = library._catalogue, library.folder
    with only_one(root / LOCK):
        fights = tuple(catalogue.fight(fight_id) for fight_id in dict.fromkeys(fight_ids))
        before = {fighter.name for fighter in catalogue.fighters()}
        reels = _remove_reels(library, {fight.id for fight in fights})
        # What could show them goes first: if this is cut short, the rows still say that it is to be done.
        for derived in ("cache", "looking"):
            shutil.rmtree(root / derived, ignore_errors=True)
        catalogue.care.forget([fight.id for fight in fights])
        for fight in fights:
            ingest_cut.sweep_fight(root, fight.id, {})
        ingest_cut.sweep_working(root, catalogue.sliced_files())
        library._search.rebuild()
        complete = catalogue.care.scrub()
    gone = before - {fighter.name for fighter in catalogue.fighters()}
    if not complete:
        raise StorageError(
            "the fights were taken out, but somebody was reading the catalogue all the while, and its log "
            "still holds what was removed; stop the pages and run “cliplib check --repair”"
        )
    return Forgotten(fights, reels, tuple(_left(root, name) for name in sorted(gone) if mentions(root, name)))


def fights_of(library: Library, fighter: str) -> tuple[FightRow, ...]:
    """A fighter's fights; NotFoundError if nobody has that very name."""
    fights = tuple(library.fight(i) for i in library._catalogue.care.fights_of(fighter))
    if not fights:
        raise NotFoundError(f"nobody called “{fighter}” has a fight in this library; give the whole name")
    return fights


def _remove_reels(library: Library, fight_ids: set[int]) -> tuple[str, ...]:
    """Remove kept reels that show one of the fights, or that do not say what they show."""
    folder, removed = library.folder / "reels", []
    for film in sorted(folder.glob("*.mp4")):
        facts = film.with_suffix(".json")
        shows: set[int] | None = None
        title = film.stem
        try:
            said = json.loads(facts.read_text(encoding="utf-8"))
            title = str(said["title"])
            if said.get("shows"):
                fights = library._catalogue.care.clip_fights(int(i) for i in said["shows"])
                # A clip that is gone may have been of any fight.
                shows = set(fights.values()) if len(fights) == len(set(said["shows"])) else None
        except (OSError, ValueError, KeyError, TypeError):
            if not facts.exists() and digest_of(film) is None:
                continue  # somebody's own video
        if shows is None or shows & fight_ids:
            facts.unlink(missing_ok=True)
            film.unlink(missing_ok=True)
            removed.append(title)
    return tuple(removed)


def mentions(root: Path, name: str) -> tuple[Path, ...]:
    """The files of a library that hold a name, in letters as files and videos keep them. Reads every byte."""
    wanted = {form.encode(code) for form in (name, name.casefold()) for code in ("utf-8", "utf-16-le")}
    wanted.add(json.dumps(name)[1:-1].encode())
    longest = max(map(len, wanted))
    found = []
    for path in sorted(p for p in root.rglob("*") if p.is_file()):
        with _reading(path) as file:
            kept = b""
            while block := file.read(1 << 20):
                piece = kept + block
                if any(form in piece for form in wanted):
                    found.append(path)
                    break
                kept = piece[-longest:]
    return tuple(found)


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[IO[bytes]]:
    """The bytes of a file. The catalogue's are read by another process: closing one of its files here would
    cancel every lock that SQLite holds on it in this process (https://sqlite.org/howtocorrupt.html, 2.2)."""
    if not path.name.startswith(_CATALOGUE):
        with path.open("rb") as file:
            yield file
        return
    with subprocess.Popen(
        [sys.executable, "-c", _COPY, str(path)], stdout=subprocess.PIPE, stdin=subprocess.DEVNULL
    ) as child:
        assert child.stdout is not None
        yield child.stdout
        child.stdout.read()  # to its end, so that it ends well


def _left(root: Path, name: str) -> str:
    places = ", ".join(path.relative_to(root).as_posix() for path in mentions(root, name))
    return f"“{name}” is still written in {places}: in a note, a title or a log about others; change it there"
