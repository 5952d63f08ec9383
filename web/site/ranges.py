"""Parts of films over HTTP: which bytes a Range header asks for (RFC 9110, section 14), a mebibyte each."""

from __future__ import annotations

import bisect
import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from flask import Response, request
from werkzeug.http import is_resource_modified
from werkzeug.wrappers import Request
from werkzeug.wsgi import wrap_file

if TYPE_CHECKING:
    from _typeshed.wsgi import WSGIEnvironment

LONGEST_PART = 1 << 20
"""Bytes of one partial answer; a server may send less than was asked for. A player asks for the rest when it
wants it; an open-ended answer would wait here for as long as the player is paused."""

_ONE = re.compile(
    r"[ \t]*bytes[ \t]*=[ \t,]*(\d{0,400})[ \t]*-[ \t]*(\d{0,400})[ \t,]*", re.ASCII | re.IGNORECASE
)


def part_of(asked: str, length: int) -> tuple[int, int] | None:
    """[first, end) of the bytes to send of `length`; None: the header says nothing that holds, send all.

    What cannot be satisfied begins at `length`. Several ranges are ignored, which the standard allows: no
    player asks for them, and a hundred small ones are an attack.
    """
    found = _ONE.fullmatch(asked)
    if found is None or not (found[1] or found[2]):
        return None
    first, last = (int(digits) if digits else None for digits in found.groups())
    if first is None:  # a suffix: the last so many bytes, all of them if there are fewer
        assert last is not None
        first, last = max(0, length - last), length - 1
    elif last is not None and last < first:
        return None
    return min(first, length), min(length, first + LONGEST_PART, length if last is None else last + 1)


class Answer(Response):
    """What every view answers with: files in parts as above, and whole to anything but GET."""

    def make_conditional(
        self,
        request_or_environ: WSGIEnvironment | Request,
        accept_ranges: bool | str = False,
        complete_length: int | None = None,
    ) -> Response:
        given = request_or_environ
        environ = dict(given.environ if isinstance(given, Request) else given)
        part = None
        etag, date = self.headers.get("ETag"), self.headers.get("Last-Modified")
        # Who has the file as it is gets told so, and no part of it (section 13.2.2).
        wanted = environ["REQUEST_METHOD"] == "GET" and is_resource_modified(
            environ, etag=etag, last_modified=date
        )
        if complete_length and wanted:
            part = part_of(environ.get("HTTP_RANGE", ""), complete_length)
        environ.pop("HTTP_RANGE", None)
        if part is not None:
            first, end = part
            environ["HTTP_RANGE"] = f"bytes={first}-{max(first, end - 1)}"
        super().make_conditional(environ, accept_ranges, complete_length)
        return self


def files_as_one(paths: Sequence[Path], sizes: Sequence[int], kind: str) -> Response:
    """Files one after the other, of so many bytes each, as one file of a media type. Raises OSError if one is
    not there, or not of its size."""
    joined = io.BufferedReader(_Joined(paths, sizes), 1 << 16)
    answer = Answer(wrap_file(request.environ, joined), mimetype=kind, direct_passthrough=True)
    answer.content_length = sum(sizes)
    answer.set_etag(f"{len(sizes)}-{sum(sizes)}")
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.make_conditional(request.environ, accept_ranges=True, complete_length=sum(sizes))
    return answer


class _Joined(io.RawIOBase):
    """See `files_as_one`."""

    def __init__(self, paths: Sequence[Path], sizes: Sequence[int]):
        self._paths, self._starts, self._at = paths, [0], 0
        for path, size in zip(paths, sizes, strict=True):
            if path.stat().st_size != size:
                raise OSError(f"{path} has not {size} bytes")
            self._starts.append(self._starts[-1] + size)
        self._file: tuple[int, io.BufferedReader] | None = None

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._starts[-1]}[whence]
        self._at = max(0, base + offset)
        return self._at

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        if self._at >= self._starts[-1]:
            return 0
        number = bisect.bisect_right(self._starts, self._at) - 1
        if self._file is None or self._file[0] != number:
            self._close()
            self._file = number, self._paths[number].open("rb")
        file = self._file[1]
        file.seek(self._at - self._starts[number])
        read = file.readinto(buffer)
        self._at += read
        return read

    def _close(self) -> None:
        if self._file is not None:
            self._file[1].close()
            self._file = None

    def close(self) -> None:
        self._close()
        super().close()
