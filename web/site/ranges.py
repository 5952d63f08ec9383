"""Parts of films over HTTP: which bytes a Range header asks for (RFC 9110, section 14), a mebibyte each."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from flask import Response
from werkzeug.http import is_resource_modified
from werkzeug.wrappers import Request

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
