"""The commands that show the evidence behind a claim, made of the registry of evidence tables."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from cliplib import InputError, Library, evidence_tables, fight_report, fighter_report
from cliplib import report as reports
from cliplib.cli import evidence_tables as show
from cliplib.cli import filters as cli_filters
from cliplib.cli import followup, terminal
from cliplib.cli import play as cli_play
from cliplib.cli.agreement import agree

_ONLY = click.Option(
    ["--only"],
    multiple=True,
    metavar="KEY=VALUE",
    help="Count only where the counted action has this value; keys: "
    f"{', '.join(evidence_tables.KEYS)}, from, to, before, during, after.",
)


def commands() -> list[click.Command]:
    """One for each table that there is now, or for several that are its options; two logs, and reports."""
    by_command = itertools.groupby(evidence_tables.TABLES, key=lambda table: table.command or table.name)
    return [*(_command(name, list(tables)) for name, tables in by_command), agree, report]


def _command(name: str, tables: Sequence[evidence_tables.EvidenceTable]) -> click.Command:
    """A command that asks for a table, or for another one that its switch names."""
    first = tables[0]

    @click.pass_obj
    def ask(folder: Path, /, **given: Any) -> None:
        table = next((t for t in tables[1:] if given[_option(t.switch)]), first)
        _ask(Library(folder), table, given)

    parameters = [_PARAMETERS[parameter.kind](parameter) for parameter in first.parameters]
    if first.filters or first.parameter("phrase"):
        add = cli_filters.options if first.filters else cli_filters.period_options
        holder = add(lambda: None)
        parameters += reversed(getattr(holder, "__click_params__", []))
    parameters += [click.Option([table.switch], is_flag=True, help=table.about) for table in tables[1:]]
    parameters += [_ONLY, *_outputs(first)]
    return click.Command(name, params=parameters, callback=ask, help=first.about)


def _outputs(table: evidence_tables.EvidenceTable) -> Iterator[click.Option]:
    if table.tries:
        yield click.Option(["--clips"], is_flag=True, help="List the clips behind the number of all tries.")
    if table.parts:
        yield click.Option(
            ["--went"], type=click.Choice(table.parts),
            help="With --clips: only those; landed has knockdowns in it.",
        )  # fmt: skip
    if table.tries:
        yield click.Option(["--open", "open_"], is_flag=True, help="Play those clips in the system's player.")
    if table.parts:
        yield click.Option(
            ["--ids"], is_flag=True, help="With --json: the numbers of the clips of each count."
        )
    yield click.Option(["--csv", "as_csv"], is_flag=True, help="Print CSV, for a spreadsheet.")
    yield click.Option(["--json", "as_json"], is_flag=True, help="Print JSON, for scripts.")


def _option(switch: str) -> str:
    return switch.removeprefix("--").replace("-", "_")


def _flag_of(parameter: evidence_tables.Parameter) -> str:
    return "--" + parameter.name.replace("_", "-")


_PARAMETERS: dict[str, Callable[[evidence_tables.Parameter], click.Parameter]] = {
    "phrase": lambda p: click.Argument(["phrase"], required=p.needed, default=None if p.needed else ""),
    "fight": lambda p: click.Argument([p.name], required=p.needed),
    "keys": lambda p: click.Option([_flag_of(p)], multiple=True, type=click.Choice(p.choices), help=p.about),
    "key": lambda p: click.Option([_flag_of(p)], type=click.Choice(p.choices), help=p.about),
    "side": lambda p: click.Option(
        [_flag_of(p)], multiple=True, required=p.needed, metavar="KEY=VALUE", help=p.about
    ),
    "choice": lambda p: click.Option(
        [_flag_of(p)], type=click.Choice(p.choices), default=p.choices[0], show_default=True, help=p.about
    ),
    "flag": lambda p: click.Option([_flag_of(p)], is_flag=True, help=p.about),
}


def _ask(library: Library, table: evidence_tables.EvidenceTable, given: dict[str, Any]) -> None:
    asked = evidence_tables.values(table, _said(table, given))
    if table.parameter("phrase"):
        asked["phrase"] = given["phrase"]
    asked["only"] = evidence_tables.chosen(given["only"])
    if table.filters:
        asked["where"] = cli_filters.where(library, given)
    else:
        asked["only"] |= cli_filters.periods(given)
    found = library.evidence.table(table.name, **asked)
    if given.get("clips") or given.get("open_"):
        key = table.tries if not given.get("went") else f"{table.tries.rpartition('/')[0]}/{given['went']}"
        clips = found.open(key).clips if key in found.openers else ()
        _show_clips(library, clips, bool(given["open_"]))
    elif given["as_json"]:
        terminal.print_json(found.as_json(ids=bool(given.get("ids"))))
    elif given["as_csv"]:
        show.as_csv(found)
    else:
        show.show(found)
        _go_on(table, found, given)


def _go_on(
    table: evidence_tables.EvidenceTable, found: evidence_tables.Filled, given: dict[str, Any]
) -> None:
    """A command to go on with, which says all that this one said."""
    context = click.get_current_context()
    filters = {
        name: value
        for name, value in followup.filters(given, context.command.params).items()
        if name in _FILTER_NAMES
    }
    if found.by or table.parts:
        rows = found.rows[next(g.name for g in found.form.groups if g.free)]
        if rows:
            chosen = [f"{key}={value}" for key, value in zip(found.by, rows[0].names, strict=True)]
            options = {
                **filters,
                "--only": list(dict.fromkeys([*given["only"], *chosen])),
                "--went": "landed"
                if any(key.endswith("/landed") for c in rows[0].cells for key in c.keys)
                else None,
                "--clips": True,
            }
            terminal.say(
                f"The clips behind a number: {followup.line(table.name, [given['phrase']], options)}"
            )
    for then in found.then:
        options = {
            **{f"--{name}": value for name, value in then.options.items()},
            "--only": list(given["only"]),
        }
        terminal.say(f"{then.words}: {followup.line(then.table, [given['phrase']], options)}")


_FILTER_NAMES = frozenset(
    max(option.opts, key=len) for option in getattr(cli_filters.options(lambda: None), "__click_params__", [])
)


@click.command()
@click.argument("what", type=click.Choice(["fight", "fighter"]))
@click.argument("name")
@click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="report.html or .pdf"
)
@click.pass_obj
@terminal.doing
def report(folder: Path, what: str, name: str, out: Path) -> terminal.Done:
    """A report of a fight or a fighter as one HTML or PDF file, with charts and their tables."""
    library = Library(folder)
    if out.suffix.casefold() not in (".html", ".htm", ".pdf"):
        raise InputError(f"{out}: a report ends in .html or .pdf")
    library.making.check_out(out)
    if what == "fight":
        made = fight_report(library.evidence, library.finding.fight(name))
    else:
        made = fighter_report(library.evidence, library.finding.fighter_named(name))
    is_pdf = out.suffix.casefold() == ".pdf"
    data = reports.pdf(made) if is_pdf else reports.html(made).encode("utf-8", "replace")
    part = out.with_name(f".{out.name}.part")
    part.write_bytes(data)
    part.replace(out)
    terminal.say(str(out))
    return terminal.Done(file=str(out.absolute()))


def _show_clips(library: Library, ids: Sequence[int], play: bool) -> None:
    rows = library.finding.clips(ids)
    terminal.say(f"{len(rows)} exchange{'' if len(rows) == 1 else 's'}\n")
    head = ("id", "fight", "round", "clock", "what happened", "outcome")
    terminal.table(head, map(terminal.clip_cells, rows), give=4)
    if play:
        cli_play.play([r.file for r in rows if r.file], library.folder)


def _said(table: evidence_tables.EvidenceTable, given: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """What was given for a table's parameters but for the phrase, as pairs of texts."""
    for parameter in table.parameters:
        value = given.get(parameter.name)
        if parameter.kind == "flag":
            yield parameter.name, "yes" if value else "no"
        elif parameter.kind != "phrase":
            texts = value if isinstance(value, tuple) else () if value is None else (value,)
            yield from ((parameter.name, text) for text in texts)


COMMANDS = commands()
