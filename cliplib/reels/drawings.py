"""Drawings on a picture: laid out in the reel's own pixels and drawn four times as large, then reduced, so
that edges are smooth and a line's middle is where it was drawn to well within a pixel."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from PIL import Image, ImageColor, ImageDraw

from cliplib.reels import lettering
from cliplib.reels.frame_shape import Frame
from cliplib.reels.parts import Drawing, Point
from cliplib.reels.typefaces import typeface

_FINE = 4
_HALO = (0, 0, 0, 150)


def drawing_overlays(drawings: Sequence[Drawing], frame: Frame) -> list[lettering.Overlay]:
    """One overlay for each drawing that falls inside the picture's box at all."""
    overlays = (_one(drawing, frame) for drawing in drawings)
    return [made for made in overlays if made is not None]


def _one(drawing: Drawing, frame: Frame) -> lettering.Overlay | None:
    points = [frame.place(point) for point in drawing.points]
    # A stroke keeps its width on screen; only places follow the zoom.
    width = max(1.5, drawing.width * frame.box.height)
    strokes, labels = _shape(drawing, points, width)
    reach = width * 5 + (frame.box.height * 0.12 if labels else 0)
    xs = [x for stroke in strokes for x, _ in stroke] + [x for _, x, _ in labels]
    ys = [y for stroke in strokes for _, y in stroke] + [y for _, _, y in labels]
    if labels:
        face = typeface(_letters(frame))
        xs += [x + face.getlength(text) for text, x, _ in labels]
    box = frame.box
    left = max(box.x, math.floor(min(xs) - reach) // 2 * 2)
    top = max(box.y, math.floor(min(ys) - reach) // 2 * 2)
    right = min(box.x + box.width, math.ceil(max(xs) + reach))
    bottom = min(box.y + box.height, math.ceil(max(ys) + reach))
    if right <= left or bottom <= top:
        return None
    image = Image.new("RGBA", (right - left, bottom - top), (0, 0, 0, 0))
    ink = ImageColor.getrgb(drawing.colour)[:3]
    for colour, extra in ((_HALO, width * 0.7), ((*ink, 255), 0.0)):
        mask = _mask(strokes, width + extra, (left, top), image.size)
        image.alpha_composite(_tinted(mask, colour))
    draw = ImageDraw.Draw(image)
    for text, x, y in labels:
        typeface(_letters(frame), bold=True).write(
            draw,
            (x - left, y - top),
            text,
            fill=(*ink, 255),
            stroke_width=max(1, round(_letters(frame) / 12)),
            stroke_fill=(0, 0, 0, 220),
        )
    return lettering.overlay(image, left, top)


def _letters(frame: Frame) -> int:
    return max(11, round(frame.box.height * 0.05))


def _tinted(mask: Image.Image, colour: tuple[int, int, int, int]) -> Image.Image:
    flat = Image.new("RGBA", mask.size, (*colour[:3], 255))
    flat.putalpha(mask.point(lambda value: value * colour[3] // 255))
    return flat


def _mask(
    strokes: Sequence[Sequence[Point]], width: float, corner: tuple[int, int], size: tuple[int, int]
) -> Image.Image:
    fine = Image.new("L", (size[0] * _FINE, size[1] * _FINE), 0)
    draw = ImageDraw.Draw(fine)
    half = width * _FINE / 2
    for stroke in strokes:
        # Pillow's coordinates name the middles of pixels, ours their left and upper edges.
        line = [((x - corner[0]) * _FINE - 0.5, (y - corner[1]) * _FINE - 0.5) for x, y in stroke]
        for (x0, y0), (x1, y1) in itertools.pairwise(line):
            length = math.hypot(x1 - x0, y1 - y0)
            if length:
                across, down = (y1 - y0) / length * half, (x0 - x1) / length * half
                draw.polygon(
                    [
                        (x0 + across, y0 + down),
                        (x1 + across, y1 + down),
                        (x1 - across, y1 - down),
                        (x0 - across, y0 - down),
                    ],
                    fill=255,
                )
        for x, y in line:
            draw.ellipse((x - half, y - half, x + half, y + half), fill=255)
    return fine.reduce(_FINE)


def _shape(
    drawing: Drawing, points: list[Point], width: float
) -> tuple[list[list[Point]], list[tuple[str, float, float]]]:
    """Strokes (rows of points) and labels (text, x, y of the lower left) of a drawing, in pixels."""
    kind = drawing.kind
    if kind == "text":
        return [], [(lettering.clean(drawing.text) or " ", *points[0])]
    if kind == "arrow":
        return _arrow(points[0], points[1], width), _label(drawing, points[1], width)
    if kind == "circle":
        radius = math.dist(points[0], points[1])
        return [_arc(points[0], radius, 0, 2 * math.pi)], _label(drawing, points[1], width)
    if kind == "box":
        (x0, y0), (x1, y1) = points
        return [[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]], _label(drawing, points[1], width)
    if kind == "angle":
        start, corner, end = points
        first = math.atan2(start[1] - corner[1], start[0] - corner[0])
        turn = (math.atan2(end[1] - corner[1], end[0] - corner[0]) - first + math.pi) % (
            2 * math.pi
        ) - math.pi
        radius = 0.3 * min(math.dist(start, corner), math.dist(end, corner))
        degrees = f"{round(math.degrees(abs(turn)))}°"
        middle = first + turn / 2
        at = (
            corner[0] + math.cos(middle) * radius * 1.6,
            corner[1] + math.sin(middle) * radius * 1.6,
        )
        return [[start, corner, end], _arc(corner, radius, first, turn)], [(degrees, *at)]
    return [points], _label(drawing, points[-1], width)


def _label(drawing: Drawing, at: Point, width: float) -> list[tuple[str, float, float]]:
    text = lettering.clean(drawing.text)
    return [(text, at[0] + 2 * width, at[1] - 2 * width)] if text else []


def _arrow(tail: Point, head: Point, width: float) -> list[list[Point]]:
    length = math.dist(tail, head)
    if length == 0:
        return [[tail, head]]
    barb = min(length * 0.5, width * 4)
    back = math.atan2(tail[1] - head[1], tail[0] - head[0])
    barbs = [
        (head[0] + math.cos(back + turn) * barb, head[1] + math.sin(back + turn) * barb)
        for turn in (-0.5, 0.5)
    ]
    return [[tail, head], [barbs[0], head, barbs[1]]]


def _arc(middle: Point, radius: float, first: float, turn: float) -> list[Point]:
    steps = max(8, math.ceil(abs(turn) * max(1.0, radius) / 3))
    return [
        (
            middle[0] + math.cos(first + turn * k / steps) * radius,
            middle[1] + math.sin(first + turn * k / steps) * radius,
        )
        for k in range(steps + 1)
    ]


def horizontal_share(first: Drawing, second: Drawing, measure: Drawing, aspect: float) -> float:
    """How far the middles of two drawn lines lie apart from left to right, as a share of a third line's
    length: the fighter's stance width or height as it is in the picture. `aspect`: the picture's width /
    height.

    A measure of the picture, not metres: it says nothing of depth. ValueError if the third has no length.
    """
    (x0, y0), (x1, y1) = measure.points[0], measure.points[-1]
    length = math.hypot((x1 - x0) * aspect, y1 - y0)
    if length == 0:
        raise ValueError(
            "the line to measure by has no length; draw it along the stance or the fighter's height"
        )

    def middle(drawing: Drawing) -> float:
        return sum(x for x, _ in drawing.points) / len(drawing.points)

    return abs(middle(second) - middle(first)) * aspect / length
