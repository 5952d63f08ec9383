"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path

from cliplib.core.errors import StorageError

_DISK = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM, errno.EFBIG)


@contextlib.contextmanager
def replacing(out: Path, *, durable: bool = True) -> Iterator[Path]:
    """A temporary name beside `out`, which becomes `out` if the block ends well and vanishes if not.

    The suffix is kept, since ffmpeg goes by it. `durable`: it is on the disk, not only in the system's cache,
    when it gets its name, and so is the name in the end. Raises StorageError when the disk is full or
    read-only.
    """
    temporary = out.with_name(
        f".{out.stem}.{os.getpid()}-{threading.get_ident() & 0xFFFFFF:x}.part{out.suffix}"
    )
    try:
        with writing(out):
            if not out.parent.is_dir():  # asking is far cheaper on a busy disk
                out.parent.mkdir(parents=True, exist_ok=True)
            yield temporary
            if durable:
                with open(temporary, "rb") as written:
                    os.fsync(written.fileno())
            os.replace(temporary, out)
            if durable:
                _sync_folder(out.parent)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


@contextlib.contextmanager
def writing(out: Path) -> Iterator[None]:
    """Turns the system's "disk full" and its like into a StorageError about `out`."""
    try:
        yield
    except OSError as problem:
        if problem.errno not in _DISK:
            raise
        cure = "make room" if problem.errno in (errno.ENOSPC, errno.EDQUOT) else "make it writable"
        raise StorageError(
            f"{out} could not be written: {problem.strerror}; {cure} and run it again"
        ) from problem


def settle(paths: Iterable[Path]) -> None:
    """Bring files, and the names they have, from the system's cache to the disk; before something durable, a
    row of the catalogue say, refers to them. Raises StorageError.
    """
    folders = set()
    try:
        for path in paths:
            with open(path, "rb") as file:
                os.fsync(file.fileno())
            folders.add(path.parent)
        for folder in folders:
            _sync_folder(folder)
    except OSError as problem:
        raise StorageError(f"{problem.filename or 'clips'} could not be written: {problem}") from problem


def settle_names(folders: Iterable[Path]) -> None:
    """Bring to the disk which names the folders have, so that nothing that was removed comes back after a
    power cut. Folders that are gone themselves are passed over. Raises StorageError."""
    for folder in folders:
        try:
            _sync_folder(folder)
        except FileNotFoundError:
            continue
        except OSError as problem:
            raise StorageError(f"{folder} could not be written: {problem.strerror}") from problem


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # names are written through there, and a folder cannot be opened
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
