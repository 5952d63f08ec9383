"""Making files that show film, and forgetting film, exclude each other: what is being made of a fight when it
is forgotten would come to lie in the library afterwards.

Any number of reels, stills and copies are made at once; who forgets waits for them, and who wants to make
another waits for that. Locks of the system, which end with their process, however it ends.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from cliplib.catalogue.medium import to_lock
from cliplib.core.errors import BusyError, StorageError
from cliplib.core.progress import Progress

NAME, GATE = "showing.lock", "forgetting.lock"
_PATIENCE_S = 30.0
_EVERY_S = 0.02

if sys.platform == "win32":
    import msvcrt

    _PLACES = 64

    def _try(fd: int, alone: bool) -> bool:
        # There are no shared locks of this kind: each takes one of 64 bytes, who must be alone takes all.
        for first in (0,) if alone else range(_PLACES):
            with contextlib.suppress(OSError):
                os.lseek(fd, first, os.SEEK_SET)
                msvcrt.locking(fd, msvcrt.LK_NBLCK, _PLACES if alone else 1)
                return True
        return False
else:
    import fcntl

    def _try(fd: int, alone: bool) -> bool:
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(fd, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
            return True
        return False


@contextlib.contextmanager
def showing(folder: Path) -> Iterator[None]:
    """Hold while a file that shows film of the library in `folder` is made, from before it is asked what is
    there. Not within another `showing`. BusyError if something is being forgotten all the while."""
    with _opened(folder / NAME) as fd:
        with _opened(folder / GATE) as gate:
            _wait(gate, alone=False)
            _wait(fd, alone=False)
        yield


@contextlib.contextmanager
def nobody_shows(folder: Path, progress: Progress) -> Iterator[None]:
    """Hold while film is forgotten. Waits for what is being made; `progress` may interrupt that."""
    with _opened(folder / GATE) as gate, _opened(folder / NAME) as fd:
        _wait(gate, alone=True)  # from now on nobody begins
        while not _try(fd, alone=True):
            progress("waiting for a reel or picture that is being made", 0, 0)
            time.sleep(_EVERY_S)
        yield


def _wait(fd: int, *, alone: bool) -> None:
    until = time.monotonic() + _PATIENCE_S
    while not _try(fd, alone):
        if time.monotonic() > until:
            raise BusyError("a fight is being taken out of the library; try again when that is done")
        time.sleep(_EVERY_S)


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[int]:
    try:
        fd = to_lock(path)
    except OSError as error:
        raise StorageError(f"cannot write to the library at {path.parent}: {error.strerror}") from error
    try:
        yield fd
    finally:
        os.close(fd)
