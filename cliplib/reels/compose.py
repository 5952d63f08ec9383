"""One picture of a film: a clip, or two beside each other, as it is seen, with what is drawn and written on
it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from cliplib.media.frames import Picture
from cliplib.reels import lettering
from cliplib.reels.drawings import drawing_overlays
from cliplib.reels.frame_shape import Box, Frame, Rectangle, fit, whole
from cliplib.reels.parts import Drawing

GAP = 4  # pixels between two pictures


@dataclass(frozen=True, slots=True)
class View:
    """How one clip is seen at a moment: `seen` of the upright picture."""

    seen: Rectangle
    mirror: bool = False
    drawings: tuple[Drawing, ...] = ()


def boxes_for(sizes: Sequence[tuple[int, int]], canvas: tuple[int, int]) -> list[Box]:
    """Where one or two pictures of these sizes lie: beside each other, or one above the other where the
    canvas is upright."""
    if len(sizes) == 1:
        return [fit(sizes[0], canvas)]
    width, height = canvas
    wide = width >= height
    half = ((width - GAP) // 4 * 2, height) if wide else (width, (height - GAP) // 4 * 2)
    shift = (width - half[0], 0) if wide else (0, height - half[1])
    first, second = (fit(size, half) for size in sizes)
    moved = Box(second.x + shift[0] // 2 * 2, second.y + shift[1] // 2 * 2, second.width, second.height)
    return [first, moved]


class Composer:
    """Puts pictures together, one after the other; a picture that is as the one before is that very array.

    `signs`: what is written on all of them; `mark`: what is written on those from now on.
    """

    def __init__(
        self, canvas: tuple[int, int], boxes: Sequence[Box], signs: Sequence[lettering.Overlay] = ()
    ):
        self._boxes, self._signs = boxes, signs
        self.mark: lettering.Overlay | None = None
        self._composed = lettering.blank(*canvas)
        self._last: tuple[object, ...] = ()
        # One set of drawings lasts for many frames; it is drawn once.
        self._drawn: dict[tuple[int, View], list[lettering.Overlay]] = {}

    def compose(self, pictures: Sequence[Picture], views: Sequence[View], numbers: Sequence[int]) -> Picture:
        """`numbers`: what tells the pictures apart: their frames."""
        state = (*numbers, *views, id(self.mark))
        if state == self._last:
            return self._composed
        self._last = state
        self._composed = self._composed.copy()
        for place, (picture, view) in enumerate(zip(pictures, views, strict=True)):
            frame = Frame(self._boxes[place], view.seen, view.mirror)
            _place(picture, self._composed, frame)
            for overlay in self._overlays(place, view, frame):
                overlay.onto(self._composed)
        for sign in (*self._signs, *([self.mark] if self.mark else [])):
            sign.onto(self._composed)
        return self._composed

    def _overlays(self, place: int, view: View, frame: Frame) -> list[lettering.Overlay]:
        if not view.drawings:
            return []
        if (place, view) not in self._drawn:
            if len(self._drawn) > 4:
                self._drawn.clear()
            self._drawn[place, view] = drawing_overlays(view.drawings, frame)
        return self._drawn[place, view]


def _place(source: Picture, canvas: Picture, frame: Frame) -> None:
    """The part of `source` that is seen, mirrored if so wished, into the box on the canvas."""
    box = frame.box
    for number, (there, here) in enumerate(
        zip(lettering.planes(source), lettering.planes(canvas), strict=True)
    ):
        half = 1 if number == 0 else 2
        x, y, width, height = box.x // half, box.y // half, box.width // half, box.height // half
        if there.shape != (height, width) or frame.seen != whole():
            tall, wide = there.shape
            left, top = frame.seen.x * wide, frame.seen.y * tall
            across, down = frame.seen.width * wide, frame.seen.height * tall
            if half == 2:  # a chroma sample lies a quarter of its width left of its middle, before and after
                left = min(max(0.0, left + (1 - across / width) / 4), wide - across)
            cut = (left, top, left + across, top + down)
            image = Image.fromarray(there).resize((width, height), Image.Resampling.BICUBIC, box=cut)
            there = np.asarray(image)
        area = here[y : y + height, x : x + width]
        area[...] = there[:, ::-1] if frame.mirror else there
        if frame.mirror and half == 2:
            # Turned round, samples lie at the odd columns; the means of neighbours, at the even ones.
            area[:, 1:] = ((area[:, 1:].astype(np.uint16) + area[:, :-1] + 1) >> 1).astype(np.uint8)
