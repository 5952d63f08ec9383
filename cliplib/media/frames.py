"""Chosen frames of footage: upright, progressive, square-pixelled, in one colour space. They are decoded in a
process apart (`decoding`).

A picture is a planar 4:2:0 array of uint8, shape (height * 3 / 2, width), BT.709 in video range: rows of
luma, then both chroma planes at half size, as libav lays them out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cliplib.core.errors import FootageError
from cliplib.core.models import FootageInfo
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import Timeline
from cliplib.media.apart.asking import Apart

Picture = npt.NDArray[np.uint8]


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

    `size`: what each picture is scaled to; the caller chooses one of the same shape as `upright_size`.
    `progress`: is called now and then while a picture is waited for, and may raise to stop.
    """

    def __init__(
        self,
        path: Path,
        info: FootageInfo,
        timeline: Timeline,
        size: tuple[int, int],
        progress: Progress = silent,
    ):
        self._path, self._frames, self._size, self._progress = path, len(timeline), size, progress
        self._job = Apart(path, "cliplib.media.apart.decoding:FrameDecoder", path, info, timeline, size)

    def __enter__(self) -> FrameReader:
        return self

    def __exit__(self, *_: object) -> None:
        self._job.close()

    def read(self, wanted: Sequence[int]) -> Iterator[tuple[int, Picture]]:
        """(number, picture) for each frame number of `wanted`, which ascends. Raises FootageError.

        A frame that is damaged beyond decoding is replaced by the one before it, as a player would: by the
        very same array.
        """
        if not wanted:
            return
        if wanted[-1] >= self._frames or wanted[0] < 0:
            raise FootageError(f"{self._path} has {self._frames} frames; {wanted[-1]} is not one")
        width, height = self._size
        picture: Picture | None = None
        answers = self._job.each("pictures", list(wanted), progress=self._progress)
        for number in wanted:
            said, data = next(answers)
            if picture is None or not said["again"]:
                picture = np.frombuffer(data, np.uint8).reshape(height * 3 // 2, width)
            if number == wanted[-1]:
                next(answers, None)  # the process may go on to something else, however the caller stops
            yield number, picture
