"""The commands that find and show: `explain`, `find`, `clip`, `fights`."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TextIO

import click

from cliplib import Library, clip_json, found_json, reading_json
from cliplib.cli import filters as filters_of
from cliplib.cli import play as player
from cliplib.cli import terminal


@click.command()
@click.argument("phrase", required=False)
@click.option("--strict", is_flag=True, help="Refuse a phrase with words that are not understood.")
@click.option(
    "--lines",
    type=click.File(encoding="utf-8", errors="surrogateescape"),
    metavar="FILE",
    help="Instead: read a phrase a line from a file (- is the input), and print a JSON object a line.",
)
@click.option("--trace", is_flag=True, help="Show the rules that the reading went by, and the runner-up.")
@terminal.json_option
@click.pass_obj
def explain(
    folder: Path, phrase: str | None, strict: bool, lines: TextIO | None, trace: bool, as_json: bool
) -> None:
    """Say how a phrase is read."""
    if (phrase is None) == (lines is None):
        raise click.UsageError("Give a phrase, or --lines with a file of phrases.")
    library = Library(folder)
    if lines is not None:
        for line in lines:  # an empty line is a phrase, too: one object a line, whatever it holds
            read = library.finding.explain(line.rstrip("\r\n"), strict=strict)
            terminal.json_line(reading_json(read))
        return
    assert phrase is not None
    if trace:
        for step in library.finding.trace(phrase):
            terminal.say(step)
        return
    reading = library.finding.explain(phrase, strict=strict)
    if as_json:
        terminal.print_json(reading_json(reading))
    else:
        terminal.reading(reading)


@click.command()
@click.argument("phrase", default="")
@filters_of.options
@click.option(
    "--order", type=click.Choice(["fit", "date", "round", "fighter"]), default="fit", show_default=True
)
@click.option("--limit", type=click.IntRange(min=0), default=20, show_default=True, help="How many to list.")
@click.option("--offset", type=click.IntRange(min=0), default=0, help="How many to pass over first.")
@click.option("--strict", is_flag=True, help="Refuse a phrase with words that are not understood.")
@click.option("--all-logs", is_flag=True, help="Also what a second logger told of the same moments.")
@click.option("--open", "open_", is_flag=True, help="Play the listed clips in the system's player.")
@terminal.json_option
@click.pass_obj
def find(
    folder: Path,
    /,
    phrase: str,
    order: str,
    limit: int,
    offset: int,
    strict: bool,
    all_logs: bool,
    open_: bool,
    as_json: bool,
    **filters: Any,
) -> None:
    """Find the exchanges that a phrase describes, in all fights, with counts."""
    library = Library(folder)
    where = filters_of.where(library, filters)
    found = library.finding.find(
        phrase,
        where=where,
        order=order,
        offset=offset,
        limit=limit,
        strict=strict,
        second_opinions=all_logs,
    )
    if as_json:
        terminal.print_json(found_json(found))
    else:
        terminal.found(found)
        if found.reading.unread:
            terminal.word_hits(
                library.finding.words(" ".join(u.text for u in found.reading.unread), limit=limit)
            )
    if open_:
        player.play([c.file for c in found.clips if c.file], library.folder)


@click.command()
@click.argument("clip_id", type=int, metavar="CLIP")
@click.option("--open", "open_", is_flag=True, help="Play it in the system's player.")
@terminal.json_option
@click.pass_obj
def clip(folder: Path, clip_id: int, open_: bool, as_json: bool) -> None:
    """Show one clip: where it is from, what happens in it, its file."""
    library = Library(folder)
    row = library.finding.clip(clip_id)
    if as_json:
        terminal.print_json(clip_json(row))
    else:
        terminal.clip(row)
    if open_:
        player.play([row.file] if row.file else [], library.folder)


@click.command()
@terminal.json_option
@click.pass_obj
def fights(folder: Path, as_json: bool) -> None:
    """List the fights."""
    rows = Library(folder).finding.fights()
    if as_json:
        terminal.print_json([terminal.fight_json(row) for row in rows])
    else:
        terminal.fights(rows)


COMMANDS = (explain, find, clip, fights)
