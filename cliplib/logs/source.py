"""The text of a file people type, and where things stand in it: decoding, lines, columns, problems.

Columns are counted in characters (Unicode code points) from 1, as editors show them. A line ends at LF, CR LF
or CR and nowhere else: a line separator inside a phrase (U+2028) does not start a line in an editor.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rapidfuzz import fuzz, process

from cliplib.core.errors import Problem

LARGEST_FILE = 256 * 1024 * 1024
"""Bytes. A log of a whole fight is well under one megabyte; this only keeps a film named log.csv out."""

_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
"""The mark that a file in UTF-16 begins with (The Unicode Standard, 23.8)."""

SHOWN = 160
"""How many characters of a long line a problem shows."""

_LINE_END = re.compile(r"\r\n|\n|\r")
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
# What a value may not hold. Bytes that are not UTF-8 were decoded to U+DC80..U+DCFF.
_FOREIGN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


class Refused(Exception):
    """A whole file, or a row of one, cannot be read; carries the problem. Never leaves the package."""

    def __init__(self, problem: Problem):
        self.problem = problem
        super().__init__(str(problem))


@dataclass(slots=True)
class Source:
    """A text, and the file's name as problems show it."""

    label: str
    text: str
    remark: str = ""
    """How the file was read, where that is not as usual."""
    starts: list[int] = field(init=False, repr=False)  # offset of each line's first character

    def __post_init__(self) -> None:
        self.starts = [0, *(match.end() for match in _LINE_END.finditer(self.text))]

    def line_of(self, offset: int) -> int:
        return bisect_right(self.starts, offset)

    def line_text(self, line: int, first: int = 1) -> str:
        """Up to SHOWN characters of a line, from column `first` on, fit to print one character a column."""
        start = self.starts[line - 1] + first - 1
        match = _LINE_END.search(self.text, start, start + SHOWN)
        return _UNPRINTABLE.sub(_shown, self.text[start : match.start() if match else start + SHOWN])

    def problem(self, offset: int, message: str, meant: str = "") -> Problem:
        """A problem at a character of the text."""
        line = self.line_of(offset)
        column = offset - self.starts[line - 1] + 1
        # Of a very long line only the stretch around the place is shown.
        first = max(1, column - SHOWN // 2) if column > SHOWN else 1
        return Problem(self.label, line, column, message, self.line_text(line, first), meant, first)

    def line_problem(self, line: int, message: str) -> Problem:
        """A problem of a whole line."""
        return Problem(self.label, line, 0, message, self.line_text(line))


def _shown(match: re.Match[str]) -> str:
    return " " if match[0] == "\t" else "\N{REPLACEMENT CHARACTER}"


@dataclass(frozen=True, slots=True)
class Cell:
    """A value out of a source, each of whose characters knows where it was written.

    `start`: offset of the value's first character; `place(i)`: offset of character `i`, for values that are
    written otherwise than they read (doubled quotes, escapes, tags). Without it they stand one by one.
    """

    text: str
    source: Source
    start: int
    place: Callable[[int], int] | None = None

    def offset(self, index: int) -> int:
        return self.place(index) if self.place else self.start + index

    def problem(self, message: str, meant: str = "", at: int = 0) -> Problem:
        return self.source.problem(self.offset(at), message, meant)

    def foreign(self) -> Problem | None:
        """The problem with the first character that cannot be part of a log, if there is one."""
        match = _FOREIGN.search(self.text)
        if match is None:
            return None
        code = ord(match[0])
        if 0xDC80 <= code <= 0xDCFF:
            message = f"byte {code - 0xDC00:02X} is not UTF-8; save the file as UTF-8"
        elif code >= 0xD800:
            message = "half of a character (a lone surrogate); write the whole one"
        else:
            message = (
                f"a control character ({'NUL' if code == 0 else f'U+{code:04X}'}) cannot be part of a log"
            )
        return self.problem(message, at=match.start())


def load(path: Path, label: str) -> Source:
    """The file's text, with or without a byte order mark. Raises Refused if it is no text at all.

    Bytes that are not UTF-8 become surrogates U+DC80 to U+DCFF, so that a caller can refuse just those rows.
    """
    try:
        if path.exists() and not path.is_file():  # reading a pipe would wait for ever
            raise Refused(Problem(label, 1, 0, "this is not a file"))
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise Refused(
                Problem(label, 1, 0, f"the file has {size:,} bytes, too many for text that people typed")
            )
        data = path.read_bytes()
    except OSError as error:
        raise Refused(Problem(label, 1, 0, f"cannot be read: {error.strerror or error}")) from error
    if data.startswith(_UTF_16):
        return _of_utf_16(data, label)
    return decode(data, label)


def text_of(data: bytes) -> str:
    """A log file's bytes as text: UTF-8, or UTF-16 with its mark, as spreadsheets save it. Never fails: what
    is neither becomes surrogates, which `Cell.foreign` tells."""
    if data.startswith(_UTF_16):
        return data.decode("utf-16", "replace")
    return data.decode("utf-8-sig", "surrogateescape")


def _of_utf_16(data: bytes, label: str) -> Source:
    try:
        text = data.decode("utf-16", "surrogatepass")
    except UnicodeDecodeError as error:
        raise Refused(Problem(label, 1, 0, "the file begins as UTF-16 and is cut off or damaged")) from error
    return Source(label, text, f"{label}: read as UTF-16")


def decode(data: bytes, label: str) -> Source:
    if data.startswith(_UTF_16):
        raise Refused(Problem(label, 1, 0, "the file is UTF-16; save it as UTF-8"))
    if b"\0" in data[:1024] and data.count(b"\0", 0, 1024) * 4 >= min(len(data), 1024):
        raise Refused(
            Problem(label, 1, 0, "this is not a text file (or UTF-16 without its mark); save it as UTF-8")
        )
    return Source(label, data.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "surrogateescape"))


def nearest(word: str, known: Sequence[str]) -> str:
    """What was probably meant, or an empty string if nothing known is near."""
    found = process.extractOne(
        word.casefold(), known, scorer=fuzz.ratio, score_cutoff=60, processor=lambda text: text.casefold()
    )
    return found[0] if found else ""
