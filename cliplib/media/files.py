"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Iterator
from pathlib import Path

from cliplib.errors import StorageError


@contextlib.contextmanager
def replacing(out: Path) -> Iterator[Path]:
    """A temporary name beside `out`, which becomes `out` if the block ends well and vanishes if not.

    The suffix is kept, since ffmpeg goes by it. Raises StorageError when the disk is full or read-only.
    """
    temporary = out.with_name(
        f".{out.stem}.{os.getpid()}-{threading.get_ident() & 0xFFFFFF:x}.part{out.suffix}"
    )
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        with open(temporary, "rb") as written:
            os.fsync(written.fileno())
        os.replace(temporary, out)
    except OSError as problem:
        if problem.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS):
            raise StorageError(
                f"{out} could not be written: {problem.strerror}; make room and run it again"
            ) from problem
        raise
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
