"""Footage decoded and encoded anew, in a process apart: the ends of a portable clip, or all of a clip."""

from __future__ import annotations

import os
from collections.abc import Iterator
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.core.errors import FootageError, MediaError
from cliplib.core.models import FootageInfo
from cliplib.core.timebase import Timeline
from cliplib.media.apart.decoding import FrameDecoder, decoded_sound
from cliplib.media.apart.encoding import PictureEncoder, SteadyEncoder, encode_sound
from cliplib.media.apart.jobs import Answer, alive
from cliplib.media.mp4.entries import PROFILES, AvcConfig
from cliplib.media.sound import limit

_FORMATS = ("yuv420p", "yuvj420p")
_COLOUR = ("colorspace", "color_primaries", "color_trc", "color_range")

End = tuple[int, int, list[tuple[int, int, int]]]
"""Frames [first, last), and (frame, offset, size) of the samples that they need, in decode order."""


class EndCoder:
    """A decoder of one footage and an encoder that goes on in its manner. `file`: path, size and time of
    change in nanoseconds of what the offsets hold for.
    """

    def __init__(
        self, file: tuple[Path, int, int], config: AvcConfig, rate: Fraction, quantizer: int, preset: str
    ):
        path, size, mtime_ns = file
        self._config, self._rate, self._quantizer, self._preset = config, rate, quantizer, preset
        self._fd = os.open(path, os.O_RDONLY)
        now = os.fstat(self._fd)
        if (now.st_size, now.st_mtime_ns) != (size, mtime_ns):
            raise FootageError(f"{path} changed while clips were being cut from it; ingest the fight again")
        self._decoder: Any = av.CodecContext.create("h264", "r")
        self._decoder.extradata = config.pack()
        # One thread: others would free these packets, which are Python's, and could wait for ever for this
        # one, which waits for them when decoding is given up half-way.
        self._decoder.thread_count = 1
        self._encoder: SteadyEncoder | None = None
        self._look: tuple[int, int, str] | None = None

    def close(self) -> None:
        os.close(self._fd)

    def encode(self, ends: tuple[End, End]) -> Iterator[Answer]:
        """The samples of the frames before and after what is copied, one of them at least; at last, the
        extradata."""
        head, tail = ends
        frames = chain(self._decode(*head), self._decode(*tail))
        one = next(frames)
        encoder = self._encoder_for(one)
        for order, sync, data in encoder.encode(chain([one], frames), begins=(0, head[1] - head[0])):
            yield {"order": order, "sync": sync}, data
        yield {}, encoder.extradata

    def _encoder_for(self, frame: Any) -> SteadyEncoder:
        look = (frame.width, frame.height, frame.format.name)
        if self._encoder is None or look != self._look:
            self._encoder, self._look = SteadyEncoder(self._settings(frame)), look
        return self._encoder

    def _settings(self, frame: Any) -> PictureEncoder:
        if frame.format.name not in _FORMATS:
            raise FootageError(f"its pictures are {frame.format.name}, not 8-bit 4:2:0")
        context, config = self._decoder, self._config
        return PictureEncoder(
            width=frame.width,
            height=frame.height,
            rate=self._rate,
            aspect=context.sample_aspect_ratio or Fraction(1),
            number=config.free_number(),
            profile=PROFILES[config.profile],
            preset=self._preset,
            steady=self._quantizer,
            length_size=config.length_size,
            threads=1,  # several clips at once use the processors better than several threads a clip
            pixels=frame.format.name,
            colour=tuple((name, int(getattr(context, name))) for name in _COLOUR),
        )

    def _decode(self, first: int, last: int, samples: list[tuple[int, int, int]]) -> Iterator[Any]:
        """Frames [first, last) as `av.VideoFrame`s; nothing is asked of a demuxer, the tables suffice."""
        if first == last:
            return
        decoder, expected = self._decoder, first
        for sample in [*samples, None]:
            packet = None
            if sample is not None:
                number, offset, size = sample
                # Pictures that are neither wanted nor referred to need no decoding.
                decoder.skip_frame = "DEFAULT" if first <= number < last else "NONREF"
                packet = av.Packet(os.pread(self._fd, size, offset))
                packet.pts = packet.dts = number
            try:
                frames = decoder.decode(packet)
            except av.error.InvalidDataError:
                raise FootageError(f"frame {expected} cannot be decoded") from None
            alive()
            for frame in frames:
                if frame.pts is None or not first <= frame.pts < last:
                    continue
                if frame.pts != expected:
                    raise FootageError(f"frame {expected} cannot be decoded")
                expected += 1
                yield frame
        if expected != last:
            raise FootageError(f"frame {expected} cannot be decoded")
        decoder.flush_buffers()


def pictures(
    source: tuple[Path, FootageInfo, Timeline], span: tuple[int, int], settings: PictureEncoder
) -> Iterator[Answer]:
    """The samples of frames `span` of a file; at last, the extradata, and which of them are `damaged`: cannot
    be decoded, and repeat the one before. Raises FootageError, MediaError.
    """
    damaged: list[int] = []
    decoder = FrameDecoder(*source, (settings.width, settings.height))
    try:
        context = settings.open()
        for order, sync, data in settings.encode(context, _frames(decoder, span, damaged)):
            yield {"order": order, "sync": sync}, data
        yield {"damaged": damaged}, bytes(context.extradata)
    except av.error.FFmpegError as error:
        raise _failed(span, source[0], error) from error
    finally:
        decoder.close()


def _failed(span: tuple[int, int], path: Path, error: Exception) -> MediaError:
    return MediaError(f"frames {span[0]} to {span[1]} of {path} could not be encoded: {error}")


def _frames(decoder: FrameDecoder, span: tuple[int, int], damaged: list[int]) -> Iterator[Any]:
    before = None
    for number, picture in decoder.read(range(*span)):
        if picture is before:
            damaged.append(number)
        before = picture
        frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
        frame.colorspace, frame.color_range = 1, 1
        yield frame


def sound(path: Path, info: FootageInfo, start: Fraction, length: int, ceiling_db: float) -> Iterator[Answer]:
    """`length` samples of sound from `start` seconds on, as packets of AAC; at last, the extradata, and how
    many samples are to be skipped. Raises MediaError.
    """
    try:
        samples = decoded_sound(path, info, start, length)
        alive()
        if np.abs(samples).max() > 1:  # more channels mixed into two than they can hold
            samples = limit(samples, ceiling_db)
            alive()
        packets, skipped, extradata = encode_sound(samples)
    except av.error.FFmpegError as error:
        raise MediaError(f"the sound of {path} could not be encoded: {error}") from error
    for packet in packets:
        yield {"order": 0}, packet
    yield {"skipped": skipped}, extradata
