"""The commands behind the pages of fights, clips and reels: fight, recut, correct, alike, reels, remake."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import click

from cliplib import (
    JSON,
    FightView,
    InputError,
    Library,
    Line,
    MarkRow,
    cells,
    clip_json,
    format_clock,
    format_time,
    mark_json,
    part_json,
    to_seconds,
    what_happens,
)
from cliplib.cli import terminal
from cliplib.cli.progress import ProgressLine


@click.command()
@click.argument("which", metavar="FIGHT")
@terminal.json_option
@click.pass_obj
def fight(folder: Path, which: str, as_json: bool) -> None:
    """Show a fight: its exchanges by round, who did what how often, where its log has gaps.

    FIGHT is its number or a part of its title.
    """
    view = Library(folder).finding.fight_view(which)
    if as_json:
        terminal.print_json(view_json(view))
        return
    for lane in view.lanes:
        terminal.say(f"{_round(lane.round)}: {terminal.many(len(lane.clips), 'exchange')}")
        for clip in lane.clips:
            at = "" if clip.clock_us is None else f"{format_clock(clip.clock_us)} left"
            terminal.say(terminal.plain(f"  {clip.id:>5}  {at:<9}  {what_happens(clip)}"))
        for row in view.marks:
            if row.mark.round == lane.round:
                terminal.say(terminal.plain(f"         {_noted(row)}"))
        for begin, until in lane.gaps:
            start = lane.start_us or 0
            terminal.say(
                f"  nothing is logged from {format_time(begin - start, 0)} to "
                f"{format_time(until - start, 0)} into it"
            )
    rounds = [lane.round for lane in view.lanes]
    between = [row for row in view.marks if row.mark.round not in rounds]
    if between:
        terminal.say("Between rounds:")
    for row in between:
        terminal.say(terminal.plain(f"         {_noted(row)}"))
    _stretches(view)
    terminal.say("\nWho did what how often, and how often it landed:")
    terminal.table(
        ("fighter", "action", *(f"R{r}" if r else "R?" for r in rounds), "all"),
        [
            (t.fighter, t.technique, *(_count(t.rounds.get(r, (0, 0))) for r in rounds), _count(t.total))
            for t in view.tried
        ],
        give=1,
    )


def _stretches(view: FightView) -> None:
    """The fight's periods, its film's parts, and what was logged in replays."""
    for period in view.fight.info.periods:
        terminal.say(terminal.plain(f"Period “{period.name}”: {period.when}"))
    for part in view.fight.info.parts:
        at = f"{format_time(part.start_us)} to {format_time(part.end_us)}"
        terminal.say(terminal.plain(f"On film {at}: {part.said}"))
    if view.views:
        terminal.say(f"{terminal.many(len(view.views), 'exchange')} in replays, not counted:")
    for clip in view.views:
        of = f"shows {clip.view_of} again" if clip.view_of else "of something that is not logged"
        terminal.say(terminal.plain(f"  {clip.id:>5}  {of}: {what_happens(clip)}"))


def _noted(row: MarkRow) -> str:
    """A mark's time and note."""
    at = f"at {format_time(row.mark.time_us)}" if row.left_us is None else f"{format_clock(row.left_us)} left"
    return f"{at:<9}  mark: {f'{row.mark.fighter}: ' if row.mark.fighter else ''}{row.mark.note}"


def _round(number: int | None) -> str:
    return "Round not known" if number is None else f"Round {number}"


def _count(pair: tuple[int, int]) -> str:
    return "" if not pair[0] else f"{pair[0]}/{pair[1]}" if pair[1] else str(pair[0])


def view_json(view: FightView) -> JSON:
    """A fight as `fight --json` prints it. Times are seconds of footage time."""

    def seconds(us: int | None) -> float | None:
        return None if us is None else to_seconds(us)

    return {
        "id": view.fight.id,
        "fight": view.fight.title,
        "rounds": [
            {
                "round": lane.round,
                "start": seconds(lane.start_us),
                "end": seconds(lane.end_us),
                "clips": [clip_json(clip) for clip in lane.clips],
                "gaps": [[seconds(begin), seconds(until)] for begin, until in lane.gaps],
            }
            for lane in view.lanes
        ],
        "actions": [
            {
                "fighter": t.fighter,
                "technique": t.technique,
                "total": t.total[0],
                "landed": t.total[1],
                "rounds": [
                    {"round": r, "total": count, "landed": landed} for r, (count, landed) in t.rounds.items()
                ],
            }
            for t in view.tried
        ],
        "periods": [
            {
                "name": period.name,
                "from": None if period.start is None else str(period.start),
                "until": None if period.end is None else str(period.end),
            }
            for period in view.fight.info.periods
        ],
        "parts": [part_json(part) for part in view.fight.info.parts],
        "views": [clip_json(clip) for clip in view.views],
        "marks": [mark_json(row.id, row.mark) for row in view.marks],
    }


@click.command()
@click.argument("clip_id", type=int, metavar="CLIP")
@click.option("--first", type=click.IntRange(min=0), help="The first frame of the footage that is shown.")
@click.option("--last", type=click.IntRange(min=0), help="The last one.")
@click.option("--as-logged", is_flag=True, help="Back to what the log and the settings say.")
@click.pass_obj
@terminal.doing
def recut(folder: Path, clip_id: int, first: int | None, last: int | None, as_logged: bool) -> terminal.Done:
    """Give a clip another in and out, by frame. It stays so when its fight is ingested again."""
    library = Library(folder)
    if as_logged == (first is not None or last is not None):
        raise click.UsageError("Give --first or --last or both, or --as-logged.")
    if as_logged:
        clip = library.logging.corrections.cut_as_logged(clip_id)
    else:
        now = library.finding.clip(clip_id)
        if now.start_frame is None or now.end_frame is None:
            raise InputError(f"clip {clip_id} has no footage yet; ingest its fight again when it has")
        begin = now.start_frame if first is None else first
        clip = library.logging.corrections.recut(clip_id, begin, now.end_frame if last is None else last + 1)
    terminal.say(f"clip {clip.id}: frames {clip.start_frame} to {(clip.end_frame or 0) - 1}\n{clip.file}")
    return terminal.Done(clip=clip_json(clip))


_COLUMNS = ("time", "fighter", "action", "note")


@click.command()
@click.argument("clip_id", type=int, metavar="CLIP")
@click.argument("rows", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--as-logged", is_flag=True, help="Back to what the log says.")
@click.pass_obj
@terminal.doing
def correct(folder: Path, clip_id: int, rows: Path | None, as_logged: bool) -> terminal.Done:
    """Correct what happens in a clip; its log's file stays as it is, and `log` writes the corrected one.

    ROWS is a CSV file with the columns time, fighter, action and note, as in a log. Without it the rows are
    printed as they stand.
    """
    library = Library(folder)
    if as_logged:
        clip = library.logging.corrections.as_logged(clip_id)
    elif rows is None:
        lines = [(x.time, x.fighter, x.action, x.note) for x in library.logging.corrections.lines(clip_id)]
        if not terminal.asking():
            writer = csv.writer(sys.stdout, lineterminator="\n")
            writer.writerows([_COLUMNS, *(map(cells.harmless, line) for line in lines)])
        return terminal.Done(rows=[dict(zip(_COLUMNS, line, strict=True)) for line in lines])
    else:
        clip = library.logging.corrections.reword(clip_id, _lines(rows))
    terminal.say(terminal.plain(f"clip {clip.id}: {what_happens(clip)}"))
    return terminal.Done(clip=clip_json(clip))


def _lines(path: Path) -> list[Line]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = csv.DictReader(file, strict=True)
            lacking = [name for name in _COLUMNS[:3] if name not in (table.fieldnames or ())]
            if lacking:
                raise InputError(f"{path}: no column {', '.join(lacking)}; the first line names the columns")
            return [Line(*(cells.meant(row.get(name) or "") for name in _COLUMNS)) for row in table]
    except (UnicodeDecodeError, csv.Error) as problem:
        raise InputError(f"{path}: {problem}; save it as CSV in UTF-8") from problem


@click.command()
@click.argument("clip_id", type=int, metavar="CLIP")
@click.option("--limit", type=click.IntRange(min=1), default=10, show_default=True, help="How many to list.")
@click.option("--elsewhere", is_flag=True, help="Only clips of other fights.")
@terminal.json_option
@click.pass_obj
def alike(folder: Path, clip_id: int, limit: int, elsewhere: bool, as_json: bool) -> None:
    """More like this: clips with a like course of actions, the nearest first."""
    library = Library(folder)
    found = library.finding.similar(clip_id, limit, elsewhere=elsewhere)
    if as_json:
        terminal.print_json([one._asdict() for one in found])
        return
    rows = {row.id: row for row in library.finding.clips([one.exchange_id for one in found])}
    terminal.table(
        ("id", "fight", "round", "distance", "why"),
        [
            (str(i), rows[i].fight, str(rows[i].round or ""), f"{distance:.2f}", why)
            for i, distance, why in found
        ],
        give=4,
    )


@click.command()
@terminal.json_option
@click.pass_obj
def reels(folder: Path, as_json: bool) -> None:
    """List the reels that are kept in the library."""
    kept = Library(folder).making.reels()
    if as_json:
        terminal.print_json(
            [
                {
                    "name": reel.name,
                    "title": reel.title,
                    "clips": reel.clips,
                    "seconds": to_seconds(reel.duration_us),
                    "made": reel.made,
                    "file": str(reel.file),
                }
                for reel in kept
            ]
        )
        return
    terminal.table(
        ("name", "title", "clips", "length", "made"),
        [(r.name, r.title, str(r.clips), format_time(r.duration_us, 0), r.made) for r in kept],
        give=1,
    )


@click.command()
@click.argument("name")
@click.pass_obj
@terminal.doing
def remake(folder: Path, name: str) -> terminal.Done:
    """Make a kept reel again with what is in the library now."""
    library = Library(folder)
    with ProgressLine() as progress:
        library.making.remake_reel(name, progress)
    made = library.making.made_reel(name)
    terminal.say(str(made.file))
    return terminal.Done(name=name, file=str(made.file))


COMMANDS = (fight, recut, correct, alike, reels, remake)
