"""The command line: parse, ask the library, print.

Exit codes: 0 done; 2 something wrong with what was given; 1 something failed; 130 cancelled. Results go to
standard output, everything else to standard error.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn, TextIO

import click

from cliplib import (
    ClipLibError,
    InputError,
    Library,
    ReelSettings,
    Source,
    clip_json,
    found_json,
    read_theme,
    reading_json,
    versions,
)
from cliplib import log_forms as log_forms
from cliplib.cli import (
    breakdowns,
    care,
    drawing,
    evidence,
    making,
    serving,
)
from cliplib.cli import (
    fights as cli_fight,
)
from cliplib.cli import (
    filters as cli_filters,
)
from cliplib.cli import (
    play as cli_play,
)
from cliplib.cli import (
    terminal as cli_show,
)
from cliplib.cli import (
    words as cli_words,
)
from cliplib.cli.progress import ProgressLine

_DEFAULT = Path("cliplib-library")

out_option = click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The file to write."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.option(
    "--library",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=_DEFAULT,
    envvar="CLIPLIB_LIBRARY",
    show_envvar=True,
    show_default=True,
    help="The folder of the library.",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=cli_show.versions,
    help="Show the version, and of what it stands on, and exit.",
)
@click.pass_context
def cli(context: click.Context, folder: Path) -> None:
    """A clip library for boxing film study: footage and a log in; searchable clips and reels out."""
    context.obj = folder


@cli.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--skip-bad-rows", is_flag=True, help="Take the good rows of a log and list the others.")
@click.option("--no-cut", is_flag=True, help="Index only; cut clips another time.")
@cli_show.json_option
@click.pass_obj
def ingest(folder: Path, paths: tuple[Path, ...], skip_bad_rows: bool, no_cut: bool, as_json: bool) -> int:
    """Bring fight folders, or folders of them, into the library: read, cut, index. Repeat at any time."""
    library = Library(folder, create=True)
    with ProgressLine() as progress:
        report = library.logging.ingest(paths, progress=progress, cut=not no_cut, skip_bad_rows=skip_bad_rows)
    if as_json:
        cli_show.print_json(report.as_json())
        for fight in report.fights:
            for problem in fight.problems:
                cli_show.say(problem, err=True)
    else:
        cli_show.ingest(report)
    return report.exit_code


@cli.command()
@click.argument("phrase", required=False)
@click.option("--strict", is_flag=True, help="Refuse a phrase with words that are not understood.")
@click.option(
    "--lines",
    type=click.File(encoding="utf-8", errors="surrogateescape"),
    metavar="FILE",
    help="Instead: read a phrase a line from a file (- is the input), and print a JSON object a line.",
)
@click.option("--trace", is_flag=True, help="Show the rules that the reading went by, and the runner-up.")
@cli_show.json_option
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
            cli_show.json_line(reading_json(read))
        return
    assert phrase is not None
    if trace:
        for step in library.finding.trace(phrase):
            cli_show.say(step)
        return
    reading = library.finding.explain(phrase, strict=strict)
    if as_json:
        cli_show.print_json(reading_json(reading))
    else:
        cli_show.reading(reading)


@cli.command()
@click.argument("phrase", default="")
@cli_filters.options
@click.option(
    "--order", type=click.Choice(["fit", "date", "round", "fighter"]), default="fit", show_default=True
)
@click.option("--limit", type=click.IntRange(min=0), default=20, show_default=True, help="How many to list.")
@click.option("--offset", type=click.IntRange(min=0), default=0, help="How many to pass over first.")
@click.option("--strict", is_flag=True, help="Refuse a phrase with words that are not understood.")
@click.option("--all-logs", is_flag=True, help="Also what a second logger told of the same moments.")
@click.option("--open", "open_", is_flag=True, help="Play the listed clips in the system's player.")
@cli_show.json_option
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
    where = cli_filters.where(library, filters)
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
        cli_show.print_json(found_json(found))
    else:
        cli_show.found(found)
        if found.reading.unread:
            cli_show.word_hits(
                library.finding.words(" ".join(u.text for u in found.reading.unread), limit=limit)
            )
    if open_:
        cli_play.play([c.file for c in found.clips if c.file], library.folder / "cache" / "found.m3u8")


@cli.command()
@click.argument("clip_id", type=int, metavar="CLIP")
@click.option("--open", "open_", is_flag=True, help="Play it in the system's player.")
@cli_show.json_option
@click.pass_obj
def clip(folder: Path, clip_id: int, open_: bool, as_json: bool) -> None:
    """Show one clip: where it is from, what happens in it, its file."""
    library = Library(folder)
    row = library.finding.clip(clip_id)
    if as_json:
        cli_show.print_json(clip_json(row))
    else:
        cli_show.clip(row)
    if open_:
        cli_play.play([row.file] if row.file else [], library.folder / "cache" / "found.m3u8")


@cli.command()
@cli_show.json_option
@click.pass_obj
def fights(folder: Path, as_json: bool) -> None:
    """List the fights."""
    rows = Library(folder).finding.fights()
    if as_json:
        cli_show.print_json([cli_show.fight_json(row) for row in rows])
    else:
        cli_show.fights(rows)


@cli.command()
@click.argument("phrase", required=False)
@click.option("--theme", type=click.Path(path_type=Path), help="A theme file instead of a phrase.")
@click.option("--clips", help="Clips by number, in that order: 12,4,31.")
@cli_filters.options
@out_option
@click.option("--force", is_flag=True, help="Write over a file that is no reel of ours.")
@click.option("--title", help="What the title card says.")
@click.option(
    "--preset", type=click.Choice(["standard", "tablet", "phone", "archive"]), help="Made for what."
)
@click.option("--no-captions", is_flag=True, help="No lines under the picture.")
@click.option("--no-cards", is_flag=True, help="No title and end card.")
@cli_show.json_option
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
    **filters: Any,
) -> None:
    """Make one video of the clips that a phrase finds: an .mp4."""
    library = Library(folder)
    if sum(given is not None for given in (phrase, theme, clips)) != 1:
        raise click.UsageError("Give one of these: a phrase, --theme or --clips.")
    if clips is not None and cli_filters.given_any(filters):
        raise click.UsageError("Clips by number are those very clips; leave out the filters.")
    where = cli_filters.where(library, filters) if clips is None else None
    library.making.check_reel(out, over=force)
    source: Source
    settings = ReelSettings(title=phrase or "Picked clips")
    if theme is not None:
        source = read_theme(theme)
        settings = source.settings
    elif clips is not None:
        source = _numbers(clips)
    else:
        assert phrase is not None
        source = phrase
    settings = cli_filters.reel_settings(settings, title, preset, no_captions, no_cards)
    with ProgressLine() as progress:
        report = library.making.reel(source, out, where=where, settings=settings, progress=progress)
    if as_json:
        cli_show.print_json(report.as_json())
    else:
        cli_show.reel(report)
        cli_show.whose()


@cli.command()
@click.argument("clip_id", type=int, metavar="CLIP")
@out_option
@click.pass_obj
@cli_show.doing
def export(folder: Path, clip_id: int, out: Path) -> cli_show.Done:
    """Write a clip as a file to hand to somebody: exact in any player, nothing hidden around it."""
    with ProgressLine() as progress:
        result = Library(folder).making.export_clip(clip_id, out, progress=progress)
    cli_show.say(f"{out}{f' ({result.why})' if result.why else ''}")
    cli_show.whose()
    return cli_show.Done(clip=clip_id, file=str(out.absolute()), how=result.how, why=result.why or None)


class _Form(click.ParamType[str]):
    """A form of log, by the table of them: read when it is asked for, so that no list stands here."""

    name = "form"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:  # noqa: ARG002
        return f"[{'|'.join(log_forms.names())}]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value not in log_forms.names():
            self.fail(f"{value!r} is not one of {', '.join(log_forms.names())}.", param, ctx)
        return str(value)


@cli.command()
@click.argument("fight")
@click.option("--format", "form", type=_Form(), default="csv", show_default=True, help="How it is written.")
@click.option("--log", "log_file", help="One of the fight's logs by its file name; else all of them.")
@click.option(
    "-o", "--out", type=click.Path(path_type=Path, dir_okay=False), help="A file instead of the screen."
)
@click.pass_obj
@cli_show.doing
def log(folder: Path, fight: str, form: Any, log_file: str | None, out: Path | None) -> cli_show.Done:
    """Write a fight's log in any of the forms of logs. FIGHT is its number or a part of its title."""
    library = Library(folder)
    text = library.logging.export_log(library.finding.fight(fight).id, form, log=log_file)
    if out is None:
        if not cli_show.asking():
            sys.stdout.buffer.write(text.encode("utf-8", "surrogateescape"))
        return cli_show.Done(form=form, text=text)
    library.making.check_out(out)
    out.write_text(text, encoding="utf-8", errors="surrogateescape", newline="")
    cli_show.say(str(out))
    return cli_show.Done(form=form, file=str(out.absolute()))


@cli.command()
@click.pass_obj
@cli_show.doing
def reindex(folder: Path) -> None:
    """Make everything that is derived from the catalogue anew."""
    with ProgressLine() as progress:
        Library(folder).care.reindex(progress)
    cli_show.say("done")


for _more in (
    drawing.draw,
    making.handover,
    making.bundle,
    making.themes,
    breakdowns.breakdown,
    breakdowns.beside,
    *care.COMMANDS,
    *serving.COMMANDS,
    *cli_fight.COMMANDS,
    *cli_words.COMMANDS,
):
    cli.add_command(_more)


evidence.register(cli)


def _numbers(text: str) -> list[int]:
    words = text.replace(",", " ").split()
    if not words or not all(word.isdecimal() and len(word) < 12 for word in words):
        raise InputError(f"“{text}” is not a list of clip numbers; write 12,4,31")
    return [int(word) for word in words]


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """The `cliplib` command."""
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal cannot show must not stop the command.
        reconfigure: Callable[..., None] | None = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
    sys.exit(_run(arguments))


def _run(arguments: Sequence[str] | None) -> int:
    try:
        code = cli.main(args=arguments, prog_name="cliplib", standalone_mode=False)
        sys.stdout.flush()
    except ClipLibError as error:
        _complain(str(error))
        return error.exit_code
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        _complain("stopped; what was done so far is kept, run it again to go on")
        return 130
    except BrokenPipeError:
        # Whoever read our output has seen enough; click ends with 1 when it notices that, and so do we.
        # Python would complain once more when it closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        _complain(f"{error.filename or 'cliplib'}: {error.strerror or error}")
        return 1
    except Exception as problem:  # noqa: BLE001  whatever it is, somebody has to hear of it
        _complain(str(versions.fault(versions.told(problem))))
        return 1
    return code if isinstance(code, int) else 0


def _complain(message: str) -> None:
    cli_show.say(f"cliplib: {message}", err=True)
