"""What a form's writer is given: a fight's exchanges as the logger said them, and as rows of columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cliplib.core.models import Action, Exchange
from cliplib.core.timebase import format_time
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
    time, where somebody knows it; `title`: the fight's."""

    exchanges: Sequence[Exchange]
    title: str
    spans: Sequence[Span | None]
    vocabulary: Vocabulary

    def rows(self) -> list[dict[str, str]]:
        """A row an action, and one for an exchange's own note, by column."""
        return _rows(self.exchanges, self.vocabulary)


def columns_of(rows: Sequence[dict[str, str]]) -> list[str]:
    """The columns that rows use, in the usual order; some are there even when they are empty."""
    return [name for name in COLUMNS if name in _ALWAYS or any(name in row for row in rows)]


def _rows(exchanges: Sequence[Exchange], vocabulary: Vocabulary) -> list[dict[str, str]]:
    """A row an action, and one for an exchange's own note."""
    rows: list[dict[str, str]] = []
    taken: set[tuple[int | None, str]] = set()
    for number, exchange in enumerate(exchanges, 1):
        value = exchange.name
        # A name that nobody may mistake: for none, for a number of ours, for that of another exchange.
        if not value or name_of(value) != value or (exchange.round, value) in taken:
            value = f"#{number} {value}".rstrip()
        taken.add((exchange.round, value))
        shared = {"exchange": value}
        if exchange.round is not None:
            shared["round"] = str(exchange.round)
        on_clock = exchange.start_us is None
        for index, action in enumerate(exchange.actions):
            row = dict(shared)
            if index == 0 and exchange.exact_span and exchange.start_us is not None:
                row["in"], row["out"] = format_time(exchange.start_us), format_time(exchange.end_us or 0)
            row |= _columns(action, on_clock, vocabulary)
            rows.append(row)
            if index == 0 and exchange.note:
                rows.append({**shared, "note": exchange.note})
    return rows


def _columns(action: Action, on_clock: bool, vocabulary: Vocabulary) -> dict[str, str]:
    row = {"fighter": action.fighter or ""}
    if action.time_us is not None:
        row["clock" if on_clock else "time"] = format_time(abs(action.time_us))
    if action.until_us is not None:
        row["until"] = format_time(abs(action.until_us))
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
