"""Rows into exchanges.

* Rows with one value of `exchange` belong together, wherever they stand in the log. Loggers number anew in
  each round, so the same value in another round is another exchange. `#` and a number group without being a
  name: export writes `#12` for an exchange that has none, `#12 left side` for a name used twice.
* A WebVTT cue, or a row with `in` and `out`, is an exchange.
* Other rows, in order of time: a gap of more than 2.5 s (a setting) or a bell ends an exchange. The gap runs
  from the latest end so far (`until`, or where there is none the beginning of the row) to the next beginning.
* A row without a time belongs to the row above it; in a log without any times each row is an exchange.

Rows may stand in any order. Those without a time keep their place after the row above.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from cliplib.logs.timing import Timed

_NUMBERED = re.compile(r"#\d+(?: (.*))?", re.DOTALL)
_FIRST = (-1, 0)


@dataclass(slots=True)
class Group:
    """The rows of one exchange, in order."""

    rows: list[Timed]
    name: str = ""
    key: tuple[int, int] = field(default=_FIRST)
    end_us: int | None = None  # latest end so far, for the gap


def name_of(value: str) -> str:
    """The name that an `exchange` value gives."""
    match = _NUMBERED.fullmatch(value)
    return (match[1] or "") if match else value


def group(rows: Sequence[Timed], gap_us: int) -> list[Group]:
    """The exchanges, in order of time. `rows` come in the log's order."""
    named: dict[tuple[int | None, str], Group] = {}
    groups: list[Group] = []
    loose: list[Timed] = []
    above: int | None = None  # round of the row above, which a row without its own shares
    for timed in rows:
        number = timed.round if timed.round is not None else above
        above = number
        if timed.name and timed.row.span_us is None:
            found = named.get((number, timed.name))
            if found:
                found.rows.append(timed)
            else:
                named[number, timed.name] = Group([timed], name_of(timed.name))
                groups.append(named[number, timed.name])
        elif timed.span_us is not None:
            groups.append(Group([timed], name_of(timed.name)))
        else:
            loose.append(timed)
    for one in groups:
        one.rows = _in_order(one.rows)
        clips = [(0, row.span_us[0]) for row in one.rows if row.span_us is not None]
        times = [row.key for row in one.rows if row.key is not None]
        one.key = (clips or times or [_FIRST])[0]
    groups += _by_gaps(_in_order(loose), gap_us)
    return _sorted(groups)


def _in_order(rows: list[Timed]) -> list[Timed]:
    carried: list[tuple[int, int]] = []
    for row in rows:
        carried.append(row.key or (carried[-1] if carried else _FIRST))
    order = sorted(range(len(rows)), key=carried.__getitem__)
    return [rows[index] for index in order]


def _by_gaps(rows: list[Timed], gap_us: int) -> list[Group]:
    groups: list[Group] = []
    current: Group | None = None
    for row in rows:
        if current is not None and _continues(current, row, gap_us):
            current.rows.append(row)
        else:
            current = Group([row], key=row.key or (groups[-1].key if groups else _FIRST))
            groups.append(current)
        if row.begin_us is not None:
            end = row.begin_us if row.until_us is None else row.until_us
            current.end_us = end if current.end_us is None else max(current.end_us, end)
    return groups


def _continues(current: Group, row: Timed, gap_us: int) -> bool:
    last = current.rows[-1].round
    if current.end_us is None or (row.round is not None and last is not None and row.round != last):
        return False
    return row.begin_us is None or row.begin_us - current.end_us <= gap_us


def _sorted(groups: list[Group]) -> list[Group]:
    """By time; exchanges without one stay behind the exchange that the log tells before them."""
    groups.sort(key=lambda one: min(row.row.line for row in one.rows))
    last = _FIRST
    for one in groups:
        if one.key == _FIRST:
            one.key = last
        last = one.key
    return sorted(groups, key=lambda one: one.key)
