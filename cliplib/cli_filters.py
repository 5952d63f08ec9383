"""The filters of `find`, as options and as a Where; and the looks of a reel."""

from __future__ import annotations

import calendar
import datetime
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

import click

from cliplib.errors import InputError
from cliplib.library import Library, ReelSettings
from cliplib.models import Where

F = TypeVar("F", bound=Callable[..., Any])
_STANCES = click.Choice(["orthodox", "southpaw"])

_OPTIONS = (
    click.option("--fighter", help="Who does it; any part of the name that only one has."),
    click.option("--opponent", help="To whom."),
    click.option("--stance", type=_STANCES, help="The fighter's stance at that moment."),
    click.option("--opponent-stance", type=_STANCES, help="The opponent's."),
    click.option("--round", "rounds", multiple=True, help="A number, 2-4, last or late; may be repeated."),
    click.option("--fight", help="A fight by number or a part of its title."),
    click.option("--date", help="A day, month or year: 2024-05-11, 2024-05, 2024."),
    click.option("--from", "first", help="Not before that day."),
    click.option("--to", "last", help="Not after that day."),
    click.option("--place", help="centre, ropes or corner."),
    click.option("--outcome", help="landed, partial, blocked, missed, knockdown, hurt or unknown."),
)


def options(command: F) -> F:
    """Add the filters to a command."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def where(library: Library, given: dict[str, Any]) -> Where:
    """What was given as a Where. Raises InputError for a value that makes no sense, NotFoundError for a name
    that nobody has."""
    found = Where(
        stance=given["stance"],
        opponent_stance=given["opponent_stance"],
        rounds=tuple(r for text in given["rounds"] for r in _rounds(text)),
    )
    if given["fighter"]:
        found = replace(found, fighter=library.fighter_named(given["fighter"]))
    if given["opponent"]:
        found = replace(found, opponent=library.fighter_named(given["opponent"]))
    dates = _dates(given["date"], given["first"], given["last"])
    if given["fight"]:
        fight = library.fight(given["fight"])
        found = replace(found, fight=fight.title)
        if fight.info.date is not None and dates is None:
            dates = (fight.info.date, fight.info.date)  # a title may have been used on another day
    for name, known in (("place", library.vocabulary.places), ("outcome", library.vocabulary.outcomes)):
        value = given[name]
        if value is not None:
            value = value.strip().casefold()
            if value not in (*known, "unknown"):
                raise InputError(f"“{value}” is no {name}; there are {', '.join(known)}")
            found = replace(found, **{name: value})
    return replace(found, dates=dates)


def _rounds(text: str) -> list[int | str]:
    if text in ("last", "late", "early", "middle", "first half", "second half"):
        return [text]
    match = re.fullmatch(r"(\d{1,3})(?:\s*-\s*(\d{1,3}))?", text.strip())
    if match is None or (match[2] and int(match[2]) < int(match[1])):
        raise InputError(
            f"“{text}” is no round; write a number, 2-4, last, late, early, middle, first half or second half"
        )
    return list(range(int(match[1]), int(match[2] or match[1]) + 1))


def _dates(
    date: str | None, first: str | None, last: str | None
) -> tuple[datetime.date | None, datetime.date | None] | None:
    if date is not None and (first is not None or last is not None):
        raise click.UsageError("--date says it all; leave out --from and --to.")
    if date is not None:
        return _span(date)
    if first is None and last is None:
        return None
    begin = _span(first)[0] if first is not None else None
    end = _span(last)[1] if last is not None else None
    if begin and end and end < begin:
        raise InputError(f"--from {first} is after --to {last}")
    return begin, end


def _span(text: str) -> tuple[datetime.date, datetime.date]:
    """First and last day of a day, month or year."""
    match = re.fullmatch(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?", text.strip())
    try:
        if match is None:
            raise ValueError
        year, month, day = (int(part) if part else None for part in match.groups())
        assert year is not None
        if month is None:
            return datetime.date(year, 1, 1), datetime.date(year, 12, 31)
        if day is None:
            return datetime.date(year, month, 1), datetime.date(
                year, month, calendar.monthrange(year, month)[1]
            )
        return (datetime.date(year, month, day),) * 2
    except ValueError as error:
        raise InputError(f"“{text}” is no date; write 2024-05-11, 2024-05 or 2024") from error


def reel_settings(
    settings: ReelSettings, title: str | None, preset: str | None, no_captions: bool, no_cards: bool
) -> ReelSettings:
    """`settings` with what was said on the command line."""
    if title is not None:
        settings = replace(settings, title=title)
    if preset is not None:
        settings = replace(settings, preset=preset)
    if no_captions:
        settings = replace(settings, captions=False)
    if no_cards:
        settings = replace(settings, cards=False)
    return settings
