"""The commands about words: `words` looks in notes and titles, `complete` carries on a phrase."""

from __future__ import annotations

from pathlib import Path

import click

from cliplib import Library, words_json
from cliplib.cli import terminal


@click.command()
@click.argument("query")
@click.option("--limit", type=click.IntRange(min=0), default=20, show_default=True, help="How many to list.")
@terminal.json_option
@click.pass_obj
def words(folder: Path, query: str, limit: int, as_json: bool) -> None:
    """Find notes and titles with all these words; “quoted words” side by side."""
    hits = Library(folder).finding.words(query, limit=limit)
    if as_json:
        terminal.print_json(words_json(hits))
    else:
        terminal.word_hits(hits)


@click.command()
@click.argument("typed")
@terminal.json_option
@click.pass_obj
def complete(folder: Path, typed: str, as_json: bool) -> None:
    """Carry on a phrase as the search box does: what was searched before first, a line each."""
    phrases = Library(folder).finding.complete(typed)
    if as_json:
        terminal.print_json([{"phrase": phrase} for phrase in phrases])
        return
    for phrase in phrases:
        terminal.say(terminal.plain(phrase))


COMMANDS = (words, complete)
