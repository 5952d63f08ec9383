"""Pictures and sound encoded into samples, and an MP4 put together from samples of several files.

Encoded samples are kept in a spool file, so that memory does not grow with the clip.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.video.frame import PictureType

from cliplib.errors import MediaError
from cliplib.media.files import replacing
from cliplib.media.mp4 import Bools, Ints
from cliplib.media.mp4write import TrackOut, header
from cliplib.media.sampleentry import AvcConfig, aac_description, config_of, with_lengths
from cliplib.media.slices import copy_runs, write_all
from cliplib.media.sound import RATE, Samples

_GLOBAL_HEADER = 1 << 22  # AV_CODEC_FLAG_GLOBAL_HEADER: parameter sets apart from the pictures
_TURN = 500  # milliseconds of one track before the other has its turn
_PACKET = 1024  # samples in a packet of AAC

AUDIO_BIT_RATE = 160_000
SECONDS_A_GROUP = 2

Colour = tuple[tuple[str, int], ...]
BT709: Colour = (("colorspace", 1), ("color_primaries", 1), ("color_trc", 1), ("color_range", 1))
"""Attributes of a codec context: code points of ITU-T H.273, the range as libav counts it (1: video)."""


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

    def add(self, data: bytes) -> int:
        """Where it was put."""
        at = self._end
        write_all(self.fd, data)
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


@dataclass(frozen=True, slots=True)
class PictureEncoder:
    """Settings of x264 for pictures of one size. `rate`: display only; times are the container's.

    `number`: of the parameter sets. `colour`: attributes of the codec context to be written into the stream.
    `steady`: the quantizer of every picture, instead of `crf` and all that looks ahead for it: each picture
    is coded from the one before it, which is the quickest way there is.
    """

    width: int
    height: int
    rate: Fraction
    aspect: Fraction = Fraction(1)
    number: int = 0
    profile: str = "high"
    preset: str = "veryfast"
    crf: int = 20
    steady: int | None = None
    length_size: int = 4
    threads: int = 2
    pixels: str = "yuv420p"
    colour: Colour = BT709

    def open(self) -> Any:
        group = max(1, round(self.rate * SECONDS_A_GROUP))
        context = av.CodecContext.create("libx264", "w")
        context.width, context.height, context.pix_fmt = self.width, self.height, self.pixels
        context.time_base, context.framerate = 1 / self.rate, self.rate
        context.sample_aspect_ratio = self.aspect
        context.thread_count, context.thread_type = self.threads, "FRAME"
        context.flags |= _GLOBAL_HEADER
        for name, value in self.colour:
            setattr(context, name, value)
        steady = (
            f":qp={self.steady}:bframes=0:scenecut=0:weightp=0:rc-lookahead=0:sync-lookahead=0:force-cfr=1"
        )
        context.options = {
            "preset": self.preset,
            "crf": str(self.crf),
            "profile": self.profile,
            "forced-idr": "1",
            "x264-params": f"sps-id={self.number}:keyint={group}:min-keyint=1:open-gop=0:log-level=none"
            + (":bframes=3" if self.steady is None else steady),
        }
        context.open()
        return context

    def encode(self, frames: Iterable[Any], spool: Spool, file: int) -> tuple[Coded, AvcConfig]:
        """`frames`: of PyAV, in the order they are shown, whatever their times. `file`: the spool's number
        among the files to be put together.
        """
        context = self.open()
        taken = _Taken(spool, self.length_size)
        count = 0
        for frame in frames:
            frame.pts, frame.time_base, frame.pict_type = count, context.time_base, PictureType.NONE
            count += 1
            taken.add(context.encode(frame))
        taken.add(context.encode(None))
        return taken.coded(count, file), config_of(bytes(context.extradata), self.length_size)


class SteadyEncoder:
    """An encoder with `steady` set that stays open from one clip to the next: each picture comes out as it
    goes in, so nothing has to be flushed, and a group can be begun at any of them.
    """

    def __init__(self, settings: PictureEncoder):
        self._context, self._length_size = settings.open(), settings.length_size
        self.config = config_of(bytes(self._context.extradata), settings.length_size)
        self._count = 0

    def encode(self, frames: Iterable[Any], spool: Spool, file: int, begins: Container[int]) -> Coded:
        """As `PictureEncoder.encode`. `begins`: the frames, counted from 0, that begin a group."""
        taken, start = _Taken(spool, self._length_size, self._count), self._count
        for frame in frames:
            frame.pts, frame.time_base = self._count, self._context.time_base
            frame.pict_type = PictureType.I if self._count - start in begins else PictureType.NONE
            self._count += 1
            taken.add(self._context.encode(frame))
        return taken.coded(self._count - start, file)


class _Taken:
    """Encoded pictures as they come out."""

    def __init__(self, spool: Spool, length_size: int, start: int = 0):
        self._spool, self._length_size, self._start = spool, length_size, start
        self._order, self._offsets, self._sizes = list[int](), list[int](), list[int]()
        self._sync = list[bool]()

    def add(self, packets: Iterable[Any]) -> None:
        for packet in packets:
            data = with_lengths(bytes(packet), self._length_size)
            self._order.append(int(packet.pts) - self._start)
            self._offsets.append(self._spool.add(data))
            self._sizes.append(len(data))
            self._sync.append(bool(packet.is_keyframe))

    def coded(self, count: int, file: int) -> Coded:
        if len(self._order) != count or count == 0:
            raise MediaError(f"the encoder made {len(self._order)} pictures out of {count}")
        files, sync = np.full(count, file), np.array(self._sync)
        return Coded(np.array(self._order), files, np.array(self._offsets), np.array(self._sizes), sync)


def encode_sound(samples: Samples, spool: Spool, file: int) -> tuple[Coded, int, bytes]:
    """(packets, samples to be skipped at their start, `stsd`) of AAC at `sound.RATE`, stereo."""
    context: Any = av.CodecContext.create("aac", "w")
    context.sample_rate, context.layout, context.format = RATE, "stereo", "fltp"
    context.bit_rate, context.time_base = AUDIO_BIT_RATE, Fraction(1, RATE)
    context.flags |= _GLOBAL_HEADER
    context.open()
    packets = []
    for at in range(0, samples.shape[1], _PACKET):
        piece = np.zeros((2, _PACKET), np.float32)
        part = samples[:, at : at + _PACKET]
        piece[:, : part.shape[1]] = part
        frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout="stereo")
        frame.sample_rate, frame.pts = RATE, at
        packets += context.encode(frame)
    packets += context.encode(None)
    skipped = -int(packets[0].pts)
    sizes = np.array([packet.size for packet in packets])
    offsets = np.array([spool.add(bytes(packet)) for packet in packets])
    count = len(packets)
    coded = Coded(np.arange(count), np.full(count, file), offsets, sizes, np.ones(count, np.bool_))
    return coded, skipped, aac_description(bytes(context.extradata), 2, RATE)


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
