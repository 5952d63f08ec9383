"""Still pictures of footage, decoded and painted in a process apart: `poster`, seen from in there."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
from PIL import Image

from cliplib.core.errors import FootageError
from cliplib.media.apart.decoding import FrameDecoder, open_footage
from cliplib.media.apart.jobs import Answer, alive
from cliplib.media.frames import even, upright_size
from cliplib.media.mp4.reading import read_movie
from cliplib.media.slices import shown_frames
from cliplib.media.working import Prepared, table_timeline

_QUALITY = 75
_REORDERED = 16  # frames by which H.264 can reorder at most
_FEW = 6  # packets from a key picture on that `near` looks at; half of them are not decoded


class Painter:
    """Stills of one footage by one open decoder, as JPEG.

    Of a file that can be sliced, only the pictures that the wanted one refers to are decoded: those between
    it and the key picture before it, without the ones that nothing refers to.
    """

    def __init__(self, prepared: Prepared, width: int):
        """`width`: of the largest picture that will be wanted."""
        self._prepared = prepared
        self._container: Any = None
        self._slow: FrameDecoder | None = None
        self._keys = np.zeros(0, np.int64)
        if prepared.sliced is None:
            size = self._size(width, whole=True)
            self._slow = FrameDecoder(prepared.original, prepared.info, prepared.timeline, size)
            return
        self._keys = _key_frames(prepared.sliced)
        try:
            self._container = open_footage(prepared.sliced)
            self._stream = self._container.streams.video[0]
        except (av.error.FFmpegError, OSError, IndexError) as problem:
            self.close()
            raise FootageError(
                f"{prepared.sliced} cannot be read any more ({problem}); ingest the fight again"
            ) from problem
        for other in self._container.streams:
            if other.index != self._stream.index:
                other.discard = av.stream.Discard.all
        self._stream.codec_context.thread_count = 1  # frame threads would decode ahead of what is wanted
        own = prepared.timeline if prepared.sliced == prepared.original else table_timeline(prepared.sliced)
        self._times = own.pts + (
            prepared.info.start_pts
            if prepared.sliced == prepared.original
            else int(self._stream.start_time or 0)
        )

    def close(self) -> None:
        if self._container is not None:
            self._container.close()
            self._container = None
        if self._slow is not None:
            self._slow.close()
            self._slow = None

    def picture(self, frame: int, width: int, exact: bool) -> Answer:
        """See `poster.Posters.write`."""
        image = self._read_slowly(frame, width) if self._slow else self._read(frame, width, exact)
        return {}, _jpeg(image)

    def near(self, frame: int, first: int, last: int, width: int) -> Answer:
        """See `poster.Posters.write_near`."""
        image = self._near(frame, first, last, width)
        return self.picture(frame, width, True) if image is None else ({}, _jpeg(image))

    def _near(self, frame: int, first: int, last: int, width: int) -> Image.Image | None:
        keys = self._keys[(self._keys >= first) & (self._keys < last)]
        if not len(keys):
            return None
        # How far the wanted frame lies from what can be had from each key picture: it, or a few after it.
        away = np.where(keys > frame, keys - frame, np.maximum(frame - keys - _FEW + 2, 0))
        key, target = int(keys[away.argmin()]), int(self._times[frame])
        packets = 0
        context = self._stream.codec_context
        self._container.seek(int(self._times[key]), stream=self._stream, backward=True)
        context.skip_frame = "NONREF"
        pictures: list[Any] = []
        with contextlib.suppress(av.error.InvalidDataError, av.error.EOFError):
            for packet in self._container.demux(self._stream):
                if packet.pts is None or packets == _FEW:
                    break
                if not packets and packet.pts != self._times[key]:
                    continue  # a demuxer may go back further than to the key picture
                packets += 1
                pictures += packet.decode()
            pictures += self._stream.decode(None)
        best = min(pictures, key=lambda p: abs(p.pts - target), default=None)
        if best is None or not self._times[first] <= best.pts <= self._times[last - 1]:
            return None
        return _image(best, self._size(width))

    def _size(self, width: int, *, whole: bool = False) -> tuple[int, int]:
        full_width, full_height = upright_size(self._prepared.info)
        if full_width <= width:
            return full_width, full_height
        height = full_height * width / full_width
        return (even(width), even(round(height))) if whole else (width, max(1, round(height)))

    def _read(self, frame: int, width: int, exact: bool) -> Image.Image:
        target = int(self._times[frame])
        best: Any = None
        # A demuxer may take a key picture shown after the wanted one, where decoding begins before it.
        for aim in (frame, frame - _REORDERED):
            for picture in self._decoded(int(self._times[max(0, aim)]), target, exact):
                if best is None or abs(picture.pts - target) < abs(best.pts - target):
                    best = picture
                if picture.pts >= target or not exact:
                    break
            if best is not None and (best.pts == target or not exact):
                break
        if best is None:
            raise FootageError(f"no frame near {frame} of {self._prepared.original} can be decoded")
        return _image(best, self._size(width))

    def _decoded(self, aim: int, target: int, exact: bool) -> Iterator[Any]:
        """The frames that come out on the way from the key picture at `aim` to `target`."""
        context = self._stream.codec_context
        self._container.seek(aim, stream=self._stream, backward=True)
        sent = False
        for packet in self._container.demux(self._stream):
            if packet.pts is None:
                break
            sent = packet.pts == target or not exact
            context.skip_frame = "DEFAULT" if sent else "NONREF"
            with contextlib.suppress(av.error.InvalidDataError):
                yield from packet.decode()
            alive()
            if sent:
                break
        # Draining brings out what the decoder holds back for reordering, without decoding more.
        with contextlib.suppress(av.error.InvalidDataError, av.error.EOFError):
            yield from self._stream.decode(None)

    def _read_slowly(self, frame: int, width: int) -> Image.Image:
        assert self._slow is not None
        for _, planes in self._slow.read([frame]):
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(planes), format="yuv420p")
            picture.colorspace = 1  # BT.709, as FrameReader delivers
            return _image(picture, self._size(width))
        raise FootageError(f"no frame near {frame} of {self._prepared.original} can be decoded")


def _key_frames(path: Path) -> npt.NDArray[np.int64]:
    """Numbers of the frames that can be decoded by themselves; none if the file's tables leave it open."""
    try:
        movie = read_movie(path)
        track = movie.of_kind(b"vide")[0]
        return np.flatnonzero(track.sync[shown_frames(track, movie).samples])
    except (FootageError, IndexError) as problem:
        disk = problem.__cause__
        if isinstance(disk, OSError):  # what is shown must depend on the tables only
            raise FootageError(
                f"{path} cannot be read any more ({disk.strerror}); ingest the fight again"
            ) from problem
        return np.zeros(0, np.int64)


def _image(picture: Any, size: tuple[int, int]) -> Image.Image:
    # Untagged material of standard definition is usually BT.601 (common practice).
    small = min(picture.width, picture.height) <= 576
    matrix = {1: "ITU709", 5: "ITU601", 6: "ITU601", 9: "BT2020"}.get(
        int(picture.colorspace), "ITU601" if small else "ITU709"
    )
    rgb = picture.reformat(
        width=size[0], height=size[1], format="rgb24", interpolation="AREA", src_colorspace=matrix
    )
    return Image.fromarray(rgb.to_ndarray())


def _jpeg(image: Image.Image) -> bytes:
    data = io.BytesIO()
    image.save(data, "JPEG", quality=_QUALITY)
    return data.getvalue()
