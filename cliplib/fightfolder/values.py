"""The kinds of values in a fight.toml: each reader takes what TOML gave and returns what it means.

They raise ValueError with the end of a sentence that begins with the key: what is wrong, what was expected.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from fractions import Fraction
from typing import Any

from cliplib.core.letters import all_show
from cliplib.core.periods import Moment, parse_moment
from cliplib.core.timebase import SECOND, format_time, from_seconds, parse_time
from cliplib.logs.source import nearest

METHODS = ("points", "knockout", "stoppage", "disqualification", "draw", "no contest")
STANCES = ("orthodox", "southpaw")

_LONGEST = 300  # characters of a title or name
_MOST_ROUNDS = 200  # bare-knuckle fights went past 100
_LAST_TIME_US = 100 * 3600 * SECOND


def _is(value: Any, kind: str) -> str:
    shown = repr(value).lower() if isinstance(value, bool) else repr(value)
    return f"must be {kind}, not {shown if len(shown) <= 60 else shown[:57] + '…'}"


def line(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(_is(value, 'text in quotation marks, like "…"'))
    text = value.strip()
    if not text:
        raise ValueError("is empty; write something or leave the key out")
    if len(text) > _LONGEST:
        raise ValueError(f"has {len(text)} characters; at most {_LONGEST} fit")
    if not all_show(text):
        raise ValueError("holds a line break or control character; write it on one line")
    return text


def one_of(words: tuple[str, ...]) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if not isinstance(value, str) or value.strip().casefold() not in words:
            near = nearest(value, words) if isinstance(value, str) else ""
            raise ValueError(
                _is(value, "one of " + ", ".join(words)) + (f"; did you mean {near}?" if near else "")
            )
        return value.strip().casefold()

    return read


def date(value: Any) -> datetime.date:
    if not isinstance(value, datetime.date) or isinstance(value, datetime.datetime):
        raise ValueError(_is(value, "a date without quotation marks, like 2024-05-11"))
    return value


def yes_or_no(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(_is(value, "true or false"))
    return value


def number(value: Any, kind: str) -> int:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value:
        raise ValueError(_is(value, kind))
    if not 0 <= value <= _LAST_TIME_US // SECOND:
        raise ValueError(_is(value, f"{kind} between 0 and {_LAST_TIME_US // SECOND}"))
    return from_seconds(value)


def rounds(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= _MOST_ROUNDS:
        raise ValueError(_is(value, f"a whole number from 1 to {_MOST_ROUNDS}"))
    return value


def length(value: Any) -> int:
    us = number(value, "a number of seconds")
    if us == 0:
        raise ValueError("must be more than 0")
    return us


def rest(value: Any) -> int:
    return number(value, "a number of seconds")


def time(value: Any) -> int:
    """A footage time as "0:12.4", "12.4" or 12.4."""
    if isinstance(value, str):
        us = parse_time(value)
        if us > _LAST_TIME_US:
            raise ValueError(_is(value, f"at most {format_time(_LAST_TIME_US)}"))
        return us
    return number(value, 'a time, like "0:12.4" or 12.4')


def bell(value: Any) -> int:
    """A footage time; before 0:00 ("-0:12.4") where the film begins after the bell."""
    if isinstance(value, str) and value.strip().startswith(("-", "−")):
        return -time(value.strip()[1:])
    if isinstance(value, (int, float)) and not isinstance(value, bool) and value < 0:
        return -time(-value)
    return time(value)


def bells(value: Any) -> tuple[int, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError(_is(value, 'a list of times, like ["0:12.4", "4:12.5"]'))
    return tuple(bell(one) for one in value)


def speed(value: Any) -> Fraction:
    """How fast a replay runs, as a share of the speed at which it happened."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.01 <= value <= 4:
        raise ValueError(_is(value, "a number from 0.01 to 4; half as fast is 0.5"))
    return Fraction(str(value))


def moment(value: Any) -> Moment:
    """A round and its clock, a round, or a footage time."""
    if isinstance(value, str):
        return parse_moment(value)
    return Moment(number(value, 'a moment, like "round 4 1:20", or a footage time, like "14:05.5"'))
