"""Encoding parts alike, and joining them without encoding their pictures again.

Every part is a whole H.264 stream: it begins with an IDR picture, hides nothing, and has the parameter sets
of all others made with the same `Encoding`. So a join is a copy of packets with counted timestamps. Sound is
kept as samples until the join and encoded once over all of it: AAC's priming would leave a gap at each join.
"""

from __future__ import annotations

import contextlib
import math
import wave
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.core.errors import FootageError, MediaError
from cliplib.media.apart import asking
from cliplib.media.ffmpeg import PROTOCOLS, local
from cliplib.media.frames import Picture
from cliplib.media.sound import RATE, Samples

LIBRARIES = tuple(".".join(map(str, av.library_versions[name])) for name in ("libavcodec", "libavformat"))
"""Versions that the bytes of a part depend on."""

_CLOCK = 120_000
"""Ticks a second in which a frame of every usual rate lasts a whole number of ticks."""
_DELAY = 2
"""Frames by which a picture can be decoded before it is shown: three B-pictures of which one is referred
to."""


@dataclass(frozen=True, slots=True)
class Encoding:
    """How pictures and sound are encoded; two parts with equal ones can be joined."""

    width: int
    height: int
    rate: Fraction
    preset: str = "veryfast"
    crf: int = 21
    audio_bit_rate: int = 160_000

    def x264(self) -> dict[str, str]:
        keyint = max(1, round(self.rate * 2))
        # With x264's macroblock tree the bytes differed now and then from run to run at widths of 30 and 60
        # macroblocks, never at multiples of eight, and never without its assembly or without the tree.
        tree = int(-(-self.width // 16) % 8 == 0)
        return {
            "preset": self.preset,
            "crf": str(self.crf),
            # Two threads whatever the machine, since the bytes depend on it; groups of two seconds, closed.
            "x264-params": f"threads=2:keyint={keyint}:min-keyint=1:open-gop=0:bframes=3:"
            f"b-pyramid=normal:mbtree={tree}:colormatrix=bt709:colorprim=bt709:transfer=bt709:range=tv",
        }


def samples_before(frames: int, rate: Fraction) -> int:
    """How many samples are heard before frame number `frames` of a video of that rate: never drifts."""
    return int(frames * RATE / rate)


class VideoWriter:
    """Encodes pictures into an MP4 without sound. Use as a context manager; a failure leaves a broken
    file."""

    def __init__(self, out: Path, encoding: Encoding):
        self._container = av.open(local(out), "w", format="mp4", options={"fflags": "+bitexact"})
        stream = self._container.add_stream("libx264", rate=encoding.rate, options=encoding.x264())
        stream.width, stream.height, stream.pix_fmt = encoding.width, encoding.height, "yuv420p"
        stream.time_base = stream.codec_context.time_base = 1 / encoding.rate
        stream.codec_context.color_range, stream.codec_context.colorspace = 1, 1
        stream.codec_context.color_primaries, stream.codec_context.color_trc = 1, 1
        self._stream: Any = stream
        self._encoding = encoding
        self.frames = 0

    def __enter__(self) -> VideoWriter:
        return self

    def write(self, picture: Picture) -> None:
        frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
        frame.pts, frame.time_base = self.frames, 1 / self._encoding.rate
        frame.colorspace, frame.color_range = 1, 1
        for packet in self._stream.encode(frame):
            self._container.mux(packet)
        self.frames += 1

    def __exit__(self, kind: object, *_: object) -> None:
        try:
            if kind is None:
                for packet in self._stream.encode():
                    self._container.mux(packet)
        finally:
            self._container.close()


def write_wave(out: Path, samples: Samples) -> None:
    whole = np.clip(np.rint(samples.T * 32767), -32768, 32767).astype("<i2")
    with wave.open(str(out), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(whole.tobytes())


def read_wave(path: Path) -> Samples:
    with wave.open(str(path), "rb") as file:
        whole = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2").reshape(-1, 2)
    return np.ascontiguousarray(whole.T.astype(np.float32) / 32767)


@dataclass(frozen=True, slots=True)
class JoinPart:
    """`video` and `sound` as VideoWriter and write_wave made them; `chapter` is empty to go on in the
    last."""

    video: Path
    sound: Path
    frames: int
    chapter: str = ""


def join(
    parts: Sequence[JoinPart],
    out: Path,
    encoding: Encoding,
    tags: dict[str, str],
    each: Callable[[int], None],
) -> None:
    """One MP4 of all parts, index first. `each` is told how many parts are done, and may raise to stop it.

    The picture's packets are copied, so frame n of the result is the nth frame of the parts. MediaError when
    a part isn't what it is said to be, or the result does not read back as the sum of its parts.
    """
    total = sum(part.frames for part in parts)
    # The default clock of milliseconds would end the last picture up to one too early.
    clock = math.lcm(_CLOCK, encoding.rate.numerator)
    options = {"movflags": "+faststart", "fflags": "+bitexact", "movie_timescale": str(clock)}
    container = av.open(local(out), "w", format="mp4", options=options)
    try:
        with _open_made(parts[0].video) as first:
            model = first.streams.video[0]
            video: Any = container.add_stream_from_template(model)
            header = bytes(model.codec_context.extradata or b"")
        video.time_base = 1 / encoding.rate
        audio: Any = container.add_stream("aac", rate=RATE, layout="stereo", options={"aac_coder": "fast"})
        audio.bit_rate = encoding.audio_bit_rate
        container.metadata.update(tags)
        container.set_chapters(_chapters(parts, total, encoding.rate))
        done = 0
        for number, part in enumerate(parts):
            _copy_pictures(container, video, part, header, done, encoding.rate)
            for packet in _sound(audio, part, done, encoding.rate):
                container.mux(packet)
            done += part.frames
            each(number + 1)
        for packet in audio.encode(None):
            container.mux(packet)
    finally:
        container.close()
    _verify(out, total)


def _copy_pictures(
    container: Any, video: Any, part: JoinPart, header: bytes, done: int, rate: Fraction
) -> None:
    with _open_made(part.video) as source:
        stream = source.streams.video[0]
        if bytes(stream.codec_context.extradata or b"") != header:
            raise MediaError(f"{part.video} was not encoded like the other parts; delete it and build again")
        copied = 0
        for packet in source.demux(stream):
            if packet.pts is None or packet.dts is None:
                continue
            # Counted, not added up: the decode time is the packet's place minus the reordering delay.
            shown = round(packet.pts * packet.time_base * rate)
            packet.pts, packet.dts = done + shown, done + copied - _DELAY
            packet.duration, packet.time_base = 1, 1 / rate
            packet.stream = video
            container.mux(packet)
            copied += 1
        if copied != part.frames:
            raise MediaError(
                f"{part.video} holds {copied} frames and not {part.frames}; delete it and build again"
            )


def _sound(audio: Any, part: JoinPart, done: int, rate: Fraction) -> Iterable[Any]:
    first, last = samples_before(done, rate), samples_before(done + part.frames, rate)
    samples = read_wave(part.sound)[:, : last - first]
    if samples.shape[1] < last - first:
        samples = np.pad(samples, ((0, 0), (0, last - first - samples.shape[1])))
    for at in range(0, samples.shape[1], RATE):
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(samples[:, at : at + RATE]), format="fltp", layout="stereo"
        )
        frame.sample_rate, frame.pts, frame.time_base = RATE, first + at, Fraction(1, RATE)
        yield from audio.encode(frame)


def _chapters(parts: Sequence[JoinPart], total: int, rate: Fraction) -> list[Any]:
    starts, done = [], 0
    for part in parts:
        if part.chapter:
            starts.append((done, part.chapter))
        done += part.frames
    ends = [start for start, _ in starts[1:]] + [total]
    ticks = Fraction(1, RATE)
    return [
        {
            "id": number,
            "start": samples_before(start, rate),
            "end": samples_before(end, rate),
            "time_base": ticks,
            "metadata": {"title": title},
        }
        for number, ((start, title), end) in enumerate(zip(starts, ends, strict=True))
    ]


def _verify(out: Path, frames: int) -> None:
    with _open_made(out) as made:
        stream = made.streams.video[0]
        found = sum(1 for packet in made.demux(stream) if packet.pts is not None)
    if found != frames:
        raise MediaError(f"the reel came out with {found} frames and not {frames}; nothing was replaced")


def _open_made(path: Path) -> Any:
    """A file that was made here; so only its packets are read, and in this process."""
    return av.open(local(path), format="mov", options={"protocol_whitelist": PROTOCOLS})


def chapters_of(path: Path) -> list[str]:
    """The titles of a file's chapters, in order; none when it is not there or not readable."""
    return [str(title) for title in _facts(path)["chapters"]]


def tags_of(path: Path) -> dict[str, str]:
    """The tags of a file that `join` wrote; empty when it is not there or not readable."""
    return {str(name): str(value) for name, value in _facts(path)["tags"].items()}


def _facts(path: Path) -> dict[str, Any]:
    """What a file says of itself that may be anybody's: a reel is about to replace it."""
    if path.is_file():
        with contextlib.suppress(FootageError):
            return asking.ask(path, "cliplib.media.apart.decoding:facts", path)[0]
    return {"tags": {}, "chapters": []}
