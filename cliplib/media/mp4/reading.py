"""Reading an MP4's sample tables: where each picture and sound packet lies, and when it is shown.

Boxes are those of ISO/IEC 14496-12 (ISO base media file format) and Apple's QuickTime file format, which it
grew out of. Nothing is decoded. Footage comes from strangers, so no length or count is believed before it has
been held against the box, the file's size and a fixed ceiling; whatever does not add up is a FootageError.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cliplib.core.errors import FootageError

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LARGEST_MOOV = 256 << 20
MOST_SAMPLES = 1 << 22  # 19 hours at 60 frames a second; a day of AAC packets at 48 kHz
MOST_TRACKS = 64
MOST_BOXES = 10_000  # beside one another
MOST_EDITS = 10_000
ENCRYPTED = "it is encrypted"
ELSEWHERE = "its media lie in another file"
LONGEST_S = 1 << 22  # seven weeks; finer ticks of it still fit into 64 bits


@dataclass(frozen=True, slots=True)
class Edit:
    """One line of an edit list. `duration`: ticks of the movie; `media_time`: ticks of the track, -1 for a
    pause with nothing shown. Only edits at normal speed are read.
    """

    duration: int
    media_time: int


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """A track and its samples in decode order, one array element a sample.

    `kind`: handler type (`vide`, `soun`). Times in ticks of `timescale`: `durations` from one decode time to
    the next, `decode` when a sample is decoded, `composition` when it is shown. `offsets`, `sizes`: bytes of
    the file. `description`: which entry of `stsd` describes it, from 1. `stsd`: the whole box, verbatim.
    `header`: the parts of `tkhd` that a copy keeps: matrix, width and height (16.16), volume (8.8),
    alternate group, and whether the track is enabled. `language`: packed as in `mdhd`.
    """

    number: int
    kind: bytes
    timescale: int
    stsd: bytes
    durations: Ints
    composition: Ints
    decode: Ints
    sizes: Ints
    offsets: Ints
    description: Ints
    sync: Bools
    edits: tuple[Edit, ...]
    header: TrackHeader
    language: int

    def __len__(self) -> int:
        return len(self.sizes)

    @property
    def codec(self) -> bytes:
        """The four letters of the first sample entry: `avc1`, `mp4a`."""
        return self.stsd[20:24]


@dataclass(frozen=True, slots=True)
class TrackHeader:
    matrix: bytes
    width: int
    height: int
    volume: int
    alternate_group: int
    enabled: bool


@dataclass(frozen=True, slots=True, eq=False)
class Movie:
    """The picture and sound tracks of a file. `size`, `mtime_ns`: of the file when it was read."""

    path: Path
    size: int
    mtime_ns: int
    timescale: int
    tracks: tuple[Track, ...]

    def of_kind(self, kind: bytes) -> tuple[Track, ...]:
        return tuple(t for t in self.tracks if t.kind == kind)


class _Tables(dict[bytes, "_Box"]):
    """A track's tables by their kind; which it must have is seen when they are asked for."""

    def __missing__(self, kind: bytes) -> _Box:
        raise FootageError(f"a track has no “{_name(kind)}” table")


@dataclass(frozen=True, slots=True)
class _Box:
    """A box's payload as a view, with the place for messages."""

    kind: bytes
    body: memoryview

    def need(self, length: int) -> None:
        if len(self.body) < length:
            raise FootageError(f"its “{_name(self.kind)}” box is cut short")

    def u8(self, at: int) -> int:
        self.need(at + 1)
        return self.body[at]

    def u16(self, at: int) -> int:
        self.need(at + 2)
        return int.from_bytes(self.body[at : at + 2])

    def u32(self, at: int) -> int:
        self.need(at + 4)
        return int.from_bytes(self.body[at : at + 4])

    def u64(self, at: int) -> int:
        self.need(at + 8)
        return int.from_bytes(self.body[at : at + 8])

    def table(self, at: int, count: int, dtype: str) -> npt.NDArray[np.generic]:
        """`count` big-endian numbers; the box must really hold them."""
        self.need(at + count * np.dtype(dtype).itemsize)
        return np.frombuffer(self.body, dtype=dtype, count=count, offset=at)


def read_movie(path: Path) -> Movie:
    """Parse `path` once. Raises FootageError, with the file's name, for whatever is not understood:
    not an MP4, damaged, truncated, fragmented, compressed or encrypted, media in another file.
    """
    try:
        with path.open("rb") as file:
            stat = os.fstat(file.fileno())
            moov = _find_moov(file.fileno(), stat.st_size)
        return _movie(path, moov, stat)
    except OSError as error:
        raise FootageError(f"{path}: cannot be read: {error.strerror or error}") from error
    except FootageError as error:
        raise FootageError(f"{path}: {error}") from None


def top_level(fd: int, size: int) -> Iterator[tuple[bytes, int, int]]:
    """(kind, start of the payload, end) of each box of the file itself, without reading what is inside."""
    at = 0
    for _ in range(MOST_BOXES):
        if at + 8 > size:
            return
        head = os.pread(fd, 16, at)
        length, kind, body = int.from_bytes(head[:4]), head[4:8], at + 8
        if length == 1:
            length, body = int.from_bytes(head[8:16]), at + 16
        elif length == 0:
            length = size - at
        if length < body - at:
            raise FootageError(f"not an MP4, or damaged at byte {at}")
        if at + length > size:
            if kind != b"mdat":
                raise FootageError(f"truncated: the “{_name(kind)}” box at byte {at} ends past the end")
            length = size - at
        yield kind, body, at + length
        at += length
    raise FootageError("it has too many boxes to be footage")


def _find_moov(fd: int, size: int) -> memoryview:
    for kind, start, end in top_level(fd, size):
        if kind == b"moov":
            if end - start > LARGEST_MOOV:
                raise FootageError("its index is larger than any footage needs")
            data = os.pread(fd, end - start, start)
            if len(data) != end - start:
                raise FootageError("it changed while it was being read")
            return memoryview(data)
    raise FootageError("it has no index (“moov”): not an MP4, or the recording was cut off")


def _movie(path: Path, moov: memoryview, stat: os.stat_result) -> Movie:
    timescale, tracks = 0, list[_Box]()
    for box in _boxes(moov):
        if box.kind == b"mvhd":
            timescale = box.u32(20 if box.u8(0) == 1 else 12)
        elif box.kind == b"trak":
            if len(tracks) >= MOST_TRACKS:
                raise FootageError("it has too many tracks to be footage")
            tracks.append(box)
        elif box.kind == b"mvex":
            raise FootageError("a fragmented MP4, whose index is spread over the file")
        elif box.kind == b"cmov":
            raise FootageError("its index is compressed")
    if timescale == 0:
        raise FootageError("its index does not say what its times are counted in")
    read = [track for box in tracks if (track := _track(box, stat.st_size)) is not None]
    return Movie(path, stat.st_size, stat.st_mtime_ns, timescale, tuple(read))


def _track(trak: _Box, file_size: int) -> Track | None:
    """One `trak`; None for anything but pictures and sound."""
    tkhd, mdia = _child(trak, b"tkhd"), _child(trak, b"mdia")
    mdhd, minf = _child(mdia, b"mdhd"), _child(mdia, b"minf")
    handler = _child(mdia, b"hdlr")
    handler.need(12)
    kind = bytes(handler.body[8:12])
    if kind not in (b"vide", b"soun"):
        return None
    _own_media(_child(_child(minf, b"dinf"), b"dref"))
    tables = _Tables({box.kind: box for box in _boxes(_child(minf, b"stbl").body)})
    long_times = mdhd.u8(0) == 1
    timescale = mdhd.u32(20 if long_times else 12)
    if timescale == 0:
        raise FootageError("a track does not say what its times are counted in")
    sizes = _sizes(tables, file_size)
    durations = _durations(tables[b"stts"], len(sizes))
    if int(durations.sum()) > LONGEST_S * timescale:
        raise FootageError(f"its times run for {int(durations.sum()) // timescale // 86_400} days")
    offsets, description = _places(tables, sizes, file_size)
    stsd = _stsd(tables[b"stsd"], int(description.max(initial=1)))
    decode = np.zeros(len(sizes), np.int64)
    np.cumsum(durations[:-1], out=decode[1:])
    composition = decode + _shifts(tables.get(b"ctts"), len(sizes))
    sync = _sync(tables.get(b"stss"), len(sizes))
    return Track(
        number=tkhd.u32(20 if tkhd.u8(0) == 1 else 12),
        kind=kind,
        timescale=timescale,
        stsd=stsd,
        durations=durations,
        composition=composition,
        decode=decode,
        sizes=sizes,
        offsets=offsets,
        description=description,
        sync=sync,
        edits=_edits(trak),
        header=_track_header(tkhd),
        language=mdhd.u16(32 if long_times else 20),
    )


def _track_header(tkhd: _Box) -> TrackHeader:
    at = 46 if tkhd.u8(0) == 1 else 34  # after the times, reserved words and the layer
    tkhd.need(at + 50)
    return TrackHeader(
        matrix=bytes(tkhd.body[at + 6 : at + 42]),
        width=tkhd.u32(at + 42),
        height=tkhd.u32(at + 46),
        volume=tkhd.u16(at + 2),
        alternate_group=tkhd.u16(at),
        enabled=bool(tkhd.u8(3) & 1),
    )


def _own_media(dref: _Box) -> None:
    """Media may lie in another file (ISO/IEC 14496-12, 8.7.2); that file is none of ours to read."""
    for entry in _boxes(dref.body[8:]):
        if not entry.u8(3) & 1:
            named = bytes(entry.body[4:]).strip(b"\0")
            raise FootageError(ELSEWHERE if named else "it does not say in which file its media lie")


def _stsd(box: _Box, used: int) -> bytes:
    count = box.u32(4)
    entries = list(_boxes(box.body[8:]))
    if not entries or count != len(entries) or used > count:
        raise FootageError("a track does not say how its samples are coded")
    if any(entry.kind in (b"encv", b"enca", b"drmi", b"drms") for entry in entries):
        raise FootageError(ENCRYPTED)
    return struct.pack(">I4s", len(box.body) + 8, b"stsd") + bytes(box.body)


def _sizes(tables: dict[bytes, _Box], file_size: int) -> Ints:
    box = tables.get(b"stsz") or tables[b"stz2"]
    count = box.u32(8)
    if count > MOST_SAMPLES:
        raise FootageError("a track has more samples than any footage needs")
    if box.kind == b"stsz":
        fixed = box.u32(4)
        if fixed:
            if fixed * count > file_size:
                raise FootageError("truncated: a track's samples are larger than the file")
            return np.full(count, fixed, np.int64)
        return box.table(12, count, ">u4").astype(np.int64)
    field = box.u32(4) & 0xFF
    if field == 16:
        return box.table(12, count, ">u2").astype(np.int64)
    if field == 8:
        return box.table(12, count, ">u1").astype(np.int64)
    if field == 4:
        packed = box.table(12, (count + 1) // 2, ">u1").astype(np.int64)
        return np.stack([packed >> 4, packed & 15], axis=1).reshape(-1)[:count]
    raise FootageError("a track's sample sizes are in no known form")


def _runs(box: _Box, count: int, value: str) -> Ints:
    """A table of (how many, value) unrolled to `count` values; more or fewer is damage."""
    lines = box.table(8, box.u32(4) * 2, ">u4").reshape(-1, 2)
    many = lines[:, 0].astype(np.int64)
    if int(many.sum()) != count:
        raise FootageError(f"its “{_name(box.kind)}” table is about {int(many.sum())} samples, not {count}")
    return np.repeat(lines[:, 1].astype(value).astype(np.int64), many)


def _durations(box: _Box, count: int) -> Ints:
    return _runs(box, count, ">u4")


def _shifts(box: _Box | None, count: int) -> Ints | int:
    # Version 0 is unsigned by the standard, but files with negative offsets marked version 0 are common, and
    # an honest offset never needs the highest bit.
    return 0 if box is None else _runs(box, count, ">i4")


def _sync(box: _Box | None, count: int) -> Bools:
    if box is None:
        return np.ones(count, np.bool_)
    numbers = box.table(8, box.u32(4), ">u4").astype(np.int64)
    if len(numbers) and (numbers.min() < 1 or numbers.max() > count):
        raise FootageError("its table of key pictures points past the last sample")
    sync = np.zeros(count, np.bool_)
    sync[numbers - 1] = True
    return sync


def _places(tables: dict[bytes, _Box], sizes: Ints, file_size: int) -> tuple[Ints, Ints]:
    """Byte offset and sample description of each sample, from the chunk tables."""
    wide = tables.get(b"co64")
    box = tables[b"stco"] if wide is None else wide
    chunks = box.table(8, box.u32(4), ">u8" if wide is not None else ">u4")
    if wide is not None and len(chunks) and int(chunks.max()) > file_size:
        raise FootageError("truncated: samples lie past the end of the file")
    starts = chunks.astype(np.int64)
    stsc = tables[b"stsc"]
    lines = stsc.table(8, stsc.u32(4) * 3, ">u4").reshape(-1, 3).astype(np.int64)
    if len(sizes) == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    firsts = lines[:, 0]
    if not len(lines) or firsts[0] != 1 or (np.diff(firsts) <= 0).any() or firsts[-1] > len(starts):
        raise FootageError("its table of chunks is out of order")
    lengths = np.diff(np.append(firsts, len(starts) + 1))
    per_chunk = np.repeat(lines[:, 1], lengths)
    if int(per_chunk.sum()) != len(sizes):
        raise FootageError(f"its chunks hold {int(per_chunk.sum())} samples, not {len(sizes)}")
    chunk = np.repeat(np.arange(len(starts)), per_chunk)
    before = np.zeros(len(sizes), np.int64)
    np.cumsum(sizes[:-1], out=before[1:])
    first_sample = np.cumsum(per_chunk) - per_chunk
    # A last chunk without samples would index one past the end.
    base = before[np.minimum(first_sample, len(sizes) - 1)]
    offsets = starts[chunk] + before - base[chunk]
    if int((offsets + sizes).max()) > file_size:
        raise FootageError("truncated: samples lie past the end of the file")
    description = np.repeat(lines[:, 2], lengths)[chunk]
    if description.min() < 1:
        raise FootageError("a track does not say how its samples are coded")
    return offsets, description


def _edits(trak: _Box) -> tuple[Edit, ...]:
    edts = _optional(trak, b"edts")
    elst = _optional(edts, b"elst") if edts else None
    if elst is None:
        return ()
    count, long_times = elst.u32(4), elst.u8(0) == 1
    if count > MOST_EDITS:
        raise FootageError("its edit list is longer than any footage needs")
    edits = []
    for line in range(count):
        at = 8 + line * (20 if long_times else 12)
        rate = elst.u32(at + (16 if long_times else 8))
        if long_times:
            duration, media_time = elst.u64(at), elst.u64(at + 8)
            media_time -= (media_time >> 63) << 64
        else:
            duration, media_time = elst.u32(at), elst.u32(at + 4)
            media_time -= (media_time >> 31) << 32
        if rate != 0x10000 and media_time >= 0:
            raise FootageError("its edit list changes the speed")
        edits.append(Edit(duration, media_time))
    return tuple(edits)


def _boxes(body: memoryview) -> Iterator[_Box]:
    at, end, seen = 0, len(body), 0
    while at + 8 <= end:  # QuickTime ends some lists with four zero bytes
        if (seen := seen + 1) > MOST_BOXES:
            raise FootageError("it has too many boxes to be footage")
        length, head = int.from_bytes(body[at : at + 4]), 8
        kind = bytes(body[at + 4 : at + 8])
        if length == 1 and at + 16 <= end:
            length, head = int.from_bytes(body[at + 8 : at + 16]), 16
        elif length == 0:
            length = end - at
        if length < head or at + length > end:
            raise FootageError(f"its “{_name(kind)}” box is longer than the box around it")
        yield _Box(kind, body[at + head : at + length])
        at += length


def _optional(parent: _Box, kind: bytes) -> _Box | None:
    return next((box for box in _boxes(parent.body) if box.kind == kind), None)


def _child(parent: _Box, kind: bytes) -> _Box:
    box = _optional(parent, kind)
    if box is None:
        raise FootageError(f"its “{_name(parent.kind)}” box has no “{_name(kind)}”")
    return box


def _name(kind: bytes) -> str:
    return kind.decode("ascii", "replace") if kind.isalnum() else kind.hex()
