"""A line on standard error that says how far the work is and how long it will still take."""

from __future__ import annotations

import sys
import time
from typing import TextIO

from cliplib import SECOND, format_time

_EVERY_TTY = 0.1  # seconds between two redraws
_EVERY_FILE = 10.0  # and between two lines of a log file


class ProgressLine:
    """A `Progress` for a terminal (one line, rewritten) or a file (a line now and then).

    Use as a context manager: the line is cleared at the end. What took less than a second is never shown.
    """

    def __init__(self, stream: TextIO | None = None, *, quiet: bool = False):
        self._stream = stream or sys.stderr
        self._quiet = quiet
        self._tty = self._stream.isatty()
        self._kind = ""
        self._began = self._shown = time.monotonic()
        self._first = 0
        self._width = 0

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(self, *_: object) -> None:
        self._clear()

    def __call__(self, stage: str, done: int, total: int) -> None:
        now = time.monotonic()
        kind = stage.split(" ", 1)[0]  # "cutting" counts on from fight to fight
        if kind != self._kind or done < self._first:
            self._kind, self._began, self._first = kind, now, done
        every = _EVERY_TTY if self._tty else _EVERY_FILE
        if self._quiet or now - self._shown < every or (self._tty and now - self._began < 1 and done < total):
            return
        self._shown = now
        text = f"{stage}  {done} of {total}" if total > 1 else stage
        left = self._remaining(now, done, total)
        if left:
            text += f"  {left} left"
        if not self._tty:
            self._stream.write(text + "\n")
        else:
            self._stream.write("\r" + text.ljust(self._width))
            self._width = len(text)
        self._stream.flush()

    def _remaining(self, now: float, done: int, total: int) -> str:
        worked, elapsed = done - self._first, now - self._began
        if worked <= 0 or elapsed < 1 or done >= total:
            return ""
        return format_time(int(elapsed / worked * (total - done)) * SECOND)

    def _clear(self) -> None:
        if self._tty and self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
            self._width = 0
