"""What is remembered of searches: phrases that found something, for the search box to offer again.

One file in the library's folder, a JSON object a line, the newest last. Searching only appends to it; the
file is made shorter now and then. It is a convenience: what of it cannot be read or written is left out in
silence.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from cliplib.core.errors import StorageError
from cliplib.core.models import Found, Reading, Where
from cliplib.media.files import replacing
from cliplib.phrases.tokens import fold

if TYPE_CHECKING:
    from cliplib.search.textindex import WordHits

NAME = "past.jsonl"
KEPT = 500
"""Phrases that are remembered."""
_LONGEST = 200
_LARGEST = 1 << 18
"""Bytes of the file at which it is made shorter."""


@dataclass(frozen=True, slots=True)
class _Past:
    phrase: str
    names: frozenset[str]


class PhraseHistory:
    """The file of one library. Any number of threads and processes may add to it."""

    def __init__(self, folder: Path):
        self._path = folder / NAME
        self._lock = threading.Lock()
        self._read: tuple[tuple[int, int], list[_Past]] | None = None
        self._newest = ""

    def add(self, reading: Reading) -> None:
        """Remember a phrase that found something; not one with words that nobody understood."""
        phrase = " ".join(reading.phrase.split())
        if not phrase or len(phrase) > _LONGEST or reading.unread or not reading.steps:
            return
        if phrase == self._newest:
            return
        self._newest = phrase
        line = _line(_Past(phrase, frozenset(_names(reading))))
        with contextlib.suppress(OSError, StorageError):
            # One write to the end of the file: lines of several processes do not mix.
            file = os.open(self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            try:
                os.write(file, line)
                large = os.fstat(file).st_size > _LARGEST
            finally:
                os.close(file)
            if large:
                self._write(self._all(), durable=False)

    def phrases(self, known: Collection[str]) -> list[str]:
        """The newest first, each once; without those that name somebody or a fight not among `known`, who may
        be of a private fight or gone."""
        known = frozenset(known)
        return [past.phrase for past in self._all() if past.names <= known]

    def keep_only(self, known: Collection[str]) -> None:
        """Forget the phrases that name anybody, or a fight, not among `known`. StorageError if the file could
        not be written anew."""
        known = frozenset(known)
        self._newest = ""
        kept = [past for past in self._all() if past.names <= known]
        if self._path.exists():
            self._write(kept)

    def _all(self) -> list[_Past]:
        """The newest first."""
        with self._lock:
            try:
                status = self._path.stat()
                stamp = (status.st_mtime_ns, status.st_size)
                if self._read is None or self._read[0] != stamp:
                    self._read = stamp, _parsed(self._path.read_bytes().splitlines())
            except OSError:
                return []
            return self._read[1]

    def _write(self, past: Iterable[_Past], *, durable: bool = True) -> None:
        lines = b"".join(map(_line, reversed(list(past))))
        with self._lock, replacing(self._path, durable=durable) as temporary:
            temporary.write_bytes(lines)


def with_meant(found: Found, hits: WordHits) -> Found:
    """A result without anything, with what was meant by words that nobody wrote in a note or title either."""
    unread = tuple(
        replace(word, meant=tuple(dict.fromkeys((*word.meant, *hits.meant.get(fold(word.text), ())))))
        for word in found.reading.unread
    )
    return replace(found, reading=replace(found.reading, unread=unread))


def with_why(found: Found, where: Where | None, last: int) -> Found:
    """A result without anything, noting that no fight went so far, where that is why. `last`: the last round
    of any fight."""
    rounds = (*found.reading.where.rounds, *(where.rounds if where else ()))
    asked = [number for number in rounds if isinstance(number, int)]
    if not asked or len(asked) < len(rounds) or not 0 < last < min(asked):
        return found
    note = f"no fight here has anything in round {min(asked)}; the last one that was logged is round {last}"
    return replace(found, reading=replace(found.reading, notes=(*found.reading.notes, note)))


def _names(reading: Reading) -> Iterable[str]:
    for step in reading.steps:
        for one in (step, *step.alternatives):
            if one.fighter:
                yield one.fighter
    yield from filter(None, (reading.where.fighter, reading.where.opponent, reading.where.fight))


def _line(past: _Past) -> bytes:
    return (json.dumps({"phrase": past.phrase, "names": sorted(past.names)}) + "\n").encode()


def _parsed(lines: Iterable[bytes]) -> list[_Past]:
    found: dict[str, _Past] = {}
    for line in reversed(list(lines)):
        with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):
            said = json.loads(line)
            past = _Past(str(said["phrase"])[:_LONGEST], frozenset(map(str, said["names"])))
            found.setdefault(fold(past.phrase), past)
        if len(found) == KEPT:
            break
    return list(found.values())
