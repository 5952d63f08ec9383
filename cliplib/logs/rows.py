"""What the three forms of log have in common: rows of named values.

A CSV record and a JSON Lines object become one `Row` with one `Part`; a WebVTT cue becomes one `Row` with a
part for each stretch of its text that one voice says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from cliplib.core.errors import Problem
from cliplib.logs.source import Cell, Source

COLUMNS = (
    "time",
    "until",
    "round",
    "clock",
    "in",
    "out",
    "exchange",
    "fighter",
    "action",
    "outcome",
    "target",
    "stance",
    "place",
    "note",
)
"""Of CSV, and the keys of JSON Lines. `in` and `out` give the clip's own in and out, as a WebVTT cue does."""

SHORTEST_CUE_US = 1000
"""WebVTT has whole milliseconds, and a cue ends after it starts."""

LONGEST_ROW = 65_536
"""Characters. Longer than any row that tells an exchange; keeps one broken row from costing minutes."""


@dataclass(frozen=True, slots=True)
class Part:
    """A phrase, who it is about (None: the phrase says), and when it begins, if only the form could tell."""

    phrase: Cell
    fighter: Cell | None = None
    time_us: int | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """`cells`: the values that are not empty, by column; `span_us`: a cue's in and out."""

    source: Source
    offset: int
    cells: dict[str, Cell]
    parts: tuple[Part, ...]
    span_us: tuple[int, int] | None = None
    note: str = ""
    name: str = ""

    @property
    def is_note(self) -> bool:
        """Whether it tells a note and nothing that anybody did."""
        return not self.parts and bool(self.note or "note" in self.cells)

    @property
    def line(self) -> int:
        return self.source.line_of(self.offset)

    def problem(self, message: str) -> Problem:
        """A problem with the row as a whole, shown at its beginning."""
        return self.source.problem(self.offset, message)


@dataclass(slots=True)
class Rows:
    """What a form's reader hands over: the rows it could read, in the file's order, and what was wrong.
    `remarks`: how it was read, where that is not as usual."""

    rows: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def stripped(text: str, source: Source, start: int, place: Callable[[int], int] | None = None) -> Cell | None:
    """A cell without the white space around it; None if nothing is left."""
    bare = text.strip()
    if not bare:
        return None
    shift = len(text) - len(text.lstrip())
    if place is None:
        return Cell(bare, source, start + shift)
    return Cell(bare, source, place(shift), lambda index: place(index + shift))


def row_of(source: Source, offset: int, cells: dict[str, Cell]) -> Row:
    """The row of a CSV record or JSON object."""
    action = cells.get("action")
    parts = (Part(action, cells.get("fighter")),) if action else ()
    return Row(source, offset, cells, parts)
