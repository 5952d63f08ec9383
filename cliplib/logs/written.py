"""What a form's writer is given: a fight's exchanges as the logger said them, and as rows of columns."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from cliplib.core.models import Action, Exchange, Mark
from cliplib.core.timebase import RoundClock, format_time
from cliplib.logs.grouping import name_of
from cliplib.logs.rows import COLUMNS
from cliplib.logs.saying import say_action
from cliplib.vocabulary import Vocabulary

Span = tuple[int, int]

_ALWAYS = ("time", "round", "exchange", "fighter", "action")
_IN_COLUMNS = ("outcome", "target", "place")


@dataclass(frozen=True, slots=True)
class Written:
    """`exchanges` without what was derived; `spans`: each one's clip, (in, out) in microseconds of footage
    time, where somebody knows it; `title`: the fight's; `bells`: its clock, if that is known."""

    exchanges: Sequence[Exchange]
    marks: Sequence[Mark]
    title: str
    spans: Sequence[Span | None]
    vocabulary: Vocabulary
    bells: RoundClock | None = None

    def rows(self) -> list[dict[str, str]]:
        """A row an action, one for an exchange's own note and one for a mark, by column."""
        rows: list[dict[str, str]] = []
        marks = deque(sorted(self.marks, key=lambda mark: mark.key))
        for exchange, some in zip(self.exchanges, _rows(self), strict=True):
            # Each mark before what happened after it.
            at = _key(exchange)
            while marks and at is not None and marks[0].key < at:
                rows.append(_mark(marks.popleft(), self.bells))
            rows += some
        return rows + [_mark(mark, self.bells) for mark in marks]


def columns_of(rows: Sequence[dict[str, str]]) -> list[str]:
    """The columns that rows use, in the usual order; some are there even when they are empty."""
    return [name for name in COLUMNS if name in _ALWAYS or any(name in row for row in rows)]


def _key(exchange: Exchange) -> tuple[int, int] | None:
    """As `Mark.key`; None for an exchange without times."""
    if exchange.start_us is not None:
        return 0, exchange.start_us
    first = next((action.time_us for action in exchange.actions if action.time_us is not None), None)
    return None if first is None else (exchange.round or 0, first)


def as_name(name: str) -> str:
    """The `exchange` value that gives this name."""
    return name if name_of(name) == name else f"#0 {name}"


def _times(
    time_us: int | None, until_us: int | None, on_clock: bool, bells: RoundClock | None
) -> dict[str, str]:
    """The columns that tell them. What is before the film has no footage time that could be written."""
    if not on_clock and time_us is not None and time_us < 0 and bells is not None:
        there = [None if us is None else bells.from_footage(us) for us in (time_us, until_us)]
        told = {"clock": there[0][1] if there[0] else None, "until": there[1][1] if there[1] else None}
    else:
        told = {"clock" if on_clock else "time": time_us, "until": until_us}
    return {name: format_time(abs(us)) for name, us in told.items() if us is not None}


def _mark(mark: Mark, bells: RoundClock | None) -> dict[str, str]:
    row = _times(mark.time_us, mark.until_us, mark.on_clock, bells)
    name = as_name(mark.name)
    round_no = "" if mark.round is None else str(mark.round)
    for column, value in (("round", round_no), ("exchange", name), ("fighter", mark.fighter or "")):
        if value:
            row[column] = value
    return row | {"note": mark.note}


def _rows(log: Written) -> Iterator[list[dict[str, str]]]:
    """Of each exchange: a row an action, and one for its own note."""
    taken: set[tuple[int | None, str]] = set()
    for number, exchange in enumerate(log.exchanges, 1):
        value = exchange.name
        # A name that nobody may mistake: for none, for a number of ours, for that of another exchange.
        if not value or name_of(value) != value or (exchange.round, value) in taken:
            value = f"#{number} {value}".rstrip()
        taken.add((exchange.round, value))
        shared = {"exchange": value}
        if exchange.round is not None:
            shared["round"] = str(exchange.round)
        on_clock = exchange.start_us is None
        rows = []
        for index, action in enumerate(exchange.actions):
            row = dict(shared)
            if index == 0 and exchange.exact_span and exchange.start_us is not None:
                row["in"], row["out"] = format_time(exchange.start_us), format_time(exchange.end_us or 0)
            row |= _times(action.time_us, action.until_us, on_clock, log.bells)
            rows.append(row | _columns(action, log.vocabulary))
            if index == 0 and exchange.note:
                rows.append({**shared, "note": exchange.note})
        yield rows


def _columns(action: Action, vocabulary: Vocabulary) -> dict[str, str]:
    row = {"fighter": action.fighter or ""}
    row["action"] = say_action(action, vocabulary, without=_IN_COLUMNS)
    for name in _IN_COLUMNS:
        value = getattr(action, name)
        if value is not None:
            row[name] = value
    switches = vocabulary.is_a(action.technique, "switch stance")  # told in its phrase
    if action.stance is not None and "stance" not in action.inferred and not switches:
        row["stance"] = action.stance
    if action.note:
        row["note"] = action.note
    return row
