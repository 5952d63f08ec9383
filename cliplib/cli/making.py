"""The commands that make film, `reel` and `export`, that hand it on, `handover` and `bundle`, and those for
themes: `themes list, show, put, remove, build`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, TextIO

import click

from cliplib import (
    HANDOVER_KINDS,
    ClipChange,
    InputError,
    Library,
    MadeReel,
    ReelSettings,
    Source,
    Theme,
    Where,
    read_theme,
    rebuild_problem,
)
from cliplib.cli import filters, terminal
from cliplib.cli.progress import ProgressLine

_theme = click.option("--theme", type=click.Path(path_type=Path), help="A theme file instead of a phrase.")
_clips = click.option("--clips", help="Clips by number, in that order: 12,4,31.")
_reel = click.option("--reel", help="A reel kept in the library, by its name.")
_title = click.option("--title", help="What the title card says.")
_out = click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The file to write."
)


@click.command()
@click.argument("phrase", required=False)
@click.option("--theme", type=click.Path(path_type=Path), help="A theme file instead of a phrase.")
@click.option("--clips", help="Clips by number, in that order: 12,4,31; 7+31 shows two at once, in step.")
@filters.options
@_out
@click.option("--force", is_flag=True, help="Write over a file that is no reel of ours.")
@click.option("--title", help="What the title card says.")
@click.option(
    "--preset", type=click.Choice(["standard", "tablet", "phone", "archive"]), help="Made for what."
)
@click.option("--no-captions", is_flag=True, help="No lines under the picture.")
@click.option("--no-cards", is_flag=True, help="No title and end card.")
@terminal.json_option
@click.pass_obj
def reel(
    folder: Path,
    /,
    phrase: str | None,
    theme: Path | None,
    clips: str | None,
    out: Path,
    force: bool,
    title: str | None,
    preset: str | None,
    no_captions: bool,
    no_cards: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Make one video of the clips that a phrase finds: an .mp4."""
    library = Library(folder)
    if sum(one is not None for one in (phrase, theme, clips)) != 1:
        raise click.UsageError("Give one of these: a phrase, --theme or --clips.")
    if clips is not None and filters.given_any(given):
        raise click.UsageError("Clips by number are those very clips; leave out the filters.")
    where = filters.where(library, given) if clips is None else None
    library.making.check_reel(out, over=force)
    source: Source
    changes: list[ClipChange] = []
    settings = ReelSettings(title=phrase or "Picked clips")
    if theme is not None:
        source = read_theme(theme)
        settings = source.settings
    elif clips is not None:
        source, changes = _pairs(clips)
    else:
        assert phrase is not None
        source = phrase
    settings = filters.reel_settings(settings, title, preset, no_captions, no_cards)
    with ProgressLine() as progress:
        report = library.making.reel(
            source, out, where=where, changes=changes, settings=settings, progress=progress
        )
    if as_json:
        terminal.print_json(report.as_json())
    else:
        terminal.reel(report)
        terminal.whose()


@click.command()
@click.argument("clip_id", type=int, metavar="CLIP")
@_out
@click.option("--drawings", is_flag=True, help="With what is drawn on it; the picture is encoded anew.")
@click.pass_obj
@terminal.doing
def export(folder: Path, clip_id: int, out: Path, drawings: bool) -> terminal.Done:
    """Write a clip as a file to hand to somebody: exact in any player, nothing hidden around it."""
    with ProgressLine() as progress:
        result = Library(folder).making.export_clip(clip_id, out, drawings=drawings, progress=progress)
    terminal.say(f"{out}{f' ({result.why})' if result.why else ''}")
    terminal.whose()
    return terminal.Done(clip=clip_id, file=str(out.absolute()), how=result.how, why=result.why or None)


@click.command()
@click.argument("kind", type=click.Choice(HANDOVER_KINDS))
@click.argument("phrase", required=False)
@_theme
@_clips
@_reel
@filters.options
@_title
@click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The file to write."
)
@click.pass_obj
@terminal.doing
def handover(
    folder: Path,
    kind: str,
    phrase: str | None,
    theme: Path | None,
    clips: str | None,
    reel: str | None,
    title: str | None,
    out: Path,
    **given: Any,
) -> terminal.Done:
    """Write what belongs to a reel: captions or chapters (WebVTT), shots (CSV), sheet (a PDF to print),
    timeline (OpenTimelineIO) or edl (CMX 3600)."""
    library = Library(folder)
    source, settings = _source(library, phrase, theme, clips, reel, title)
    where = _where(library, source, given)
    with ProgressLine() as progress:
        library.making.handover.write(kind, source, out, where=where, settings=settings, progress=progress)
    terminal.say(str(out))
    return terminal.Done(kind=kind, file=str(out.absolute()))


@click.command()
@click.argument("phrase", required=False)
@_theme
@_clips
@_reel
@filters.options
@_title
@click.option(
    "-o",
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="The folder to write.",
)
@click.pass_obj
@terminal.doing
def bundle(
    folder: Path,
    phrase: str | None,
    theme: Path | None,
    clips: str | None,
    reel: str | None,
    title: str | None,
    out: Path,
    **given: Any,
) -> terminal.Done:
    """Write a folder with a reel, its clips, captions, shot list, timelines and a manifest."""
    library = Library(folder)
    source, settings = _source(library, phrase, theme, clips, reel, title)
    where = _where(library, source, given)
    with ProgressLine() as progress:
        made = library.making.handover.bundle(source, out, where=where, settings=settings, progress=progress)
    terminal.say(f"{made.folder}: {len(made.files)} files")
    terminal.whose()
    return terminal.Done(folder=str(Path(made.folder).absolute()), files=[str(file) for file in made.files])


@click.group()
def themes() -> None:
    """Reels that follow the library."""


@themes.command("list")
@terminal.json_option
@click.pass_obj
def list_(library: Path, as_json: bool) -> None:
    """List the library's own themes."""
    found = Library(library).making.themes.all()
    if as_json:
        terminal.print_json(
            [
                {
                    "name": one.name,
                    "title": one.title,
                    "phrase": one.theme.phrase if one.theme else None,
                    "problem": one.problem or None,
                    "reel": str(one.reel) if one.reel else None,
                }
                for one in found
            ]
        )
        return
    for one in found:
        said = one.problem or f"{one.title} ({'has a reel' if one.reel else 'no reel yet'})"
        terminal.say(f"{one.name}: {said}")


@themes.command()
@click.argument("name")
@terminal.json_option
@click.pass_obj
def show(library: Path, name: str, as_json: bool) -> None:
    """Print a theme of the library as its file has it."""
    text = Library(library).making.themes.text(name)
    if as_json:
        terminal.print_json({"name": name, "text": text})
    else:
        click.echo(text, nl=False)


@themes.command()
@click.argument("file", type=click.File(encoding="utf-8"))
@click.option("--name", help="The theme whose place it takes; else it is a new one.")
@click.pass_obj
@terminal.doing
def put(library: Path, file: TextIO, name: str | None) -> terminal.Done:
    """Check a theme file (- reads it from the input) and keep it in the library; print its name."""
    try:
        text = file.read()
    except UnicodeDecodeError as problem:
        raise InputError(f"{file.name} is not UTF-8; save it as UTF-8") from problem
    kept = Library(library).making.themes.put(text, name)
    terminal.say(kept)
    return terminal.Done(name=kept)


@themes.command()
@click.argument("name")
@click.pass_obj
@terminal.doing
def remove(library: Path, name: str) -> terminal.Done:
    """Throw a theme of the library and its reel away; the clips stay."""
    Library(library).making.themes.remove(name)
    return terminal.Done(name=name)


@themes.command()
@click.argument(
    "folder", required=False, type=click.Path(path_type=Path, file_okay=False), metavar="[THEMES]"
)
@click.option("-o", "--out", type=click.Path(path_type=Path, file_okay=False), help="Where the reels go.")
@terminal.json_option
@click.pass_obj
def build(library: Path, folder: Path | None, out: Path | None, as_json: bool) -> int:
    """Make the reels of a folder of theme files (the library's own, unless given) whose result has changed
    since last time, and say what changed."""
    with ProgressLine() as progress:
        made = Library(library).making.themes.build_all(folder, out, progress)
    if as_json:
        terminal.print_json(
            [
                {
                    "theme": str(one.theme),
                    "reel": str(one.reel),
                    "problem": one.problem or None,
                    "report": one.report.as_json() if one.report else None,
                }
                for one in made
            ]
        )
    else:
        for one in made:
            terminal.say(one.said(), err=one.report is None)
    problem = rebuild_problem(made)
    return problem.exit_code if problem else 0


def _source(
    library: Library,
    phrase: str | None,
    theme: Path | None,
    clips: str | None,
    reel: str | None,
    title: str | None,
) -> tuple[Source | MadeReel, ReelSettings | None]:
    if sum(given is not None for given in (phrase, theme, clips, reel)) != 1:
        raise click.UsageError("Give one of these: a phrase, --theme, --clips or --reel.")
    source: Source
    if reel is not None:
        kept = library.making.made_reel(reel)
        return kept, replace(kept.ingredients()["settings"], title=title) if title else None
    settings = ReelSettings(title=phrase or "Picked clips")
    if theme is not None:
        source = read_theme(theme)
        settings = source.settings
    elif clips is not None:
        source = _numbers(clips)
    else:
        assert phrase is not None
        source = phrase
    return source, filters.reel_settings(settings, title, None, False, False)


def _where(library: Library, source: Source | MadeReel, given: dict[str, Any]) -> Where | None:
    """The filters given; only a phrase or a theme can be narrowed."""
    if isinstance(source, str | Theme):
        return filters.where(library, given)
    if filters.given_any(given):
        what = "A kept reel is" if isinstance(source, MadeReel) else "Clips by number are"
        raise click.UsageError(f"{what} those very clips; leave out the filters.")
    return None


def _numbers(text: str) -> list[int]:
    words = text.replace(",", " ").split()
    if not words or not all(word.isdecimal() and len(word) < 12 for word in words):
        raise InputError(f"“{text}” is not a list of clip numbers; write 12,4,31")
    return [int(word) for word in words]


def _pairs(text: str) -> tuple[list[int], list[ClipChange]]:
    """Clips by number, and which of them have another one beside them: 12,7+31."""
    words = [word.partition("+") for word in text.replace(",", " ").split()]
    first = _numbers(",".join(one for one, _, _ in words))
    second = [_numbers(other)[0] if plus else None for _, plus, other in words]
    beside = [
        ClipChange(clip, beside=other) for clip, other in zip(first, second, strict=True) if other is not None
    ]
    return first, beside


COMMANDS = (reel, export, handover, bundle, themes)
