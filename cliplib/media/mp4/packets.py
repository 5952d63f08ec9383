"""One pass over a footage file's video packets: when each shown picture is shown, and how its groups begin.

No picture is decoded but the first, to see that it can be and what it says of itself.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from cliplib.core.errors import FootageError
from cliplib.core.progress import Progress
from cliplib.media.mp4.reading import MOST_SAMPLES

MOST_SIDE = 8192
_BATCH = 4096


@dataclass(frozen=True, slots=True, eq=False)
class Packets:
    """`pts`: of the shown pictures, ticks, ascending and distinct. `last_duration`: ticks, 0 if not stated.
    `open_group`: a key picture of H.264 is no IDR picture. `picture`: the first decoded frame."""

    pts: npt.NDArray[np.int64]
    last_duration: int
    open_group: bool
    picture: Any


def video_stream(path: Path, container: Any) -> Any:
    """The first stream of moving pictures; a cover picture is none. Raises FootageError."""
    stream = next((s for s in container.streams.video if not _is_cover(s)), None)
    if stream is None:
        what = "only sound" if container.streams.audio else "no moving picture"
        raise FootageError(f"{path} holds {what}; give the video file of the fight")
    context = stream.codec_context
    if context is None:
        raise FootageError(f"{path} is in a video codec unknown here; convert it to H.264 first")
    if context.width <= 0 or context.height <= 0:
        raise FootageError(f"{path} holds no picture that can be read; play it to see whether it is whole")
    if max(context.width, context.height) > MOST_SIDE:
        raise FootageError(
            f"{path} says its picture is {context.width} x {context.height}; at most {MOST_SIDE} pixels "
            "a side are taken: scale it down first"
        )
    return stream


def _is_cover(stream: Any) -> bool:
    return bool(stream.disposition & av.stream.Disposition.attached_pic)


def read_packets(path: Path, container: Any, stream: Any, size: int, progress: Progress) -> Packets:  # noqa: C901 - one pass over a file
    """Raises FootageError when there is no picture to show; libav's own errors pass through."""
    for other in container.streams:
        if other.index != stream.index:
            other.discard = av.stream.Discard.all
    stream.codec_context.thread_count = 1  # for one picture, starting threads costs more than they save
    is_idr = _IdrTest(stream)
    times: list[tuple[int, int]] = []  # presentation, duration
    first_key: int | None = None
    picture, open_group, count = None, False, 0
    for packet in container.demux(stream):
        if picture is None:
            picture = _decoded(packet)
        if packet.size == 0:
            continue
        count += 1
        if count > MOST_SAMPLES:
            raise FootageError(f"{path} has more than {MOST_SAMPLES} frames; cut it into single fights first")
        if count % _BATCH == 0:
            progress("reading footage", min(max(0, packet.pos or 0), size), size)
        presented = packet.dts if packet.pts is None else packet.pts
        if presented is None:
            raise FootageError(
                f"{path} does not say when its frame {len(times)} is shown; convert it to MP4 first"
            )
        if packet.is_keyframe:
            open_group = open_group or not is_idr(packet)
            if first_key is None:
                # In a recording that begins in the middle of a group, what came so far cannot be decoded.
                first_key, times = presented, []
        if not packet.is_discard:
            times.append((presented, packet.duration or 0))
    if not times or picture is None:
        raise FootageError(
            f"{path} holds no picture that can be decoded; play it to see whether it is whole, "
            "and copy or convert it again"
        )
    pts, last_duration = _in_order(path, times, first_key)
    return Packets(pts, last_duration, open_group, picture)


def _decoded(packet: Any) -> Any:
    """The first frame that comes out, or None. Packets before the first key picture fail to decode."""
    with contextlib.suppress(av.error.FFmpegError):
        for frame in packet.decode():
            return frame
    return None


def _in_order(
    path: Path, times: list[tuple[int, int]], first_key: int | None
) -> tuple[npt.NDArray[np.int64], int]:
    if max(t for t, _ in times) - min(t for t, _ in times) >= 1 << 53:
        raise FootageError(f"{path} has damaged timestamps; convert it, which writes them anew")
    table = np.array(times, dtype=np.int64)
    if first_key is not None:
        # Leading pictures of the very first group refer to pictures that aren't there.
        table = table[table[:, 0] >= first_key]
    order = np.argsort(table[:, 0], kind="stable")
    steps = np.arange(len(order))
    # Two frames at one time are told apart by a tick, as ffmpeg does when it writes such a file.
    pts = np.maximum.accumulate(table[order, 0] - steps) + steps
    return pts, int(table[order[-1], 1])


class _IdrTest:
    """Whether a key packet of H.264 holds an IDR picture (ISO/IEC 14496-10: NAL unit type 5).

    Packets are NAL units with their lengths before them where the extradata is an avcC record
    (ISO/IEC 14496-15), else with start codes (Annex B). Packets of other codecs pass.
    """

    def __init__(self, stream: Any):
        self._applies = stream.codec_context.codec.canonical_name == "h264"
        extradata = stream.codec_context.extradata or b""
        self._length = (extradata[4] & 3) + 1 if len(extradata) > 6 and extradata[0] == 1 else 0

    def __call__(self, packet: Any) -> bool:
        if not self._applies:
            return True
        data = bytes(packet)
        return 5 in (_sized(data, self._length) if self._length else _start_coded(data))


def _sized(data: bytes, length_size: int) -> set[int]:
    kinds, at = set(), 0
    while at + length_size < len(data):
        length = int.from_bytes(data[at : at + length_size], "big")
        at += length_size
        kinds.add(data[at] & 31)
        at += length
    return kinds


def _start_coded(data: bytes) -> set[int]:
    kinds, at = set(), data.find(b"\0\0\1")
    while 0 <= at < len(data) - 3:
        kind = data[at + 3] & 31
        kinds.add(kind)
        if kind in (1, 5):  # the picture itself; parameter sets and messages come before it
            break
        at = data.find(b"\0\0\1", at + 3)
    return kinds
