"""Where a broadcast shows its clock: a time that is read at one place on several pictures, and differs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cliplib.watching.reading import Line, Reader
from cliplib.watching.seen import Place

TIME = re.compile(r"(?<!\d)(\d{1,2})\s?[:.;]\s?(\d\d)(?!\d)")
PICTURES = 16
_TOP, _BOTTOM = 0.24, 0.26  # of the height: where a clock is looked for
_NEAR = 0.019  # of the width: 24 pixels of 1280
_LEAST = 3  # pictures, and different readings
_SIDE, _OVER = 0.25, 0.15  # of the line's height, left round it


@dataclass(frozen=True, slots=True)
class _Found:
    text: str
    box: npt.NDArray[np.float64]


def find(pictures: Iterable[npt.NDArray[np.uint8]], reader: Reader) -> Place | None:
    """The clock's place on grey pictures of one size, spread over the film; None if there is no clock."""
    found: list[list[_Found]] = []
    size = (1.0, 1.0)
    for picture in pictures:
        h, w = picture.shape
        size = (float(w), float(h))
        top, bottom = round(_TOP * h), round((1 - _BOTTOM) * h)
        seen = _times(reader.lines(picture[:top]), 0) + _times(reader.lines(picture[bottom:]), bottom)
        found.append(seen)
    return _agreed(found, size)


def _times(lines: Sequence[Line], down: int) -> list[_Found]:
    made = []
    for line in lines:
        match = TIME.search(line.text)
        if match is None or int(match[2]) > 59:
            continue
        x0, y0, x1, y1 = line.box
        # Where a line holds more than the time, its letters are taken to be of one width.
        width = (x1 - x0) / len(line.text)
        box = np.array([x0 + match.start() * width, y0 + down, x0 + match.end() * width, y1 + down])
        made.append(_Found(f"{match[1]}:{match[2]}", box))
    return made


def _agreed(found: list[list[_Found]], size: tuple[float, float]) -> Place | None:
    w, h = size
    best: list[_Found] = []
    for one in (f for seen in found for f in seen):
        # The right edge, as a ten more or less moves the left one.
        near = [
            next((f for f in seen if np.abs(f.box[[1, 2]] - one.box[[1, 2]]).max() <= _NEAR * w), None)
            for seen in found
        ]
        group = [f for f in near if f is not None]
        if len(group) > len(best) and len({f.text for f in group}) >= _LEAST:
            best = group
    if len(best) < _LEAST:
        return None
    x0, y0, x1, y1 = np.median([f.box for f in best], axis=0)
    x0 = float(np.percentile([f.box[0] for f in best], 25))
    high = y1 - y0
    line = (x0 - _SIDE * high, y0 - _OVER * high, x1 + _SIDE * high, y1 + _OVER * high)
    around = (x0 - 2.2 * high, y0 - 1.1 * high, x1 + 2.2 * high, y1 + 1.1 * high)
    shares = np.array([w, h, w, h])
    boxes = [np.clip(np.array(box) / shares, 0, 1).tolist() for box in (line, around)]
    return Place((*boxes[0],), (*boxes[1],))
