"""What the commands print for people: tables and sentences."""

from __future__ import annotations

import functools
import json
import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

import click

from cliplib import (
    JSON,
    ClipRow,
    Found,
    LogError,
    Mark,
    Reading,
    format_clock,
    format_time,
    shows,
)

if TYPE_CHECKING:
    from cliplib import FightReport, FightRow, IngestReport, ReelReport, WordHits

ROLES = {
    "counter": "a punch that answers the opponent's punch, at most a moment after it",
    "lead": "the exchange's first punch",
    "naked": "with no punch or feint of one's own shortly before it",
    "follow-up": "said by the logger: thrown behind one's own punch",
}
"""What stands behind the words under “roles”, a line each; the exact times are settings of the library."""

_MOST_VALUES = 8  # of a facet in one line, and of warnings of one kind


json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for scripts.")

_collected: ContextVar[list[str] | None] = ContextVar("collected", default=None)


class Done:
    """What a command did, for scripts. `facts`: plain data about it; `exit_code`: 1 if something is left."""

    def __init__(self, exit_code: int = 0, **facts: Any):
        self.exit_code, self.facts = exit_code, facts


def doing(command: Callable[..., Done | int | None]) -> Callable[..., int]:
    """A command that does something and says so. With --json one object comes out: `done` (the command),
    `ok`, the facts that it returns, and `said`: the lines that a person would have read.
    """

    @json_option
    @functools.wraps(command)
    def told(*args: Any, as_json: bool, **given: Any) -> int:
        lines: list[str] | None = [] if as_json else None
        token = _collected.set(lines)
        try:
            result = command(*args, **given)
        finally:
            _collected.reset(token)
        done = result if isinstance(result, Done) else Done(result or 0)
        if lines is not None:
            name = click.get_current_context().command_path.partition(" ")[2]
            print_json({"done": name, "ok": not done.exit_code, **done.facts, "said": lines})
        return done.exit_code

    return told


def asking() -> bool:
    """Whether questions go to standard error, because what comes out is for a script."""
    return _collected.get() is not None


def plain(text: str) -> str:
    """Text from a log or file name, harmless to a terminal: no control or direction characters. Bytes of a
    name that are no text (PEP 383) stay, and are printed as numbers."""
    return "".join(c if shows(c) or "\udc80" <= c <= "\udcff" else " " for c in text)


def say(text: object = "", *, err: bool = False) -> None:
    """Print lines for a person. Names, notes and paths in them are somebody else's words: none of them moves
    the cursor, changes the window's title or turns the direction of what follows (CWE-150)."""
    lines, collected = list(map(plain, str(text).split("\n"))), _collected.get()
    if collected is not None and not err:
        collected += lines
    else:
        click.echo("\n".join(lines), err=err)


def versions(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    """What `--version` prints."""
    if wanted and not context.resilient_parsing:
        from cliplib import versions as installed

        for name, version in installed.found().items():
            say(f"{name} {version}")
        context.exit()


def print_json(data: JSON | Sequence[JSON]) -> None:
    click.echo(_written(data, indent=2))


def json_line(data: JSON) -> None:
    """The same on one line, for scripts that read line by line."""
    click.echo(_written(data, indent=None))


def _written(data: JSON | Sequence[JSON], indent: int | None) -> str:
    unicode = (sys.stdout.encoding or "").casefold().replace("-", "") == "utf8"
    text = json.dumps(data, ensure_ascii=not unicode, indent=indent).encode("utf-8", "replace").decode()
    # What only steers a terminal is written as JSON writes any character (RFC 8259, section 7).
    return "".join(c if shows(c) or c == "\n" else json.dumps(c)[1:-1] for c in text)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], *, give: int) -> None:
    """Columns as wide as they need to be; column `give` gives way when the terminal is narrow."""
    cells = [[plain(cell) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in (head, *cells)) for i in range(len(head))]
    room = shutil.get_terminal_size((110, 24)).columns if sys.stdout.isatty() else 10_000
    over = sum(widths) + 2 * (len(widths) - 1) - room
    if over > 0:
        widths[give] = max(12, widths[give] - over)
    for row in (head, *cells):
        line = "  ".join(_fit(cell, width) for cell, width in zip(row, widths, strict=True))
        say(line.rstrip())


def _fit(cell: str, width: int) -> str:
    return cell.ljust(width) if len(cell) <= width else cell[: width - 1] + "…"


def reading(read: Reading) -> None:
    say(f"Read as: {plain(read.said) or 'everything'}")
    for choice in read.choices:
        if choice.taken == read.said:  # the phrase as a whole has a second reading
            say("  It may also mean: " + "; ".join(f"“{plain(phrase)}”" for _, phrase in choice.others))
            continue
        others = "; ".join(f"for {what} say “{phrase}”" for what, phrase in choice.others)
        say(f"  “{choice.text}” was taken to mean {choice.taken}{'; ' + others if others else ''}")
    for note in read.notes:
        say(f"  {plain(note)}")
    for unread in read.unread:
        meant = " or ".join(f"“{m}”" for m in unread.meant[:3])
        say(
            f"  Not understood: “{plain(unread.text)}”, so it is looked for in notes and titles"
            + (f"; did you mean {meant}?" if meant else "")
        )


def many(count: int, word: str) -> str:
    """“1 clip”, “2 clips”."""
    return f"{count} {word}{'' if count == 1 else 's'}"


def place_of(mark: Mark) -> str:
    """“round 3, 0:05 left”, or its time in the footage."""
    number = f"round {mark.round}, " if mark.round is not None else ""
    return number + (
        f"{format_time(-mark.time_us)} left" if mark.on_clock else f"at {format_time(mark.time_us)}"
    )


def word_hits(hits: WordHits) -> None:
    """Notes and titles that hold the words, with those marked, and what was meant by words nobody wrote."""
    say(f"{many(hits.total, 'note')} and titles" if hits.total != 1 else "1 note or title")
    for hit in hits.hits:
        where = f"clip {hit.exchange_id}" if hit.exchange_id is not None else f"fight {hit.fight_id}"
        where += f", {place_of(hit.mark)}" if hit.mark else ""
        words = "".join(click.style(plain(t), bold=True) if hit_ else plain(t) for t, hit_ in hit.snippet)
        click.echo(f"  {where} ({plain(hit.title)}): {words}")
    for word, near in hits.meant.items():
        meant = " or ".join(f"“{plain(n)}”" for n in near[:3])
        say(f"  Nobody wrote “{plain(word)}”; did you mean {meant}?")


def whose() -> None:
    """The caution wherever pictures leave the library."""
    say(
        "Footage belongs to somebody: show it only with the right to, and sparring with everybody's leave.",
        err=True,
    )


def found(result: Found) -> None:
    """The reading, a page of results, the counts of all of them."""
    reading(result.reading)
    shown = len(result.clips)
    count = many(result.total, "exchange")
    if shown < result.total:
        count += f", {result.offset + 1} to {result.offset + shown} shown" if shown else ", none shown"
    say(count)
    if result.views:
        say(f"and {result.views} in replays (--views too lists them beside what they show again)")
    if result.left_out:
        say(f"and {result.left_out} told by a second logger of the same moments (--all-logs lists them, too)")
    say()
    if shown:
        table(
            ("id", "fight", "round", "clock", "what happened", "outcome"),
            map(clip_cells, result.clips),
            give=4,
        )
        say()
    if result.total and result.reading.steps:
        say(
            "Exchanges with each value in a matched action; fighter and outcome: who threw the last punch "
            "asked for, and how it went; landed counts knockdown and hurt in, the others what is inferred."
        )
    for name, counts in result.facets.items():
        if counts:
            values = [f"{plain(value)} ({number})" for value, number in list(counts.items())[:_MOST_VALUES]]
            more = len(counts) - _MOST_VALUES
            say(f"{name}: {', '.join(values)}{f', and {more} more' if more > 0 else ''}")


def clip_cells(clip: ClipRow) -> tuple[str, ...]:
    from cliplib import what_happens

    shown = clip.matches[0] if clip.matches and clip.matches[0] else range(len(clip.actions))
    # How it came off: the last of these that has an outcome, a punch's.
    told = [clip.actions[i] for i in reversed(shown)]
    # Of a match: the last punch of whoever ends it, else the last one.
    own = [a for a in told if a.fighter == told[0].fighter] if clip.matches else []
    how = next((action.came_off for action in (*own, *told) if action.outcome), "")
    return (
        str(clip.id),
        clip.fight,
        "" if clip.round is None else str(clip.round),
        "" if clip.clock_us is None else format_clock(clip.clock_us),
        what_happens(clip),
        how,
    )


def clip(row: ClipRow) -> None:
    """One clip: where it is from, each action, its file."""
    place = [row.fight, row.date.isoformat() if row.date else ""]
    place += [f"round {row.round}" if row.round is not None else ""]
    place += [f"{format_clock(row.clock_us)} left" if row.clock_us is not None else ""]
    say(plain(", ".join(part for part in place if part)))
    if row.start_us is not None and row.end_us is not None:
        frames = f", frames {row.start_frame} to {row.end_frame}" if row.start_frame is not None else ""
        say(f"{format_time(row.start_us)} to {format_time(row.end_us)} of the footage{frames}")
    say()
    cells = [
        (
            "" if action.time_us is None or action.time_us < 0 else format_time(action.time_us),
            action.fighter or "",
            " ".join(word for word in (action.side or action.hand, action.technique) if word),
            action.target or "",
            action.direction or "",
            action.came_off,
            ", ".join(action.roles),
        )
        for action in row.actions
    ]
    table(("time", "fighter", "action", "target", "direction", "outcome", "roles"), cells, give=1)
    roles = dict.fromkeys(role for action in row.actions for role in action.roles)
    for role in (r for r in roles if r in ROLES):
        say(f"  {role}: {ROLES[role]}")
    if row.note:
        say(f"\nNote: {plain(row.note)}")
    say(f"\n{row.file}" if row.file else "\nNot cut yet: its footage has not turned up.")


def fights(rows: Sequence[FightRow]) -> None:
    if not rows:
        say("No fights yet; bring one in with “ingest”.")
        return
    cells = [
        (
            str(row.id),
            row.info.date.isoformat() if row.info.date else "",
            row.title,
            row.info.red.name,
            row.info.blue.name,
            str(row.exchanges),
            str(row.clips),
        )
        for row in rows
    ]
    table(("id", "date", "title", "red", "blue", "exchanges", "clips"), cells, give=2)


def fight_json(row: FightRow) -> JSON:
    return {
        "id": row.id,
        "title": row.title,
        "date": row.info.date.isoformat() if row.info.date else None,
        "event": row.info.event or None,
        "red": row.info.red.name,
        "blue": row.info.blue.name,
        "rounds": row.info.rounds,
        "winner": row.info.winner,
        "method": row.info.method,
        "exchanges": row.exchanges,
        "clips": row.clips,
        "folder": str(row.folder),
        "footage": str(row.footage) if row.footage else None,
    }


def reel(report: ReelReport) -> None:
    clips = sum(part.clip is not None for part in report.parts)
    length = format_time(int(report.frames / report.rate) * 1_000_000)
    say(f"{report.out}: {many(clips, 'clip')}, {length}, {report.width}x{report.height}")
    for note in report.notes:
        say(f"  {plain(note)}")


def ingest(report: IngestReport) -> None:
    """A line a fight, then the sum. What is wrong goes to standard error."""
    for fight in report.fights:
        say(f"{plain(fight.title)}: {_fight_line(fight)}")
        for problem in fight.problems:
            say(problem, err=True)
        for row in fight.skipped:
            say(f"left out: {row}", err=True)
    for title, folder in report.vanished[:_MOST_VALUES]:
        say(
            f"{plain(title)}: its folder {folder} is gone; the library keeps the fight "
            "(“forget” takes it out)",
            err=True,
        )
    more = len(report.vanished) - _MOST_VALUES
    if more > 0:
        say(f"the folders of {more} more fights are gone; “check” lists them", err=True)
    cut = sum(sum(fight.cut.values()) for fight in report.fights)
    if any(isinstance(error, LogError) for fight in report.fights for error in fight.errors):
        say(
            "Nothing of a fight whose log cannot be read was changed in the library; --skip-bad-rows takes "
            "the good rows and lists the others.",
            err=True,
        )
    say(f"{many(len(report.fights), 'fight')}, {many(cut, 'clip')} cut, {report.seconds:.1f} s")


def _fight_line(fight: FightReport) -> str:
    parts = [fight.status if fight.status != "failed" else "failed, see below"]
    if fight.fight_id is not None:
        parts.append(many(fight.exchanges, "exchange"))
    for count, word in (
        (fight.exchanges_added if fight.status != "added" else 0, "new"),
        (fight.exchanges_changed, "changed"),
        (fight.exchanges_removed, "removed"),
    ):
        if count:
            parts.append(f"{count} {word}")
    for how, count in sorted(fight.cut.items()):
        parts.append(f"{many(count, 'clip')} {'cut' if how == 'slice' else 'encoded'}")
    if fight.waiting:
        parts.append(f"{fight.waiting} waiting for the footage")
    if fight.skipped:
        rows = {(row.file, row.line) for row in fight.skipped}  # a row may have several problems
        parts.append(f"{many(len(rows), 'row')} left out")
    line = ", ".join(parts)
    return line + "".join(f"\n  {plain(why)}" for why in fight.why)
