"""Footage decoded, in a process apart: everything here trusts nothing that it reads, and nobody trusts it.

Frames are known by their presentation times, never by counting, so a seek that lands elsewhere is noticed and
mended.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.core.errors import FootageError
from cliplib.core.models import FootageInfo
from cliplib.core.timebase import Timeline
from cliplib.media.apart.jobs import Answer, alive, lend
from cliplib.media.ffmpeg import FORMATS, PROTOCOLS, SOUND_FORMATS, local
from cliplib.media.frames import Picture, says_when
from cliplib.media.sound import RATE, Samples, lay, silence

_MARGIN = 16
"""Frames before the first wanted one at which a seek aims: the longest reordering that H.264 and HEVC allow,
so that leading pictures of an open group, which cannot be decoded after a seek, are never wanted ones."""

_LEAD = Fraction(1, 4)  # decoded before the wanted start, so that codecs with memory have settled
_GAP = RATE // 50  # timestamps that disagree by less than 20 ms are rounding, not silence

_ONLY = {
    "protocol_whitelist": PROTOCOLS,
    "format_whitelist": FORMATS,
    "enable_drefs": "0",  # QuickTime's references to other files; others have no option, and do none of it
    "use_absolute_path": "0",
}


# What is not UTF-8 in what a file says of itself: 18 has to be told to read it as 19 always does.
_TEXTS: dict[str, Any] = (
    {"metadata_errors": "surrogateescape"} if int(av.__version__.split(".")[0]) < 19 else {}
)


def open_footage(path: Path) -> Any:
    """An input container that reads this one local file and nothing else. Its texts: see `readable`."""
    return av.open(local(path), options=dict(_ONLY), **_TEXTS)


def readable(text: object) -> str:
    """What a file says of itself; U+FFFD stands for what is not UTF-8."""
    return str(text).encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def facts(path: Path) -> Answer:
    """What a file says of itself, `tags` and the titles of its `chapters`; nothing, if it cannot be read."""
    try:
        with open_footage(path) as made:
            titles = [readable(chapter["metadata"].get("title", "")) for chapter in made.chapters()]
            tags = {readable(name): readable(text) for name, text in made.metadata.items()}
            return {"tags": tags, "chapters": titles}, b""
    except (av.error.FFmpegError, OSError):
        return {"tags": {}, "chapters": []}, b""


# --- pictures ---------------------------------------------------------------------------------------------


class FrameDecoder:
    """Frames of one file by number: `frames.FrameReader`, in this process.

    Where decoded frames do not say when they are shown, they are counted from the beginning of the file.

    `size`: what each picture is scaled to; the caller chooses one of the same shape as `upright_size`.
    """

    def __init__(self, path: Path, info: FootageInfo, timeline: Timeline, size: tuple[int, int]):
        self._path, self._info, self._timeline, self._size = path, info, timeline, size
        self._graph: Any = None
        self._shape: tuple[int, int, str] | None = None
        self._room: Callable[[int], memoryview] = lambda count: memoryview(bytearray(count))
        self._lent = memoryview(b"")  # what the last picture lies in
        self._open()

    def _open(self) -> None:
        try:
            self._container = open_footage(self._path)
        except (av.error.FFmpegError, OSError) as problem:
            raise FootageError(f"{self._path} cannot be opened: {problem.strerror or problem}") from problem
        self._stream = self._container.streams.best("video")
        if self._stream is None:
            self._container.close()
            raise FootageError(f"{self._path} has no pictures")
        self._stream.thread_type = "AUTO"
        self._stream.codec_context.thread_count = 2

    def close(self) -> None:
        self._graph = None
        self._container.close()

    def pictures(self, wanted: Sequence[int]) -> Iterator[Answer]:
        """`read` as answers: `again` without bytes is the same picture as before."""
        before: Picture | None = None
        self._room = lend
        for _, picture in self.read(wanted):
            again = picture is before
            before = picture
            yield {"again": again}, b"" if again else self._lent

    def read(self, wanted: Sequence[int]) -> Iterator[tuple[int, Picture]]:
        """(number, picture) for each frame number of `wanted`, which ascends. Raises FootageError.

        A frame that is damaged beyond decoding is replaced by the one before it, as a player would.
        """
        missing = list(wanted)
        if not missing:
            return
        if missing[-1] >= len(self._timeline) or missing[0] < 0:
            raise FootageError(f"{self._path} has {len(self._timeline)} frames; {missing[-1]} is not one")
        last: Picture | None = None
        at = 0
        for number, frame in self._from(missing[0]):
            while at < len(missing) and missing[at] < number:
                # Nothing decodes to the wanted number: what is on screen at its time is the frame before it.
                if last is None:
                    last = self._picture(frame)
                yield missing[at], last
                at += 1
            if at == len(missing):
                return
            if number == missing[at]:
                last = self._picture(frame)
                yield number, last
                at += 1
                if at == len(missing):
                    return
        if last is None:
            raise FootageError(f"frame {missing[at]} of {self._path} cannot be decoded; is the file damaged?")
        for number in missing[at:]:
            yield number, last

    def _from(self, first: int) -> Iterator[tuple[int, Any]]:
        """Numbered frames in order, beginning at or before `first` if the file can be made to."""
        if not says_when(self._info):
            self._start_anew()
            yield from enumerate(self._filtered())
            return
        margin = _MARGIN
        while True:
            aim = first - margin
            decoded = self._numbered(aim)
            head = next(decoded, None)
            if aim < 0 or (head is not None and head[0] <= first):
                break
            decoded.close()
            margin *= 8
        if head is not None:
            yield head
            yield from decoded

    def _start_anew(self) -> None:
        """Not every container finds its way back to its beginning; a fresh one is there already."""
        self._graph = None
        self._container.close()
        self._open()

    def _numbered(self, aim: int) -> Any:
        start, pts = self._info.start_pts, self._timeline.pts
        self._graph = None
        if aim < 0:
            self._start_anew()
        else:
            with contextlib.suppress(av.error.FFmpegError):
                self._container.seek(start + int(pts[aim]), stream=self._stream, backward=True)
        base = self._stream.time_base
        frame_of = {int(t): i for i, t in enumerate(pts[max(0, aim - 4096) :], start=max(0, aim - 4096))}
        for frame in self._filtered():
            if frame.pts is None:
                continue
            tick = round(Fraction(frame.pts) * frame.time_base / base) - start
            number = frame_of.get(tick)
            if number is None:
                number = int(np.searchsorted(pts, tick))
                if number >= len(pts) or pts[number] != tick:
                    continue
            yield number, frame

    def _filtered(self) -> Iterator[Any]:
        if not self._info.interlaced:
            yield from self._decoded()
            return
        graph: Any = None
        for frame in self._decoded():
            if graph is None:
                graph = self._build(frame, ["bwdif=mode=send_frame:deint=all"])
            graph.vpush(frame)
            yield from _drain(graph)
        if graph is not None:
            graph.vpush(None)
            yield from _drain(graph)

    def _decoded(self) -> Iterator[Any]:
        try:
            for packet in self._container.demux(self._stream):
                try:
                    frames = packet.decode()
                except av.error.InvalidDataError:
                    continue  # a damaged packet; the frames around it stand
                if frames:
                    alive()
                yield from frames
        except av.error.EOFError:
            return
        except av.error.InvalidDataError as problem:
            raise FootageError(f"{self._path} cannot be read further: {problem}") from problem

    def _build(self, frame: Any, filters: list[str]) -> Any:
        graph = av.filter.Graph()
        graph.threads = 1
        node = graph.add_buffer(
            width=frame.width, height=frame.height, format=frame.format, time_base=self._stream.time_base
        )
        for text in filters:
            name, _, arguments = text.partition("=")
            after = graph.add(name, arguments or None)
            node.link_to(after)
            node = after
        node.link_to(graph.add("buffersink"))
        graph.configure()
        return graph

    def _picture(self, frame: Any) -> Picture:
        shape = (frame.width, frame.height, frame.format.name)
        wants_matrix = _matrix(frame) != "bt709" or frame.color_range == 2
        plain = shape == (*self._size, "yuv420p") and not self._info.rotation and not wants_matrix
        if plain:
            return self._laid(frame)
        if self._graph is None or self._shape != shape:
            turn = {90: ["transpose=clock"], 180: ["hflip", "vflip"], 270: ["transpose=cclock"]}
            width, height = self._size
            full = frame.color_range == 2 or frame.format.name.startswith("yuvj")
            self._graph = self._build(
                frame,
                [
                    *turn.get(self._info.rotation, []),
                    f"scale={width}:{height}:flags=bicubic:in_color_matrix={_matrix(frame)}:"
                    f"out_color_matrix=bt709:in_range={'full' if full else 'limited'}:out_range=limited",
                    "format=yuv420p",
                ],
            )
            self._shape = shape
        self._graph.vpush(frame)
        return self._laid(self._graph.vpull())

    def _laid(self, frame: Any) -> Picture:
        """The planes of a 4:2:0 frame one after the other, without what libav has between their lines."""
        width, height = frame.width, frame.height
        self._lent = self._room(width * height * 3 // 2)
        flat, at = np.frombuffer(self._lent, np.uint8), 0
        for plane, (across, down) in zip(
            frame.planes, ((width, height), *[(width // 2, height // 2)] * 2), strict=True
        ):
            lines = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
            flat[at : at + across * down].reshape(down, across)[...] = lines[:down, :across]
            at += across * down
        return flat.reshape(height * 3 // 2, width)


def _drain(graph: Any) -> Iterator[Any]:
    while True:
        try:
            yield graph.vpull()
        except (av.error.BlockingIOError, av.error.EOFError):
            return


def _matrix(frame: Any) -> str:
    """The colour matrix a frame is in. Untagged standard-definition material is usually BT.601 (common
    practice; Rec. ITU-R BT.601 and BT.709)."""
    if frame.format.name.startswith(("rgb", "bgr", "gbr", "gray", "pal")):
        return "bt709"
    known = {1: "bt709", 4: "fcc", 5: "bt601", 6: "smpte170m", 7: "smpte240m", 9: "bt2020"}
    return known.get(int(frame.colorspace)) or ("bt709" if min(frame.height, frame.width) > 576 else "bt601")


# --- sound ------------------------------------------------------------------------------------------------


def sound(path: Path, info: FootageInfo, start: Fraction, length: int) -> Answer:
    """See `sound.read_sound`."""
    return {}, decoded_sound(path, info, start, length).data


def decoded_sound(path: Path, info: FootageInfo, start: Fraction, length: int) -> Samples:
    """See `sound.read_sound`, in this process."""
    heard = silence(length)
    if not info.audio or length <= 0:
        return heard
    origin = info.start_pts * info.time_base + start  # the file's own time of sample 0
    with open_footage(path) as container:
        stream = next((s for s in container.streams.audio if s.index == info.audio[0].index), None)
        if stream is None:
            return heard
        # Samples before a track's beginning have times before it, and are left out by `lay`. libav would drop
        # as many from wherever it begins to decode: since FFmpeg 9 also after a seek, and seconds of sound
        # where an edit list hides as much.
        stream.codec_context.flags2 |= av.codec.context.Flags2.skip_manual
        # MPEG-TS and the like find their place by timestamps that are late for sound; so seek well before.
        aim = int((origin - _LEAD - 1) / stream.time_base)
        # Not back to the very beginning: a seek there misses AAC's priming packet, which the first one needs.
        if aim > (stream.start_time or 0):
            with contextlib.suppress(av.error.FFmpegError):
                container.seek(aim, stream=stream, backward=True)
        position: int | None = None
        for frame in _resampled(container, stream, origin - _LEAD):
            at = round((Fraction(frame.pts) * frame.time_base - origin) * RATE)
            if position is None or abs(at - position) > _GAP:
                position = at
            samples = frame.to_ndarray()
            lay(heard, samples, position)
            position += samples.shape[1]
            if position >= length:
                break
    # Floating-point sound may hold what is no number.
    return np.nan_to_num(heard, copy=False, nan=0.0, posinf=1.0, neginf=-1.0)


def _resampled(container: Any, stream: Any, earliest: Fraction) -> Iterator[Any]:
    resampler = av.AudioResampler(format="fltp", layout="stereo", rate=RATE)
    for packet in container.demux(stream):
        if packet.pts is not None and (packet.pts + (packet.duration or 0)) * stream.time_base < earliest:
            continue
        try:
            frames = packet.decode()
        except av.error.InvalidDataError:
            continue
        if frames:
            alive()
        for frame in frames:
            if frame.pts is None:
                continue
            for made in resampler.resample(frame):
                if made.pts is not None:
                    yield made
    with contextlib.suppress(av.error.FFmpegError, ValueError):
        for made in resampler.resample(None):
            if made.pts is not None:
                yield made


_LONGEST_VOICE = 2 * 3600 * RATE  # samples


def voice(path: Path) -> Answer:
    """See `sound.read_voice`."""
    try:
        container = av.open(local(path), options={**_ONLY, "format_whitelist": SOUND_FORMATS})
    except (av.error.FFmpegError, OSError) as problem:
        raise FootageError(
            f"{path} cannot be read as sound ({problem.strerror or problem}); WAV, FLAC, MP3, M4A, Opus in "
            "WebM or Ogg can"
        ) from problem
    pieces, reached, length = list[tuple[int, Samples]](), list[tuple[int, int]](), 0
    with container:
        stream = container.streams.best("audio")
        if stream is None:
            raise FootageError(f"{path} has no sound; choose another file")
        resampler = av.AudioResampler(format="fltp", layout="stereo", rate=RATE)
        origin: Fraction | None = None
        for packet, frames in _decoded_sound(container, stream):
            for frame in frames:
                if origin is None:
                    origin = Fraction(frame.pts or 0) * frame.time_base
                for made in resampler.resample(frame):
                    at = round((Fraction(made.pts or 0) * Fraction(made.time_base or 0) - origin) * RATE)
                    # Timestamps that disagree by little are rounding; those that leave a gap, silence.
                    at = length if abs(at - length) <= _GAP or at < length else at
                    pieces.append((at, made.to_ndarray().astype(np.float32, copy=False)))
                    length = at + made.samples
            if length > _LONGEST_VOICE:
                raise FootageError(f"{path} is longer than two hours; cut it into points")
            if packet.pos is not None and packet.pos >= 0:
                reached.append((packet.pos + packet.size, length * 1_000_000 // RATE))
        for made in resampler.resample(None):
            pieces.append((length, made.to_ndarray().astype(np.float32, copy=False)))
            length += made.samples
    heard = silence(length)
    for at, samples in pieces:
        lay(heard, samples, at)
    np.nan_to_num(heard, copy=False, nan=0.0, posinf=1.0, neginf=-1.0)
    return {"reached": reached}, np.ascontiguousarray(heard).data


def _decoded_sound(container: Any, stream: Any) -> Iterator[tuple[Any, list[Any]]]:
    try:
        for packet in container.demux(stream):
            try:
                frames = packet.decode()
            except av.error.InvalidDataError:
                continue  # a damaged packet; what is around it stands
            alive()
            yield packet, [frame for frame in frames if frame.samples]
    except av.error.FFmpegError:
        return  # cut short: what was decoded so far stands
