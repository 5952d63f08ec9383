"""The commands that show the evidence behind a claim: counts, what comes next, changes, answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from cliplib.cli import evidence_tables as show
from cliplib.cli import filters as cli_filters
from cliplib.cli import followup, terminal
from cliplib.cli import play as cli_play
from cliplib.cli.agreement import agree
from cliplib.core.errors import InputError
from cliplib.library.evidence.jsonform import (
    answers_json,
    caught_json,
    change_json,
    compare_json,
    next_json,
    tally_json,
)
from cliplib.library.evidence.report import fight_report, fighter_report
from cliplib.library.library import Library
from cliplib.report import html, pdf
from cliplib.tally import CATEGORIES, KEYS

F = TypeVar("F", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for scripts.")
only_option = click.option(
    "--only",
    multiple=True,
    metavar="KEY=VALUE",
    help=f"Count only where the counted action has this value; keys: {', '.join(KEYS)}, from, to.",
)
clips_option = click.option("--clips", is_flag=True, help="List the clips behind the numbers.")
open_option = click.option("--open", "open_", is_flag=True, help="Play those clips in the system's player.")


def register(group: click.Group) -> None:
    """Add these commands to `cliplib`."""
    for command in (tally, following, compare, change, answers, agree, report):
        group.add_command(command)


def _common(command: F) -> F:
    for option in (json_option, only_option):
        command = option(command)
    return cli_filters.options(command)


@click.command()
@click.argument("phrase", default="")
@click.option(
    "--by", multiple=True, type=click.Choice(KEYS), help="Count separately by this; may be repeated."
)
@_common
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV, for a spreadsheet.")
@clips_option
@click.option(
    "--went", type=click.Choice(CATEGORIES), help="With --clips: only those; landed has knockdowns in it."
)
@open_option
@click.option("--ids", is_flag=True, help="With --json: the numbers of the clips behind each count.")
@click.pass_obj
def tally(
    folder: Path,
    /,
    phrase: str,
    by: tuple[str, ...],
    only: tuple[str, ...],
    as_json: bool,
    as_csv: bool,
    clips: bool,
    went: str | None,
    open_: bool,
    ids: bool,
    **filters: Any,
) -> None:
    """Count what a phrase finds: tried, landed, blocked, missed; how often a minute; with intervals."""
    library = Library(folder)
    found = library.evidence.tally(phrase, by, where=cli_filters.where(library, filters), only=_pairs(only))
    if clips or open_:
        _show_clips(library, found.table.clips(None, went), open_)
    elif as_json:
        terminal.as_json(tally_json(found, ids=ids))
    elif as_csv:
        show.counts_csv(found)
    else:
        show.counts(found, phrase, only, followup.filters(filters, tally.params))


@click.command(name="next")
@click.argument("phrase")
@_common
@click.pass_obj
def following(folder: Path, /, phrase: str, only: tuple[str, ...], as_json: bool, **filters: Any) -> None:
    """What comes after a phrase: what the same fighter and the opponent do next, how often, how fast."""
    library = Library(folder)
    found = library.evidence.next(phrase, where=cli_filters.where(library, filters), only=_pairs(only))
    if as_json:
        terminal.as_json(next_json(found))
        return
    terminal.reading(found.reading)
    terminal.say(f"{len(found.table.tries)} tries")
    for title, rows in (("The same fighter next", found.table.own), ("The opponent next", found.table.other)):
        terminal.say(f"\n{title}")
        terminal.table(
            ("what", "times", "share", "gap s", "middle half", "landed"), map(show.next_cells, rows), give=0
        )
    show.definitions(found.definitions)


@click.command()
@click.argument("phrase")
@click.option("--this", multiple=True, required=True, metavar="KEY=VALUE", help="One side; may be repeated.")
@click.option("--that", multiple=True, required=True, metavar="KEY=VALUE", help="The other side.")
@click.option("--by", type=click.Choice(KEYS), help="Compare also by this.")
@_common
@click.pass_obj
def compare(
    folder: Path,
    /,
    phrase: str,
    this: tuple[str, ...],
    that: tuple[str, ...],
    by: str | None,
    only: tuple[str, ...],
    as_json: bool,
    **filters: Any,
) -> None:
    """Two fighters, fights, rounds or periods beside each other. A period is from=2024-01, to=2024-06 or
    both."""
    library = Library(folder)
    where = cli_filters.where(library, filters)
    found = library.evidence.compare(
        phrase, _pairs(this), _pairs(that), by=by, where=where, only=_pairs(only)
    )
    if as_json:
        terminal.as_json(compare_json(found))
    else:
        show.compared(found)


@click.command()
@click.argument("phrase")
@click.argument("fight")
@click.option(
    "--of",
    "kind",
    type=click.Choice(["rate", "frequency"]),
    default="rate",
    show_default=True,
    help="Change of what: the share that landed, or how often it was tried.",
)
@only_option
@json_option
@click.pass_obj
def change(folder: Path, phrase: str, fight: str, kind: Any, only: tuple[str, ...], as_json: bool) -> None:
    """When did it change in a fight, and what was done instead? FIGHT is its number or part of its title."""
    found = Library(folder).evidence.change(phrase, fight, kind, only=_pairs(only))
    if as_json:
        terminal.as_json(change_json(found))
    else:
        show.changed(found, phrase, only)


@click.command()
@click.argument("phrase")
@_common
@click.option("--defence", is_flag=True, help="PHRASE is a defence: what is it caught by?")
@click.option("--any-stance", is_flag=True, help="Do not separate open and closed stances.")
@click.pass_obj
def answers(
    folder: Path,
    /,
    phrase: str,
    only: tuple[str, ...],
    as_json: bool,
    defence: bool,
    any_stance: bool,
    **filters: Any,
) -> None:
    """Which answers beat an attack, by stance match; with --defence, what a defence is caught by."""
    library = Library(folder)
    where = cli_filters.where(library, filters)
    if defence:
        caught = library.evidence.caught(phrase, where=where, only=_pairs(only))
        if as_json:
            terminal.as_json(caught_json(caught))
            return
        terminal.reading(caught.reading)
        terminal.say(f"{len(caught.tries)} tries\n")
        rows = [
            (
                row.attack,
                f"{row.against_landed} of {row.against_known}",
                str(row.against),
                f"{row.next_landed} of {row.next_known}",
                str(row.next),
            )
            for row in caught.rows
        ]
        terminal.table(("punch", "against: landed", "tries", "next: landed", "tries"), rows, give=0)
        show.definitions(caught.definitions)
        return
    found = library.evidence.answers(phrase, stances=not any_stance, where=where, only=_pairs(only))
    if as_json:
        terminal.as_json(answers_json(found))
        return
    terminal.reading(found.reading)
    terminal.say(f"{len(found.result.tries)} tries\n")
    lines = [
        (
            row.response,
            row.stances,
            str(row.times),
            f"{row.attack_landed} of {row.attack_known}",
            f"{row.punch_landed} of {row.punch_known}",
            f"{row.beaten} of {row.beaten_known}",
            show.interval(row.beaten_rate),
        )
        for row in found.result.rows
    ]
    head = ("answer", "stances", "times", "attack landed", "answer landed", "beaten", "interval")
    terminal.table(head, lines, give=0)
    show.definitions(found.definitions)


@click.command()
@click.argument("what", type=click.Choice(["fight", "fighter"]))
@click.argument("name")
@click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="report.html or .pdf"
)
@click.pass_obj
def report(folder: Path, what: str, name: str, out: Path) -> None:
    """A report of a fight or a fighter as one HTML or PDF file, with charts and their tables."""
    library = Library(folder)
    if out.suffix.casefold() not in (".html", ".htm", ".pdf"):
        raise InputError(f"{out}: a report ends in .html or .pdf")
    library.check_out(out)
    if what == "fight":
        made = fight_report(library.evidence, library.fight(name))
    else:
        made = fighter_report(library.evidence, library.fighter_named(name))
    data = pdf(made) if out.suffix.casefold() == ".pdf" else html(made).encode("utf-8", "replace")
    part = out.with_name(f".{out.name}.part")
    part.write_bytes(data)
    part.replace(out)
    terminal.say(str(out))


def _show_clips(library: Library, ids: Sequence[int], play: bool) -> None:
    rows = library.clips(ids)
    terminal.say(f"{len(rows)} exchange{'' if len(rows) == 1 else 's'}\n")
    head = ("id", "fight", "round", "clock", "what happened", "outcome")
    terminal.table(head, map(terminal.clip_cells, rows), give=4)
    if play:
        cli_play.play([r.file for r in rows if r.file], library.folder / "cache" / "found.m3u8")


def _pairs(given: Sequence[str]) -> dict[str, str]:
    """KEY=VALUE options as a mapping; InputError for anything else."""
    found: dict[str, str] = {}
    for item in given:
        key, equals, value = item.partition("=")
        key = key.strip().casefold()
        if not equals or not key or not value.strip():
            raise InputError(f"“{item}” is not KEY=VALUE; write, for example, round=3")
        if key in found:
            raise InputError(f"{key} is given twice; one value can be chosen at a time")
        found[key] = value.strip()
    return found
