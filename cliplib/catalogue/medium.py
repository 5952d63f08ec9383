"""Catalogues on a medium that cannot be written: how such a file is opened, and what that means to people."""

from __future__ import annotations

import os
import sqlite3
import threading
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import tempfile

Stamp = tuple[object, ...]

READ_ONLY = (
    "the library at {0} cannot be written: searching, watching, counting and checking work, nothing is kept"
)


def is_read_only(folder: Path) -> bool:
    """Whether a library is there that cannot be written: on a read-only medium, or somebody else's folder."""
    catalogue = folder / "catalogue.db"
    return catalogue.is_file() and not (os.access(folder, os.W_OK) and os.access(catalogue, os.W_OK))


def to_lock(path: Path) -> int:
    """A file descriptor of a lock file in a library, made if it can be. Where the library cannot be written,
    the file that somebody made who can, or else the folder. OSError if neither opens."""
    if is_read_only(path.parent):
        return os.open(path if path.exists() else path.parent, os.O_RDONLY)
    return os.open(path, os.O_RDWR | os.O_CREAT, 0o644)


def opened(path: Path) -> tuple[sqlite3.Connection, Stamp]:
    """A connection that only reads, and what it was opened to; when `stamp` says otherwise, open another one.

    Where nobody writes the file (no log of changes beside it), SQLite takes it as it stands and makes no file
    of its own (https://sqlite.org/wal.html#read_only_databases). Where somebody does, their log is followed.
    A log whose index was lost, as in a copy of a library in use, is brought into a copy elsewhere.
    """
    seen = stamp(path)
    uri = path.absolute().as_uri()
    if not _log(path):
        return _connect(f"{uri}?mode=ro&immutable=1"), seen
    raw = _connect(f"{uri}?mode=ro")
    try:
        raw.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        raw.close()
        return _connect(f"{_copy(path, seen).as_uri()}?mode=rw"), seen
    return raw, seen


def stamp(path: Path) -> Stamp:
    """What the file and its log are by now."""
    if _log(path):
        return ("log",)  # SQLite sees what is written into it
    status = path.stat()
    return status.st_mtime_ns, status.st_size, status.st_ino


def _log(path: Path) -> bool:
    log = path.with_name(f"{path.name}-wal")
    return log.is_file() and log.stat().st_size > 0


def _connect(uri: str) -> sqlite3.Connection:
    return sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)


_copies: dict[Path, tuple[Stamp, tempfile.TemporaryDirectory[str]]] = {}
_copying = threading.Lock()


def _copy(path: Path, seen: Stamp) -> Path:
    """The file and its log, elsewhere, for as long as this program runs; one for all threads."""
    import shutil
    import tempfile  # most libraries can be written, and start without them

    with _copying:
        if path not in _copies or _copies[path][0] != seen:
            folder = tempfile.TemporaryDirectory(prefix="cliplib-")
            for name in (path.name, f"{path.name}-wal"):
                shutil.copyfile(path.with_name(name), Path(folder.name) / name)
            _copies[path] = seen, folder
        return Path(_copies[path][1].name) / path.name
