"""The commands for breakdowns, `breakdown new, list, show, put, check, voice, takes, build, bundle, remove`,
and `beside` for two clips at once."""

from __future__ import annotations

from pathlib import Path
from typing import TextIO

import click

from cliplib import InputError, Library, ReelSettings
from cliplib.cli import filters, terminal
from cliplib.cli.progress import ProgressLine

_json = terminal.json_option
_name = click.argument("name")
_point = click.argument("point")


@click.group()
def breakdown() -> None:
    """An argument in points, each said and shown: a Markdown file that links to clips and counts, and the
    film of it.

    \b
    # Title                          text under it: what it is about
    ## A point                       paragraphs: what is said
    [9 of 14](<count:jab?rounds=1-2>)  in them: a count that `check` recounts
    - [the first try](clip:12 "slow 0.5, freeze 1.5")    list items: what is shown
    - [before and after](beside:7,31)
    """


@breakdown.command()
@click.argument("title")
@click.option("--phrase", default="", help="Begin with what this finds: its count and its first clips.")
@_json
@click.pass_obj
def new(folder: Path, title: str, phrase: str, as_json: bool) -> None:
    """Begin a breakdown; print where its text is."""
    library = Library(folder)
    made = library.making.breakdowns.one(library.making.breakdowns.new(title, phrase))
    if as_json:
        terminal.print_json(made.as_json())
    else:
        terminal.say(f"{made.name}: {made.text}")


@breakdown.command("list")
@_json
@click.pass_obj
def list_(folder: Path, as_json: bool) -> None:
    """List the breakdowns of the library."""
    found = Library(folder).making.breakdowns.all()
    if as_json:
        terminal.print_json([one.as_json() for one in found])
        return
    for one in found:
        count = len(one.points)
        film = str(one.film) if one.film else "not built yet"
        private = ", private" if one.private else ""
        terminal.say(f"{one.name}: {one.title} ({count} point{'s' * (count != 1)}{private}), {film}")


@breakdown.command()
@_name
@_json
@click.pass_obj
def show(folder: Path, name: str, as_json: bool) -> None:
    """Print a breakdown's text as it was written."""
    text = Library(folder).making.breakdowns.text(name)
    if as_json:
        terminal.print_json({"name": name, "text": text})
        return
    click.echo(text.encode("utf-8", "surrogateescape"), nl=False)


@breakdown.command()
@click.argument("file", type=click.File(encoding="utf-8"))
@click.option("--name", help="The breakdown whose place it takes; else it is a new one.")
@click.pass_obj
@terminal.doing
def put(folder: Path, file: TextIO, name: str | None) -> terminal.Done:
    """Keep a text (- reads it from the input) as a breakdown; print its name."""
    try:
        text = file.read()
    except UnicodeDecodeError as problem:
        raise InputError(f"{file.name} is not UTF-8; save it as UTF-8") from problem
    kept = Library(folder).making.breakdowns.put(name, text)
    terminal.say(kept)
    return terminal.Done(name=kept)


@breakdown.command()
@_name
@click.option(
    "--update", is_flag=True, help="Write counts as they are now, and take shots as they are cut now."
)
@_json
@click.pass_obj
def check(folder: Path, name: str, update: bool, as_json: bool) -> int:
    """Recount every count and look for every shot. Exit code 1 if something is otherwise than it says."""
    found = Library(folder).making.breakdowns.check(name, update=update)
    if as_json:
        terminal.print_json(found.as_json())
        return 0 if found.well or found.updated else 1
    for one in found.recounts.counts:
        terminal.say(f"line {one.link.line}: {one.sentence}")
    for held in found.recounts.comparisons:
        terminal.say(f"line {held.line}: {held.said}")
    for shot in found.shots:
        terminal.say(f"line {shot.line}: “{shot.label}”: {shot.said}")
    for said in (*found.problems, *found.takes):
        terminal.say(said)
    for said in found.kept:
        terminal.say(said, err=True)
    for said in found.updated:
        terminal.say(f"updated, line {said}")
    if found.well:
        terminal.say("everything is as it says")
    return 0 if found.well or found.updated else 1


@breakdown.command()
@_name
@_point
@click.argument("sound", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.pass_obj
@terminal.doing
def voice(folder: Path, name: str, point: str, sound: Path) -> terminal.Done:
    """Give a point a sound file as its voice; its shots then run over that file's length. POINT is its
    number or its heading."""
    breakdowns = Library(folder).making.breakdowns
    with ProgressLine() as progress:
        take = breakdowns.takes(name, breakdowns.point_named(name, point)).bring(sound, progress)
    terminal.say(f"take {take}")
    return terminal.Done(name=name, take=take)


@breakdown.command()
@_name
@_point
@click.option("--choose", help="Use this take from now on.")
@_json
@click.pass_obj
def takes(folder: Path, name: str, point: str, choose: str | None, as_json: bool) -> None:
    """List the takes of a point, or choose one."""
    breakdowns = Library(folder).making.breakdowns
    kept = breakdowns.takes(name, breakdowns.point_named(name, point))
    if choose is not None:
        kept.choose(choose)
    found = kept.all()
    if as_json:
        terminal.print_json([one.as_json() for one in found])
        return
    for one in found:
        said = "; ".join((*(["chosen"] if one.chosen else []), *one.notes))
        terminal.say(
            f"take {one.name}: {one.seconds:.1f} s{' from a sound file' if one.given else ''} {said}"
        )


@breakdown.command()
@_name
@_json
@click.pass_obj
def build(folder: Path, name: str, as_json: bool) -> None:
    """Make the film, and beside it description, captions, sources, script and timelines."""
    library = Library(folder)
    with ProgressLine() as progress:
        report = library.making.breakdowns.build(name, progress)
    if as_json:
        beside = library.making.breakdowns.one(name).beside
        terminal.print_json({**report.as_json(), "beside": [str(path) for path in beside]})
        return
    terminal.say(f"{report.out}: {float(report.frames / report.rate):.1f} s, {len(report.points)} points")
    for path in library.making.breakdowns.one(name).beside:
        terminal.say(f"  {path}")
    for note in report.notes:
        terminal.say(note, err=True)
    terminal.whose()


@breakdown.command()
@_name
@click.option(
    "-o",
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="The folder to write.",
)
@click.pass_obj
@terminal.doing
def bundle(folder: Path, name: str, out: Path) -> terminal.Done:
    """Write a folder that plays in any browser without the library: open its index.html."""
    with ProgressLine() as progress:
        names = Library(folder).making.breakdowns.bundle(name, out, progress)
    terminal.say(f"{out / 'index.html'}: {len(names)} files")
    terminal.whose()
    return terminal.Done(folder=str(out), files=list(names))


@breakdown.command()
@_name
@click.pass_obj
@terminal.doing
def remove(folder: Path, name: str) -> terminal.Done:
    """Throw a breakdown away with its takes and its film; the clips stay."""
    Library(folder).making.breakdowns.remove(name)
    return terminal.Done(name=name)


@click.command()
@click.argument("first", type=int)
@click.argument("second", type=int)
@click.option("--phrase", default="", help="What they match: they meet at its last action.")
@click.option(
    "--offset", type=int, default=0, help="Show the second so many frames later; less than 0: earlier."
)
@click.option(
    "--mirror", type=click.Choice(["both", "first", "second"]), help="Which is shown the other way round."
)
@click.option("--slow", type=click.FloatRange(0.05, 1), help="Show it again at this share of the speed.")
@click.option("--title", help="What the title card says.")
@click.option("--no-captions", is_flag=True, help="No lines under the pictures.")
@click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The file to write."
)
@click.option("--force", is_flag=True, help="Write over a file that is no reel of ours.")
@_json
@click.pass_obj
def beside(
    folder: Path,
    /,
    first: int,
    second: int,
    phrase: str,
    offset: int,
    mirror: str | None,
    slow: float | None,
    title: str | None,
    no_captions: bool,
    out: Path,
    force: bool,
    as_json: bool,
) -> None:
    """Make a video of two clips at once, in step at their last matched actions."""
    library = Library(folder)
    library.making.check_reel(out, over=force)
    settings = ReelSettings(title=title or "", cards=bool(title))
    settings = filters.reel_settings(settings, None, None, no_captions, False)
    with ProgressLine() as progress:
        report = library.making.beside(
            first, second, out, matching=phrase, offset=offset, mirror=mirror or "", slow=slow,
            settings=settings, progress=progress,
        )  # fmt: skip
    if as_json:
        terminal.print_json(report.as_json())
    else:
        terminal.reel(report)


COMMANDS = (breakdown, beside)
