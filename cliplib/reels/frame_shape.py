"""Where a picture lies in a reel's frame, and where a place in the picture comes to lie. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from cliplib.media.frames import even


@dataclass(frozen=True, slots=True)
class Box:
    """Whole pixels of the reel's frame; every number is even, as 4:2:0 asks."""

    x: int
    y: int
    width: int
    height: int

    def as_tuple(self) -> tuple[int, int, int, int]:
        return self.x, self.y, self.width, self.height


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A part of a picture, in shares of its width and height."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Frame:
    """How a picture is shown: `seen` of it, in `box`, mirrored or not."""

    box: Box
    seen: Rectangle
    mirror: bool

    def place(self, point: tuple[float, float]) -> tuple[float, float]:
        """Pixels of the reel's frame (0 is the left edge of the first) from shares of the filmed picture."""
        across = (point[0] - self.seen.x) / self.seen.width
        down = (point[1] - self.seen.y) / self.seen.height
        if self.mirror:
            across = 1 - across
        return self.box.x + across * self.box.width, self.box.y + down * self.box.height


def whole() -> Rectangle:
    return Rectangle(0.0, 0.0, 1.0, 1.0)


def fit(size: tuple[int, int], canvas: tuple[int, int]) -> Box:
    """The largest box of the picture's shape in the middle of the canvas: bars, never stretching."""
    scale = min(Fraction(canvas[0], size[0]), Fraction(canvas[1], size[1]))
    width, height = (min(even(length * scale), whole_) for length, whole_ in zip(size, canvas, strict=True))
    return Box((canvas[0] - width) // 4 * 2, (canvas[1] - height) // 4 * 2, width, height)


def region(wanted: tuple[float, float, float, float]) -> Rectangle:
    """`wanted` (x, y, width, height in shares) widened to the picture's shape about its middle, moved inside.

    In shares of width and height a rectangle of the picture's own shape is a square.
    """
    x, y, width, height = wanted
    side = min(1.0, max(width, height, 0.05))
    middle = x + width / 2, y + height / 2
    corner = [min(max(0.0, m - side / 2), 1.0 - side) for m in middle]
    return Rectangle(corner[0], corner[1], side, side)


def zoom_between(far: Rectangle, near: Rectangle, amount: float) -> Rectangle:
    """`far` at 0, `near` at 1; exactly so at both ends."""
    if amount <= 0:
        return far
    if amount >= 1:
        return near
    mixed = [
        a + (b - a) * amount
        for a, b in ((far.x, near.x), (far.y, near.y), (far.width, near.width), (far.height, near.height))
    ]
    return Rectangle(*mixed)
