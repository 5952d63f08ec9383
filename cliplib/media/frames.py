"""Chosen frames of footage, decoded: upright, progressive, square-pixelled, in one colour space.

A picture is a planar 4:2:0 array of uint8, shape (height * 3 / 2, width), BT.709 in video range: rows of
luma, then both chroma planes at half size, as libav lays them out. Frames are known by their presentation
times, never by counting, so a seek that lands elsewhere is noticed and mended.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from cliplib.errors import FootageError
from cliplib.media.ffmpeg import FORMATS, PROTOCOLS, local
from cliplib.models import FootageInfo
from cliplib.timebase import Timeline

Picture = npt.NDArray[np.uint8]

_MARGIN = 16
"""Frames before the first wanted one at which a seek aims: the longest reordering that H.264 and HEVC allow,
so that leading pictures of an open group, which cannot be decoded after a seek, are never wanted ones."""


def open_footage(path: Path) -> Any:
    """An input container that reads this one local file and nothing else."""
    only = {"protocol_whitelist": PROTOCOLS, "format_whitelist": FORMATS}
    return av.open(local(path), options=only, metadata_errors="replace")


def upright_size(info: FootageInfo) -> tuple[int, int]:
    """(width, height) of the picture as it is meant to be seen, in square pixels, both even.

    Pixels that aren't square are made so by widening or by making taller, never by throwing lines away.
    """
    width, height = Fraction(info.width), Fraction(info.height)
    aspect = info.sample_aspect if info.sample_aspect > 0 else Fraction(1)
    if aspect >= 1:
        width *= aspect
    else:
        height /= aspect
    if info.rotation in (90, 270):
        width, height = height, width
    return even(width), even(height)


def even(length: Fraction | int) -> int:
    """The nearest even whole number, at least 2."""
    return max(2, 2 * round(Fraction(length) / 2))


def says_when(info: FootageInfo) -> bool:
    """Whether decoded frames have the times at which they are shown. AVI knows none, and of H.264, whose
    frames are decoded in another order, nothing but their order is sure once they are decoded.
    """
    return not (info.container == "avi" and info.video_codec == "h264")


class FrameReader:
    """Frames of one file by number. Not for use by two threads at once.

    Where decoded frames do not say when they are shown, they are counted from the beginning of the file.

    `size`: what each picture is scaled to; the caller chooses one of the same shape as `upright_size`.
    """

    def __init__(self, path: Path, info: FootageInfo, timeline: Timeline, size: tuple[int, int]):
        self._path, self._info, self._timeline, self._size = path, info, timeline, size
        self._graph: Any = None
        self._shape: tuple[int, int, str] | None = None
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

    def __enter__(self) -> FrameReader:
        return self

    def __exit__(self, *_: object) -> None:
        self._graph = None
        self._container.close()

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
                    yield from packet.decode()
                except av.error.InvalidDataError:
                    continue  # a damaged packet; the frames around it stand
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
            return np.asarray(frame.to_ndarray(), dtype=np.uint8)
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
        return np.asarray(self._graph.vpull().to_ndarray(), dtype=np.uint8)


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
