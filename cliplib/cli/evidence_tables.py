"""What the commands for evidence print for people: tables with their definitions under them."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Mapping, Sequence

from cliplib.cli import followup, terminal
from cliplib.core.timebase import format_time
from cliplib.library.evidence.tables import ChangeFound, Compare, Tally
from cliplib.logs.cells import harmless
from cliplib.stats.changepoint import TooLittle
from cliplib.stats.proportions import Interval
from cliplib.tally import CATEGORIES, Compared, Moment, NextRow


def interval(value: Interval | None) -> str:
    """`33 % (21-47)`."""
    if value is None:
        return ""
    return f"{100 * value.value:.0f} % ({100 * value.low:.0f}–{100 * value.high:.0f})"


def moment(value: Moment | None) -> str:
    if value is None:
        return "not known"
    said = f"round {value.round}" if value.round else "a round not known"
    return said + (
        f", {format_time(max(0, value.elapsed_us), 0)} after the bell" if value.elapsed_us is not None else ""
    )


def counts(found: Tally, phrase: str, only: Sequence[str], filters: Mapping[str, object]) -> None:
    """`filters`: those of the question, by the names of their options."""
    terminal.reading(found.reading)
    table = found.table
    rows = [*table.rows, table.total] if table.by else [table.total]
    some_other = table.total.other > 0
    head = [*table.by, "tried", "landed", "partial", "blocked", "missed", "unknown"]
    head += ["no punch"] if some_other else []
    head += ["rate", "a minute", "fights"]
    cells = []
    for row in rows:
        names = row.values or ("all", *[""] * (len(table.by) - 1)) if table.by else ()
        numbers = [row.tried, row.landed, row.partial, row.blocked, row.missed, row.unknown]
        numbers += [row.other] if some_other else []
        minute = "" if row.per_minute is None else f"{row.per_minute:.2f}"
        cells.append((*names, *map(str, numbers), interval(row.rate), minute, str(row.fights)))
    terminal.say()
    terminal.table(head, cells, give=0)
    definitions(found.definitions)
    if table.rows:
        row = table.rows[0]
        chosen = [*only, *(f"{key}={value}" for key, value in zip(table.by, row.values, strict=True))]
        options = {
            **filters,
            "--only": list(dict.fromkeys(chosen)),
            "--went": "landed" if row.landed else None,
            "--clips": True,
        }
        terminal.say(f"The clips behind a number: {followup.line('tally', [phrase], options)}")


_CSV_HEAD = ("rate", "rate_low", "rate_high", "per_minute", "minutes", "exchanges", "fights")


def counts_csv(found: Tally) -> None:
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow((*found.table.by, "tried", *CATEGORIES, *_CSV_HEAD))
    for row in found.table.rows or (found.table.total,):
        rate = row.rate
        values = [
            *row.values,
            row.tried,
            *(getattr(row, name) for name in CATEGORIES),
            *(("", "", "") if rate is None else (f"{x:.4f}" for x in (rate.value, rate.low, rate.high))),
            "" if row.per_minute is None else f"{row.per_minute:.4f}",
            "" if row.watched_us is None else f"{row.watched_us / 60_000_000:.4f}",
            row.exchanges,
            row.fights,
        ]
        writer.writerow([harmless(str(value)) for value in values])
    definitions(found.definitions, err=True)


def next_cells(row: NextRow) -> tuple[str, ...]:
    spread = "" if row.low_us is None or row.high_us is None else f"{_s(row.low_us)}–{_s(row.high_us)}"
    return (
        row.what,
        str(row.times),
        interval(row.share),
        "" if row.median_us is None else _s(row.median_us),
        spread,
        f"{row.landed} of {row.known}" if row.known else "",
    )


def _s(us: int) -> str:
    return f"{us / 1_000_000:.2f}"


def compared(found: Compare) -> None:
    terminal.reading(found.reading)
    terminal.say(f"this: {found.this} ({found.result.tries1} tries)")
    terminal.say(f"that: {found.that} ({found.result.tries2} tries)")
    for title, lines in (
        ("Landed", found.result.landed),
        ("The same fighter next", found.result.own),
        ("The opponent next", found.result.other),
    ):
        _lines(title, lines)
    definitions(found.definitions)


def _lines(title: str, lines: Iterable[Compared]) -> None:
    rows = [
        (
            line.what,
            line.words,
            "" if line.difference is None else _difference(line.difference),
            f"{line.p:.3f}",
            f"{line.q:.3f}",
        )
        for line in lines
    ]
    if rows:
        terminal.say(f"\n{title}")
        terminal.table(("what", "in words", "difference", "p", "q"), rows, give=1)


def _difference(value: Interval) -> str:
    return f"{100 * value.value:+.0f} ({100 * value.low:+.0f} to {100 * value.high:+.0f}) points"


def changed(found: ChangeFound, phrase: str, only: Sequence[str]) -> None:
    terminal.reading(found.reading)
    result = found.result
    terminal.say(
        f"{found.fight.title}: {result.tries} tries"
        + (f", {result.left_out} left out" if result.left_out else "")
    )
    terminal.say(result.words)
    if isinstance(result.found, TooLittle):
        options = {"--fight": found.fight.id, "--by": "round", "--only": list(only)}
        terminal.say(f"What there is, round by round: {followup.line('tally', [phrase], options)}")
    if result.first_after is not None:
        terminal.say(f"between {moment(result.last_before)} and {moment(result.first_after)}")
        terminal.say(f"clips before: {', '.join(map(str, result.before))}")
        terminal.say(f"clips after: {', '.join(map(str, result.after))}")
        _lines("Done in that situation, before against after", result.instead)
        _lines("The opponent next, before against after", result.replies)
    definitions(found.definitions)


def definitions(lines: Sequence[str], *, err: bool = False) -> None:
    terminal.say(err=err)
    for line in lines:
        terminal.say(f"  {line}", err=err)
