"""The commands that take fights in, and write their logs out: `ingest`, `log`."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import Any

import click

from cliplib import BusyError, FootageError, InputError, Library, log_forms
from cliplib.cli import terminal
from cliplib.cli.care import finish_forgetting
from cliplib.cli.progress import ProgressLine


@click.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--skip-bad-rows", is_flag=True, help="Take the good rows of a log and list the others.")
@click.option(
    "--watch", is_flag=True, help="Then look at the films; see “watch”. The setting watch does so, too."
)
@click.option("--no-cut", is_flag=True, help="Index only; cut clips another time.")
@terminal.json_option
@click.pass_obj
def ingest(
    folder: Path, paths: tuple[Path, ...], skip_bad_rows: bool, no_cut: bool, watch: bool, as_json: bool
) -> int:
    """Bring fight folders, or folders of them, into the library: read, cut, index. Repeat at any time."""
    library = Library(folder, create=True)
    finish_forgetting(library)
    with ProgressLine() as progress:
        report = library.logging.ingest(paths, progress=progress, cut=not no_cut, skip_bad_rows=skip_bad_rows)
    if as_json:
        terminal.print_json(report.as_json())
        for fight in report.fights:
            for problem in fight.problems:
                terminal.say(problem, err=True)
    else:
        terminal.ingest(report)
    if watch or library.logging.watching.at_ingest:
        return max(report.exit_code, _watch(library, [f.fight_id for f in report.fights]))
    return report.exit_code


def _watch(library: Library, fights: list[int | None]) -> int:
    """Look at the films of these fights that were not looked at, giving way to other programs."""
    failed = 0
    with contextlib.suppress(AttributeError, OSError):  # there is no such thing on Windows
        os.nice(10)
    for fight_id in library.logging.watching.wanted():
        if fight_id not in fights:
            continue
        try:
            with ProgressLine() as progress:
                told = library.logging.watching.watch(fight_id, progress)
            count = terminal.many(len(told.open), "proposal")
            terminal.say(
                f"{library.finding.fight(fight_id).title}: {count}; see “watch {fight_id} --list”", err=True
            )
        except (BusyError, FootageError, InputError) as problem:
            failed = 1
            terminal.say(str(problem), err=True)
    return failed


class _Form(click.ParamType[str]):
    """A form of log, by the table of them: read when it is asked for, so that no list stands here."""

    name = "form"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:  # noqa: ARG002
        return f"[{'|'.join(log_forms.names())}]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value not in log_forms.names():
            self.fail(f"{value!r} is not one of {', '.join(log_forms.names())}.", param, ctx)
        return str(value)


@click.command()
@click.argument("fight")
@click.option("--format", "form", type=_Form(), default="csv", show_default=True, help="How it is written.")
@click.option("--log", "log_file", help="One of the fight's logs by its file name; else all of them.")
@click.option(
    "-o", "--out", type=click.Path(path_type=Path, dir_okay=False), help="A file instead of the screen."
)
@click.pass_obj
@terminal.doing
def log(folder: Path, fight: str, form: Any, log_file: str | None, out: Path | None) -> terminal.Done:
    """Write a fight's log in any of the forms of logs. FIGHT is its number or a part of its title."""
    library = Library(folder)
    text = library.logging.export_log(library.finding.fight(fight).id, form, log=log_file)
    if out is None:
        if not terminal.asking():
            sys.stdout.buffer.write(text.encode("utf-8", "surrogateescape"))
        return terminal.Done(form=form, text=text)
    library.making.check_out(out)
    out.write_text(text, encoding="utf-8", errors="surrogateescape", newline="")
    terminal.say(str(out))
    return terminal.Done(form=form, file=str(out.absolute()))


COMMANDS = (ingest, log)
