"""MP4 files that are wrong in one place or some, and well-formed everywhere else (ISO/IEC 14496-12).

A random byte is mostly refused at the first check. Here a file's boxes are known: counts, values and sizes of
every table are changed, boxes are put into one another, doubled, emptied, renamed, and the boxes around them
are made to fit, or not.
"""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass, field

HOLD = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts", b"dinf", b"udta", b"mvex")
"""Boxes that consist of boxes."""

# Bytes before a table's first line (after version and flags), and of a line.
TABLES = {
    b"stts": (4, 8), b"ctts": (4, 8), b"stss": (4, 4), b"stsc": (4, 12), b"stsz": (8, 4), b"stco": (4, 4),
    b"co64": (4, 8), b"elst": (4, 12), b"sbgp": (8, 8),
}  # fmt: skip
NUMBERS = (
    0, 1, 2, 3, 7, 0x7F, 0x80, 0xFF, 0x100, 0x7FFF, 0x8000, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0x80000001,
    0xFFFFFFFE, 0xFFFFFFFF,
)  # fmt: skip


@dataclass
class Box:
    """`body`: what it holds, if it holds no boxes; `claims`: a length that it gives instead of its own."""

    kind: bytes
    body: bytearray = field(default_factory=bytearray)
    inside: list[Box] | None = None
    claims: int | None = None

    def packed(self) -> bytes:
        body = bytes(self.body) if self.inside is None else b"".join(box.packed() for box in self.inside)
        length = len(body) + 8 if self.claims is None else self.claims
        return struct.pack(">I4s", length & 0xFFFFFFFF, self.kind) + body


def parse(data: bytes, most: int = 400) -> list[Box]:
    """The boxes of a file; what does not add up becomes the body of the last one."""
    found: list[Box] = []
    at = 0
    while at + 8 <= len(data) and len(found) < most:
        length, kind = struct.unpack_from(">I4s", data, at)
        head = 8
        if length == 1 and at + 16 <= len(data):
            length, head = struct.unpack_from(">Q", data, at + 8)[0], 16
        end = at + length if length >= head and at + length <= len(data) else len(data)
        body = data[at + head : end]
        found.append(Box(kind, bytearray(body), parse(body) if kind in HOLD else None))
        at = end
    return found


def all_of(boxes: list[Box]) -> list[tuple[list[Box], Box]]:
    """(its neighbours, the box) of every box, at any depth."""
    found = []
    for box in boxes:
        found.append((boxes, box))
        if box.inside is not None:
            found += all_of(box.inside)
    return found


def mutated(rng: random.Random, data: bytes) -> bytes:
    """The same film with one to four things wrong in its index."""
    boxes = parse(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        places = [place for place in all_of(boxes) if place[1].kind != b"mdat"]
        if not places:
            break
        tables = [place for place in places if place[1].kind in TABLES]
        change = rng.choice((_value, _value, _value, _count, _count, _header, _structure, _length))
        change(rng, *rng.choice(tables if tables and change in (_value, _count) else places), boxes)
    return b"".join(box.packed() for box in boxes)


def _value(rng: random.Random, _: list[Box], box: Box, boxes: list[Box]) -> None:
    """A number of a line, or of every line."""
    del boxes
    first, line = TABLES.get(box.kind, (0, 4))
    lines = max(1, (len(box.body) - 4 - first) // line)
    number = rng.choice((*NUMBERS, rng.getrandbits(32)))
    column = rng.randrange(max(1, line // 4)) * 4
    for index in range(lines) if rng.random() < 0.1 else [rng.randrange(lines)]:
        at = 4 + first + index * line + column
        box.body[at : at + 4] = struct.pack(">I", number)


def _count(rng: random.Random, _: list[Box], box: Box, boxes: list[Box]) -> None:
    """How many lines there are: a lie, or lines made to fit."""
    del boxes
    first, line = TABLES.get(box.kind, (0, 4))
    at = 4 + first - 4
    number = rng.choice((*NUMBERS, rng.getrandbits(24)))
    if rng.random() < 0.4:
        lines = bytes(box.body[4 + first :]) or bytes(line)
        number = min(number, rng.choice((10, 1000, 60_000)))
        box.body[4 + first :] = (lines * (number * line // len(lines) + 1))[: number * line]
    box.body[at : at + 4] = struct.pack(">I", number)


def _header(rng: random.Random, _: list[Box], box: Box, boxes: list[Box]) -> None:
    """Version, flags or any four bytes of a box."""
    del boxes
    if rng.random() < 0.3:
        box.body[0:1] = bytes([rng.choice((0, 1, 2, 255))])
    else:
        at = rng.randrange(len(box.body) + 1)
        box.body[at : at + 4] = struct.pack(">I", rng.choice(NUMBERS))


def _structure(rng: random.Random, beside: list[Box], box: Box, boxes: list[Box]) -> None:
    """Boxes out, twice, in one another, in another's place, under another name."""
    match rng.randrange(7):
        case 0:
            beside.remove(box)
        case 1:
            beside.extend([box] * rng.choice((1, 1, 1, 70)))
        case 2:
            other = rng.choice(all_of(boxes))[1]
            if other.inside is not None and other is not box and box.inside is None:
                other.inside.append(box)
        case 3:
            box.kind = rng.choice((*TABLES, *HOLD, b"free", b"stz2", b"cmov", b"encv", b"\0\0\0\0", b"mdat"))
        case 4:
            box.body, box.inside = bytearray(), None
        case 5:
            deep = box
            for _ in range(rng.choice((3, 60))):
                deep = Box(box.kind, inside=[deep])
            beside[beside.index(box)] = deep
        case _:
            rng.shuffle(beside)


def _length(rng: random.Random, _: list[Box], box: Box, boxes: list[Box]) -> None:
    del boxes
    box.claims = rng.choice((*NUMBERS, len(box.packed()) + rng.choice((-9, -4, -1, 1, 4, 8, 1000))))
