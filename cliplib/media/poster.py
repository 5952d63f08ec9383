"""Still pictures of chosen frames: upright, in square pixels, as JPEG. They are painted in a process apart
(`painting`)."""

from __future__ import annotations

from pathlib import Path

from cliplib.core.errors import FootageError
from cliplib.core.progress import Progress, silent
from cliplib.media.apart.asking import Apart
from cliplib.media.apart.jobs import Buffer
from cliplib.media.files import replacing
from cliplib.media.working import Prepared

WIDTH = 480


class Posters:
    """Stills of one footage by one open decoder. Not for use by two threads at once.

    with Posters(prepared) as posters:
        posters.write(frame, out)

    `progress`: is called now and then while a picture is waited for, and may raise to stop.
    """

    def __init__(self, prepared: Prepared, progress: Progress = silent):
        self._prepared, self._progress = prepared, progress
        self._read = prepared.sliced or prepared.original
        self._job = Apart(self._read, "cliplib.media.apart.painting:Painter", prepared, WIDTH)

    def __enter__(self) -> Posters:
        try:
            self._read.stat()
        except OSError as problem:
            raise FootageError(
                f"{self._read} cannot be read any more ({problem.strerror}); ingest the fight again"
            ) from problem
        return self

    def __exit__(self, *_: object) -> None:
        self._job.close()

    def write(self, frame: int, out: Path, width: int = WIDTH, *, exact: bool = True) -> None:
        """Write frame number `frame` as a JPEG at most `width` pixels wide.

        `exact=False` takes the key picture at or before it instead, some three times as fast. A frame that is
        damaged beyond decoding is replaced by the nearest that isn't. Raises FootageError when there is none,
        StorageError when the disk is full.
        """
        self._check(frame)
        _, image = self._job.ask("picture", frame, width, exact, progress=self._progress)
        _save(image, out)

    def write_near(self, frame: int, out: Path, first: int, last: int, width: int = WIDTH) -> None:
        """Write the picture nearest to `frame` within [first, last) that takes few others to decode: one at
        or right after a key picture, a quarter of the work. Where there is none in the span, or key pictures
        are not known, it is `frame` itself. Raises as `write` does.
        """
        self._check(frame)
        _, image = self._job.ask("near", frame, first, last, width, progress=self._progress)
        _save(image, out)

    def _check(self, frame: int) -> None:
        count = len(self._prepared.timeline)
        if not 0 <= frame < count:
            raise FootageError(f"{self._prepared.original} has {count} frames; {frame} is not one of them")


def _save(image: Buffer, out: Path) -> None:
    with replacing(Path(out)) as temporary:
        temporary.write_bytes(image)
