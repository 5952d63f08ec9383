"""What a report says, before it is HTML or PDF: sections of words, a chart, and the chart's table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from cliplib.stats.proportions import Interval
from cliplib.tally import CountRow, NextTable
from cliplib.tally.following import NOTHING


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


def percent(value: Interval | None) -> str:
    """`33 % (21–47)`."""
    if value is None:
        return "–"
    return f"{100 * value.value:.0f} % ({100 * value.low:.0f}–{100 * value.high:.0f})"


PARTS = ("landed", "partial", "blocked", "missed", "unknown")


def counts_grid(by: Sequence[str], rows: Sequence[CountRow], clips: Sequence[Sequence[int]]) -> Grid:
    """The table beside a chart of counts. In how many fights stands there only where they differ."""
    fights = len({row.fights for row in rows} - {1}) > 0
    head = (*by, "tried", *PARTS, "rate", "a minute", *(["fights"] if fights else []))
    return Grid(
        head,
        tuple(
            (
                *row.values,
                str(row.tried),
                *(str(getattr(row, name)) for name in PARTS),
                percent(row.rate),
                "–" if row.per_minute is None else f"{row.per_minute:.2f}",
                *([str(row.fights)] if fights else []),
            )
            for row in rows
        ),
        tuple(tuple(some) for some in clips),
        "clips of landed",
    )


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


def next_grid(table: NextTable) -> Grid:
    rows, clips = [], []
    for who, side in (("the same fighter", table.own), ("the opponent", table.other)):
        for row in side:
            gap = "–" if row.median_us is None else f"{row.median_us / 1e6:.2f} s"
            spread = (
                "–"
                if row.low_us is None or row.high_us is None
                else f"{row.low_us / 1e6:.2f}–{row.high_us / 1e6:.2f} s"
            )
            landed = f"{row.landed} of {row.known}" if row.known else "–"
            rows.append((who, row.what, str(row.times), percent(row.share), gap, spread, landed))
            clips.append(tuple(int(i) for i in row.tries.exchange_ids()))
    head = ("who", "what next", "times", "share", "gap, median", "middle half", "landed")
    return Grid(head, tuple(rows), tuple(clips))
