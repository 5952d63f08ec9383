"""Text and shapes as pictures, laid over pictures. Drawn by Pillow, never by a filter's expression parser, so
that no character in a name can mean anything but itself."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from cliplib.media.frames import Picture
from cliplib.reels.typefaces import Typeface, typeface

INK = (255, 255, 255)
QUIET = (200, 204, 210)
PAPER = (16, 20, 26)
ACCENT = (255, 212, 0)
BOX_OPACITY = 0.8
_MOST_OF_HEIGHT = 0.28


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """A picture with transparency, in a reel's own colours, ready to be laid on at an even place.

    `inverse` and `premixed` hold, for luma and the two chroma planes, 256 - alpha and colour * alpha + 128.
    """

    x: int
    y: int
    inverse: tuple[npt.NDArray[np.uint16], ...]
    premixed: tuple[npt.NDArray[np.uint16], ...]

    def onto(self, picture: Picture) -> None:
        """Lay it on `picture`, in place."""
        for number, plane in enumerate(planes(picture)):
            x, y = (self.x, self.y) if number == 0 else (self.x // 2, self.y // 2)
            inverse = self.inverse[min(number, 1)]
            area = plane[y : y + inverse.shape[0], x : x + inverse.shape[1]]
            mixed = area * inverse
            mixed += self.premixed[number]
            area[...] = mixed >> 8


def planes(picture: Picture) -> tuple[Picture, Picture, Picture]:
    """Views of a picture's luma and chroma: shapes (h, w), (h/2, w/2), (h/2, w/2)."""
    height, width = picture.shape[0] * 2 // 3, picture.shape[1]
    chroma = picture.reshape(-1)[height * width :]
    half = (height // 2) * (width // 2)
    shape = (height // 2, width // 2)
    return picture[:height], chroma[:half].reshape(shape), chroma[half:].reshape(shape)


def blank(width: int, height: int, colour: tuple[int, int, int] = (0, 0, 0)) -> Picture:
    picture = np.empty((height * 3 // 2, width), dtype=np.uint8)
    for plane, value in zip(planes(picture), _ycc(np.array(colour, dtype=np.float64)), strict=True):
        plane[...] = round(float(value))
    return picture


def _ycc(rgb: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """BT.709, video range, from RGB of 0 to 255 in the last axis (Rec. ITU-R BT.709-6, items 3.2 to 3.4)."""
    red, green, blue = (rgb[..., i] / 255 for i in range(3))
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return np.stack(
        [
            16 + 219 * luma,
            128 + 224 * (blue - luma) / 1.8556,
            128 + 224 * (red - luma) / 1.5748,
        ],
        axis=0,
    )


def overlay(image: Image.Image, x: int, y: int) -> Overlay:
    """From an RGBA image whose upper left corner goes to (x, y), moved to even places and sizes as need
    be."""
    left, top = x % 2, y % 2
    rgba = np.asarray(image.convert("RGBA"), dtype=np.float64)
    padding = ((top, (top + rgba.shape[0]) % 2), (left, (left + rgba.shape[1]) % 2), (0, 0))
    rgba = np.pad(rgba, padding)
    alpha = rgba[..., 3] * (256 / 255)
    luma, blue, red = _ycc(rgba[..., :3])
    small = _halved(alpha)
    mixed = [luma * alpha] + [_halved(c * alpha) for c in (blue, red)]
    return Overlay(
        x - left,
        y - top,
        tuple((256 - np.rint(a)).astype(np.uint16) for a in (alpha, small)),
        tuple(np.minimum(np.rint(m) + 128, 65535).astype(np.uint16) for m in mixed),
    )


def _halved(plane: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """A chroma plane of 4:2:0: its samples lie at the even columns and between two rows, as decoders take it
    where nothing else is said (Rec. ITU-T H.264, annex E, chroma_sample_loc_type 0)."""
    rows = (plane[0::2] + plane[1::2]) / 2
    left = np.pad(rows, ((0, 0), (1, 0)))[:, :-1]
    return left[:, 0::2] / 4 + rows[:, 0::2] / 2 + rows[:, 1::2] / 4


# --- text -------------------------------------------------------------------------------------------------


def clean(text: str) -> str:
    """One line of text that can be drawn: control characters and runs of white space become one space."""
    joiners = "\u200c\u200d"
    kept = "".join(
        c if c in joiners or not unicodedata.category(c).startswith("C") else " "
        for c in unicodedata.normalize("NFC", text)
    )
    return " ".join(kept.split())


def wrap(text: str, face: Typeface, width: int, most: int) -> list[str]:
    """At most `most` lines no wider than `width` pixels; what doesn't fit ends in an ellipsis."""
    lines: list[str] = []
    rest = text.split()
    while rest and len(lines) < most:
        line = rest.pop(0)
        while rest and face.getlength(f"{line} {rest[0]}") <= width:
            line = f"{line} {rest.pop(0)}"
        if face.getlength(line) > width:
            fits = _fitting(line, face, width)
            rest.insert(0, line[fits:])
            line = line[:fits]
        lines.append(line)
    if rest and lines:
        line = f"{lines[-1]} {rest[0]}"
        while line and face.getlength(line + "…") > width:
            line = line[:-1]
        lines[-1] = line.rstrip(" ,·") + "…"
    return lines


def _fitting(word: str, face: Typeface, width: int) -> int:
    count = 1
    while count < len(word) and face.getlength(word[: count + 1]) <= width:
        count += 1
    return count


def caption(
    lines: tuple[str, ...], canvas: tuple[int, int], box: tuple[int, int, int, int]
) -> Overlay | None:
    """A caption at the lower left of `box` (x, y, width, height: where the picture is), or beneath it where
    the bar is tall enough. The first line is bold; each line may run over into a second."""
    texts = [text for text in map(clean, lines) if text]
    if not texts:
        return None
    width, height = canvas
    scale = min(height, width * 9 // 16) if width > height else width * 3 // 4
    if box[2] * 2 <= width:  # one of two pictures beside each other: smaller, so that it fits beneath
        scale = scale * 3 // 4
    size = max(11, round(scale * 0.036))
    pad, gap, margin = round(size * 0.55), round(size * 0.3), round(scale * 0.035)
    room = box[2] - 2 * margin - 2 * pad
    step = round(size * 1.22)
    set_lines: list[tuple[str, Typeface, tuple[int, int, int]]] = []
    wide = tall = 0
    # In a small picture letters cannot shrink further, so there are fewer: they must not hide the fight.
    for most, said in ((2, texts[:3]), (1, texts[:2]), (1, texts[:1])):
        set_lines = []
        for number, text in enumerate(said):
            face = typeface(size, bold=number == 0)
            set_lines += [
                (line, face, INK if number == 0 else QUIET) for line in wrap(text, face, room, most)
            ]
        wide = max(math.ceil(face.getlength(line)) for line, face, _ in set_lines) + 2 * pad
        tall = step * len(set_lines) + 2 * pad + gap * (len(set_lines) > 1) - (step - size)
        if tall <= height * _MOST_OF_HEIGHT:
            break
    image = Image.new("RGBA", (wide, tall), (*PAPER, round(255 * BOX_OPACITY)))
    draw = ImageDraw.Draw(image)
    down = pad + round(size * 0.87)
    for number, (line, face, colour) in enumerate(set_lines):
        face.write(draw, (pad, down), line, fill=(*colour, 255))
        down += step + (gap if number == 0 else 0)
    beneath = height - (box[1] + box[3])
    y = box[1] + box[3] + margin if beneath >= tall + 2 * margin else box[1] + box[3] - margin - tall
    return overlay(image, box[0] + margin, max(0, y))


_SPEEDS = {Fraction(1, 2): "½", Fraction(1, 4): "¼", Fraction(3, 4): "¾", Fraction(1, 3): "⅓"}


def number_badge(number: int, box: tuple[int, int, int, int]) -> Overlay:
    """The example's number, at the upper right of the picture."""
    return _badge(str(number), box, 0.055, 0)


def speed_badge(speed: Fraction, box: tuple[int, int, int, int], *, beneath: bool = False) -> Overlay:
    """That film runs slower than it was filmed, at the upper right; `beneath` the number, if there is one."""
    text = _SPEEDS.get(speed) or f"{float(speed):.2g}"
    return _badge(f"{text} speed", box, 0.04, round(max(14, min(box[2:]) * 0.055) * 1.9) if beneath else 0)


def _badge(text: str, box: tuple[int, int, int, int], share: float, down: int) -> Overlay:
    """`share` of the picture's height that the letters have; `down`: so many pixels lower."""
    scale = min(box[2:])
    size = max(14, round(scale * share))
    face = typeface(size, bold=True)
    wide, tall = round(face.getlength(text)) + size, round(size * 1.6)
    image = Image.new("RGBA", (wide, tall), (*PAPER, round(255 * BOX_OPACITY)))
    ImageDraw.Draw(image).text((wide / 2, tall / 2), text, font=face.plain, fill=(*ACCENT, 255), anchor="mm")
    margin = round(scale * 0.035)
    return overlay(image, box[0] + box[2] - margin - wide, box[1] + margin + down)


def card(kind: str, lines: tuple[str, ...], canvas: tuple[int, int]) -> Picture:
    """A whole picture of text: the heading large, the rest beneath it, in the middle of the height."""
    width, height = canvas
    picture = blank(width, height, PAPER)
    scale = min(width * 10 // 16, height)
    head, body = max(14, round(scale * 0.085)), max(11, round(scale * (0.042 if kind == "end" else 0.048)))
    left = round(width * 0.09)
    room = width - 2 * left
    laid: list[tuple[str, int, bool, int]] = []  # text, size, bold, space above
    for number, text in enumerate(text for text in map(clean, lines) if text):
        size = head if number == 0 else body
        for count, line in enumerate(wrap(text, typeface(size, number == 0), room, 3 if number == 0 else 4)):
            above = round(size * 0.25) if count else round(size * (1.1 if number else 0))
            laid.append((line, size, number == 0, above))
    tall = sum(size + above for _, size, _, above in laid)
    image = Image.new("RGBA", (width, height), (0, 0, 0, 0))
    draw = ImageDraw.Draw(image)
    down = max(round(height * 0.06), (height - tall) // 2)
    draw.rectangle((left, down - head * 0.8, left + head * 1.6, down - head * 0.68), fill=(*ACCENT, 255))
    for text, size, bold, above in laid:
        down += above + size
        colour = INK if bold else QUIET
        typeface(size, bold).write(draw, (left, down), text, fill=(*colour, 255))
    overlay(image, 0, 0).onto(picture)
    return picture
