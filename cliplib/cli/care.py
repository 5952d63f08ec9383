"""The commands that look after a library: `check`, `backup`, `restore`, `forget`."""

from __future__ import annotations

from pathlib import Path

import click

from cliplib import Library, NotFoundError, versions
from cliplib import restore as restore_backup
from cliplib.cli import terminal
from cliplib.cli.progress import ProgressLine


@click.command()
@click.option("--repair", is_flag=True, help="Mend what can be mended.")
@click.option("--deep", is_flag=True, help="Read every byte that the library made, instead of sizes only.")
@click.option("--without", metavar="NAME", help="Also find every file of the library that holds this name.")
@click.pass_obj
@terminal.doing
def check(folder: Path, repair: bool, deep: bool, without: str | None) -> terminal.Done:
    """Look for damage: catalogue, footage, clips, posters, working copies, reels, indexes, leftovers."""
    library = Library(folder)
    with ProgressLine() as progress:
        findings = library.care.check(repair=repair, deep=deep, progress=progress)
    left = sum(not finding.done for finding in findings)
    for finding in findings:
        terminal.say(str(finding))
    holding: tuple[Path, ...] = ()
    if without:
        holding = library.care.mentions(without)
        for path in holding:
            terminal.say(f"{path} holds “{without}”")
        if not holding:
            terminal.say(f"no file of the library holds “{without}”")
        left += len(holding)
    for remark in versions.untried():
        terminal.say(remark)
    if not findings and not left:
        terminal.say("all is well")
    return terminal.Done(
        1 if left else 0,
        findings=[{"what": finding.what, "mended": finding.done or None} for finding in findings],
        holding=[str(path) for path in holding],
        untried=list(versions.untried()),
    )


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--clips", is_flag=True, help="With clips, posters and reels; else they are cut again.")
@click.pass_obj
@terminal.doing
def backup(folder: Path, out: Path, clips: bool) -> terminal.Done:
    """Copy the library into OUT (a .tar file, or a new folder) while people go on logging."""
    library = Library(folder)
    finish_forgetting(library)
    with ProgressLine() as progress:
        made = library.care.backup(out, clips=clips, progress=progress)
    terminal.say(f"{made.out}: {made.fights} fights in {made.files} files")
    if made.missing:
        terminal.say(
            f"{made.missing} clips and posters are not in it; footage and fight folders make them again"
        )
    terminal.say("Fight folders and footage are not part of it: keep copies of them too.")
    return terminal.Done(
        file=str(Path(made.out).absolute()), fights=made.fights, files=made.files, missing=made.missing
    )


@click.command()
@click.argument("backup", type=click.Path(path_type=Path))
@click.pass_obj
@terminal.doing
def restore(folder: Path, backup: Path) -> terminal.Done:
    """Make a library of a backup, at --library, where there must be none yet."""
    with ProgressLine() as progress:
        count = restore_backup(backup, folder, progress)
    library = Library(folder)
    terminal.say(f"{folder}: {len(library.finding.fights())} fights from {count} files")
    lacking = [f for f in library.care.check() if not f.done]
    if lacking:
        terminal.say("“check” tells what is still missing, and “check --repair” makes it again")
    return terminal.Done(
        library=str(folder.absolute()),
        fights=len(library.finding.fights()),
        files=count,
        missing=len(lacking),
    )


@click.command()
@click.argument("fight", required=False)
@click.option("--fighter", metavar="NAME", help="All fights of a fighter, by the whole name.")
@click.option(
    "--save-logs",
    "save_logs_to",
    metavar="FOLDER",
    type=click.Path(path_type=Path, file_okay=False),
    help="First write logs that were made in the library into this folder, as CSV.",
)
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.pass_obj
@terminal.doing
def forget(
    folder: Path, fight: str | None, fighter: str | None, save_logs_to: Path | None, yes: bool
) -> terminal.Done:
    """Take a fight, or a fighter with all fights, out of the library: rows, clips, reels, every name.

    Fight folders and footage stay untouched, and so do backups and files that were written elsewhere.
    """
    library = Library(folder)
    if (fight is None) == (fighter is None):
        raise click.UsageError("Give a fight, or --fighter with a name.")
    finished = finish_forgetting(library)
    try:
        return _forget(library, fight, fighter, save_logs_to, yes)
    except NotFoundError:
        if not finished:  # else that may well be what was asked for again
            raise
    return terminal.Done(finished=list(finished))


def finish_forgetting(library: Library) -> tuple[str, ...]:
    """First of all finish, and say, what somebody was killed at while they forgot it."""
    with ProgressLine() as progress:
        titles = library.care.finish_forgetting(progress)
    for title in titles:
        terminal.say(f"“{title}” was being forgotten when that was cut short; it was taken out now", err=True)
    return titles


def _forget(
    library: Library, fight: str | None, fighter: str | None, save_logs_to: Path | None, yes: bool
) -> terminal.Done:
    rows = (library.finding.fight(fight),) if fight is not None else library.care.fights_of(fighter or "")
    going = library.care.what_goes([row.id for row in rows])
    if save_logs_to is not None:
        for path in library.care.save_logs(going.logs, save_logs_to):
            terminal.say(f"{path} was written")
    if not yes:
        for row in rows:
            terminal.say(f"“{row.title}”, {terminal.many(row.exchanges, 'exchange')}")
        for log in going.logs if save_logs_to is None else ():
            terminal.say(
                f"{log.by}’s log of “{log.fight.title}” (lines: {log.lines}) was written in this library, is "
                "nowhere else, and goes as well; --save-logs FOLDER writes it out first"
            )
        for title in going.reels:
            terminal.say(f"the reel “{title}” shows it, and goes as well")
        terminal.say("What was corrected or drawn here goes with it.")
        click.confirm("Take this out of the library?", abort=True, err=terminal.asking())
    with ProgressLine() as progress:
        done = library.care.forget([row.id for row in rows], progress)
    for row in done.fights:
        terminal.say(f"“{row.title}” was taken out; its folder {row.folder} is as it was")
    for title in done.reels:
        terminal.say(f"the reel “{title}” went along")
    for left in done.left:
        terminal.say(left)
    terminal.say("Backups, and files written elsewhere, are not changed: remove them yourself.")
    return terminal.Done(
        1 if done.left else 0,
        fights=[{"id": row.id, "fight": row.title, "folder": str(row.folder)} for row in done.fights],
        reels=list(done.reels),
        left=list(done.left),
    )


@click.command()
@click.pass_obj
@terminal.doing
def reindex(folder: Path) -> None:
    """Make everything that is derived from the catalogue anew."""
    with ProgressLine() as progress:
        Library(folder).care.reindex(progress)
    terminal.say("done")


COMMANDS = (check, backup, restore, forget, reindex)
