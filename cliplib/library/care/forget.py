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
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from cliplib.catalogue.rows import FightRow
from cliplib.core.errors import Cancelled, NotFoundError, StorageError
from cliplib.core.progress import Progress, silent
from cliplib.ingest import cut as ingest_cut
from cliplib.ingest.ingest import LOCK
from cliplib.ingest.lock import only_one
from cliplib.library.desk import Desk
from cliplib.library.filmlock import nobody_shows
from cliplib.library.finding.history import PhraseHistory
from cliplib.library.logging.fights import FIGHTS, UPLOADS
from cliplib.library.logging.logging import Logging
from cliplib.library.making import breakdownfiles
from cliplib.media.files import replacing, settle_names
from cliplib.reels.build import digest_of

_JOURNAL = "forgetting.json"
_CATALOGUE = "catalogue.db"
_LARGEST_LOG = 256 << 20
_COPY = "import shutil, sys; shutil.copyfileobj(open(sys.argv[1], 'rb'), sys.stdout.buffer)"


@dataclass(frozen=True, slots=True)
class OwnLog:
    """A log that was written in the library and is nowhere else. `file`: its name among the fight's logs."""

    fight: FightRow
    by: str
    file: str
    lines: int


@dataclass(frozen=True, slots=True)
class Going:
    """What forgetting fights would take along. `reels`: titles, also of breakdowns whose film goes; their
    text stays."""

    fights: tuple[FightRow, ...]
    logs: tuple[OwnLog, ...]
    reels: tuple[str, ...]


def what_goes(desk: Desk, fight_ids: Sequence[int]) -> Going:
    """What `forget_fights` would take out; NotFoundError for a fight there isn't. Nothing is changed."""
    fights = tuple(desk.fight(fight_id) for fight_id in dict.fromkeys(fight_ids))
    logs = tuple(
        OwnLog(fight, log.by, log.file, len(log.lines))
        for fight in fights
        for log in desk.catalogue.live.logs(fight.id)
        if log.lines
    )
    ids = {fight.id for fight in fights}
    films = (*_reels_of(desk, ids), *breakdownfiles.films_of(desk, ids))
    return Going(fights, logs, tuple(title for _, title in films))


def save_logs(logging: Logging, logs: Sequence[OwnLog], folder: Path) -> list[Path]:
    """Write logs as CSV files into a folder, made if need be; nothing there is overwritten."""
    made: list[Path] = []
    folder.mkdir(parents=True, exist_ok=True)
    for log in logs:
        stem = "".join(c if c.isalnum() else "-" for c in f"{log.fight.title} {log.by}").strip("-")[:80]
        out = next(
            path
            for number in range(1, 10_000)
            if not (path := folder / f"{stem or 'log'}{f'-{number}' if number > 1 else ''}.csv").exists()
        )
        text = logging.export_log(log.fight.id, "csv", log=log.file)
        with replacing(out) as temporary:
            temporary.write_bytes(text.encode("utf-8", "surrogateescape"))
        made.append(out)
    return made


@dataclass(frozen=True, slots=True)
class Forgotten:
    """`reels`: titles of kept reels, and of films of breakdowns, that went along. `left`: names of fighters
    and fights that were forgotten and files of the library that still hold them (a note about another fight,
    say)."""

    fights: tuple[FightRow, ...]
    reels: tuple[str, ...] = ()
    left: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Begun:
    """What is being forgotten: titles by fight, and every fighter that there was before. Kept in a file from
    the first thing that is removed to the last, so that a run that is killed is finished by another."""

    titles: dict[int, str]
    fighters: tuple[str, ...]

    @classmethod
    def read(cls, root: Path) -> _Begun:
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
            said = json.loads((root / _JOURNAL).read_text(encoding="utf-8"))
            return cls({int(i): str(t) for i, t in said["titles"].items()}, tuple(map(str, said["fighters"])))
        return cls({}, ())

    def keep(self, root: Path) -> None:
        with replacing(root / _JOURNAL) as temporary:
            temporary.write_text(json.dumps({"titles": self.titles, "fighters": self.fighters}), "utf-8")


def cut_short(root: Path) -> tuple[str, ...]:
    """Titles of fights whose forgetting was begun and not finished: somebody was killed at it."""
    return tuple(_Begun.read(root).titles.values())


def forget_fights(
    desk: Desk, history: PhraseHistory, fight_ids: Sequence[int], progress: Progress = silent
) -> Forgotten:
    """Take fights out, and fighters who then have none. When it returns, no power cut brings anything back.
    What a killed run had begun is finished with it. It waits for reels that are being made; from then on it
    is not interrupted by `progress`: what is half forgotten is half there.

    NotFoundError for a fight there isn't; BusyError while an ingest is at work; StorageError if a file could
    not be written anew: then forget again, or `check --repair` if the fights are gone.
    """
    catalogue, root = desk.catalogue, desk.folder

    def told(stage: str, done: int, total: int) -> None:
        with contextlib.suppress(Cancelled):
            progress(stage, done, total)

    with nobody_shows(root, progress), only_one(root / LOCK), _removing(root):
        begun = _Begun.read(root)
        there = catalogue.revisions().keys()
        asked = dict.fromkeys([*begun.titles, *fight_ids])
        wanted = [number for number in asked if number in there or number not in begun.titles]
        fights = tuple(catalogue.fight(fight_id) for fight_id in wanted)
        before = {*begun.fighters, *(fighter.name for fighter in catalogue.fighters())}
        titles_of = begun.titles | {fight.id: fight.title for fight in fights}
        ids = set(titles_of)
        _Begun(titles_of, tuple(sorted(before))).keep(root)
        reels = (*_remove_reels(desk, ids), *breakdownfiles.forget_in(desk, ids))
        # What could show them goes first: if this is cut short, the rows still say that it is to be done.
        for derived in ("cache", "looking"):
            with contextlib.suppress(FileNotFoundError):
                shutil.rmtree(root / derived)
        settle_names((root, root / "reels"))
        told("forgetting", 0, 0)
        catalogue.care.forget([fight.id for fight in fights])
        for fight_id in ids:
            ingest_cut.sweep_fight(root, fight_id, {})
        ingest_cut.sweep_working(root, catalogue.sliced_files())
        ingest_cut.sweep_leftovers(root)  # what somebody was killed at may be of one of them
        desk.search.rebuild(told)
        left = (*(f.name for f in catalogue.fighters()), *(f.title for f in catalogue.fights()))
        history.keep_only(left)
        complete = catalogue.care.scrub()
        settle_names(_folders(root, ids))
        if complete:
            (root / _JOURNAL).unlink(missing_ok=True)
            settle_names([root])
    gone = before - {fighter.name for fighter in catalogue.fighters()}
    titles = {fight.title for fight in catalogue.fights()}
    gone |= {t for t in titles_of.values() if _telling(t) and not any(t in other for other in titles)}
    if not complete:
        raise StorageError(
            "the fights were taken out, but somebody was reading the catalogue all the while, and its log "
            "still holds what was removed; stop the pages and run “cliplib check --repair”"
        )
    told("looking for what is left", 0, 0)
    return Forgotten(fights, reels, _left(root, gone))


@contextlib.contextmanager
def _removing(root: Path) -> Iterator[None]:
    """What cannot be removed must be said: somebody may show it."""
    try:
        yield
    except OSError as error:
        raise StorageError(
            f"{error.filename or root} cannot be changed: {error.strerror or error}; see to that and forget "
            "again, or run “cliplib check --repair” if the fights are gone"
        ) from error


def fights_of(desk: Desk, fighter: str) -> tuple[FightRow, ...]:
    """A fighter's fights; NotFoundError if nobody has that very name."""
    fights = tuple(desk.fight(i) for i in desk.catalogue.care.fights_of(fighter))
    if not fights:
        raise NotFoundError(f"nobody called “{fighter}” has a fight in this library; give the whole name")
    return fights


def _folders(root: Path, ids: Iterable[int]) -> list[Path]:
    """The folders that forgetting removes files from."""
    clips = [root / kind for kind in (ingest_cut.CLIPS, ingest_cut.POSTERS)]
    own = [path for folder in clips for fight_id in ids for path in folder.glob(f"*-{fight_id}")]
    others = [root / name for name in (ingest_cut.WORKING, "reels", "columns", "index")]
    return [root, *clips, *own, *others]


def _telling(title: str) -> bool:
    """Whether a title is long enough not to be found by chance in the bytes of a video."""
    return len(title) >= 8


def _remove_reels(desk: Desk, fight_ids: set[int]) -> tuple[str, ...]:
    """Remove kept reels that show one of the fights; their titles."""
    found = _reels_of(desk, fight_ids)
    for film, _ in found:
        film.with_suffix(".json").unlink(missing_ok=True)
        film.unlink(missing_ok=True)
    return tuple(title for _, title in found)


def _reels_of(desk: Desk, fight_ids: set[int]) -> list[tuple[Path, str]]:
    """(file, title) of kept reels that show one of the fights, or that do not say what they show."""
    folder, found = desk.folder / "reels", []
    # Also what an interrupted removal left: a description without its video.
    for film in sorted(
        {path.with_suffix(".mp4") for kind in ("mp4", "json") for path in folder.glob(f"*.{kind}")}
    ):
        facts = film.with_suffix(".json")
        shows: set[int] | None = None
        title = film.stem
        try:
            said = json.loads(facts.read_text(encoding="utf-8"))
            title = str(said["title"])
            if said.get("shows"):
                fights = desk.catalogue.care.clip_fights(int(i) for i in said["shows"])
                # A clip that is gone may have been of any fight.
                shows = set(fights.values()) if len(fights) == len(set(said["shows"])) else None
        except (OSError, ValueError, KeyError, TypeError):
            if not facts.exists() and digest_of(film) is None:
                continue  # somebody's own video
        if shows is None or shows & fight_ids:
            found.append((film, title))
    return found


def mentions(root: Path, name: str) -> tuple[Path, ...]:
    """The files of a library that hold a name, in letters as files and videos keep them. Reads every byte."""
    return tuple(path for path in _files(root) if _holds(path, [name]))


def _files(root: Path) -> list[Path]:
    return sorted(path for path in root.rglob("*") if path.is_file())


def _holds(path: Path, names: Iterable[str]) -> set[str]:
    """Those of the names that a file holds."""
    wanted = {
        name: {form.encode(code) for form in (name, name.casefold()) for code in ("utf-8", "utf-16-le")}
        | {json.dumps(name)[1:-1].encode()}
        for name in names
    }
    longest = max((len(form) for forms in wanted.values() for form in forms), default=0)
    found: set[str] = set()
    with _reading(path) as file:
        kept = b""
        while len(found) < len(wanted) and (block := file.read(1 << 20)):
            piece = kept + block
            found |= {name for name, forms in wanted.items() if any(form in piece for form in forms)}
            kept = piece[-longest:]
    return found


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[IO[bytes]]:
    """The bytes of a file. The catalogue's are read by another process: closing one of its files here would
    cancel every lock that SQLite holds on it in this process (https://sqlite.org/howtocorrupt.html, 2.2)."""
    if not path.name.startswith(_CATALOGUE):
        with path.open("rb") as file:
            yield file
        return
    with subprocess.Popen(
        [sys.executable, "-I", "-c", _COPY, str(path)], stdout=subprocess.PIPE, stdin=subprocess.DEVNULL
    ) as child:
        assert child.stdout is not None
        yield child.stdout
        child.stdout.read()  # to its end, so that it ends well


def _left(root: Path, names: set[str]) -> tuple[str, ...]:
    """Where names that were forgotten are still written, a sentence each. Clips, pictures and footage are not
    read through: those of other fights hold nobody's name, and may be as large as the disk."""
    film = (ingest_cut.CLIPS, ingest_cut.POSTERS, ingest_cut.WORKING, UPLOADS)
    places: defaultdict[str, list[str]] = defaultdict(list)
    for path in _files(root) if names else ():
        place = path.relative_to(root)
        if place.parts[0] in film or (place.parts[0] == FIGHTS and path.stat().st_size > _LARGEST_LOG):
            continue
        for name in _holds(path, names):
            places[name].append(place.as_posix())
    return tuple(
        f"“{name}” is still written in {', '.join(found)}: "
        + (
            "the folder of a fight, which is yours to delete"
            if all(place.startswith(f"{FIGHTS}/") for place in found)
            else "in a note, a title or a log about others; change it there"
        )
        for name, found in sorted(places.items())
    )
