"""Cutting clips: exactly the asked frames, by copying samples where that works and by encoding where not.

`Cutter` is for many clips of one fight: the tables are parsed once. Whatever a slice cannot be made of is
encoded again by itself, and the result says why.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal

from cliplib.core.errors import FootageError, InputError, StorageError
from cliplib.core.progress import Progress, silent
from cliplib.media import portable, slices
from cliplib.media.files import replacing
from cliplib.media.mp4 import reading
from cliplib.media.mp4.samples import check_size
from cliplib.media.reencode import reencode
from cliplib.media.working import Prepared


@dataclass(frozen=True, slots=True)
class CutResult:
    """`how`: `slice` (samples copied, some hidden around them), `portable` (only the ends encoded) or
    `re-encode`; `why` says, for the last, what stood in the way of the better one and which frames were
    damaged, else empty.
    """

    how: Literal["slice", "portable", "re-encode"]
    why: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """What slicing needs, the open file, and who makes its clips portable."""

    fd: int
    movie: reading.Movie
    video: reading.Track
    shown: slices.Shown
    exporter: portable.Exporter


class Cutter:
    """Cuts clips out of one prepared footage. Use as a context manager.

    Slices of several threads at once are safe. Written files are complete under their name but may still be
    in the system's cache; `files.settle` brings them to disk before something durable refers to them.
    """

    def __init__(self, prepared: Prepared):
        self._prepared = prepared
        self._tables: _Tables | None = None
        self._why = prepared.why

    def __enter__(self) -> Cutter:
        if self._prepared.sliced is not None:
            try:
                self._tables = _open(self._prepared, self._prepared.sliced)
            except FootageError as error:
                disk = error.__cause__
                if isinstance(disk, OSError) and not isinstance(disk, FileNotFoundError):
                    # Encoding instead would give other clips, for good, for what the next run may read.
                    raise StorageError(f"{error}; check the disk, then run this again to go on") from error
                self._why = str(error)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._tables is not None:
            self._tables.exporter.close()
            os.close(self._tables.fd)
            self._tables = None

    def cut(self, first: int, last: int, out: Path, progress: Progress = silent) -> CutResult:
        """Write frames [first, last), in the order they are shown, with their sound, to `out` (MP4).

        Raises InputError for a span outside the footage, FootageError when the footage changed or cannot be
        read, MediaError when encoding fails, StorageError when the disk is full. `progress` hears from
        encoding only; a slice takes milliseconds.
        """
        _check_span(self._prepared, first, last)
        tables = self._tables
        if tables is not None:
            _check_unchanged(tables)
            try:
                plan = slices.plan_slice(tables.movie, tables.video, tables.shown, first, last)
            except FootageError as error:
                return self._encode(first, last, out, progress, str(error))
            _write_slice(plan, tables, out)
            return CutResult("slice")
        return self._encode(first, last, out, progress, self._why)

    def export_portable(self, first: int, last: int, out: Path, progress: Progress = silent) -> CutResult:
        """The same frames in a file that hides nothing and is exact in any player. Errors as for `cut`."""
        _check_span(self._prepared, first, last)
        tables = self._tables
        if tables is None:
            return self._encode(first, last, out, progress, self._why)
        _check_unchanged(tables)
        try:
            plan = tables.exporter.export((first, last), out, progress)
        except FootageError as error:
            return self._encode(first, last, out, progress, str(error))
        if plan.copied[0] == plan.copied[1]:
            return CutResult("re-encode", "no group of pictures lies whole between its ends")
        return CutResult("portable")

    def _encode(self, first: int, last: int, out: Path, progress: Progress, why: str) -> CutResult:
        damage = reencode(self._prepared, first, last, out, progress)
        return CutResult("re-encode", "; ".join(filter(None, (why, damage))))


def cut(prepared: Prepared, first: int, last: int, out: Path, progress: Progress = silent) -> CutResult:
    """One clip; see `Cutter.cut`."""
    with Cutter(prepared) as cutter:
        return cutter.cut(first, last, out, progress)


def export_portable(
    prepared: Prepared, first: int, last: int, out: Path, progress: Progress = silent
) -> CutResult:
    """One clip for handing on; see `Cutter.export_portable`."""
    with Cutter(prepared) as cutter:
        return cutter.export_portable(first, last, out, progress)


def _open(prepared: Prepared, path: Path) -> _Tables:
    movie = reading.read_movie(path)
    videos = movie.of_kind(b"vide")
    if not videos:
        raise FootageError(f"{path}: it has no pictures")
    shown = slices.shown_frames(videos[0], movie)
    try:
        slices.check_timeline(shown, videos[0], prepared.timeline)
    except FootageError as error:
        raise FootageError(f"{path}: {error}") from None
    fd = os.open(path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
    return _Tables(fd, movie, videos[0], shown, portable.Exporter(fd, movie, videos[0], shown))


def _check_span(prepared: Prepared, first: int, last: int) -> None:
    frames = len(prepared.timeline)
    if not 0 <= first < last <= frames:
        raise InputError(f"frames {first} to {last} are not within the {frames} of {prepared.original}")


def _check_unchanged(tables: _Tables) -> None:
    """Offsets hold for the file that was parsed, and for no other."""
    path, movie = tables.movie.path, tables.movie
    for stat in (os.fstat(tables.fd), _stat(path)):
        if (stat.st_size, stat.st_mtime_ns) != (movie.size, movie.mtime_ns):
            raise FootageError(f"{path} changed while clips were being cut from it; ingest the fight again")


def _stat(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except OSError as error:
        raise FootageError(f"{path} cannot be read any more: {error.strerror or error}") from error


def _write_slice(plan: slices.Slice, tables: _Tables, out: Path) -> None:
    with replacing(out, durable=False) as temporary:
        target = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        try:
            slices.write_all(target, plan.header)
            slices.copy_runs(tables.fd, plan.runs, target)
            check_size(target, plan.size, out)
        finally:
            os.close(target)
