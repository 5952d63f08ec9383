"""Days, months and years as people write them, as the days they span."""

from __future__ import annotations

import calendar
import datetime
import re

from cliplib.core.errors import InputError

Period = tuple[datetime.date | None, datetime.date | None]


def span(text: str) -> tuple[datetime.date, datetime.date]:
    """First and last day of a day, month or year; InputError for anything else."""
    match = re.fullmatch(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?", text.strip())
    try:
        if match is None:
            raise ValueError
        year, month, day = (int(part) if part else None for part in match.groups())
        assert year is not None
        if month is None:
            return datetime.date(year, 1, 1), datetime.date(year, 12, 31)
        if day is None:
            last = calendar.monthrange(year, month)[1]
            return datetime.date(year, month, 1), datetime.date(year, month, last)
        return (datetime.date(year, month, day),) * 2
    except ValueError as error:
        raise InputError(f"“{text}” is no date; write 2024-05-11, 2024-05 or 2024") from error


def period(first: str | None, last: str | None) -> Period | None:
    """From the beginning of `first` to the end of `last`; None if neither is given."""
    if first is None and last is None:
        return None
    begin = span(first)[0] if first is not None else None
    end = span(last)[1] if last is not None else None
    if begin and end and end < begin:
        raise InputError(f"{first} is after {last}; give the earlier one first")
    return begin, end
