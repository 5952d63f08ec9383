"""Parts of reels out of numbered test footage, and what a reel of them should show."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

from cliplib.media.probe import probe
from cliplib.media.working import Prepared
from cliplib.reels.parts import ReelPart, ReelSettings
from cliplib.reels.plan import plan_reel
from fixtures import framecode
from tests.media import footage

SMALL = ReelSettings(size=(footage.WIDTH, footage.HEIGHT), rate=Fraction(25), cards=False)


@functools.cache
def source(kind: str) -> Prepared:
    return source_of(footage.make(kind).path)


def source_of(path: Path) -> Prepared:
    found = probe(path)
    return Prepared(path, None, found.info, found.timeline, "")


def part(kind: str, first: int, last: int, **more: object) -> ReelPart:
    return ReelPart(source(kind), first, last, title=f"{kind} {first}", **more)  # type: ignore[arg-type]


def planned_numbers(
    parts: Sequence[ReelPart], kinds: Sequence[str], settings: ReelSettings
) -> list[int | None]:
    """The number each frame of the reel should show by its plan; None for cards."""
    numbers: list[int | None] = []
    for planned in plan_reel(parts, settings).parts:
        if planned.clip is None:
            numbers += [None] * planned.frames
        else:
            first = footage.make(kinds[planned.clip]).first
            numbers += [first + frame for shot in planned.shots for frame in shot.frames]
    return numbers


def pictures(path: Path) -> list[npt.NDArray[np.uint8]]:
    """Every frame that a decoder shows, as RGB, shape (height, width, 3)."""
    with av.open(str(path)) as container:
        return [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]


def read_scaled(picture: npt.NDArray[np.uint8], x: float, y: float, scale: float) -> int | None:
    """The number in a picture that lies at (x, y), scaled by `scale`."""
    return framecode.read(
        picture,
        x + footage.CODE_X * scale,
        y + footage.CODE_Y * scale,
        framecode.CELL * scale,
    )
