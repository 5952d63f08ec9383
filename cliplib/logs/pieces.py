"""A log that is read again after each line: in pieces that nothing joins, and only those that changed.

A piece ends where the pause before the next line is longer than an exchange bears. What passes from a piece
to the next is the round, and who has changed his stance in it; given that, a piece reads alone as it does in
the whole log. This holds for a log in which every line has a time, none names an exchange or a clip, and
nothing is wrong; any other is read whole.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from cliplib.core.models import FightInfo, Settings
from cliplib.core.timebase import parse_time
from cliplib.logs.reading import LogReading, read_lines
from cliplib.logs.telling import Phrases, Teller
from cliplib.vocabulary import Vocabulary

Lines = tuple[Mapping[str, str], ...]
State = tuple[int | None, tuple[tuple[str, str], ...]]
"""What a piece begins with: the round, and the stances changed in it."""

_JOINING = ("exchange", "in", "out")
_BEGINNING: State = (None, ())


@dataclass(frozen=True, slots=True)
class _Piece:
    """`places`: of its lines in the log. `after`: what the next piece begins with."""

    lines: Lines
    places: tuple[int, ...]
    before: State
    reading: LogReading
    after: State


@dataclass(slots=True)
class Read:
    """What was read of one log before. `phrases`: may be shared by all logs of a fight."""

    phrases: Phrases = field(default_factory=dict)
    _known: tuple[object, Lines, tuple[LogReading, ...], dict[int, _Piece]] | None = None

    def read(
        self, lines: Lines, fight: FightInfo, vocabulary: Vocabulary, settings: Settings, *, file_label: str
    ) -> tuple[LogReading, ...]:
        """The log's pieces in order of time; one, if there are problems. What did not change is the very
        object that it was before. `lines` are taken to be the same if they are equal, and so is `fight`."""
        key = (replace(fight, logs=()), file_label)
        known = self._known if self._known is not None and self._known[0] == key else (key, (), (), {})
        if self._known is known and known[1] == lines:
            return known[2]
        pieces = self._pieces(lines, known[1], known[3], fight, vocabulary, settings)
        if pieces is None:
            teller = Teller(fight, vocabulary, read=self.phrases)
            whole = read_lines(lines, fight, vocabulary, settings, file_label=file_label, teller=teller)
            found: tuple[LogReading, ...] = (whole,)
        else:
            found = tuple([piece.reading for piece in pieces.values()])
        self._known = key, lines, found, pieces or {}
        return found

    def _pieces(
        self,
        lines: Lines,
        before: Lines,
        known: dict[int, _Piece],
        fight: FightInfo,
        vocabulary: Vocabulary,
        settings: Settings,
    ) -> dict[int, _Piece] | None:
        """By the place of their first line, in order of time; None if the log has to be read whole. `known`:
        those of the lines `before`."""
        found: dict[int, _Piece] = {}
        state = _BEGINNING
        times = _times(lines, range(len(before), len(lines)))
        if known and times and lines[: len(before)] == before:
            last = next(reversed(known.values()))
            its = _times(lines, last.places) or times
            if its[-1] <= times[0]:  # as a rule: what is added comes after all that is there
                found, state, times = dict(known), last.before, its + times
                found.popitem()
        if not found:
            times = _times(lines, range(len(lines)))
        if times is None:
            return None
        for places in _parted(times, settings.exchange_gap_us):
            some = tuple([lines[place] for place in places])
            piece = known.get(places[0])
            if piece is None or piece.places != places or piece.lines != some or piece.before != state:
                teller = Teller(fight, vocabulary, changed=dict(state[1]), round=state[0], read=self.phrases)
                reading = read_lines(some, fight, vocabulary, settings, file_label="", teller=teller)
                if reading.problems:
                    return None
                after = teller.round, tuple(sorted(teller.changed.items()))
                piece = _Piece(some, places, state, _placed(reading, places), after)
            found[places[0]] = piece
            state = piece.after
        return found


def _times(lines: Lines, places: Sequence[int]) -> list[tuple[int, int, int]] | None:
    """(beginning, place, end) of each of these lines in order of time; None if lines may be joined by more
    than that."""
    found = []
    for place in places:
        said = lines[place]
        begin = _moment(said.get("time", ""))
        if begin is None or any(name in said for name in _JOINING):
            return None
        end = _moment(said["until"]) if "until" in said else begin
        if end is None:
            return None
        found.append((begin, place, end))
    found.sort()
    return found


@lru_cache(maxsize=65_536)
def _moment(text: str) -> int | None:
    try:
        return parse_time(text.strip()[:60])
    except ValueError:
        return None


def _parted(times: Sequence[tuple[int, int, int]], gap_us: int) -> Iterator[tuple[int, ...]]:
    """The places of each piece's lines, in the log's order."""
    some: list[int] = []
    latest = 0
    for begin, place, end in times:
        if some and begin - latest > gap_us:
            yield tuple(sorted(some))
            some = []
        latest = max(latest, end) if some else end
        some.append(place)
    if some:
        yield tuple(sorted(some))


def _placed(reading: LogReading, places: Sequence[int]) -> LogReading:
    """With the lines' numbers in the log."""
    return LogReading(
        tuple(replace(one, line=places[one.line - 1] + 1) for one in reading.exchanges),
        (),
        tuple(replace(one, line=places[one.line - 1] + 1) for one in reading.marks),
        reading.remarks,
    )
