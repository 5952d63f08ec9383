"""What a report says, before it is HTML or PDF: sections of words, a chart, and the chart's table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from cliplib.stats.proportions import Interval
from cliplib.tally import CountRow, NextTable
from cliplib.tally.following import NOTHING
from cliplib.tally.table import Filled


@dataclass(frozen=True, slots=True)
class Grid:
    """A table. `clips[i]`: numbers of the clips behind row i, under `clips_head`."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    clips: tuple[tuple[int, ...], ...] = ()
    clips_head: str = "clips"


@dataclass(frozen=True, slots=True)
class Bars:
    """A horizontal bar for each row: counts by what became of them, in black, greys and white."""

    title: str
    names: tuple[str, ...]
    parts: tuple[tuple[str, tuple[int, ...]], ...]  # (landed, [one for each name]), ...


@dataclass(frozen=True, slots=True)
class Dots:
    """A proportion with its interval for each row; None where nothing is known."""

    title: str
    names: tuple[str, ...]
    values: tuple[Interval | None, ...]
    counts: tuple[str, ...]  # `4 of 9`


@dataclass(frozen=True, slots=True)
class Flow:
    """What came next: (what, how often) of the same fighter and of the opponent."""

    title: str
    start: str
    tries: int
    own: tuple[tuple[str, int], ...]
    other: tuple[tuple[str, int], ...]


Chart = Bars | Dots | Flow


@dataclass(frozen=True, slots=True)
class Section:
    title: str
    words: tuple[str, ...] = ()
    chart: Chart | None = None
    grid: Grid | None = None


@dataclass(frozen=True, slots=True)
class Report:
    title: str
    lead: tuple[str, ...]
    sections: tuple[Section, ...]
    definitions: tuple[str, ...]
    made: str = ""  # a date
    caution: str = field(
        default="Footage belongs to somebody: show and copy it only with the right to. Counts describe what "
        "was logged; what to train is for a coach, and what a blow did to somebody is for a doctor."
    )


PARTS = ("landed", "partial", "blocked", "missed", "inferred", "unknown")


def grid(found: Filled, clips: str, clips_head: str = "clips") -> Grid:
    """An evidence table on paper: its groups as one table, with the clips behind the number named `clips`."""
    shown = list(found.groups())
    several = len(shown) > 1
    rows, opened = [], []
    for group in shown:
        for row, texts in zip(group.rows, group.texts(), strict=True):
            if row.foot:
                continue
            rows.append((group.title, *texts) if several else texts)
            keys = [piece.key for cell in row.cells for piece in cell if piece.key.endswith(f"/{clips}")]
            opened.append(found.open(keys[0]).clips if keys else ())
    head = shown[0].head if shown else ()
    return Grid((("who", *head) if several else head), tuple(rows), tuple(opened), clips_head)


def bars(title: str, by: Sequence[str], rows: Sequence[CountRow]) -> Bars:
    return Bars(
        title,
        _names(by, rows),
        tuple((name, tuple(getattr(row, name) for row in rows)) for name in PARTS),
    )


def dots(title: str, by: Sequence[str], rows: Sequence[CountRow]) -> Dots:
    return Dots(
        title,
        _names(by, rows),
        tuple(row.rate for row in rows),
        tuple(f"{row.landed} of {row.known}" for row in rows),
    )


def _names(by: Sequence[str], rows: Sequence[CountRow]) -> tuple[str, ...]:
    """A bare number says nothing beside a bar, nor does a bare “open”."""
    before = {"round": "round ", "stance match": "stances "}
    return tuple(
        ", ".join(before.get(key, "") + value for key, value in zip(by, row.values, strict=True)) or "all"
        for row in rows
    )


def flow(title: str, start: str, table: NextTable, most: int = 6) -> Flow:
    """The most frequent things that came next; the others together."""

    def top(rows: Sequence[tuple[str, int]]) -> tuple[tuple[str, int], ...]:
        ended = [row for row in rows if row[0] == NOTHING]
        went_on = [row for row in rows if row[0] != NOTHING]
        rest = sum(times for _, times in went_on[most:])
        return (*went_on[:most], *([("something else", rest)] if rest else []), *ended)

    return Flow(
        title,
        start,
        len(table.tries),
        top([(row.what, row.times) for row in table.own]),
        top([(row.what, row.times) for row in table.other]),
    )
