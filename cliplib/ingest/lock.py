"""One ingest at a time: a lock that dies with its process."""

from __future__ import annotations

import contextlib
import datetime
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from cliplib.catalogue.medium import to_lock
from cliplib.core.errors import BusyError, StorageError

if sys.platform == "win32":
    import msvcrt

    def _try_lock(fd: int) -> None:
        # A byte far behind the text, so that others can still read who holds it.
        os.lseek(fd, 1 << 20, os.SEEK_SET)
        msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _try_lock(fd: int) -> None:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)


_TRIES, _PAUSE_S = 10, 0.05


def _lock_soon(fd: int) -> None:
    """A process that was just being started when the last holder was killed holds on for a moment: until it
    has become another program."""
    for _ in range(_TRIES):
        with contextlib.suppress(OSError):
            _try_lock(fd)
            return
        time.sleep(_PAUSE_S)
    _try_lock(fd)


@contextlib.contextmanager
def only_one(path: Path) -> Iterator[None]:
    """Hold the lock file `path` for the block. Raises BusyError, saying who holds it, if somebody does.

    The system lets go of the lock when the process ends, however it ends, so nothing is ever left locked.
    """
    try:
        fd = to_lock(path)
    except OSError as error:
        raise StorageError(f"cannot write to the library at {path.parent}: {error.strerror}") from error
    try:
        try:
            _lock_soon(fd)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.lseek(fd, 0, os.SEEK_SET)
            holder = os.read(fd, 200).decode("utf-8", "replace").strip() or "another process"
            raise BusyError(
                f"the library at {path.parent} is being worked on by {holder}; "
                "nothing was changed, run this again when that is done"
            ) from error
        now = datetime.datetime.now().strftime("%H:%M:%S")
        with contextlib.suppress(OSError):  # a full disk must not stop the holder from being told apart
            os.ftruncate(fd, 0)
            os.lseek(fd, 0, os.SEEK_SET)
            os.write(fd, f"process {os.getpid()}, since {now}".encode())
        yield
    finally:
        os.close(fd)
