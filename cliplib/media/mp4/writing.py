"""Writing an MP4's header: `ftyp`, then `moov`, so that a browser can start before the rest has arrived.

Boxes are those of ISO/IEC 14496-12. Times in edit lists are exact, because the movie counts in the ticks of
its first track.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cliplib.core.errors import FootageError
from cliplib.media.mp4.reading import Bools, Edit, Ints, TrackHeader

UPRIGHT = struct.pack(">9i", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
UNDETERMINED = 0x55C4  # "und", five bits a letter

_FTYP = struct.pack(">I4s4sI4s4s4s4s", 32, b"ftyp", b"isom", 0x200, b"isom", b"iso2", b"avc1", b"mp41")

_WIDE_FROM = 3 << 30
"""Payload from which on offsets take 64 bits: a header is always far shorter than what is left of 32."""


@dataclass(frozen=True, slots=True, eq=False)
class TrackOut:
    """A track to be written, in decode order, one array element a sample.

    `offsets`: bytes from the start of the payload. `shifts`: composition minus decode time, never negative.
    `edits`: durations in ticks of the *first* track, media times in ticks of this one. `sync`: None when
    every sample can be decoded by itself. The rest as in `mp4.Track`.
    """

    kind: bytes
    timescale: int
    stsd: bytes
    durations: Ints
    shifts: Ints
    sizes: Ints
    offsets: Ints
    description: Ints
    sync: Bools | None
    edits: tuple[Edit, ...]
    header: TrackHeader
    language: int = UNDETERMINED

    @property
    def shown(self) -> int:
        return sum(edit.duration for edit in self.edits)


def header(tracks: Sequence[TrackOut], payload: int) -> bytes:
    """Everything that comes before the `payload` bytes of samples; offsets of chunks are final. FootageError
    for times that no MP4 can tell: footage may claim any."""
    try:
        return _header(tracks, payload)
    except (struct.error, OverflowError) as error:
        raise FootageError(f"its times are beyond what an MP4 can say ({error})") from error


def _header(tracks: Sequence[TrackOut], payload: int) -> bytes:
    mdat = struct.pack(">I4sQ", 1, b"mdat", payload + 16)
    wide = payload >= _WIDE_FROM
    traks = [_trak(track, number, wide) for number, track in enumerate(tracks, 1)]
    mvhd = _mvhd(tracks[0].timescale, max(t.shown for t in tracks), len(tracks) + 1)
    # Where samples lie depends on the length of all this. Each track ends with its table of offsets.
    moov = _box(b"moov", mvhd, *(trak + bytes(len(places) * (8 if wide else 4)) for trak, places in traks))
    start = len(_FTYP) + len(moov) + len(mdat)
    placed = (trak + _places(places + start, wide) for trak, places in traks)
    return _FTYP + _box(b"moov", mvhd, *placed) + mdat


def _places(places: Ints, wide: bool) -> bytes:
    return places.astype(">u8").tobytes() if wide else _words(places)


def _mvhd(timescale: int, duration: int, next_track: int) -> bytes:
    return _full(
        b"mvhd",
        1,
        0,
        struct.pack(">QQIQ", 0, 0, timescale, duration),
        struct.pack(">IHxx8x", 0x10000, 0x100),
        UPRIGHT,
        bytes(24),
        struct.pack(">I", next_track),
    )


def _trak(track: TrackOut, number: int, wide: bool) -> tuple[bytes, Ints]:
    """A `trak` but for the offsets of chunks at its very end, and those, counted from the payload's start."""
    head = track.header
    tkhd = _full(
        b"tkhd",
        1,
        3 if head.enabled else 2,
        struct.pack(">QQI4xQ8x", 0, 0, number, track.shown),
        struct.pack(">HHHxx", 0, head.alternate_group, head.volume),
        head.matrix,
        struct.pack(">II", head.width, head.height),
    )
    elst = _full(
        b"elst",
        1,
        0,
        struct.pack(">I", len(track.edits)),
        *(struct.pack(">QqI", edit.duration, edit.media_time, 0x10000) for edit in track.edits),
    )
    length = int(track.durations.sum())
    mdhd = _full(b"mdhd", 1, 0, struct.pack(">QQIQHxx", 0, 0, track.timescale, length, track.language))
    picture = track.kind == b"vide"
    name = b"pictures\0" if picture else b"sound\0"
    hdlr = _full(b"hdlr", 0, 0, bytes(4), track.kind, bytes(12), name)
    media = _full(b"vmhd", 0, 1, bytes(8)) if picture else _full(b"smhd", 0, 0, bytes(4))
    here = _full(b"dref", 0, 0, struct.pack(">I", 1), _full(b"url ", 0, 1))
    tables, places = _tables(track)
    more = len(places) * (8 if wide else 4)
    chunks = struct.pack(">I4sII", 16 + more, b"co64" if wide else b"stco", 0, len(places))
    stbl = _box(b"stbl", *tables, chunks, more=more)
    minf = _box(b"minf", media, _box(b"dinf", here), stbl, more=more)
    mdia = _box(b"mdia", mdhd, hdlr, minf, more=more)
    return _box(b"trak", tkhd, _box(b"edts", elst), mdia, more=more), places


def _tables(track: TrackOut) -> tuple[list[bytes], Ints]:
    parts = [track.stsd, _run_table(b"stts", track.durations)]
    if track.shifts.any():
        parts.append(_run_table(b"ctts", track.shifts))
    if track.sync is not None and not track.sync.all():
        numbers = np.flatnonzero(track.sync) + 1
        parts.append(_full(b"stss", 0, 0, struct.pack(">I", len(numbers)), _words(numbers)))
    # A chunk is a run of samples that lie end to end and are described alike.
    breaks = np.flatnonzero(
        (track.offsets[1:] != track.offsets[:-1] + track.sizes[:-1])
        | (track.description[1:] != track.description[:-1])
    )
    firsts = np.concatenate([[0], breaks + 1])
    counts = np.diff(np.append(firsts, len(track.sizes)))
    description = track.description[firsts]
    news = np.flatnonzero(np.concatenate([[True], (np.diff(counts) != 0) | (np.diff(description) != 0)]))
    lines = np.stack([news + 1, counts[news], description[news]], axis=1)
    parts.append(_full(b"stsc", 0, 0, struct.pack(">I", len(lines)), _words(lines)))
    parts.append(_full(b"stsz", 0, 0, struct.pack(">II", 0, len(track.sizes)), _words(track.sizes)))
    return parts, track.offsets[firsts]


def _run_table(kind: bytes, values: Ints) -> bytes:
    """(how many, value) for each run of equal values."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(values)) + 1])
    many = np.diff(np.append(starts, len(values)))
    lines = np.stack([many, values[starts]], axis=1)
    return _full(kind, 0, 0, struct.pack(">I", len(lines)), _words(lines))


def _words(values: npt.NDArray[np.integer]) -> bytes:
    if values.size and (values.min() < 0 or values.max() >= 1 << 32):
        raise FootageError("a time or size of it does not fit into 32 bits of an MP4 table")
    return values.astype(">u4").tobytes()


def _box(kind: bytes, *parts: bytes, more: int = 0) -> bytes:
    """`more`: bytes that will follow and belong to it."""
    return struct.pack(">I4s", 8 + sum(map(len, parts)) + more, kind) + b"".join(parts)


def _full(kind: bytes, version: int, flags: int, *parts: bytes) -> bytes:
    return _box(kind, struct.pack(">I", version << 24 | flags), *parts)
