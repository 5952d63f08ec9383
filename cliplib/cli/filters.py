"""The filters of `find`, as options and as a Where; and the looks of a reel."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

import click

from cliplib import Library, Where, dates, rounds_in

if TYPE_CHECKING:
    from cliplib import ReelSettings

F = TypeVar("F", bound=Callable[..., Any])
_AS_THEY_ARE = (
    "fighter", "opponent", "stance", "opponent_stance", "place", "outcome", "before", "during", "after",
    "views",
)  # fmt: skip
_STANCES = click.Choice(["orthodox", "southpaw"])

_PERIODS = (
    click.option("--during", help="In the period of that name, as a fight's fight.toml has it."),
    click.option("--before", help="Before the period of that name."),
    click.option("--after", help="After it."),
)
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
    *_PERIODS,
    click.option("--place", help="centre, ropes or corner."),
    click.option(
        "--views", type=click.Choice(["too", "only"]), help="What lies in replays, which else is left out."
    ),
    click.option("--outcome", help="landed, partial, blocked, missed, knockdown, hurt or unknown."),
)


def options(command: F) -> F:
    """Add the filters to a command."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def period_options(command: F) -> F:
    """Add those of the filters that say a period; see `periods`."""
    for option in reversed(_PERIODS):
        command = option(command)
    return command


def periods(given: dict[str, Any]) -> dict[str, str]:
    """The periods given, as an evidence table's `only` takes them."""
    return {side: given[side] for side in ("before", "during", "after") if given.get(side)}


def where(library: Library, given: dict[str, Any]) -> Where:
    """What was given as a Where. Raises InputError for a value that makes no sense, NotFoundError for a name
    that nobody has."""
    found = Where(
        rounds=tuple(r for text in given["rounds"] for r in rounds_in(text)),
        dates=_dates(given["date"], given["first"], given["last"]),
        **{name: given[name] for name in _AS_THEY_ARE if given[name]},
    )
    if given["fight"]:
        found = library.finding.within(found, given["fight"])
    return library.finding.checked(found)


def given_any(given: dict[str, Any]) -> bool:
    """Whether any filter was given."""
    return any(value not in (None, ()) for value in given.values())


def _dates(
    date: str | None, first: str | None, last: str | None
) -> tuple[datetime.date | None, datetime.date | None] | None:
    if date is not None and (first is not None or last is not None):
        raise click.UsageError("--date says it all; leave out --from and --to.")
    if date is not None:
        return dates.span(date)
    return dates.period(first, last)


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
