"""Pictures and sound encoded into samples, in a process apart."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import numpy as np
from av.video.frame import PictureType

from cliplib.media.mp4.entries import with_lengths
from cliplib.media.sound import RATE, Samples

_GLOBAL_HEADER = 1 << 22  # AV_CODEC_FLAG_GLOBAL_HEADER: parameter sets apart from the pictures
_PACKET = 1024  # samples in a packet of AAC

AUDIO_BIT_RATE = 160_000
SECONDS_A_GROUP = 2

Colour = tuple[tuple[str, int], ...]
BT709: Colour = (("colorspace", 1), ("color_primaries", 1), ("color_trc", 1), ("color_range", 1))
"""Attributes of a codec context: code points of ITU-T H.273, the range as libav counts it (1: video)."""

Sample = tuple[int, bool, bytes]
"""Which frame it is in the order of being shown, whether decoding can begin with it, and its bytes."""


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

    def encode(self, context: Any, frames: Iterable[Any]) -> Iterator[Sample]:
        """`context`: as `open` gave it. `frames`: of PyAV, in the order they are shown, of any times."""
        for count, frame in enumerate(frames):
            frame.pts, frame.time_base, frame.pict_type = count, context.time_base, PictureType.NONE
            yield from _samples(context.encode(frame), self.length_size)
        yield from _samples(context.encode(None), self.length_size)


class SteadyEncoder:
    """An encoder with `steady` set that stays open from one clip to the next: each picture comes out as it
    goes in, so nothing has to be flushed, and a group can be begun at any of them.
    """

    def __init__(self, settings: PictureEncoder):
        self._context, self._length_size = settings.open(), settings.length_size
        self.extradata = bytes(self._context.extradata)
        self._count = 0

    def encode(self, frames: Iterable[Any], begins: Container[int]) -> Iterator[Sample]:
        """As `PictureEncoder.encode`. `begins`: the frames, counted from 0, that begin a group."""
        start = self._count
        for frame in frames:
            frame.pts, frame.time_base = self._count, self._context.time_base
            frame.pict_type = PictureType.I if self._count - start in begins else PictureType.NONE
            self._count += 1
            yield from _samples(self._context.encode(frame), self._length_size, start)


def _samples(packets: Iterable[Any], length_size: int, start: int = 0) -> Iterator[Sample]:
    for packet in packets:
        yield int(packet.pts) - start, bool(packet.is_keyframe), with_lengths(bytes(packet), length_size)


def encode_sound(samples: Samples) -> tuple[list[bytes], int, bytes]:
    """(packets, samples to be skipped at their start, extradata) of AAC at `sound.RATE`, stereo."""
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
    return [bytes(packet) for packet in packets], -int(packets[0].pts), bytes(context.extradata)
