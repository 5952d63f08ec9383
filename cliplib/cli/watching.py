"""The command that has a film looked at, and decides what is proposed: `watch`."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cliplib import InputError, Library, format_time, proposal_json
from cliplib.cli import terminal
from cliplib.cli.progress import ProgressLine

if TYPE_CHECKING:
    from cliplib import FilmProposals

DRAWN = "Found by machine, tested on drawn film only: check it."
"""What is said wherever proposals are shown."""


@click.command()
@click.argument("which", required=False, metavar="[FIGHT]")
@click.option("--list", "list_", is_flag=True, help="Only list what is proposed.")
@click.option("--accept", multiple=True, metavar="ID", help="It is so; “both”: all that both sources say.")
@click.option("--refuse", multiple=True, type=int, metavar="ID", help="It is not so.")
@click.option("--undo", multiple=True, type=int, metavar="ID", help="Take a decision back.")
@click.option("--by", help="Who decides; else whoever is signed in to this machine.")
@click.option("--report", is_flag=True, help="How many proposals were accepted and refused, by kind.")
@click.pass_obj
@terminal.doing
def watch(
    folder: Path,
    which: str | None,
    list_: bool,
    accept: tuple[str, ...],
    refuse: tuple[int, ...],
    undo: tuple[int, ...],
    by: str | None,
    report: bool,
) -> terminal.Done:
    """Have a fight's film looked at: rounds and replays that are found are proposed; nothing is logged.

    FIGHT is its number or a part of its title. It may be stopped at any time and goes on where it was.
    """
    library = Library(folder)
    if report:
        return _report(library)
    if which is None:
        raise click.UsageError("Say which fight: its number or a part of its title; or --report.")
    fight = library.finding.fight(which)
    watching = library.logging.watching
    if accept or refuse or undo:
        _decide(library, fight.id, accept, refuse, undo, by or _somebody())
    elif not list_:
        with ProgressLine() as progress:
            watching.watch(fight.id, progress)
    told = watching.of(fight.id)
    _show(told)
    return terminal.Done(
        fight=fight.title,
        looked=told.looked,
        other_footage=told.other,
        proposals=[proposal_json(one) for one in told.proposals],
        notes=list(told.notes),
        quiet=None
        if told.quiet is None
        else {"useful": told.quiet.useful, "spans": [list(s) for s in told.quiet.spans]},
    )


def _decide(
    library: Library,
    fight_id: int,
    accept: tuple[str, ...],
    refuse: tuple[int, ...],
    undo: tuple[int, ...],
    by: str,
) -> None:
    watching = library.logging.watching
    for number in undo:
        watching.take_back(fight_id, number)
    for number in refuse:
        watching.refuse(fight_id, number, by)
    for text in accept:
        if text == "both":
            count = watching.accept_both(fight_id, by)
            terminal.say(f"{terminal.many(count, 'round')} accepted, on which bell and clock agree")
        elif text.isdecimal() and len(text) < 10:
            watching.accept(fight_id, int(text), by)
        else:
            raise InputError(f"“{text[:40]}” is no proposal; write its number, or both")


def _somebody() -> str:
    try:
        return getpass.getuser()
    except OSError as error:
        raise InputError("say who decides, with --by") from error


def _show(told: FilmProposals) -> None:
    if told.looked is None:
        terminal.say("This film was not looked at yet.")
    elif told.other:
        terminal.say(
            "The footage, or the way in which films are looked at, has changed since then; look at it again."
        )
    terminal.table(
        ("id", "film", "what", "how sure", "decided"),
        [
            (
                str(one.id),
                f"{format_time(one.from_us, 1)} to {format_time(one.until_us, 1)}",
                f"{one.kind} {one.number}" if one.number else one.kind,
                " ".join(filter(None, (one.sureness, one.verdict and f"({one.verdict})"))),
                f"{one.decision} by {one.by}" if one.decision else "",
            )
            for one in told.proposals
        ],
        give=3,
    )
    for one in told.open:
        terminal.say(terminal.plain(f"{one.id}: {'; '.join(one.evidence)}"))
    for note in (*told.notes, *(told.quiet.said if told.quiet else ())):
        terminal.say(terminal.plain(f"Note: {note}"))
    if told.proposals:
        terminal.say(DRAWN)


def _report(library: Library) -> terminal.Done:
    rows = library.logging.watching.report()
    terminal.table(
        ("kind", "how sure", "accepted", "changed", "refused", "open"),
        [(r.kind, r.sureness, *map(str, (r.accepted, r.changed, r.refused, r.open))) for r in rows],
        give=1,
    )
    names = ("kind", "sureness", "accepted", "changed", "refused", "open")
    return terminal.Done(kinds=[{name: getattr(r, name) for name in names} for r in rows])


COMMANDS = (watch,)
