"""The command that sets two logs of one fight beside each other and makes one of them."""

from __future__ import annotations

from pathlib import Path

import click

from cliplib import InputError, Library, agreement, evidence_tables, from_seconds, log_forms
from cliplib.cli import evidence_tables as show
from cliplib.cli import terminal


@click.command()
@click.argument("fight")
@click.option("--first", help="The first log by its file name; else the fight's first.")
@click.option("--second", help="The second log; else the fight's second.")
@click.option(
    "--window",
    type=float,
    default=1.0,
    show_default=True,
    help="Seconds that two entries of one thing may differ.",
)
@click.option("--where-both", is_flag=True, help="Only where the second log has something: it covers a part.")
@click.option(
    "--list", "list_to", type=click.Path(path_type=Path, dir_okay=False),
    help="Write the disagreements as CSV, to fill in the column “take”.",
)  # fmt: skip
@click.option("--decided", type=click.Path(path_type=Path, dir_okay=False), help="Such a list, filled in.")
@click.option(
    "--else",
    "otherwise",
    help="What to take where nothing was decided: a log's name, both or neither.",
)
@click.option("-o", "--out", type=click.Path(path_type=Path, dir_okay=False), help="The agreed log to write.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for scripts.")
@click.pass_obj
def agree(
    folder: Path,
    fight: str,
    first: str | None,
    second: str | None,
    window: float,
    where_both: bool,
    list_to: Path | None,
    decided: Path | None,
    otherwise: str | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """How far two logs of a fight agree, where they do not, and one log agreed on. FIGHT is its number or a
    part of its title. The logs themselves stay as they are."""
    if (decided is None and otherwise is None) != (out is None):
        raise click.UsageError("An agreed log needs -o and either --decided or --else.")
    if not 0 < window <= 60:
        raise InputError(f"a window of {window} seconds makes no sense; give up to 60")
    library = Library(folder)
    found = library.evidence.two_logs(
        fight, first, second, window_us=from_seconds(window), where_both=where_both
    )
    if list_to is not None:
        library.making.check_out(list_to)
        list_to.write_text(agreement.worksheet(found), encoding="utf-8", newline="")
        terminal.say(f"{list_to}: {len(found.disagreements)} disagreements", err=True)
    if out is not None:
        _write(library, found, decided, otherwise, out)
    elif as_json:
        terminal.print_json(evidence_tables.fill_agreement(found).as_json())
    else:
        show.show(evidence_tables.fill_agreement(found))


def _write(
    library: Library,
    found: agreement.TwoLogs,
    decided: Path | None,
    otherwise: str | None,
    out: Path,
) -> None:
    decisions: dict[str, agreement.Decision] = {}
    if decided is not None:
        try:
            decisions = agreement.read_worksheet(found, decided.read_text(encoding="utf-8-sig"))
        except UnicodeDecodeError as error:
            raise InputError(f"{decided} is not UTF-8; save it as UTF-8") from error
        except InputError as error:
            raise InputError(f"{decided}: {error}") from error
    if otherwise is not None:
        decisions = dict.fromkeys((d.key for d in found.disagreements), found.decision(otherwise)) | decisions
    form = log_forms.form_of(out)
    if form is None:
        raise InputError(f"{out}: a log ends in {', '.join(log_forms.suffixes())}")
    library.making.check_out(out)
    named = {(found.fight.folder / source.file).resolve() for source in found.fight.info.logs}
    if out.resolve() in named:
        raise InputError(f"{out} is one of the fight's logs; they stay as they are, so choose another name")
    text = library.evidence.agreed_log(found, decisions, form.name)
    out.write_text(text, encoding="utf-8", errors="surrogateescape", newline="")
    terminal.say(f"{out}: put it beside the logs and name it in fight.toml in their place")
