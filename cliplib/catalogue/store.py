"""The connections under the catalogue: one a thread, transactions, and SQLite's errors as errors of ours."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cliplib.catalogue import medium, state
from cliplib.catalogue.turns import MOST_WAIT_S, turns_of
from cliplib.core.errors import BusyError, NotFoundError, StorageError

if TYPE_CHECKING:
    from sqlite_utils import Database

_BUSY_MS = MOST_WAIT_S * 1000
_BATCH = 500  # ids in one IN (...): far below SQLite's limit of parameters


class _Connection:
    """A thread's connection, closed when the thread is done with it."""

    def __init__(self, path: Path, views: Sequence[str] = (), *, read_only: bool = False):
        self.opened_to: medium.Stamp | None = None
        if read_only:
            self.raw, self.opened_to = medium.opened(path)
        else:
            self.raw = sqlite3.connect(
                str(path), timeout=_BUSY_MS / 1000, isolation_level=None, check_same_thread=False
            )
        try:
            self._tell(views)
        except BaseException:
            self.raw.close()
            raise

    def _tell(self, views: Sequence[str]) -> None:
        self.raw.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        if self.opened_to is None:
            self.raw.execute("PRAGMA foreign_keys = ON")
            if self.raw.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                self.raw.execute("PRAGMA journal_mode = wal")
            # With a write-ahead log NORMAL loses at most the last commits on a power cut, never consistency;
            # ingest finds what is missing and does it again.
            self.raw.execute("PRAGMA synchronous = NORMAL")
        for view in views:
            self.raw.execute(view)

    @cached_property
    def db(self) -> Database:
        """For who writes; loaded then."""
        return _database(self.raw)

    def close(self) -> None:
        self.raw.close()

    def __del__(self) -> None:
        if hasattr(self, "raw"):  # opening may have failed
            self.raw.close()


def _database(raw: sqlite3.Connection) -> Database:
    from sqlite_utils import Database

    # Plugins of somebody's sqlite-utils have no business in a library.
    return Database(raw, execute_plugins=False)


def _make(path: Path) -> list[str]:
    """A new catalogue, which has its name only once it is one; what was applied to it. Somebody else who made
    one meanwhile is left alone."""
    from cliplib.catalogue import schema

    log = path.with_name(f"{path.name}-wal")
    if log.exists() and log.stat().st_size:
        raise StorageError(
            f"{path} is gone, but its log of changes {log.name} is there: put the file back, or restore a "
            "backup into a new folder; nothing was written"
        )
    part = path.with_name(
        f".{path.stem}.{os.getpid()}-{threading.get_ident() & 0xFFFFFF:x}.part{path.suffix}"
    )
    try:
        raw = sqlite3.connect(str(part), isolation_level=None)
        try:
            raw.execute(
                "PRAGMA journal_mode = MEMORY"
            )  # nobody knows of it yet; no second file to leave behind
            applied = schema.upgrade(_database(raw))
        finally:
            raw.close()
        try:
            os.link(part, path)
        except FileExistsError:
            return []
        except OSError:  # a file system without links
            if path.exists():
                return []
            os.replace(part, path)
        return applied
    except OSError as error:
        raise StorageError(f"cannot make a library at {path.parent}: {error.strerror or error}") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _recognise(path: Path, read_only: bool) -> None:
    """Raise StorageError for a file that is no catalogue of ours; it is only read, if nobody was killed while
    writing to it."""
    hint = (
        "restore a backup into a new folder, or move this file away and ingest the fight folders again; "
        "nothing was written"
    )
    if path.is_file() and path.stat().st_size == 0:
        raise StorageError(f"{path} is empty, so it is no catalogue any more: {hint}")
    try:
        ours = _is_ours(path, "ro", read_only)
    except sqlite3.OperationalError as error:
        if read_only or error.sqlite_errorcode != sqlite3.SQLITE_READONLY_ROLLBACK:
            raise
        # Whoever wrote last was killed while a rollback journal was in use: who may write takes that back.
        ours = _is_ours(path, "rw", read_only)
    if not ours:
        raise StorageError(f"{path} is a database, but no catalogue of cliplib: {hint}")


def _is_ours(path: Path, mode: str, read_only: bool) -> bool:
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    looked = medium.opened(path)[0] if read_only else sqlite3.connect(uri, uri=True)
    with contextlib.closing(looked) as raw:
        return state.is_ours(raw)


class Store:
    """The database file of one library, for any number of threads. `create`: make it if it is not there.
    `hide_private`: its connections see no private fight and nothing of one, and cannot write. `read_only`: no
    connection can, because the medium cannot be written."""

    def __init__(self, path: Path, *, create: bool = False, hide_private: bool = False):
        self.path = path
        self._views: Sequence[str] = ()
        self._local = threading.local()
        self._turns = turns_of(path)
        self.read_only = medium.is_read_only(path.parent)
        made: list[str] = []
        if not path.exists():
            if not create:
                raise NotFoundError(f"no library at {path.parent}: it has no {path.name}")
            with self.errors():
                made = _make(path)
        with self.errors():
            _recognise(path, self.read_only)
            self.upgraded = made + self._upgrade()
        if hide_private:
            self.close()
            self._views = state.WITHOUT_PRIVATE

    def _upgrade(self) -> list[str]:
        if state.is_current(self.raw):
            return []
        if self.read_only:
            raise StorageError(
                f"{self.path} was made by an older cliplib and cannot be written here: copy the library to a "
                "disk, and open it there once"
            )
        from cliplib.catalogue import schema

        return schema.upgrade(self.db)

    @property
    def raw(self) -> sqlite3.Connection:
        """The calling thread's connection, for who only reads."""
        return self._connection().raw

    @property
    def db(self) -> Database:
        """The same, for who writes."""
        return self._connection().db

    def _connection(self) -> _Connection:
        connection: _Connection | None = getattr(self._local, "connection", None)
        if connection is not None and self.read_only and connection.opened_to != medium.stamp(self.path):
            self.close()  # somebody who can has written to it
            connection = None
        if connection is None:
            connection = self._local.connection = _Connection(
                self.path, self._views, read_only=self.read_only
            )
        return connection

    def close(self) -> None:
        """Close the calling thread's connection; others close when their threads end."""
        connection: _Connection | None = getattr(self._local, "connection", None)
        if connection is not None:
            connection.close()
            self._local.connection = None

    @contextmanager
    def errors(self) -> Iterator[None]:
        """SQLite's errors as errors of ours that say what to do."""
        try:
            yield
        except sqlite3.OperationalError as error:
            text = str(error)
            if "locked" in text or "busy" in text:
                raise BusyError(
                    f"another program is writing to {self.path}; try again in a moment"
                ) from error
            if "decode" in text:
                raise StorageError(self._damaged(error)) from error
            hint = "free some space" if "full" in text else "check the disk and the rights to the folder"
            raise StorageError(f"cannot use the catalogue {self.path}: {text}; {hint}") from error
        except sqlite3.IntegrityError as error:
            raise StorageError(f"the catalogue {self.path} refused a row: {error}") from error
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # a text that is none any more
            raise StorageError(self._damaged(error)) from error

    def _damaged(self, error: Exception) -> str:
        return (
            f"{self.path} is not a catalogue, or it is damaged ({error}); put a copy of it back, or "
            "move it away and ingest the fight folders again"
        )

    def must_write(self) -> None:
        """StorageError, with a sentence for a person, where the library cannot be written."""
        if self.read_only:
            raise StorageError(f"{medium.READ_ONLY.format(self.path.parent)}; nothing was changed")

    @contextmanager
    def transaction(self) -> Iterator[Database]:
        self.must_write()
        with self.errors(), self._turns.one(self.path):
            db = self.db
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                db.rollback()
                raise

    def settle(self) -> None:
        """Have all that was committed on the disk, not only in the system's cache: a power cut takes none.

        A commit is in the write-ahead log until SQLite has brought it into the database file, which it syncs
        before it gives the log up; so the log is what there is to sync. The database file itself must not be
        opened here: closing it again would cancel every lock this process holds on it
        (https://sqlite.org/howtocorrupt.html, 2.2).
        """
        log = self.path.with_name(self.path.name + "-wal")
        try:
            for path in (log, self.path.parent):
                try:
                    opened = os.open(path, os.O_RDONLY)
                except FileNotFoundError:
                    continue  # nothing was committed since the log was given up
                try:
                    os.fsync(opened)
                finally:
                    os.close(opened)
        except OSError as error:
            raise StorageError(f"cannot write the catalogue {self.path}: {error.strerror}") from error

    def rows(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        with self.errors():
            return self.raw.execute(sql, list(parameters)).fetchall()

    def records(self, sql: str, parameters: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """Rows by column name, for wide tables."""
        with self.errors():
            cursor = self.raw.execute(sql, list(parameters))
            names = [column[0] for column in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor]


def marks(values: Iterable[Any]) -> str:
    return ", ".join("?" for _ in values)


def batches(ids: Sequence[int]) -> Iterator[Sequence[int]]:
    for start in range(0, len(ids), _BATCH):
        yield ids[start : start + _BATCH]
