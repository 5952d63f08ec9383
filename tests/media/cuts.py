"""What the tests of cutting share: prepared footage, and what two independent decoders see in a clip."""

from __future__ import annotations

import dataclasses
import functools
import random
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

from cliplib.media.probe import probe
from cliplib.media.working import Prepared, prepare
from fixtures import framecode
from tests.media import footage

SLICED = (
    "closed gop",
    "ntsc",
    "film",
    "ten second gop",
    "mono",
    "surround",
    "silent",
    "two tracks",
    "quicktime",
    "all intra",
    "edit list",
    "late video",
    "variable rate",
    "anamorphic",
)
"""Footage that is sliced as it is."""
PREPARED = (
    "mpegts",
    "mpegts wrap",
    "matroska",
    "matroska ntsc",
    "fragmented",
    "open gop",
    "mpegts from the middle",
    "hevc",
    "mpeg4 avi",
    "mpeg2",
    "interlaced",
    "rotated",
    "ten bit",
)
"""Footage that is copied or decoded once first."""


@functools.cache
def prepared(kind: str, *, sliced: bool = True) -> Prepared:
    """`sliced=False`: as if no working copy could be made, so that each clip is encoded."""
    found = probe(footage.make(kind).path)
    if not sliced:
        return Prepared(found.path, None, found.info, found.timeline, "no working copy could be made")
    return prepare(found, footage.cache() / "working")


def spans(frames: int, seed: str, more: int = 3) -> list[tuple[int, int]]:
    """The whole, first and last frame alone, and random ones."""
    chosen = random.Random(seed)
    found = [(0, frames), (0, 1), (frames - 1, frames)]
    for _ in range(more):
        first, last = sorted(chosen.sample(range(frames + 1), 2))
        found.append((first, last))
    return found


Luma = npt.NDArray[np.uint8]


def lumas(path: Path) -> list[Luma]:
    """The luma of each frame that PyAV shows, shape (height, width)."""
    with av.open(str(path)) as container:
        return [frame.to_ndarray()[: frame.height].copy() for frame in container.decode(video=0)]


def numbers(path: Path, cell: float = framecode.CELL) -> list[int | None]:
    """As footage.numbers, by PyAV instead of the ffmpeg binary."""
    x = footage.CODE_X * cell / framecode.CELL
    return [framecode.read(luma, x, footage.CODE_Y, cell) for luma in lumas(path)]


@functools.cache
def source_clicks(path: Path, track: int = 0) -> list[float]:
    return footage.clicks(path, track)


def sound_offset(
    kind: str, first: int, last: int, clip: Path, track: int = 0, source: Path | None = None
) -> float:
    """The largest distance, in seconds, of a click in the clip from where the source has it.

    `source`: the file to compare with, if it is not the footage. Clicks within 20 ms of the ends are left
    out, as they may be cut in two. Raises AssertionError when a click is missing.
    """
    timeline = prepared(kind).timeline
    begin, end = float(timeline.time_of(first)), float(timeline.time_of(last))
    wanted = [
        t - begin
        for t in source_clicks(source or footage.make(kind).path, track)
        if begin + 0.02 < t < end - 0.02
    ]
    if not wanted:
        return 0.0
    heard = footage.clicks(clip, track)
    offsets = [min(abs(t - h) for h in heard) for t in wanted]
    assert max(offsets) < 0.5, f"a click is missing: {wanted} against {heard}"
    return max(offsets)


def without_copy(made: Prepared) -> Prepared:
    return dataclasses.replace(made, sliced=None)


def prepare_file(path: Path, folder: Path, *, as_it_is: bool = False) -> Prepared:
    """`as_it_is`: sliced although it would be copied first."""
    found = probe(path)
    if as_it_is:
        return Prepared(path, path, found.info, found.timeline, "")
    return prepare(found, folder / "working")
