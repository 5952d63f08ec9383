"""Encoded samples, and an MP4 put together from samples of several files.

They are kept in a spool file, so that memory does not grow with the clip.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from cliplib.core.errors import MediaError
from cliplib.media.apart.jobs import Buffer
from cliplib.media.files import replacing
from cliplib.media.mp4.reading import Bools, Ints
from cliplib.media.mp4.writing import TrackOut, header
from cliplib.media.slices import copy_runs, write_all

_TURN = 500  # milliseconds of one track before the other has its turn


class Spool:
    """Encoded samples on disk until it is known how long the header is. Gone when closed."""

    def __init__(self, folder: Path):
        folder.mkdir(parents=True, exist_ok=True)
        self._file = tempfile.TemporaryFile(dir=folder, buffering=0, prefix=".spool-")  # noqa: SIM115
        self._end = 0

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def fd(self) -> int:
        return self._file.fileno()

    def add(self, data: Buffer) -> int:
        """Where it was put."""
        at = self._end
        write_all(self.fd, bytes(data))
        self._end += len(data)
        return at


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """Samples in decode order. `order[j]`: which frame, in the order of being shown, sample j is. `files[j]`,
    `offsets[j]`, `sizes[j]`: which of the files put together holds it, and where.
    """

    order: Ints
    files: Ints
    offsets: Ints
    sizes: Ints
    sync: Bools

    def __len__(self) -> int:
        return len(self.order)


class Taken:
    """Encoded samples as they come out of an encoder, put into a spool. `file`: the spool's number among the
    files to be put together.
    """

    def __init__(self, spool: Spool, file: int):
        self._spool, self._file = spool, file
        self._order, self._offsets, self._sizes = list[int](), list[int](), list[int]()
        self._sync = list[bool]()

    def __len__(self) -> int:
        return len(self._order)

    def add(self, order: int, sync: bool, data: Buffer) -> None:
        self._order.append(order)
        self._offsets.append(self._spool.add(data))
        self._sizes.append(len(data))
        self._sync.append(sync)

    def coded(self, count: int) -> Coded:
        """All of them, which must be `count`."""
        if len(self) != count or count == 0:
            raise MediaError(f"the encoder made {len(self)} samples out of {count}")
        offsets, sizes = np.array(self._offsets), np.array(self._sizes)
        return Coded(np.array(self._order), np.full(count, self._file), offsets, sizes, np.array(self._sync))


def put_together(tracks: Sequence[tuple[TrackOut, Ints]], files: Sequence[int], out: Path) -> None:
    """Write an MP4, header first, tracks taking turns. `tracks`: each with the number of the file, among the
    open `files`, that holds each sample; `offsets` of the TrackOut are in that file. Raises StorageError.
    """
    keys = []
    for number, (track, _) in enumerate(tracks):
        turn = (np.cumsum(track.durations) - track.durations) * 1000 // track.timescale // _TURN
        keys.append(np.stack([turn, np.full(len(turn), number)]))
    turns = np.concatenate(keys, axis=1)
    order = np.lexsort((turns[1], turns[0]))  # stable: samples of a turn stay in decode order
    sizes = np.concatenate([track.sizes for track, _ in tracks])[order]
    offsets = np.concatenate([track.offsets for track, _ in tracks])[order]
    sources = np.concatenate([source for _, source in tracks])[order]
    placed = np.empty(len(order), np.int64)
    placed[order] = np.cumsum(sizes) - sizes
    starts = np.cumsum([0, *(len(track.sizes) for track, _ in tracks)])
    moved = [
        replace(track, offsets=placed[low:high])
        for (track, _), low, high in zip(tracks, starts[:-1], starts[1:], strict=True)
    ]
    breaks = np.flatnonzero((np.diff(sources) != 0) | (offsets[1:] != offsets[:-1] + sizes[:-1])) + 1
    firsts = np.concatenate([[0], breaks])
    lengths = np.add.reduceat(sizes, firsts)
    head = header(moved, int(sizes.sum()))
    with replacing(out, durable=False) as temporary:
        target = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        try:
            write_all(target, head)
            for file, offset, length in zip(sources[firsts], offsets[firsts], lengths, strict=True):
                copy_runs(files[file], [(int(offset), int(length))], target)
            check_size(target, len(head) + int(sizes.sum()), out)
        finally:
            os.close(target)


def check_size(fd: int, wanted: int, out: Path) -> None:
    """A last look before a file gets its name."""
    size = os.fstat(fd).st_size
    if size != wanted:
        raise MediaError(f"{out} came out {size} bytes long instead of {wanted}; run it again")
