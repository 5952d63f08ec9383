"""All of a footage file looked at once, in a process apart: a small picture of every frame, how it moves, a
marked part of it, and the sound in mono. What is made of that is for others (`cliplib.watching`).
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from cliplib.core.errors import FootageError
from cliplib.core.models import FootageInfo
from cliplib.core.timebase import Timeline
from cliplib.media.apart.decoding import FrameDecoder, open_footage
from cliplib.media.apart.jobs import Answer, alive
from cliplib.media.scan import HIGH, MOTION, PLATE_HIGH, PLATE_WIDE, SOUND_RATE, WIDE, Box

_BLOCK = 128
_SOUND_BLOCK = 30 * SOUND_RATE
_GAP = SOUND_RATE // 50
_CLEAR = 0.05  # a correlation's peak below this is no camera movement

Grey = npt.NDArray[np.uint8]


class Scanner(FrameDecoder):
    """`frames` and `sound` of one file. `around`: the part whose small picture is wanted; `line`: the part of
    it that is wanted as it is, about every `every_s` seconds; or None."""

    def __init__(
        self,
        path: Path,
        info: FootageInfo,
        timeline: Timeline,
        around: Box | None = None,
        line: Box | None = None,
        every_s: float = 1.0,
    ):
        self._packets: dict[int, tuple[int, bool]] = {}
        self._around, self._wanted_line, self._every_s = around, line, every_s
        super().__init__(path, info, timeline, (WIDE, HIGH))

    def frames(self, first: int) -> Iterator[Answer]:
        """Frames from number `first` to the end, in blocks: `numbers` and the bytes of `thumbs`, `motion`
        (float32), `packets` (int32: size, 1 for a key picture), `plates` and the `lines` of the frames `of`.

        A frame that cannot be decoded is missing.
        """
        block = _Block()
        motion = _Motion()
        for number, frame in self._from(max(0, first - 1)):
            grey = frame.reformat(width=2 * WIDE, height=2 * HIGH, format="gray", interpolation="AREA")
            half = grey.to_ndarray()
            numbers = motion.of(half)
            if number < first:
                continue
            thumb = half.reshape(HIGH, 2, WIDE, 2).mean(axis=(1, 3)).astype(np.uint8)
            block.add(number, thumb, numbers, self._packet(number))
            if self._around is not None:
                luma = _luma(frame)
                block.plates.append(_small(_part(luma, self._around)))
                if self._wanted_line is not None and self._is_due(number):
                    block.lines.append(np.ascontiguousarray(_part(luma, self._wanted_line)))
                    block.of.append(number)
            if len(block.numbers) == _BLOCK:
                yield block.answer()
                block = _Block()
        if block.numbers:
            yield block.answer()

    def sound(self) -> Iterator[Answer]:
        """The first audio track in mono at `SOUND_RATE`, int16, in pieces; `at`: a piece's first sample,
        counted from the time of the first picture. What is not there is silent."""
        if not self._info.audio:
            return
        origin = self._info.start_pts * self._info.time_base
        with open_footage(self._path) as container:
            stream = next((s for s in container.streams.audio if s.index == self._info.audio[0].index), None)
            if stream is None:
                return
            held: list[npt.NDArray[np.int16]] = []
            start = position = 0
            for at, samples in _mono(container, stream, origin):
                if not held or abs(at - position) > _GAP:
                    if held:
                        yield {"at": start}, np.concatenate(held).tobytes()
                    held, start, position = [], at, at
                held.append(samples)
                position += len(samples)
                if position - start >= _SOUND_BLOCK:
                    yield {"at": start}, np.concatenate(held).tobytes()
                    held = []
            if held:
                yield {"at": start}, np.concatenate(held).tobytes()

    def _is_due(self, number: int) -> bool:
        """The same frames at every pass, wherever it begins."""
        steps = [
            int(self._timeline.time_of(n) / Fraction(self._every_s)) for n in (max(0, number - 1), number)
        ]
        return number == 0 or steps[0] != steps[1]

    # Fields of a frame are as good as a frame at this size.
    def _filtered(self) -> Iterator[Any]:
        yield from self._decoded()

    def _decoded(self) -> Iterator[Any]:
        try:
            for packet in self._container.demux(self._stream):
                if packet.pts is not None and packet.size:
                    self._packets[packet.pts] = (packet.size, packet.is_keyframe)
                try:
                    frames = packet.decode()
                except av.error.InvalidDataError:
                    continue
                if frames:
                    alive()
                yield from frames
        except av.error.EOFError:
            return
        except av.error.InvalidDataError as problem:
            raise FootageError(f"{self._path} cannot be read further: {problem}") from problem

    def _packet(self, number: int) -> tuple[int, bool]:
        tick = int(self._timeline.pts[number]) + self._info.start_pts
        found = self._packets.pop(tick, (0, False))
        if len(self._packets) > 4096:  # of frames that were never shown
            self._packets = {t: p for t, p in self._packets.items() if t >= tick}
        return found


class _Block:
    def __init__(self) -> None:
        self.numbers: list[int] = []
        self.of: list[int] = []
        self.thumbs: list[Grey] = []
        self.plates: list[Grey] = []
        self.lines: list[Grey] = []
        self.motion: list[npt.NDArray[np.float32]] = []
        self.packets: list[tuple[int, bool]] = []

    def add(
        self, number: int, thumb: Grey, motion: npt.NDArray[np.float32], packet: tuple[int, bool]
    ) -> None:
        self.numbers.append(number)
        self.thumbs.append(thumb)
        self.motion.append(motion)
        self.packets.append(packet)

    def answer(self) -> Answer:
        pieces = [
            np.stack(self.thumbs).tobytes(),
            np.stack(self.motion).tobytes(),
            np.array(self.packets, np.int32).tobytes(),
            b"".join(plate.tobytes() for plate in self.plates),
            b"".join(line.tobytes() for line in self.lines),
        ]
        shape = list(self.lines[0].shape) if self.lines else [0, 0]
        said = {"numbers": self.numbers, "of": self.of, "line": shape, "lengths": [len(p) for p in pieces]}
        return said, b"".join(pieces)


class _Motion:
    """How each picture moved against the one before it."""

    def __init__(self) -> None:
        self._before: npt.NDArray[np.float32] | None = None
        self._waves: npt.NDArray[np.complexfloating[Any, Any]] | None = None
        window = np.outer(np.hanning(2 * HIGH), np.hanning(2 * WIDE))
        self._window = window.astype(np.float32)

    def of(self, half: Grey) -> npt.NDArray[np.float32]:
        now = half.astype(np.float32)
        now -= now.mean()
        waves = np.fft.rfft2(now * self._window)
        numbers = np.zeros(len(MOTION), np.float32)
        if self._before is not None and self._waves is not None:
            x, y, response = _shift(self._waves, waves, now.shape)
            residual = np.abs(_overlap(now, self._before, x, y))
            high, wide = residual.shape[0] // 8 * 8, residual.shape[1] // 8 * 8
            blocks = residual[:high, :wide].reshape(high // 8, 8, wide // 8, 8).mean(axis=(1, 3)).ravel()
            top = max(1, blocks.size // 50)
            limbs = np.partition(blocks, -top)[-top:].mean()
            change = np.abs(now - self._before).mean()
            numbers[:] = residual.mean(), limbs, x / 2, y / 2, response, change
        self._before, self._waves = now, waves
        return numbers


def _shift(before: Any, now: Any, shape: tuple[int, ...]) -> tuple[int, int, float]:
    """Whole pixels (across, down) by phase correlation, and the peak's share."""
    cross = now * before.conj()
    cross /= np.abs(cross) + 1e-6
    surface = np.fft.irfft2(cross, shape)
    at = int(surface.argmax())
    y, x = divmod(at, shape[1])
    response = float(surface.flat[at])
    if response < _CLEAR:
        return 0, 0, response
    y, x = (y - shape[0] if y > shape[0] // 2 else y), (x - shape[1] if x > shape[1] // 2 else x)
    if abs(x) > shape[1] // 4 or abs(y) > shape[0] // 4:
        return 0, 0, response
    return x, y, response


def _overlap(now: Any, before: Any, x: int, y: int) -> Any:
    h, w = now.shape
    a = now[max(0, y) : h + min(0, y), max(0, x) : w + min(0, x)]
    b = before[max(0, -y) : h + min(0, -y), max(0, -x) : w + min(0, -x)]
    return a - b


def _luma(frame: Any) -> Grey:
    if frame.format.name not in ("yuv420p", "yuvj420p", "yuv422p", "yuv444p", "nv12"):
        return np.asarray(frame.reformat(format="gray").to_ndarray(), dtype=np.uint8)
    plane = frame.planes[0]
    return np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[: frame.height, : frame.width]


def _part(luma: Grey, box: Box) -> Grey:
    h, w = luma.shape
    x0, x1 = round(box[0] * w), round(box[2] * w)
    y0, y1 = round(box[1] * h), round(box[3] * h)
    return luma[max(0, y0) : max(y0 + 2, y1), max(0, x0) : max(x0 + 2, x1)]


def _small(part: Grey) -> Grey:
    """By area, as far as whole steps allow."""
    down, across = _shares(part.shape[0], PLATE_HIGH), _shares(part.shape[1], PLATE_WIDE)
    return (down @ part.astype(np.float32) @ across.T).astype(np.uint8)


_KNOWN: dict[tuple[int, int], npt.NDArray[np.float32]] = {}


def _shares(size: int, wanted: int) -> npt.NDArray[np.float32]:
    """A matrix that averages `size` pixels into `wanted`."""
    if (size, wanted) not in _KNOWN:
        edges = np.linspace(0, size, wanted + 1)
        at = np.arange(size)
        upper = np.minimum(edges[1:, None], at + 1)
        share = np.clip(upper - np.maximum(edges[:-1, None], at), 0, None)
        _KNOWN[size, wanted] = (share / share.sum(axis=1, keepdims=True)).astype(np.float32)
    return _KNOWN[size, wanted]


def _mono(container: Any, stream: Any, origin: Fraction) -> Iterator[tuple[int, npt.NDArray[np.int16]]]:
    resampler = av.AudioResampler(format="s16", layout="mono", rate=SOUND_RATE)

    def placed(frames: Any) -> Iterator[tuple[int, npt.NDArray[np.int16]]]:
        for made in frames:
            if made.pts is not None:
                at = round((Fraction(made.pts) * made.time_base - origin) * SOUND_RATE)
                yield at, np.asarray(made.to_ndarray().reshape(-1), dtype=np.int16)

    for packet in container.demux(stream):
        try:
            frames = packet.decode()
        except av.error.InvalidDataError:
            continue
        if frames:
            alive()
        for frame in frames:
            if frame.pts is not None:
                yield from placed(resampler.resample(frame))
    yield from placed(resampler.resample(None))
