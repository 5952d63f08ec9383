"""An evidence table as one object: its columns with units, its rows, what was counted, and the clips behind
each number. The command line, the pages, JSON, CSV, the API, its document and the reports render this.

    Form      what a table of one kind holds, known before anything is counted: facts and groups of columns
    Column    one column of a group: how it is headed, what kind of value it holds, where JSON has it
    Filled    a form with its rows, its sentences, and what each number opens

A number that has clips carries their *key*: the row's identity and the name of the number. A key means the
same thing tomorrow, when new fights have moved the rows; nobody looks a row up by the text it shows.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal
from urllib.parse import quote, unquote

from cliplib.core.errors import NotFoundError
from cliplib.core.models import JSON, Reading
from cliplib.core.timebase import format_time, to_seconds
from cliplib.stats.proportions import Interval, said_p, told_apart

from .tries import Tries

Kind = Literal[
    "text", "count", "fights", "whole", "of", "share", "points", "frequency", "seconds", "spread", "time",
    "chance", "number", "coefficient", "range", "clips", "clips by part",
]  # fmt: skip
"""What a column holds. `of`: two counts, the first out of the second. `fights`: in how many. `whole`: one
that may be missing. `share`: a proportion with its interval. `points`: the difference of two, in percentage
points. `frequency`: a minute. `seconds`, `spread`: one or two times, held in microseconds. `time`: of the
footage, so too, negative where it is not known. `chance`: a p-value. `coefficient`: a value with its interval
that is no proportion. `range`, `clips`, `clips by part`: for scripts only."""

Opener = Callable[[], Tries]
"""Finds what a number counts, when it is opened and not before."""


@dataclass(frozen=True, slots=True)
class Column:
    """`paths`: where the values stand in a row of JSON, one for each value; none: people only. `parts`: the
    names of the numbers that open clips, one for each value. `unit`: what the numbers are in, or a percentage
    of what. `quiet`: a value that is not worth a column when no row has another. Without a title a column is
    for scripts only."""

    title: str
    kind: Kind
    paths: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    unit: str = ""
    maybe: bool = True
    quiet: Any = None

    @property
    def head(self) -> str:
        return f"{self.title} ({self.unit})" if self.unit else self.title


@dataclass(frozen=True, slots=True)
class Fact:
    """Something a table says beside its rows. `shape`: its type, from which the API's document is made."""

    name: str
    shape: Any
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Group:
    """Rows with the same columns. `single`: one row, an object in JSON; `foot`: it is the last row of the
    group before it. `free`: its rows begin with texts by keys that are chosen when asking, in JSON under
    `values`. `row`: what the API's document calls the shape of a row."""

    name: str
    title: str
    columns: tuple[Column, ...]
    row: str = ""
    optional: bool = False
    single: bool = False
    foot: bool = False
    free: bool = False


Member = Fact | Group


@dataclass(frozen=True, slots=True)
class Form:
    """`name`: what the API's document calls it. `members` in the order of JSON."""

    name: str
    members: tuple[Member, ...]

    @property
    def groups(self) -> tuple[Group, ...]:
        return tuple(member for member in self.members if isinstance(member, Group))


@dataclass(frozen=True, slots=True)
class Cell:
    """The values of one column in one row, and the key of each number's clips ("" where there are none)."""

    values: tuple[Any, ...]
    keys: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """`names`: the values of the keys it is grouped by, in a `free` group."""

    cells: tuple[Cell, ...]
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Piece:
    """A text that is shown, and the key of the clips it opens."""

    text: str
    key: str = ""


@dataclass(frozen=True, slots=True)
class Opened:
    """What a number opens: the clips' numbers, each once; how many tries they show (None: not counted in
    tries); what the number is, in words."""

    clips: tuple[int, ...]
    tries: int | None
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Number:
    """A number of a table: how many, of how many (None where it is no part of anything), and its clips."""

    count: int
    of: int | None
    clips: tuple[int, ...]
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Then:
    """A table to go on with, for the same phrase, and why: `options` are parameters and filters by name."""

    words: str
    table: str
    options: Mapping[str, Any]


@dataclass(frozen=True)
class Filled:
    """A form filled in. `facts` and `rows` by the names of the form's members; `by`: the keys of `free`
    groups. `lead`: sentences above the tables; `said`: what it comes to, in a sentence. `heads`: titles of
    columns that depend on what was asked, by group and title. `before`: tables for people alone, by the group
    they precede. `then`: what to go on with."""

    form: Form
    facts: Mapping[str, Any]
    rows: Mapping[str, Sequence[Row]]
    definitions: tuple[str, ...]
    reading: Reading | None = None
    by: tuple[str, ...] = ()
    said: str = ""
    lead: tuple[tuple[Piece, ...], ...] = ()
    heads: Mapping[tuple[str, str], str] = field(default_factory=dict)
    before: Mapping[str, Shown] = field(default_factory=dict)
    then: tuple[Then, ...] = ()
    openers: Mapping[str, tuple[Opener | tuple[int, ...], tuple[str, ...]]] = field(
        default_factory=dict, repr=False
    )

    def open(self, key: str) -> Opened:
        """The clips behind the number with this key. NotFoundError for a key that no number has."""
        found = self.openers.get(key)
        if found is None:
            raise NotFoundError("nothing is counted by that any more; ask for the table anew")
        opener, words = found
        if isinstance(opener, tuple):
            return Opened(opener, None, words)
        tries = opener()
        return Opened(tuple(tries.exchange_ids().tolist()), len(tries), words)

    def number(self, key: str) -> Number:
        """The number with this key; 0 where its row is there and the number has come down to nothing.
        NotFoundError where not even the row is."""
        counted = next(self._counted(key), None)
        if key not in self.openers and counted is not None:
            return Number(*counted, (), tuple(unquote(part) for part in key.split("/")[1:]))
        opened = self.open(key)
        if counted is not None:
            return Number(*counted, opened.clips, opened.words)
        count = len(opened.clips) if opened.tries is None else opened.tries
        return Number(count, None, opened.clips, opened.words)

    def _counted(self, key: str) -> Iterator[tuple[int, int | None]]:
        """How many, and of how many, in the row that a key names: its cells know that row by their own keys,
        which differ from it in the last part alone."""
        row_key, _, last = key.rpartition("/")
        part = unquote(last)
        for group in self.form.groups:
            for row in self.rows.get(group.name, ()):
                if not any(
                    one.rpartition("/")[0] == row_key for cell in row.cells for one in cell.keys if one
                ):
                    continue
                for column, cell in zip(group.columns, row.cells, strict=True):
                    if column.kind in ("of", "count", "whole") and part in column.parts:
                        place = column.parts.index(part)
                        of = cell.values[1] if column.kind == "of" and place == 0 else None
                        yield int(cell.values[place] or 0), of

    # --- for people ---------------------------------------------------------------------------------------

    def groups(self) -> Iterator[Shown]:
        """The groups that have something to show, with a foot as the last row of its group."""
        pending: list[tuple[Group, list[Row]]] = []
        for member in self.form.members:
            if isinstance(member, Group) and member.name in self.rows:
                rows = list(self.rows[member.name])
                if member.foot and pending and (self.by or not member.free):
                    pending[-1][1].extend(rows)
                elif member.foot and pending:  # rows by nothing are the sum once more
                    pending[-1] = member, rows
                else:
                    pending.append((member, rows))
        for group, rows in pending:
            if group.name in self.before:
                yield self.before[group.name]
            if rows and any(column.title for column in group.columns):
                yield self._shown(group, rows)

    def _shown(self, group: Group, rows: Sequence[Row]) -> Shown:
        places = [
            i
            for i, column in enumerate(group.columns)
            if column.title
            and (column.quiet is None or any(row.cells[i].values[0] != column.quiet for row in rows))
        ]
        columns = tuple(
            dataclasses.replace(c, title=self.heads.get((group.name, c.title), c.title))
            for c in (group.columns[i] for i in places)
        )
        return Shown(
            group.name,
            group.title,
            (self.by or ("",)) if group.free else (),
            columns,
            tuple(
                ShownRow(
                    _names(row, self.by) if group.free else (),
                    tuple(pieces(group.columns[i], row.cells[i]) for i in places),
                    group.free and not row.names,
                )
                for row in rows
            ),
        )

    # --- for scripts --------------------------------------------------------------------------------------

    def as_json(self, *, ids: bool = False) -> JSON:
        """`ids`: also the numbers of the clips behind each count, where they are not there anyway."""
        data: JSON = {}
        for member in self.form.members:
            if isinstance(member, Fact):
                if member.name in self.facts:
                    data[member.name] = plain(self.facts[member.name])
            elif member.name in self.rows:
                rows = [self._row_json(member, row, ids) for row in self.rows[member.name]]
                data[member.name] = rows[0] if member.single else rows
        return data

    def _row_json(self, group: Group, row: Row, ids: bool) -> JSON:
        data: JSON = {"values": dict(zip(self.by, row.names, strict=False))} if group.free else {}
        for column, cell in zip(group.columns, row.cells, strict=True):
            if column.kind == "clips by part" and not ids:
                continue
            for path, value in zip(column.paths, cell.values, strict=False):
                put(data, path, _json_value(column.kind, value))
        return data

    def as_csv(self) -> tuple[tuple[str, ...], list[list[str]]]:
        """(head, rows) of all groups together; the first column names the group where there are several. A
        group that is a sum stands there where there is nothing else."""
        groups = [m for m in self.form.members if isinstance(m, Group) and self.rows.get(m.name)]
        listed = [g for g in groups if not g.foot] or groups
        several = len([m for m in self.form.members if isinstance(m, Group) and not m.foot]) > 1
        by = self.by if any(g.free for g in listed) else ()
        head = list(dict.fromkeys(name for group in listed for name in _csv_names(group)))
        lines = []
        for group in listed:
            for row in self.rows[group.name]:
                cells = dict(_csv_cells(group, row))
                line = [group.name] if several else []
                line += [*row.names, *[""] * (len(by) - len(row.names))]
                lines.append([*line, *(cells.get(name, "") for name in head)])
        return (*(("group",) if several else ()), *by, *head), lines


@dataclass(frozen=True, slots=True)
class ShownRow:
    names: tuple[str, ...]
    cells: tuple[tuple[Piece, ...], ...]
    foot: bool = False


@dataclass(frozen=True, slots=True)
class Shown:
    """A group for people: `by`, the keys that rows are named by, then the columns."""

    name: str
    title: str
    by: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: tuple[ShownRow, ...]

    @property
    def head(self) -> tuple[str, ...]:
        return (*self.by, *(column.head for column in self.columns))

    def texts(self, none: str = "–") -> Iterator[tuple[str, ...]]:
        """Each row as texts; `none` stands for what is not known."""
        for row in self.rows:
            yield (*row.names, *("".join(p.text for p in cell) or none for cell in row.cells))


# --- filling in ---------------------------------------------------------------------------------------------


def key_of(*parts: object) -> str:
    """One key out of what identifies a number."""
    return "/".join(quote(str(part), safe=" ") for part in parts)


class Filling:
    """Rows of a form as they are made, with what their numbers open."""

    def __init__(self) -> None:
        self.openers: dict[str, tuple[Opener | tuple[int, ...], tuple[str, ...]]] = {}

    def row(
        self,
        group: Group,
        values: Sequence[Any],
        *,
        key: Sequence[object] = (),
        names: tuple[str, ...] = (),
        behind: Mapping[str, Opener | tuple[int, ...]] | None = None,
        words: Sequence[str] = (),
    ) -> Row:
        """A row. `values`: one for each column, a tuple where it holds two. `key`: what identifies the row in
        its group. `behind`: what each number opens, by its name; `words`: what the row is about."""
        cells = []
        for column, value in zip(group.columns, values, strict=True):
            held = value if len(column.paths or column.parts) > 1 else (value,)
            keys = []
            for part, one in zip(column.parts, held, strict=False):
                opener = (behind or {}).get(part)
                keys.append(
                    self.opens(opener, (group.name, *key, part), (*words, part))
                    if opener is not None and (not isinstance(one, int) or one)
                    else ""
                )
            cells.append(Cell(tuple(held), tuple(keys)))
        return Row(tuple(cells), names)

    def opens(self, opener: Opener | tuple[int, ...], key: Sequence[object], words: Sequence[str]) -> str:
        """The key under which a number opens its clips."""
        made = key_of(*key)
        self.openers[made] = opener, tuple(w.replace("_", " ") for w in words if w and w not in _SAY_NOTHING)
        return made


_SAY_NOTHING = ("tried", "times", "all")


def _names(row: Row, by: tuple[str, ...]) -> tuple[str, ...]:
    return row.names or ("all", *[""] * (len(by) - 1))


# --- rendering a value --------------------------------------------------------------------------------------


def percent(value: Interval | None) -> str:
    """`33 % (21–47)`."""
    if value is None:
        return ""
    low, high = told_apart(100 * value.low, 100 * value.high, 0)
    return f"{100 * value.value:.0f} % ({low}–{high})"


def _points(value: Interval | None) -> str:
    if value is None:
        return ""
    low, high = told_apart(100 * value.low, 100 * value.high, 0, "+")
    said = f"{100 * value.value:+.0f} ({low} to {high}) points"
    return said.replace("-", "−")


def _coefficient(value: Interval | None) -> str:
    if value is None:
        return ""
    low, high = told_apart(value.low, value.high, 2)
    return f"{value.value:.2f} ({low} to {high})".replace("-", "−")


def _seconds(us: int | None) -> str:
    return "" if us is None else f"{us / 1_000_000:.2f}"


_SAY: dict[str, Callable[[Any], str]] = {
    "text": lambda value: str(value or ""),
    "count": str,
    "fights": str,
    "whole": lambda value: "" if value is None else str(value),
    "time": lambda us: "" if us is None or us < 0 else format_time(us, 1),
    "share": percent,
    "points": _points,
    "frequency": lambda value: "" if value is None else f"{value:.2f}",
    "seconds": _seconds,
    "chance": said_p,
    "number": lambda value: "" if value is None else f"{value:.1f}",
    "coefficient": _coefficient,
}


def pieces(column: Column, cell: Cell) -> tuple[Piece, ...]:
    """What a cell shows, each number with its key; none where nothing is known."""
    keys = (*cell.keys, "", "")
    if column.kind == "of":
        k, n = cell.values
        return (Piece(str(k), keys[0]), Piece(" of "), Piece(str(n), keys[1])) if n else ()
    if column.kind == "spread":
        low, high = cell.values
        return () if low is None or high is None else (Piece(f"{_seconds(low)}–{_seconds(high)}"),)
    text = _SAY[column.kind](cell.values[0])
    return (Piece(text, keys[0]),) if text else ()


def _json_value(kind: Kind, value: Any) -> Any:
    if kind in ("seconds", "spread", "time"):
        return None if value is None or (kind == "time" and value < 0) else to_seconds(value)
    return plain(value() if callable(value) else value)


def plain(value: Any) -> Any:
    """A value as JSON has it: data classes as objects, tuples as lists."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {name: plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return value


def put(data: JSON, path: str, value: Any) -> None:
    """Set the value at a path such as `gap.median`."""
    *outer, last = path.split(".")
    for name in outer:
        data = data.setdefault(name, {})
    data[last] = value


def _csv_names(group: Group) -> Iterator[str]:
    for column in group.columns:
        for path in column.paths:
            name = path.replace(".", "_")
            if column.kind in ("clips", "clips by part"):
                continue
            if column.kind != "range":
                yield name
            if column.kind in ("range", "share", "points", "coefficient"):
                yield f"{name}_low"
                yield f"{name}_high"


def _csv_cells(group: Group, row: Row) -> Iterator[tuple[str, str]]:
    for column, cell in zip(group.columns, row.cells, strict=True):
        for path, value in zip(column.paths, cell.values, strict=False):
            name = path.replace(".", "_")
            if column.kind in ("clips", "clips by part") or value is None:
                continue
            if isinstance(value, Interval):
                for ending, one in (("", value.value), ("_low", value.low), ("_high", value.high)):
                    yield name + ending, f"{one:.4f}"
            elif isinstance(value, tuple):
                for ending, one in zip(("_low", "_high"), value, strict=True):
                    yield name + ending, f"{one:.4f}"
            else:
                number = _json_value(column.kind, value)
                yield name, f"{number:.6g}" if isinstance(number, float) else str(number)
