"""Filters of a search over the columns.

Of a fight or an exchange: fight, dates, rounds, opponent (person 1's corner then follows from the fight),
during, before and after (the exchange's place among its fight's periods; before the first of that name, after
the last).
Of the first matched action: opponent_stance and stance_match, from the stances of person 1 and his opponent
at that moment. Of the match: place, range, technique and stance hold when at least one of its actions has
that very value, outcome and fighter when its result does: the last punch of whoever ends it (see
`Pattern.result`), for that is how the pattern came off and who did it. Landed is also a knockdown. A facet
counts the same, so that choosing a facet's value leaves exactly the number shown beside it. "unknown" asks
for no value. “views” lets in what lies in replays, or that alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from functools import partial

import numpy as np

from cliplib.core.models import Where
from cliplib.core.periods import slots_of
from cliplib.search.patterns.codes import ABSENT, SETTING, Array
from cliplib.search.patterns.columns import UNKNOWN, Columns
from cliplib.search.patterns.encode import SECOND_OPINION, VIEW
from cliplib.search.patterns.steps import FREE, Part, Wanted, any_of, corners_of

_NAMES = tuple(f.name for f in fields(Where))


@dataclass
class Limits:
    """Filters, decided. `exchanges` [E] bool or None for all; `person1` [F]: the corner person 1 must have,
    -1 for any; `opponent_stances`: stance codes; `some`: each must suit at least one action of a match, those
    whose index is in `of_result` its result."""

    exchanges: Array | None = None
    person1: Array | None = None
    opponent_stance: int | None = None
    same_stances: bool | None = None
    some: list[Wanted] = field(default_factory=list)
    of_result: set[int] = field(default_factory=set)

    def only(self, exchanges: Array) -> None:
        self.exchanges = exchanges if self.exchanges is None else self.exchanges & exchanges


def limits(wheres: Sequence[Where], columns: Columns, *, second_opinions: bool = False) -> Limits:
    """All of `wheres` together, decided. What is not counted of its moment is left out, but for second
    opinions and views that are asked for."""
    out = Limits()
    asked = SECOND_OPINION * second_opinions | VIEW * any(where.views is not None for where in wheres)
    if columns.reasons & ~asked:
        out.only((columns.beside & ~asked) == 0)
    for where in wheres:
        for name in _NAMES:
            value = getattr(where, name)
            if value is not None and value != ():
                _FILTERS[name](value, columns, out)
    return out


def _fights(chosen: Array, columns: Columns, out: Limits) -> None:
    out.only(chosen[columns.fight_of] if len(chosen) else np.zeros(columns.exchanges, np.bool_))


def _fight(title: str, columns: Columns, out: Limits) -> None:
    _fights(np.array([f.title == title for f in columns.fights], np.bool_), columns, out)


def _dates(span: tuple[object, object], columns: Columns, out: Limits) -> None:
    first, last = (d.toordinal() if d else None for d in span)  # type: ignore[attr-defined]
    days = [f.date.toordinal() if f.date else None for f in columns.fights]
    chosen = [
        day is not None and (first is None or day >= first) and (last is None or day <= last) for day in days
    ]
    _fights(np.array(chosen, np.bool_), columns, out)


def _rounds(rounds: tuple[int | str, ...], columns: Columns, out: Limits) -> None:
    """`last`: the last round that was logged of the fight; `last 2`: that and the one before; `late` and
    `early`: the last and the first third of those, rounded up; `middle`: what lies between; `first half`,
    rounded up, and `second half`.
    """
    last = columns.last_round[columns.fight_of]
    chosen = np.zeros(columns.exchanges, np.bool_)
    for value in rounds:
        if value == "last":
            chosen |= (columns.round == last) & (last > 0)
        elif value == "late":
            chosen |= columns.round > last - -(-last // 3)
        elif value == "early":
            chosen |= (columns.round <= -(-last // 3)) & (columns.round > 0)
        elif value == "middle":
            chosen |= (columns.round > -(-last // 3)) & (columns.round <= last - -(-last // 3))
        elif value == "first half":
            chosen |= (columns.round <= -(-last // 2)) & (columns.round > 0)
        elif value == "second half":
            chosen |= columns.round > -(-last // 2)
        elif isinstance(value, str) and value.startswith("last "):
            chosen |= (columns.round > last - int(value[5:])) & (columns.round > 0)
        elif value == UNKNOWN:
            chosen |= columns.round == 0
        else:
            chosen |= (columns.round == int(value)) & (columns.round > 0)
    out.only(chosen)


def _opponent(name: str, columns: Columns, out: Limits) -> None:
    theirs = corners_of(name, columns)
    own = np.array([1, 0, ABSENT], np.int8)[theirs]
    _fights(theirs != ABSENT, columns, out)
    if out.person1 is not None:
        _fights(out.person1 == own, columns, out)
    out.person1 = own


def _opponent_stance(stance: str, columns: Columns, out: Limits) -> None:
    code = columns.tables.code("stance", None if stance == UNKNOWN else stance)
    # Two different stances at once: nothing has that.
    out.opponent_stance = code if out.opponent_stance in (None, code) else -1


def _stance_match(value: str, columns: Columns, out: Limits) -> None:
    wanted = value == "closed"
    if out.same_stances not in (None, wanted):
        out.only(np.zeros(columns.exchanges, np.bool_))
    out.same_stances = wanted


def _some(name: str) -> Callable[[str, Columns, Limits], None]:
    def add(value: str, columns: Columns, out: Limits) -> None:
        if name == "outcome":
            fits = columns.has_outcome(None if value == UNKNOWN else value)
        elif value != UNKNOWN:
            fits = any_of(name, [value], columns)
        else:
            fits = columns.of_kind(name) == 0
        anything = np.full(len(columns.kinds), FREE, np.uint8)
        part = Part(anything, settings=fits) if name in SETTING else Part(fits * np.uint8(FREE))
        if name == "outcome":
            out.of_result.add(len(out.some))
        out.some.append(Wanted((part,), np.zeros(0, np.int32)))

    return add


def _fighter(name: str, columns: Columns, out: Limits) -> None:
    corners = corners_of(name, columns)
    _fights(corners != ABSENT, columns, out)
    everything = np.full(len(columns.kinds), FREE, np.uint8)
    out.of_result.add(len(out.some))
    out.some.append(Wanted((Part(everything, corners=corners),), np.zeros(0, np.int32)))


def _periods(name: str, columns: Columns, out: Limits, side: str) -> None:
    chosen = np.zeros(columns.exchanges, np.bool_)
    for place, fight in enumerate(columns.fights):
        if wanted := slots_of(fight.periods, name, side):
            here = slice(int(columns.first_exchange[place]), int(columns.first_exchange[place + 1]))
            chosen[here] = np.isin(columns.slot[here], list(wanted))
    out.only(chosen)


def _views(which: str, columns: Columns, out: Limits) -> None:
    if which == "only":
        out.only((columns.beside & VIEW) > 0)


_FILTERS: dict[str, Callable[..., None]] = {
    "rounds": _rounds,
    "fight": _fight,
    "fighter": _fighter,
    "opponent": _opponent,
    "opponent_stance": _opponent_stance,
    "stance_match": _stance_match,
    "place": _some("place"),
    "range": _some("range"),
    "outcome": _some("outcome"),
    "technique": _some("technique"),
    "stance": _some("stance"),
    "dates": _dates,
    "during": partial(_periods, side="during"),
    "before": partial(_periods, side="before"),
    "after": partial(_periods, side="after"),
    "views": _views,
}
