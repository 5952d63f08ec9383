"""Which versions of what cliplib stands on are here and were tried, and what is said of our own mistakes."""

from __future__ import annotations

import importlib.metadata
import platform
import re
import traceback

from cliplib.core.errors import FaultError, MediaError
from cliplib.core.version import __version__

TRIED = {
    "Python": ("3.11", "3.13"),
    "PyAV": ("18.1", "19.0"),
    "ffmpeg": ("5.1", "9.0"),
    "SQLite": ("3.40", "3.51"),
}
"""From and to, both included with all that begins like them: `make tried` did the main job with each."""

_CALLS = 4
"""How many of the calls that led to a mistake are told."""


def found() -> dict[str, str]:
    """The versions here, cliplib's own first; a name without a number where there is none."""
    import sqlite3

    try:
        pyav = importlib.metadata.version("av")
    except importlib.metadata.PackageNotFoundError:
        pyav = "(not installed)"
    return {
        "cliplib": __version__,
        "Python": platform.python_version(),
        "PyAV": pyav,
        "ffmpeg": _ffmpeg(),
        "SQLite": sqlite3.sqlite_version,
    }


def _ffmpeg() -> str:
    from cliplib.media import ffmpeg

    try:
        return ffmpeg.version()
    except MediaError:
        return "(not found)"


def untried() -> list[str]:
    """A sentence for each thing that is here in a version that nobody tried."""
    here = found()
    return [
        f"{name} {here[name]} is outside what was tried ({' to '.join(dict.fromkeys(tried))}); cliplib may "
        "work with it all the same"
        for name, tried in TRIED.items()
        if not within(here[name], *tried)
    ]


def within(version: str, low: str, high: str) -> bool:
    number = re.search(r"\d+(\.\d+)+", version)  # "n7.1.2", "5.1.6-0+deb12u1"
    if number is None:
        return False
    least, most, this = (tuple(map(int, text.split("."))) for text in (low, high, number[0]))
    return least <= this[: len(least)] and this[: len(most)] <= most


def told(mistake: BaseException) -> str:
    """What went wrong and where, in a line. Places are those of modules: no folder of anybody is told."""
    calls = [
        f"{frame.f_globals.get('__name__', '?')}:{line} {frame.f_code.co_name}"
        for frame, line in traceback.walk_tb(mistake.__traceback__)
    ]
    where = ", called from ".join(calls[: -_CALLS - 1 : -1])
    return f"{type(mistake).__name__}: {str(mistake)[:300]}{f' (at {where})' if where else ''}"


def fault(what: str, at: object = "what it was given") -> FaultError:
    """A mistake of ours, as it is told to whoever met it. `at`: what was worked on, which is not to blame."""
    lines = [
        f"This is a fault of cliplib itself, not of {at}: {what}",
        f"    with {', '.join(f'{name} {version}' for name, version in found().items())}",
        *(f"    {remark}" for remark in untried()),
        "    Send these lines, and the command or page they came from, to whoever gave you cliplib, so that "
        "its maintainers can mend it; no footage need go along.",
    ]
    return FaultError("\n".join(lines))
