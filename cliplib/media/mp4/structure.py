"""What the outermost bytes of a file say, without a decoder: its kind, whether it was cut short, fragments.

Boxes: ISO/IEC 14496-12. EBML and the Segment element: RFC 8794, RFC 9559. RIFF chunks: Microsoft's
"Multimedia Programming Interface and Data Specifications 1.0".
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

_BOXES = frozenset(b"ftyp moov mdat free skip wide pnot uuid moof styp sidx mfra meta pdin prft".split())
_MOST_BOXES = 1_000_000


@dataclass(frozen=True, slots=True)
class Structure:
    """`kind`: mp4 | matroska | riff | text | playlist | empty | other. `missing`: bytes that the file's own
    sizes promise and that are not there. `indexed`: False for an MP4 that has no moov box. `fragmented`: an
    MP4 whose samples are listed in moof boxes."""

    kind: str
    missing: int = 0
    indexed: bool = True
    fragmented: bool = False


def look(path: Path) -> Structure:
    """Reads a few dozen bytes a box; raises OSError only."""
    with open(path, "rb") as file:
        size = os.fstat(file.fileno()).st_size
        head = file.read(4096)
        if not head:
            return Structure("empty")
        if head[4:8] in _BOXES:
            return _mp4(file, size)
        if head[:4] == b"\x1a\x45\xdf\xa3":
            return Structure("matroska", missing=_matroska_missing(head, size))
        if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
            return Structure("riff", missing=max(0, struct.unpack("<I", head[4:8])[0] + 8 - size))
        return Structure(_text_kind(head))


_LAST_PLACE = (1 << 63) - 1


def _mp4(file: BinaryIO, size: int) -> Structure:
    at, missing, indexed, fragmented = 0, 0, False, False
    for _ in range(_MOST_BOXES):
        file.seek(at)
        header = file.read(16)
        if len(header) < 8:
            break
        length, kind = struct.unpack(">I4s", header[:8])
        if length == 1 and len(header) == 16:
            length = struct.unpack(">Q", header[8:])[0]
        elif length == 0:  # to the end of the file
            length = size - at
        if length < 8:
            break
        indexed |= kind == b"moov"
        fragmented |= kind == b"moof"
        at += length
        if at > _LAST_PLACE:  # nothing lies there; seeking would fail
            missing = at - size
            break
        # What follows the last whole box may be anything; only the boxes that carry the footage count.
        if at > size and kind in (b"mdat", b"moov", b"moof"):
            missing = at - size
    return Structure("mp4", missing, indexed, fragmented)


def _vint(data: bytes, at: int, *, marker: bool) -> tuple[int, int, bool]:
    """(value, bytes it takes, unknown) of an EBML variable-size integer; `marker`: keep the length marker."""
    first = data[at]
    length = 9 - first.bit_length()
    value = int.from_bytes(data[at : at + length], "big")
    stripped = value & ((1 << (7 * length)) - 1)
    return (value if marker else stripped), length, stripped == (1 << (7 * length)) - 1


def _matroska_missing(head: bytes, size: int) -> int:
    at = 0
    try:
        for _ in range(8):
            name, length, _ = _vint(head, at, marker=True)
            at += length
            body, length, unknown = _vint(head, at, marker=False)
            at += length
            if name == 0x18538067:  # Segment
                return 0 if unknown else max(0, at + body - size)
            at += body
    except IndexError:
        pass
    return 0


def _text_kind(head: bytes) -> str:
    sample = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if sample.startswith((b"#EXTM3U", b"ffconcat", b"[playlist]", b"<?xml", b"<MPD", b"<smil")):
        return "playlist"
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as problem:
        # A character cut in two by the end of the sample is no reason to call it binary.
        if problem.start < len(head) - 4 or len(head) < 4096:
            return "other"
        text = head[: problem.start].decode("utf-8")
    plain = sum(c.isprintable() or c in "\r\n\t\f" for c in text)
    return "text" if plain == len(text) else "other"
