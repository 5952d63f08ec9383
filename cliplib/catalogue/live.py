"""Logs that are written in the library itself, line by line, while a fight plays.

A line is kept as the row of a log that it is (a JSON object, columns as in any log), and what the lines mean
stands beside them in `exchanges` and `actions` like that of any other log. Both change in one transaction
that is on the disk before it is reported done. Ingest never touches these logs but to read them anew.
"""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

from cliplib.catalogue.rows import NewExchange, NewMark, marked, second_opinions, span_of
from cliplib.catalogue.store import Store
from cliplib.catalogue.writing import fighter_id, mark_views, replace_exchanges, replace_marks, touch
from cliplib.core.errors import NotFoundError
from cliplib.core.models import Action, Exchange, FightInfo

if TYPE_CHECKING:
    from sqlite_utils import Database

T = TypeVar("T")

Said = Mapping[str, str]
"""A row of a log: its columns' texts by name."""


@dataclass(frozen=True, slots=True)
class LiveLine:
    """A line by its number, which no other line ever gets."""

    id: int
    said: Said = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LiveLog:
    """One person's log of a fight. `place`: of the log in `FightInfo.logs`."""

    file: str
    by: str
    place: int
    lines: tuple[LiveLine, ...]


_KEPT = 16  # fights whose lines are kept in memory
Derive = Callable[[FightInfo, Sequence[LiveLog]], tuple[Sequence[NewExchange], Sequence[NewMark]]]
"""From lines to exchanges and marks, given the fight with all its logs; done inside the transaction."""


def name_of(by: str) -> str:
    """The name of somebody's log. No file of a fight folder can have it, for what its name ends in."""
    return f"{by} (logged here)"


class LiveLogs:
    """The live logs of a catalogue. `info_of`: a fight as stored, over the calling thread's connection."""

    def __init__(self, store: Store, info_of: Callable[[int], FightInfo]):
        self._store, self._info_of = store, info_of
        self._known: OrderedDict[int, tuple[int, tuple[LiveLog, ...]]] = OrderedDict()

    def logs(self, fight_id: int) -> tuple[LiveLog, ...]:
        """A fight's live logs in the order they were begun, each with its lines as they were written."""
        revision = self._revision(fight_id)  # read first: with what is written meanwhile it only grows
        known = self._known.get(fight_id)
        if known is None or known[0] != revision:
            known = revision, self._read(fight_id)
            self._keep(fight_id, *known)
        return known[1]

    def _revision(self, fight_id: int) -> int:
        """Every change of a fight's lines raises it."""
        found = self._store.rows("SELECT revision FROM fights WHERE id = ?", (fight_id,))
        return int(found[0][0]) if found else -1

    def _keep(self, fight_id: int, revision: int, logs: tuple[LiveLog, ...]) -> None:
        """Whoever logs asks for the same lines with each that is added."""
        self._known[fight_id] = revision, logs
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)

    def _read(self, fight_id: int) -> tuple[LiveLog, ...]:
        lines: dict[int, list[LiveLine]] = {}
        for log_id, line_id, said in self._store.rows(
            "SELECT log_id, id, said FROM live_lines WHERE log_id IN "
            "(SELECT id FROM logs WHERE fight_id = ? AND live = 1) ORDER BY id",
            (fight_id,),
        ):
            lines.setdefault(log_id, []).append(_line(line_id, said))
        rows = self._store.rows(
            "SELECT id, file, by, live FROM logs WHERE fight_id = ? ORDER BY position", (fight_id,)
        )
        return tuple(
            LiveLog(file, by, place, tuple(lines.get(log_id, ())))
            for place, (log_id, file, by, live) in enumerate(rows)
            if live
        )

    def edit(self, fight_id: int, by: str, derive: Derive, change: Callable[[LineEditor], T]) -> T:
        """Change one person's lines, derive the exchanges anew, and have it all on the disk.

        NotFoundError if there is no such fight. What `change` or `derive` raise undoes everything.
        """
        with self._durable() as db:
            known = self._known.get(fight_id)
            before = known[1] if known is not None and known[0] == self._revision(fight_id) else ()
            editor = LineEditor(db, self._log(db, fight_id, by))
            done = change(editor)
            log = next((log for log in before if log.file == name_of(by)), None)
            lines = editor.applied(log.lines) if log is not None else None
            if log is None or lines is None:
                now = self._read(fight_id)
            else:
                now = tuple(replace(one, lines=lines) if one is log else one for one in before)
            self._rederive(db, fight_id, derive, now)
            revision = self._revision(fight_id)
        self._keep(fight_id, revision, now)  # not earlier: what is undone must not be known
        return done

    def rederive(self, fight_id: int, derive: Derive) -> None:
        """Read the lines again: the fight, its footage, the settings or the words have changed."""
        if not self.logs(fight_id):
            return
        with self._store.transaction() as db:
            self._rederive(db, fight_id, derive, self._read(fight_id))

    @contextmanager
    def _durable(self) -> Iterator[Database]:
        """A transaction that has reached the disk when it ends, not only the system's cache."""
        db = self._store.db
        db.execute("PRAGMA synchronous = FULL")
        try:
            with self._store.transaction() as db:
                yield db
        finally:
            db.execute("PRAGMA synchronous = NORMAL")

    def _log(self, db: Database, fight_id: int, by: str) -> int:
        found = db.execute(
            "SELECT id FROM logs WHERE fight_id = ? AND file = ?", [fight_id, name_of(by)]
        ).fetchone()
        if found:
            return int(found[0])
        if not db.execute("SELECT 1 FROM fights WHERE id = ?", [fight_id]).fetchone():
            raise NotFoundError(f"no fight {fight_id} in this library")
        # Behind the logs of the fight folder, however many those come to be.
        cursor = db.execute(
            "INSERT INTO logs (fight_id, position, file, by, live) VALUES (?, "
            "(SELECT 1000000 + count(*) FROM logs WHERE fight_id = ? AND live = 1), ?, ?, 1)",
            [fight_id, fight_id, name_of(by), by],
        )
        return int(cursor.lastrowid or 0)

    def _rederive(self, db: Database, fight_id: int, derive: Derive, live: Sequence[LiveLog]) -> None:
        info = self._info_of(fight_id)
        exchanges, marks = derive(info, live)
        told = db.execute(
            "SELECT l.file, e.round, e.start_us, e.end_us, min(a.time_us), max(a.time_us), max(a.until_us) "
            "FROM exchanges e JOIN logs l ON l.id = e.log_id "
            "LEFT JOIN actions a ON a.exchange_id = e.id AND e.start_us IS NULL "
            "WHERE e.fight_id = ? AND l.live = 0 GROUP BY e.id",
            [fight_id],
        ).fetchall()
        places = {source.file: place for place, source in enumerate(info.logs)}
        spans = []
        for file, number, start, end, *times in told:
            actions = tuple(Action("", time_us=time) for time in times if time is not None)
            spans.append((places[file], *span_of(Exchange(actions, number, start, end))))
        spans += [(item.log, *item.span) for item in exchanges]
        exchanges = marked(exchanges, second_opinions(spans, info.logs)[len(told) :])
        people = {name: fighter_id(db, name) for name in info.fighters}
        log_ids = [
            i for (i,) in db.execute("SELECT id FROM logs WHERE fight_id = ? ORDER BY position", [fight_id])
        ]
        replace_exchanges(db, fight_id, info, exchanges, people, log_ids, live=True)
        replace_marks(db, fight_id, marks, people, log_ids, live=True)
        mark_views(db, fight_id, info)
        touch(db, fight_id)


class LineEditor:
    """One log's lines inside a transaction."""

    def __init__(self, db: Database, log_id: int):
        self._db, self._log_id = db, log_id
        self._added: list[LiveLine] = []
        self._otherwise = False

    def applied(self, lines: tuple[LiveLine, ...]) -> tuple[LiveLine, ...] | None:
        """The log's lines as they are now, if these are what they were; None if they must be read."""
        return None if self._otherwise else (*lines, *self._added)

    def lines(self) -> tuple[LiveLine, ...]:
        rows = self._db.execute(
            "SELECT id, said FROM live_lines WHERE log_id = ? ORDER BY id", [self._log_id]
        ).fetchall()
        return tuple(_line(line_id, said) for line_id, said in rows)

    def line(self, line_id: int) -> LiveLine:
        """NotFoundError for a line that is not there, or in another log."""
        row = self._db.execute(
            "SELECT said FROM live_lines WHERE log_id = ? AND id = ?", [self._log_id, line_id]
        ).fetchone()
        if row is None:
            raise NotFoundError(f"there is no line {line_id} in this log any more")
        return LiveLine(line_id, json.loads(row[0]))

    def add(self, said: Said) -> LiveLine:
        cursor = self._db.execute(
            "INSERT INTO live_lines (log_id, said) VALUES (?, ?)", [self._log_id, _to_json(said)]
        )
        added = _line(int(cursor.lastrowid or 0), _to_json(said))
        self._added.append(added)
        return added

    def put(self, line_id: int, said: Said) -> LiveLine:
        self.line(line_id)
        self._otherwise = True
        self._db.execute("UPDATE live_lines SET said = ? WHERE id = ?", [_to_json(said), line_id])
        return LiveLine(line_id, dict(said))

    def remove(self, line_id: int) -> LiveLine:
        gone = self.line(line_id)
        self._otherwise = True
        self._db.execute("DELETE FROM live_lines WHERE id = ?", [line_id])
        return gone

    def clear(self) -> None:
        self._otherwise = True
        self._db.execute("DELETE FROM live_lines WHERE log_id = ?", [self._log_id])


@lru_cache(maxsize=65_536)
def _line(line_id: int, said: str) -> LiveLine:
    """Kept: a log is read again with each line that is added to it, and what is the same object as before
    needs no second look."""
    return LiveLine(line_id, json.loads(said))


def _to_json(said: Said) -> str:
    plain: dict[str, Any] = {name: text for name, text in said.items() if text}
    return json.dumps(plain, ensure_ascii=False)
