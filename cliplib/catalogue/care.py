"""Looking after a catalogue's file: is it sound, a copy of it while people write, and forgetting for good."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from cliplib.catalogue.places import inside
from cliplib.catalogue.rows import Held
from cliplib.catalogue.store import Store, batches, marks
from cliplib.catalogue.writing import touch
from cliplib.core.errors import NotFoundError


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A file that a row points to. `kind`: clip, poster or working copy; `place`: within the library's
    folder; `held`: None if it was made before that was noted."""

    kind: str
    fight_id: int
    exchange_id: int | None
    place: str
    held: Held | None


class Care:
    """`Catalogue.care`."""

    def __init__(self, store: Store):
        self._store = store

    def problems(self) -> list[str]:
        """What SQLite finds wrong with the file, one sentence each; empty for a sound catalogue."""
        problems = [text for (text,) in self._store.rows("PRAGMA integrity_check") if text != "ok"]
        problems += [
            f"a row of {table} points to a row of {parent} that is gone"
            for table, _, parent, _ in self._store.rows("PRAGMA foreign_key_check")
        ]
        return problems

    def files(self) -> list[KeptFile]:
        """Every clip, poster and working copy that a row points to."""
        found = []
        for exchange_id, fight_id, *values in self._store.rows(
            "SELECT c.exchange_id, e.fight_id, c.file, c.file_size, c.file_digest, c.poster, c.poster_size, "
            "c.poster_digest FROM clips c JOIN exchanges e ON e.id = c.exchange_id ORDER BY c.file"
        ):
            for kind, (place, size, digest) in (("clip", values[:3]), ("poster", values[3:])):
                if inside(place):
                    held = Held(size, digest) if digest else None
                    found.append(KeptFile(kind, fight_id, exchange_id, place, held))
        for fight_id, place, size, digest in self._store.rows(
            "SELECT fight_id, sliced_path, sliced_size, sliced_digest FROM footage "
            "WHERE sliced_path IS NOT NULL ORDER BY fight_id"
        ):
            if inside(place):  # else clips are sliced from the footage itself
                held = Held(size, digest) if digest else None
                found.append(KeptFile("working copy", fight_id, None, place, held))
        return found

    def strangers(self) -> list[str]:
        """Rows that point to what is no file of the library, one sentence each. They are read as if they
        pointed nowhere."""
        found = []
        for exchange_id, *places in self._store.rows(
            "SELECT exchange_id, file, poster FROM clips ORDER BY 1"
        ):
            found += [
                f"clip {exchange_id} names “{place[:80]}”, which is no clip or poster of a library"
                for place in places
                if place is not None and inside(place) is None
            ]
        return found

    def drop_strangers(self) -> None:
        """Take those rows out: the next ingest cuts the clips."""
        with self._store.transaction() as db:
            for exchange_id, file, poster in db.execute(
                "SELECT exchange_id, file, poster FROM clips"
            ).fetchall():
                if inside(file) is None or (poster is not None and inside(poster) is None):
                    db.execute("DELETE FROM clips WHERE exchange_id = ?", [exchange_id])

    def settle(self) -> None:
        """Have everything committed so far on the disk: a power cut takes none of it."""
        self._store.settle()

    def copy_to(self, out: Path) -> None:
        """A copy of the catalogue as it is at one moment, in a new file; nobody has to stop writing."""
        with self._store.errors():
            copy = sqlite3.connect(str(out), isolation_level=None)
            try:
                # All pages in one step: a reader's snapshot, which no writer disturbs.
                self._store.db.conn.backup(copy, pages=-1)
                copy.execute("PRAGMA journal_mode = DELETE")  # a copy is one file
            finally:
                copy.close()

    def nobody(self) -> tuple[str, ...]:
        """Names of fighters who have neither a fight nor an action."""
        return tuple(name for (name,) in self._store.rows(f"SELECT name FROM fighters WHERE {_NOBODY}"))

    def forget(self, fight_ids: Iterable[int]) -> None:
        """Remove fights, all that hangs on them and fighters whom no fight needs; NotFoundError if one is not
        there. `scrub` then takes what was removed out of the file."""
        with self._store.transaction() as db:
            for fight_id in fight_ids:
                if db.execute("DELETE FROM fights WHERE id = ?", [fight_id]).rowcount == 0:
                    raise NotFoundError(f"no fight {fight_id} in this library")
            db.execute(f"DELETE FROM fighters WHERE {_NOBODY}")
            touch(db, None)

    def scrub(self) -> bool:
        """Rewrite the file without what was removed, whose bytes SQLite would keep until they are needed.

        False if somebody was reading for so long that the log of changes still holds them.
        """
        with self._store.errors():
            db = self._store.db
            db.execute("VACUUM")
            done = db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            # The shared memory file beside it holds page numbers only.
            return bool(done is not None and done[0] == 0)

    def fights_of(self, name: str) -> tuple[int, ...]:
        """The numbers of all fights of a fighter, by the whole name."""
        return tuple(
            fight_id
            for (fight_id,) in self._store.rows(
                "SELECT f.id FROM fights f JOIN fighters p ON p.id IN (f.red_id, f.blue_id) "
                "WHERE p.name = ? ORDER BY f.id",
                (name,),
            )
        )

    def clip_fights(self, exchange_ids: Iterable[int]) -> dict[int, int]:
        """The fight of each exchange that is there."""
        found: dict[int, int] = {}
        for batch in batches(sorted(set(exchange_ids))):
            found |= dict(
                self._store.rows(f"SELECT id, fight_id FROM exchanges WHERE id IN ({marks(batch)})", batch)
            )
        return found


_NOBODY = (
    "id NOT IN (SELECT red_id FROM fights UNION SELECT blue_id FROM fights "
    "UNION SELECT fighter_id FROM actions)"
)
