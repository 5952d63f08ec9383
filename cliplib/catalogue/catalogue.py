"""The catalogue: every fight, exchange, action and clip of a library, in SQLite. The only truth.

    Catalogue.fights, fighters, exchanges, clip_rows ...   what pages and commands show
    Catalogue.revisions, columns, notes                    what the search's own files are made from
    Catalogue.replace_fight, put_clips ...                 what ingest stores, each in one short transaction

One object serves any number of threads, each over a connection of its own. Readers never wait for a writer
(write-ahead log); a writer waits up to ten seconds for another one. Times are microseconds of footage time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from cliplib.catalogue import (
    columns as catalogue_columns,
)
from cliplib.catalogue import (
    corrections as catalogue_corrections,
)
from cliplib.catalogue import (
    places,
    watched,
)
from cliplib.catalogue import (
    writing as catalogue_writing,
)
from cliplib.catalogue.care import Care
from cliplib.catalogue.columns import MISSING as MISSING  # part of what columns() promises
from cliplib.catalogue.corrections import Correction
from cliplib.catalogue.drawings import Drawings
from cliplib.catalogue.live import LiveLogs
from cliplib.catalogue.proposals import Proposals
from cliplib.catalogue.rows import (
    ACTION_COLUMNS,
    UNKNOWN_VIEW,
    FightChange,
    FighterRow,
    FightRow,
    FootageRow,
    Held,
    NewClip,
    NewExchange,
    NewMark,
    StoredClip,
    StoredExchange,
    StoredMark,
    action_from,
    clip_row_from,
    exchange_digest,
    fight_info_from,
    footage_info_from_json,
    footage_info_to_json,
    periods_from_json,
    timeline_from_blob,
    timeline_to_blob,
)
from cliplib.catalogue.store import Store, batches, marks
from cliplib.core.errors import NotFoundError, StorageError
from cliplib.core.models import Action, ClipRow, Exchange, FightInfo, FootageInfo, LogSource, Mark
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import Timeline

if TYPE_CHECKING:
    import numpy.typing as npt

_NO_MATCHES: Mapping[int, tuple[tuple[int, ...], ...]] = MappingProxyType({})


class Catalogue:
    """The catalogue of one library. `path`: its catalogue.db, made if `create`; else NotFoundError if absent.
    `hide_private`: as if private fights were not there; nothing can be written then.

    Raises StorageError for a file that is not a catalogue, was made by a newer cliplib, or cannot be written.
    """

    def __init__(self, path: Path, *, create: bool = False, hide_private: bool = False):
        self.path = path
        self._store = Store(path, create=create, hide_private=hide_private)
        self.care = Care(self._store)
        self.drawings = Drawings(self._store)
        self.proposals = Proposals(self._store)
        self._rows = self._store.rows
        self.live = LiveLogs(self._store, lambda fight_id: self.fight(fight_id).info)

    def close(self) -> None:
        """Close the calling thread's connection; others close when their threads end."""
        self._store.close()

    @property
    def read_only(self) -> bool:
        """Whether its medium cannot be written."""
        return self._store.read_only

    def must_write(self) -> None:
        """For what changes files of the library: StorageError, with a sentence for a person, where nothing in
        it can be written."""
        self._store.must_write()

    @property
    def upgraded(self) -> tuple[str, ...]:
        """The migrations that opening this library has just run."""
        return tuple(self._store.upgraded)

    # --- reading: fights and fighters -----------------------------------------------------------------

    def revision(self) -> int:
        """A number that grows whenever anything that is searched changes."""
        found = self._rows("SELECT value FROM meta WHERE key = 'revision'")
        if not found:
            raise StorageError(f"{self.path} is damaged: it does not say what it holds; restore a backup")
        return int(found[0][0])

    def revisions(self) -> dict[int, int]:
        """The revision at which each fight was last changed, by fight id."""
        return dict(self._rows("SELECT id, revision FROM fights ORDER BY id"))

    def fighters(self) -> tuple[FighterRow, ...]:
        """Everybody who has a fight, by name."""
        return tuple(
            FighterRow(*row)
            for row in self._rows(
                "SELECT id, name FROM fighters WHERE id IN (SELECT red_id FROM fights UNION "
                "SELECT blue_id FROM fights) ORDER BY name"
            )
        )

    def hidden_names(self) -> tuple[list[str], list[str]]:
        """Fighters of whom this connection sees no fight, and titles of fights that it does not see."""
        fighters = self._rows(
            "SELECT name FROM fighters WHERE id NOT IN (SELECT red_id FROM fights UNION "
            "SELECT blue_id FROM fights)"
        )
        titles = self._rows("SELECT title FROM main.fights WHERE title NOT IN (SELECT title FROM fights)")
        return [name for (name,) in fighters], [title for (title,) in titles]

    def fights(self, ids: Iterable[int] | None = None) -> tuple[FightRow, ...]:
        """Fights by date and title (those without a date last), with their counts."""
        chosen = None if ids is None else sorted(set(ids))
        if chosen is None:
            return self._fights("", ())
        found: list[FightRow] = []
        for batch in batches(chosen):
            found += self._fights(f"WHERE f.id IN ({marks(batch)})", batch)
        return tuple(sorted(found, key=_fight_order))

    def fight(self, fight_id: int) -> FightRow:
        """One fight; NotFoundError if there is none of that number."""
        found = self._fights("WHERE f.id = ?", (fight_id,))
        if not found:
            raise NotFoundError(f"no fight {fight_id} in this library")
        return found[0]

    def _fights(self, where: str, parameters: Sequence[int]) -> tuple[FightRow, ...]:
        """`parameters`: the fights' numbers, as `where` takes them; none for all."""
        sql = f"""
            SELECT f.*, r.name AS red_name, b.name AS blue_name, footage.path AS footage_path,
              (SELECT count(*) FROM exchanges e WHERE e.fight_id = f.id) AS exchange_count,
              (SELECT count(*) FROM exchanges e JOIN clips c ON c.exchange_id = e.id
               WHERE e.fight_id = f.id) AS clip_count
            FROM fights f JOIN fighters r ON r.id = f.red_id JOIN fighters b ON b.id = f.blue_id
            LEFT JOIN footage ON footage.fight_id = f.id {where}
        """
        rows = self._store.records(sql, parameters)
        if not rows:
            return ()
        logs: dict[int, list[LogSource]] = {}
        which = f"WHERE fight_id IN ({marks(parameters)})" if parameters else ""
        for fight_id, file, by in self._rows(
            f"SELECT fight_id, file, by FROM logs {which} ORDER BY fight_id, position", parameters
        ):
            logs.setdefault(fight_id, []).append(LogSource(file, by))
        found = [
            FightRow(
                id=row["id"],
                info=fight_info_from(row, row["red_name"], row["blue_name"], tuple(logs.get(row["id"], ()))),
                folder=Path(row["folder"]),
                digest=row["digest"],
                revision=row["revision"],
                red_id=row["red_id"],
                blue_id=row["blue_id"],
                exchanges=row["exchange_count"],
                clips=row["clip_count"],
                footage=Path(row["footage_path"]) if row["footage_path"] else None,
            )
            for row in rows
        ]
        return tuple(sorted(found, key=_fight_order))

    def fight_keys(self) -> list[tuple[int, str, str | None, Path, str]]:
        """(id, title, date, folder, digest) of every fight: all that telling fights apart needs."""
        return [
            (fight_id, title, date, Path(folder), digest)
            for fight_id, title, date, folder, digest in self._rows(
                "SELECT id, title, date, folder, digest FROM fights ORDER BY id"
            )
        ]

    def titles(self) -> tuple[str, ...]:
        """Of the fights, each once, in the order in which they came."""
        return tuple(dict.fromkeys(title for (title,) in self._rows("SELECT title FROM fights ORDER BY id")))

    def period_names(self) -> tuple[str, ...]:
        """Names of the periods of all fights, in order; those that differ in capital letters alone once."""
        told = self._rows("SELECT DISTINCT periods FROM fights WHERE periods <> '[]'")
        every = sorted({period.name for (text,) in told for period in periods_from_json(text)}, reverse=True)
        return tuple(sorted({name.casefold(): name for name in every}.values(), key=str.casefold))

    def fight_of(self, title: str, date: str | None, folder: Path) -> int | None:
        """The id of the fight of that title and date, else of the one last read from that folder, or None."""
        rows = self._rows(
            "SELECT id FROM fights WHERE title = ? AND coalesce(date, '') = ?", (title, date or "")
        ) or self._rows("SELECT id FROM fights WHERE folder = ?", (str(folder),))
        return int(rows[0][0]) if rows else None

    def sliced_files(self) -> set[Path]:
        """Every file that clips are sliced from."""
        rows = self._rows("SELECT sliced_path, path FROM footage WHERE sliced_path IS NOT NULL")
        found = {places.sliced_from(sliced, Path(path), self.path.parent) for sliced, path in rows}
        return {path for path in found if path is not None}

    def footage(self, fight_id: int) -> FootageRow | None:
        """The footage of a fight as last probed, or None while it has not turned up."""
        rows = self._rows(
            "SELECT path, size, mtime_ns, info, timeline, sliced_path, why, sliced_size, sliced_digest "
            "FROM footage WHERE fight_id = ?",
            (fight_id,),
        )
        if not rows:
            return None
        path, size, mtime_ns, info_json, blob, sliced, why, sliced_size, sliced_digest = rows[0]
        info, end, time_base, probed_by = footage_info_from_json(info_json)
        return FootageRow(
            fight_id,
            Path(path),
            size,
            mtime_ns,
            info,
            timeline_from_blob(blob, end, time_base),
            places.sliced_from(sliced, Path(path), self.path.parent),
            why,
            probed_by,
            Held(sliced_size, sliced_digest) if sliced_digest else None,
        )

    def fingerprints(self) -> dict[int, str]:
        """The fingerprint of each fight's footage, where it has turned up; no timeline is read."""
        return dict(self._rows("SELECT fight_id, fingerprint FROM footage"))

    # --- reading: exchanges and clips -----------------------------------------------------------------

    def exchanges(self, fight_id: int) -> list[StoredExchange]:
        """A fight's exchanges in order of their logs and, in each, of the log's rows."""
        actions = self._actions("JOIN exchanges e ON e.id = a.exchange_id WHERE e.fight_id = ?", (fight_id,))
        rows = self._rows(
            "SELECT e.id, l.file, e.round, e.start_us, e.end_us, e.exact_span, e.name, e.note, e.line, "
            "e.in_us, e.out_us, e.second_opinion, e.view_of "
            "FROM exchanges e JOIN logs l ON l.id = e.log_id WHERE e.fight_id = ? ORDER BY e.position",
            (fight_id,),
        )
        return [
            StoredExchange(
                id=row[0],
                log_file=row[1],
                exchange=Exchange(
                    actions=tuple(actions.get(row[0], ())),
                    round=row[2],
                    start_us=row[3],
                    end_us=row[4],
                    exact_span=bool(row[5]),
                    name=row[6],
                    note=row[7],
                    line=row[8],
                ),
                in_us=row[9],
                out_us=row[10],
                second_opinion=bool(row[11]),
                view_of=row[12],
            )
            for row in rows
        ]

    def unknown_views(self, fight_id: int) -> int:
        """How many exchanges of a fight lie in a replay of nobody knows what."""
        ((count,),) = self._rows(
            "SELECT count(*) FROM exchanges WHERE fight_id = ? AND view_of = ?", (fight_id, UNKNOWN_VIEW)
        )
        return int(count)

    def logs_with_exchanges(self, fight_id: int) -> set[str]:
        """The files of a fight's logs that hold an exchange."""
        rows = self._rows(
            "SELECT DISTINCT l.file FROM exchanges e JOIN logs l ON l.id = e.log_id WHERE e.fight_id = ?",
            (fight_id,),
        )
        return {file for (file,) in rows}

    def altered(self, progress: Progress = silent) -> list[str]:
        """What SQLite cannot tell: fights of which something cannot be read any more, and exchanges that say
        other than what was written; a sentence each. Reads everything."""
        found = []
        ids = [fight_id for (fight_id,) in self._rows("SELECT id FROM fights ORDER BY id")]
        for done, fight_id in enumerate(ids):
            progress("reading what is stored", done, len(ids))
            try:
                for read in (
                    self.fight,
                    self.footage,
                    self.clips,
                    self.marks_of,
                    self.corrections,
                    self.live.logs,
                ):
                    read(fight_id)
                stored = self.exchanges(fight_id)
            except Exception as error:  # noqa: BLE001 - a value that is none any more can raise anything
                found.append(f"what is stored of fight {fight_id} cannot be read ({error!r:.100})")
                continue
            written = dict(self._rows("SELECT id, digest FROM exchanges WHERE fight_id = ?", (fight_id,)))
            found += [
                f"exchange {one.id} of fight {fight_id} says other than what was written"
                for one in stored
                if exchange_digest(one.exchange) != written.get(one.id)
            ]
        return found

    def clips(self, fight_id: int) -> dict[int, StoredClip]:
        """A fight's finished clips by exchange id. One whose file would lie elsewhere counts as not cut."""
        rows = self._rows(
            "SELECT c.exchange_id, e.fight_id, c.start_frame, c.end_frame, c.file, c.poster, c.how, c.why, "
            "c.digest FROM clips c JOIN exchanges e ON e.id = c.exchange_id WHERE e.fight_id = ?",
            (fight_id,),
        )
        return {row[0]: StoredClip(*row) for row in rows if places.inside(row[4])}

    def clip(self, exchange_id: int) -> StoredClip | None:
        """How one clip was cut, or None while it has not been."""
        rows = self._rows(
            "SELECT c.exchange_id, e.fight_id, c.start_frame, c.end_frame, c.file, c.poster, c.how, c.why, "
            "c.digest FROM clips c JOIN exchanges e ON e.id = c.exchange_id WHERE c.exchange_id = ?",
            (exchange_id,),
        )
        return StoredClip(*rows[0]) if rows and places.inside(rows[0][4]) else None

    def first_picture(self, fight_id: int) -> int | None:
        """The first exchange of a fight that has a picture."""
        rows = self._rows(
            "SELECT e.id FROM exchanges e JOIN clips c ON c.exchange_id = e.id "
            "WHERE e.fight_id = ? AND c.poster IS NOT NULL AND e.view_of IS NULL ORDER BY e.position LIMIT 1",
            (fight_id,),
        )
        return rows[0][0] if rows else None

    def clip_rows(
        self, exchange_ids: Sequence[int], matches: Mapping[int, tuple[tuple[int, ...], ...]] = _NO_MATCHES
    ) -> list[ClipRow]:
        """The exchanges asked for, in the order asked, without those that are gone; `matches` by exchange.

        `file` and `poster` are absolute. Before an exchange has been cut, `start_us` and `end_us` are the
        planned in and out, or None for a log without times.
        """
        root = self.path.parent.resolve()
        found: dict[int, ClipRow] = {}
        for batch in batches(list(dict.fromkeys(int(i) for i in exchange_ids))):
            which = marks(batch)
            actions = self._actions(f"WHERE a.exchange_id IN ({which})", batch)
            rows = self._rows(
                "SELECT e.id, f.title, f.id, f.date, e.round, e.start_us, e.in_us, e.out_us, e.note, "
                "f.round_starts, f.round_us, c.start_us, c.end_us, c.start_frame, c.end_frame, c.file, "
                "c.poster, f.parts, e.view_of FROM exchanges e JOIN fights f ON f.id = e.fight_id "
                f"LEFT JOIN clips c ON c.exchange_id = e.id WHERE e.id IN ({which})",
                batch,
            )
            for row in rows:
                found[row[0]] = clip_row_from(
                    row, tuple(actions.get(row[0], ())), root, matches.get(row[0], ())
                )
        return [found[i] for i in exchange_ids if i in found]

    def _actions(self, tail: str, parameters: Sequence[Any]) -> dict[int, list[Action]]:
        rows = self._rows(
            "SELECT a.exchange_id, p.name, "
            + ", ".join(f"a.{name}" for name in ACTION_COLUMNS)
            + f" FROM actions a JOIN fighters p ON p.id = a.fighter_id {tail} "
            "ORDER BY a.exchange_id, a.position",
            parameters,
        )
        found: dict[int, list[Action]] = {}
        for row in rows:
            found.setdefault(row[0], []).append(action_from(row[1], row[2:]))
        return found

    def marks_of(self, fight_id: int) -> tuple[StoredMark, ...]:
        """A fight's marks, log by log, each log's in order of time."""
        rows = self._rows(
            "SELECT m.id, l.file, m.note, m.time_us, m.round, m.until_us, m.on_clock, p.name, m.name, m.line "
            "FROM marks m JOIN logs l ON l.id = m.log_id LEFT JOIN fighters p ON p.id = m.fighter_id "
            "WHERE m.fight_id = ? ORDER BY l.position, m.id",
            (fight_id,),
        )
        return tuple(
            StoredMark(mark_id, file, Mark(note, time_us, number, until_us, bool(on_clock), who, name, line))
            for mark_id, file, note, time_us, number, until_us, on_clock, who, name, line in rows
        )

    # --- reading: what the search is made from --------------------------------------------------------

    def columns(self, fight_ids: Iterable[int] | None = None) -> dict[str, npt.NDArray[Any]]:
        """Every action of the fights (None: all) as columns; see `catalogue_columns.columns`."""
        return catalogue_columns.columns(self._store, fight_ids)

    def notes(self, fight_ids: Iterable[int] | None = None) -> list[tuple[int, str]]:
        """(exchange id, its note and those of its actions) wherever anything was noted."""
        return catalogue_columns.notes(self._store, fight_ids)

    def clocks(self) -> dict[int, watched.ClockRow]:
        """Round lengths, bells and early ends of every fight, by fight id."""
        return watched.clocks(self._store)

    def corrections(self, fight_id: int) -> list[Correction]:
        """What was corrected in the library itself; see `catalogue_corrections`."""
        return catalogue_corrections.corrections(self._store, fight_id)

    # --- writing --------------------------------------------------------------------------------------

    def replace_fight(
        self,
        info: FightInfo,
        exchanges: Sequence[NewExchange],
        told: Sequence[NewMark] = (),
        *,
        folder: Path,
        digest: str,
        fight_id: int | None = None,
    ) -> FightChange:
        """Store a fight as it is now, in one transaction, touching only what differs.

        `fight_id` names the stored fight this is; None looks for one of the same title and date and makes one
        if there is none. Exchanges that say the same keep their ids and clips (see
        `catalogue_rows.keep_ids`); those that are gone take their actions and clips along. Clip files are the
        caller's to remove, afterwards.
        """
        return catalogue_writing.replace_fight(
            self._store, info, exchanges, told, folder=folder, digest=digest, fight_id=fight_id
        )

    def correct(
        self, fight_id: int, stored: StoredExchange, exchange: Exchange, correction: Correction
    ) -> None:
        """Store `exchange`, with the in and out of `stored`, as exchange `stored.id`, and the correction."""
        catalogue_corrections.correct(self._store, fight_id, stored, exchange, correction)

    def set_folder(self, fight_id: int, folder: Path, digest: str) -> None:
        """Note where a fight folder is now and what it was read as; nothing that is searched changes."""
        with self._store.transaction() as db:
            db.execute(
                "UPDATE fights SET folder = ?, digest = ? WHERE id = ?", [str(folder), digest, fight_id]
            )

    def set_footage(
        self,
        fight_id: int,
        path: Path,
        info: FootageInfo,
        timeline: Timeline,
        *,
        mtime_ns: int,
        sliced: Path | None = None,
        sliced_held: Held | None = None,
        why: str = "",
    ) -> None:
        """Store what a probe found, and later which file clips are sliced from, and what that holds."""
        values = {
            "fight_id": fight_id,
            "path": str(path),
            "size": info.size,
            "mtime_ns": mtime_ns,
            "fingerprint": info.fingerprint,
            "info": footage_info_to_json(info, timeline),
            "timeline": timeline_to_blob(timeline),
            "sliced_path": self._relative(sliced) if sliced else None,
            "why": why,
            "sliced_size": sliced_held.size if sliced_held else None,
            "sliced_digest": sliced_held.digest if sliced_held else None,
        }
        with self._store.transaction() as db:
            db.execute(
                f"INSERT OR REPLACE INTO footage ({', '.join(values)}) VALUES ({marks(values)})",
                list(values.values()),
            )

    def _relative(self, path: Path) -> str:
        """Files inside the library are told by their place in it, so that the library can be moved."""
        try:
            return path.resolve().relative_to(self.path.parent.resolve()).as_posix()
        except ValueError:
            return str(path)

    def set_footage_place(self, fight_id: int, path: Path, mtime_ns: int) -> None:
        """The same footage lies elsewhere now, or was touched."""
        with self._store.transaction() as db:
            db.execute(
                "UPDATE footage SET path = ?, mtime_ns = ? WHERE fight_id = ?",
                [str(path), mtime_ns, fight_id],
            )

    def put_clips(self, clips: Sequence[NewClip]) -> None:
        """Store finished clips. Call it when their files are safely on the disk. Those of exchanges that
        somebody took out meanwhile are passed over."""
        with self._store.transaction() as db:
            db.conn.executemany(
                "INSERT OR REPLACE INTO clips (exchange_id, start_us, end_us, start_frame, end_frame, file, "
                "poster, how, why, digest, file_size, file_digest, poster_size, poster_digest) "
                "SELECT ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? "
                "WHERE EXISTS (SELECT 1 FROM exchanges WHERE id = ?)",
                [
                    (
                        c.exchange_id,
                        c.start_us,
                        c.end_us,
                        c.start_frame,
                        c.end_frame,
                        c.file,
                        c.poster,
                        c.how,
                        c.why,
                        c.digest,
                        *((c.file_held.size, c.file_held.digest) if c.file_held else (None, None)),
                        *((c.poster_held.size, c.poster_held.digest) if c.poster_held else (None, None)),
                        c.exchange_id,
                    )
                    for c in clips
                ],
            )

    def remove_clips(self, exchange_ids: Sequence[int]) -> None:
        """Forget clips; their files are the caller's to remove, afterwards."""
        with self._store.transaction() as db:
            db.conn.executemany("DELETE FROM clips WHERE exchange_id = ?", [(int(i),) for i in exchange_ids])


def _fight_order(fight: FightRow) -> tuple[bool, str, str, int]:
    date = fight.info.date
    return date is None, date.isoformat() if date else "", fight.info.title, fight.id
