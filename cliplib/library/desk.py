"""What every service of a library works on: its folder, settings and words, what is stored, what is found.

A service takes the desk, and another service where it needs one; it never takes the library itself.
"""

from __future__ import annotations

import functools
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import FightRow, FootageRow
from cliplib.core.errors import FootageError, NotFoundError, StorageError
from cliplib.core.models import ClipRow, Settings
from cliplib.core.progress import Progress
from cliplib.core.settings import NAME as SETTINGS_FILE
from cliplib.core.settings import read_settings
from cliplib.library.names import fight_named
from cliplib.library.private import Hiding
from cliplib.vocabulary import Vocabulary, load_vocabulary

if TYPE_CHECKING:
    from cliplib.media.working import Prepared
    from cliplib.search.engine import Search

CATALOGUE = "catalogue.db"


class Desk:
    """`create`: make the library if it is not there, else NotFoundError. `hide_private`: as if private fights
    were not there; nothing can be written then. Raises what `Library` does.

    `hiding`: who may see what. `reels`: the folder of kept reels.
    """

    def __init__(self, folder: Path, *, create: bool = False, hide_private: bool = False):
        self.folder = Path(folder).absolute()
        if create:
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StorageError(f"cannot make a library at {folder}: {error.strerror}") from error
        elif not (self.folder / CATALOGUE).is_file():
            raise NotFoundError(
                f"there is no library at {folder}; name one with --library, or make one with “ingest”"
            )
        self.reels = self.folder / "reels"
        self.settings: Settings = read_settings(self.folder / SETTINGS_FILE)
        self.vocabulary: Vocabulary = load_vocabulary(self.folder, self.settings.number_profile)
        self.catalogue = Catalogue(self.folder / CATALOGUE, create=create, hide_private=hide_private)
        self._search: Search | None = None
        self._search_lock = threading.Lock()
        self.hiding = Hiding(self.catalogue, self.vocabulary, active=hide_private)
        self._names_lock = threading.Lock()
        self._names: tuple[int, tuple[str, ...], tuple[str, ...]] | None = None
        self._periods: tuple[int, tuple[str, ...]] | None = None

    @functools.cached_property
    def cache(self) -> Path:
        """The folder of what can be made again: in the library, or where that cannot be written, one of this
        program's own, for as long as it runs."""
        if not self.catalogue.read_only:
            return self.folder / "cache"
        import tempfile  # only here, and it loads much

        self._own = tempfile.TemporaryDirectory(prefix="cliplib-")
        return Path(self._own.name)

    @property
    def search(self) -> Search:
        """The engine, loaded when something is first looked for."""
        with self._search_lock:
            if self._search is None:
                from cliplib.search.engine import Search

                # What is derived from fewer fights is kept apart.
                derived = self.folder / "looking" if self.hiding.active else self.folder
                self._search = Search(self.catalogue, self.vocabulary, derived, self.settings)
            return self._search

    def fight(self, which: int | str) -> FightRow:
        """A fight by number, or by any part of its title that only one fight has; NotFoundError otherwise."""
        if isinstance(which, int):
            return self.catalogue.fight(which)
        if which.isdecimal() and len(which) < 10:
            return self.catalogue.fight(int(which))
        return fight_named(which, self.catalogue.fights())

    def clip(self, clip_id: int) -> ClipRow:
        """One exchange by number; NotFoundError if there is none."""
        rows = self.catalogue.clip_rows([clip_id])
        if not rows:
            raise NotFoundError(f"there is no clip {clip_id} in this library")
        return rows[0]

    def names(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Everybody who has a fight, and the titles of the fights."""
        revision = self.catalogue.revision()
        with self._names_lock:
            if self._names is None or self._names[0] != revision:
                fighters = tuple(fighter.name for fighter in self.catalogue.fighters())
                self._names = revision, fighters, self.catalogue.titles()
            return self._names[1], self._names[2]

    def periods(self) -> tuple[str, ...]:
        """Names of the periods of all fights; those that differ in capital letters alone once."""
        revision = self.catalogue.revision()
        with self._names_lock:
            if self._periods is None or self._periods[0] != revision:
                self._periods = revision, self.catalogue.period_names()
            return self._periods[1]

    def footage(self, fight_id: int, title: str) -> FootageRow:
        """A fight's footage; FootageError if it is not where it was, or another file is there by now.

        Looked at each time: what the catalogue names is shown to whoever may look, and somebody may have
        written another file's name into it.
        """
        row = self.catalogue.footage(fight_id)
        if row is None:
            raise FootageError(f"“{title}” has no footage yet; ingest it again when it has")
        if not row.path.is_file():
            raise FootageError(
                f"the footage of “{title}” is not at {row.path} any more; ingest the fight again, "
                "and name the folder where the footage is now"
            )
        now = row.path.stat()
        if _content(row.path, now.st_size, now.st_mtime_ns, now.st_ino) != row.info.fingerprint:
            raise FootageError(
                f"{row.path} is not the footage of “{title}” that was ingested, it has changed; "
                "ingest the fight again"
            )
        return row

    def prepared(self, fight_id: int, title: str, progress: Progress) -> Prepared:
        """A fight's footage, ready to be cut and shown; FootageError as `footage`."""
        from cliplib.ingest.cut import WORKING
        from cliplib.media.probe import Probe
        from cliplib.media.working import prepare

        row = self.footage(fight_id, title)
        return prepare(Probe(row.path, row.info, row.timeline), self.folder / WORKING, progress)


@functools.lru_cache(maxsize=4096)
def _content(path: Path, _size: int, _changed: int, _number: int) -> str:
    from cliplib.media.probe import fingerprint

    return fingerprint(path)
