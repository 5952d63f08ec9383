"""A log file into exchanges: the form's reader, then times, groups and phrases."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cliplib.core.errors import Problem
from cliplib.core.models import Action, Exchange, FightInfo, Mark, Settings
from cliplib.logs.forms import form_of, suffixes
from cliplib.logs.grouping import Group, group, name_of
from cliplib.logs.jsonform import read_jsonl
from cliplib.logs.people import resolve
from cliplib.logs.rows import SHORTEST_CUE_US, Rows
from cliplib.logs.source import Refused, Source, load
from cliplib.logs.telling import Teller
from cliplib.logs.timing import Timed, gives_clocks, place
from cliplib.vocabulary import Vocabulary

MOST_PROBLEMS = 1000
"""A log with more is the wrong file or misses one quotation mark; the rest would bury the first."""


@dataclass(frozen=True, slots=True)
class LogReading:
    """The exchanges of the good rows and the marks, each in order of time, and what is wrong with the other
    rows, by line. `remarks`: how the file was read, where that is not as usual."""

    exchanges: tuple[Exchange, ...]
    problems: tuple[Problem, ...]
    marks: tuple[Mark, ...] = ()
    remarks: tuple[str, ...] = ()


def read_log(
    path: Path,
    fight: FightInfo,
    vocabulary: Vocabulary,
    settings: Settings,
    *,
    file_label: str,
    film_us: int | None = None,
) -> LogReading:
    """Read a log; its form goes by its suffix (see `forms`).

    Never raises on what a file holds: rows that cannot be read become problems and the caller decides.
    Relations are not derived yet. Times are footage time; see `timing` for rows on a round clock whose bells
    nobody knows: their actions have negative times, and their exchanges no start and end. `film_us`: how long
    the footage is, if it is known; a footage time that lies beyond is a problem.
    """
    form = form_of(path)
    if form is None:
        known = ", ".join(suffixes())
        return LogReading(
            (), (Problem(file_label, 1, 0, f"no kind of log that is known; there are {known}"),)
        )
    try:
        source = load(path, file_label)
        found = form.read(source)
    except Refused as refused:
        return LogReading((), (refused.problem,))
    read = read_rows(found, fight, vocabulary, settings, file_label, film_us=film_us)
    return replace(read, remarks=tuple(filter(None, (source.remark, *found.remarks))))


def read_lines(
    lines: Sequence[Mapping[str, str]],
    fight: FightInfo,
    vocabulary: Vocabulary,
    settings: Settings,
    *,
    file_label: str,
    teller: Teller | None = None,
    film_us: int | None = None,
) -> LogReading:
    """Read a log that is no file: each of `lines` holds the columns of a row. Line numbers count from 1.

    `teller`: who stands how where the lines begin, and what was read before; it is as it is after them then.
    """
    text = "".join(json.dumps(dict(line), ensure_ascii=False) + "\n" for line in lines)
    found = read_jsonl(Source(file_label, text))
    return read_rows(found, fight, vocabulary, settings, file_label, teller, film_us)


def read_rows(
    found: Rows,
    fight: FightInfo,
    vocabulary: Vocabulary,
    settings: Settings,
    file_label: str,
    teller: Teller | None = None,
    film_us: int | None = None,
) -> LogReading:
    problems = list(found.problems)
    placed = []
    teller = teller or Teller(fight, vocabulary)
    clock_log = gives_clocks(found.rows)
    for row in found.rows:
        try:
            placed.append(place(row, fight, clock_log, film_us))
        except Refused as refused:
            problems.append(refused.problem)
            # A wrong time is no reason to keep quiet about the phrase until the time is right.
            problems += teller.tell(Timed(row), None)[1]
    placed = _on_one_clock(placed, problems)
    marks = _marks(placed, fight, problems)
    placed = [timed for timed in placed if not timed.is_mark]
    exchanges = []
    for one in group(placed, settings.exchange_gap_us):
        number = next((row.round for row in one.rows if row.round is not None), None)
        teller.enter(number)
        exchange = _exchange(one, number, teller, settings, problems)
        if exchange:
            exchanges.append(exchange)
    problems.sort(key=lambda problem: (problem.line, problem.column))
    if len(problems) > MOST_PROBLEMS:
        more = len(problems) - MOST_PROBLEMS
        line = problems[MOST_PROBLEMS].line
        problems = [*problems[:MOST_PROBLEMS], Problem(file_label, line, 0, f"and {more:,} more problems")]
    return LogReading(tuple(exchanges), tuple(problems), tuple(sorted(marks, key=lambda mark: mark.key)))


def _marks(placed: Sequence[Timed], fight: FightInfo, problems: list[Problem]) -> list[Mark]:
    """What timed rows note that tell no action."""
    marks = []
    for timed in placed:
        row = timed.row
        if not timed.is_mark:
            continue
        try:
            for column in ("outcome", "target", "stance", "place"):
                if column in row.cells:
                    raise Refused(
                        row.cells[column].problem(f"a mark has no {column}; say what was done in “action”")
                    )
            fighter = resolve(row.cells["fighter"], fight) if "fighter" in row.cells else None
        except Refused as refused:
            problems.append(refused.problem)
            continue
        begin, until = timed.span_us or (timed.begin_us, timed.until_us)
        assert begin is not None
        if row.span_us is not None and until is not None and until - begin <= SHORTEST_CUE_US:
            until = None  # a moment; but no cue is shorter
        note = "\n".join(
            text for text in (row.note, row.cells["note"].text if "note" in row.cells else "") if text
        )
        name = name_of(timed.name)
        marks.append(Mark(note, begin, timed.round, until, timed.on_clock, fighter, name, row.line))
    return marks


def _on_one_clock(placed: list[Timed], problems: list[Problem]) -> list[Timed]:
    """Times of the footage and of a clock whose bells nobody knows cannot be put in one order."""
    footage = [row for row in placed if row.key is not None and not row.on_clock]
    clock = [row for row in placed if row.on_clock]
    if not footage or not clock:
        return placed
    problems += [
        row.row.cells["clock"].problem(
            "other rows give footage time, and nobody knows when this round began; "
            "write first_bell or round_starts into fight.toml"
        )
        for row in clock
    ]
    return [row for row in placed if not row.on_clock]


def _exchange(
    one: Group, number: int | None, teller: Teller, settings: Settings, problems: list[Problem]
) -> Exchange | None:
    actions: list[Action] = []
    notes: list[str] = []
    line, spoilt = 0, False
    latest: int | None = None
    teller.begin()
    for timed in one.rows:
        row = timed.row
        latest = timed.begin_us if timed.begin_us is not None else latest
        if timed.until_us is not None and (latest is None or timed.until_us < latest):
            what = "an end without a beginning" if latest is None else "ends before it begins"
            problems.append(row.cells["until"].problem(what))
            spoilt = True
            continue
        if not row.parts and not ("note" in row.cells or row.note):
            problems.append(row.problem("tells no action"))
            spoilt = True
            continue
        told, wrong = teller.tell(timed, actions[-1] if actions else None)
        if wrong:
            problems += wrong
            spoilt = True
            continue
        actions += told
        if row.note:
            notes.append(row.note)
        if "note" in row.cells and len(told) != 1:
            notes.append(row.cells["note"].text)
        line = min(line, row.line) if line else row.line
    if not actions:
        if not spoilt:
            problems.append(one.rows[0].row.problem("this note belongs to no action"))
        return None
    span = next((timed.span_us for timed in one.rows if timed.span_us is not None), None)
    on_clock = any(timed.on_clock for timed in one.rows)
    start, end = span or ((None, None) if on_clock else extent(actions, settings))
    return Exchange(tuple(actions), number, start, end, span is not None, one.name, "\n".join(notes), line)


def extent(actions: Sequence[Action], settings: Settings) -> tuple[int | None, int | None]:
    """From the first known time to the latest end. An action without `until` lasts `action_length_us`, and
    one without a time begins where the one before it ends.
    """
    start: int | None = None
    end: int | None = None
    cursor: int | None = None
    for action in actions:
        begin = action.time_us if action.time_us is not None else cursor
        if begin is None:
            continue
        start = begin if start is None else start
        cursor = action.until_us if action.until_us is not None else begin + settings.action_length_us
        end = cursor if end is None else max(end, cursor)
    return start, end
