"""Days, months and years in a phrase, as stretches of days."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from cliplib.phrases.wordreader import TO, WordReader

_NAMES = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
MONTHS = {name[:n]: index + 1 for index, name in enumerate(_NAMES) for n in (3, len(name))} | {"sept": 9}


@dataclass(frozen=True, slots=True)
class Dates:
    first: datetime.date | None
    last: datetime.date | None


def read_dates(r: WordReader) -> Dates | None:
    lead = r.take(
        {"in", "since", "before", "after", "from", "until", "till", "on", "during", "between", "of"}
    )
    first = _date(r) or (_month_of_a_span(r) if lead in ("from", "between", "") else None)
    if first is None:
        return None
    at = r.at
    if lead in ("between", "from", "in", "during", "") and (
        r.take(TO | ({"and"} if lead == "between" else set())) or r.joined()
    ):
        second = _date(r)
        if second is not None and second.last is not None and first.first is not None:
            return Dates(first.first, second.last) if first.first <= second.last else None
        r.at = at
    if lead in ("in", "during", "") and r.take({"or", "and"}):  # "in 2023 or 2024"
        r.take({"in"})
        second = _date(r)
        if second and first.last and second.last and second.first == first.last + datetime.timedelta(days=1):
            return Dates(first.first, second.last)
        r.at = at
    if lead == "from" or lead == "between":
        if r.take({"on", "onwards", "onward"}):
            return Dates(first.first, None)
        return None if lead == "between" else Dates(first.first, first.last)
    if lead == "since":
        return Dates(first.first, None)
    if lead == "after" and first.last is not None:
        return Dates(first.last + datetime.timedelta(days=1), None)
    if lead == "before" and first.first is not None:
        return Dates(None, first.first - datetime.timedelta(days=1))
    if lead in ("until", "till"):
        return Dates(None, first.last)
    if r.take({"onwards", "onward"}):
        return Dates(first.first, None)
    return first


def _month_of_a_span(r: WordReader) -> Dates | None:
    """“June to September 2024”, “5 to 9 May 2024” is not: a month that borrows the year behind the other."""
    at = r.at
    month = MONTHS.get(r.peek())
    if month is not None and r.peek(1) in TO | {"and"} and r.peek(2) in MONTHS:
        year = r.peek(3)
        if year.isdigit() and len(year) == 4 and 1850 <= int(year) <= 2199:
            r.at += 1
            return Dates(datetime.date(int(year), month, 1), None)
    r.at = at
    return None


def _date(r: WordReader) -> Dates | None:
    """A day, a month or a year as a stretch of days."""
    word = r.peek()
    if word.count("-") == 2:
        parts = [int(p) for p in word.split("-")]
        r.at += 1
        return _day(parts[0], parts[1], parts[2])
    day = None
    at = r.at
    stripped = word[:-2] if word[-2:] in ("st", "nd", "rd", "th") else word
    if stripped.isdigit() and len(stripped) <= 2 and r.peek(1) in MONTHS:
        day, r.at = int(stripped), r.at + 1
    elif stripped.isdigit() and len(stripped) <= 2 and r.peek(1) == "of" and r.peek(2) in MONTHS:
        day, r.at = int(stripped), r.at + 2
    month = MONTHS.get(r.peek())
    if month is not None:
        r.at += 1
        if day is None and r.peek().rstrip("stndrh").isdigit() and len(r.peek().rstrip("stndrh")) <= 2:
            day = int(r.peek().rstrip("stndrh"))
            r.at += 1
        r.take({","})
    year = r.peek()
    if year.isdigit() and len(year) == 4 and 1850 <= int(year) <= 2199:
        r.at += 1
        number = int(year)
        if month is None:
            return Dates(datetime.date(number, 1, 1), datetime.date(number, 12, 31))
        if day is not None:
            return _day(number, month, day)
        after = datetime.date(number + month // 12, month % 12 + 1, 1)
        return Dates(datetime.date(number, month, 1), after - datetime.timedelta(days=1))
    r.at = at
    return None


def _day(year: int, month: int, day: int) -> Dates | None:
    try:
        date = datetime.date(year, month, day)
    except ValueError:
        return None
    return Dates(date, date)
