"""The connections under the catalogue: one a thread, transactions, and SQLite's errors as errors of ours."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from cliplib.catalogue import schema
from cliplib.core.errors import BusyError, NotFoundError, StorageError

_BATCH = 500  # ids in one IN (...): far below SQLite's limit of parameters
_BUSY_MS = 10_000


class _Connection:
    """A thread's connection, closed when the thread is done with it."""

    def __init__(self, path: Path, views: Sequence[str] = ()):
        self.raw = sqlite3.connect(
            str(path), timeout=_BUSY_MS / 1000, isolation_level=None, check_same_thread=False
        )
        try:
            # Plugins of somebody's sqlite-utils have no business in a library.
            self.db = Database(self.raw, execute_plugins=False)
            self.db.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
            self.db.execute("PRAGMA foreign_keys = ON")
            self.db.enable_wal()
            # With a write-ahead log NORMAL loses at most the last commits on a power cut, never consistency;
            # ingest finds what is missing and does it again.
            self.db.execute("PRAGMA synchronous = NORMAL")
            for view in views:
                self.db.execute(view)
        except BaseException:
            self.raw.close()
            raise

    def close(self) -> None:
        self.raw.close()

    def __del__(self) -> None:
        if hasattr(self, "raw"):  # opening may have failed
            self.raw.close()


class Store:
    """The database file of one library, for any number of threads. `create`: make it if it is not there.
    `hide_private`: its connections see no private fight and nothing of one, and cannot write."""

    def __init__(self, path: Path, *, create: bool = False, hide_private: bool = False):
        self.path = path
        self._views: Sequence[str] = ()
        self._local = threading.local()
        if not create and not path.is_file():
            raise NotFoundError(f"no library at {path.parent}: it has no {path.name}")
        with self.errors():
            self.upgraded = schema.upgrade(self.db)
        if hide_private:
            self.close()
            self._views = schema.WITHOUT_PRIVATE

    @property
    def db(self) -> Database:
        connection: _Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            connection = self._local.connection = _Connection(self.path, self._views)
        return connection.db

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
            hint = "free some space" if "full" in text else "check the disk and the rights to the folder"
            raise StorageError(f"cannot use the catalogue {self.path}: {text}; {hint}") from error
        except sqlite3.IntegrityError as error:
            raise StorageError(f"the catalogue {self.path} refused a row: {error}") from error
        except sqlite3.DatabaseError as error:
            raise StorageError(
                f"{self.path} is not a catalogue, or it is damaged ({error}); put a copy of it back, or "
                "move it away and ingest the fight folders again"
            ) from error

    @contextmanager
    def transaction(self) -> Iterator[Database]:
        with self.errors():
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
            return self.db.execute(sql, list(parameters)).fetchall()

    def records(self, sql: str, parameters: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """Rows by column name, for wide tables."""
        with self.errors():
            return list(self.db.query(sql, list(parameters)))


def marks(values: Iterable[Any]) -> str:
    return ", ".join("?" for _ in values)


def batches(ids: Sequence[int]) -> Iterator[Sequence[int]]:
    for start in range(0, len(ids), _BATCH):
        yield ids[start : start + _BATCH]
