"""When a row happened: its values checked against the fight's rounds and put on one clock.

Where the bells are known, everything is footage time. Where they are not (no footage yet, no first bell), a
row that gives round and clock keeps what the clock showed, *negated*: the clock counts down, so -151 s (2:31
left) comes before -150 s, and gaps and order hold. Nothing can be cut from such times; once the bells are in
fight.toml, reading the log again turns them into footage time.

Where the film begins after a bell, moments before it have negative footage times. A clock may also tell a
moment when the film is over; a footage time may not.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from cliplib.core.models import FightInfo
from cliplib.core.parts import Part, replay_at
from cliplib.core.timebase import SECOND, format_time, parse_time
from cliplib.logs.rows import Row
from cliplib.logs.source import Cell, Refused

_LAST_US = 100 * 3600 * SECOND
_DOTTED = re.compile(r"(\d)[.,]([0-5]\d)")
"""A clock written with the wrong mark: 0.05 would be five hundredths of a second."""
_SAME_US = SECOND  # a ringside clock shows whole seconds, so `time` and `clock` may differ by one
_CUE_US = SECOND // 1000  # a WebVTT cue has a length, so a mark of one moment is written that long
_ROUND = re.compile(r"(?:r(?:ound)?\s*)?(\d{1,3})", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, slots=True)
class Timed:
    """A row and when it happened. `on_clock`: times are of the round clock, negated, and not footage time."""

    row: Row
    round: int | None = None
    begin_us: int | None = None
    until_us: int | None = None
    span_us: tuple[int, int] | None = None
    on_clock: bool = False
    name: str = ""

    @property
    def is_mark(self) -> bool:
        """Whether it notes something at a moment, and no action."""
        return self.row.is_note and (self.begin_us is not None or self.span_us is not None)

    @property
    def key(self) -> tuple[int, int] | None:
        """What rows sort by; None without a time."""
        if self.begin_us is None:
            return None
        return ((self.round or 0) if self.on_clock else 0, self.begin_us)


def place(row: Row, fight: FightInfo, clock_log: bool = False, film_us: int | None = None) -> Timed:
    """The row with its times. Raises Refused with the first thing about them that cannot be.

    `clock_log`: the log gives clocks and no footage times; then the `until` of a row with neither is a clock.
    `film_us`: how long the film is, if there is one.
    """
    return _Placing(row, fight, clock_log, film_us).place()


def gives_clocks(rows: Sequence[Row]) -> bool:
    return any("clock" in row.cells for row in rows) and not any("time" in row.cells for row in rows)


class _Placing:
    def __init__(self, row: Row, fight: FightInfo, clock_log: bool, film_us: int | None):
        self.row, self.fight, self.film_us = row, fight, film_us
        self.until_is_clock = "time" not in row.cells and ("clock" in row.cells or clock_log)
        self.clock = fight.bells

    def place(self) -> Timed:
        cells = self.row.cells
        number = self._round()
        time = self._time("time")
        left = self._time("clock")
        if left is not None and time is None and number is None:
            raise Refused(cells["clock"].problem("a clock needs its round; fill in the column “round”"))
        on_clock = False
        begin = time
        if left is not None and number is not None:
            told = self._from_clock(number, left, cells["clock"])
            if time is None:
                begin, on_clock = told, self.clock is None
            elif self.clock and abs(told - time) > _SAME_US:
                there = self.clock.from_footage(time)
                shown = f"round {there[0]} with {format_time(there[1])} left" if there else "between rounds"
                raise Refused(
                    cells["clock"].problem(f"does not fit the time {format_time(time)}, which is {shown}")
                )
        if time is not None:
            number = self._round_of(time, number, cells["time"])
        span = self.row.span_us or self._span()
        if span is not None:
            self._check_filmed(span[0], cells.get("in"))
            number = self._round_of_span(span, number)
        if self.row.is_note and begin is not None and not on_clock:
            self._check_on_film(begin, cells.get("time") or cells["clock"])
        until = self._until(begin, number)
        if self.row.is_note and not on_clock:
            self._check_ends_on_film(until, cells.get("until"))
            self._check_ends_on_film(span[1] if span else None, cells.get("out"))
        name = cells["exchange"].text if "exchange" in cells else self.row.name
        return Timed(self.row, number, begin, until, span, on_clock, name)

    def _time(self, column: str) -> int | None:
        cell = self.row.cells.get(column)
        if cell is None:
            return None
        try:
            if cell.text.startswith(("-", "−")):
                raise ValueError(
                    f"“{cell.text[:40]}” is negative; times count from the footage's first frame"
                )
            if column == "clock" and (dotted := _DOTTED.fullmatch(cell.text)):
                clock = f"{dotted[1]}:{dotted[2]}"
                raise ValueError(f"“{cell.text}” is not a clock; write minutes:seconds, such as {clock}")
            us = parse_time(cell.text[:60])
        except ValueError as error:
            raise Refused(cell.problem(str(error))) from error
        if us > _LAST_US:
            raise Refused(cell.problem(f"{format_time(us)} is longer than any footage of a fight"))
        if column == "time":
            self._check_filmed(us, cell)
        return us

    def _check_filmed(self, us: int, cell: Cell | None) -> None:
        """A footage time lies in the film."""
        if self.film_us is None or us < self.film_us:
            return
        message = (
            f"begins at {format_time(us)}, but the footage is only {format_time(self.film_us, 1)} long; "
            "check the time, first_bell, or that this is the right file"
        )
        raise Refused(cell.problem(message) if cell else self.row.problem(message))

    def _check_on_film(self, us: int, cell: Cell) -> None:
        """A mark, however its time was told, lies in the film."""
        if us < 0:
            raise Refused(
                cell.problem(f"is {format_time(-us)} before the film begins; a mark is on the film")
            )
        self._check_filmed(us, cell)

    def _check_ends_on_film(self, us: int | None, cell: Cell | None) -> None:
        if us is None or self.film_us is None or us <= self.film_us + _CUE_US:
            return
        message = f"ends at {format_time(us)}, but the footage is only {format_time(self.film_us, 1)} long"
        raise Refused(cell.problem(message) if cell else self.row.problem(message))

    def _round(self) -> int | None:
        cell = self.row.cells.get("round")
        if cell is None:
            return None
        match = _ROUND.fullmatch(cell.text)
        number = int(match[1]) if match else 0
        if number < 1:
            raise Refused(cell.problem(f"“{cell.text[:40]}” is not a round; write its number"))
        if self.fight.rounds is not None and number > self.fight.rounds:
            raise Refused(cell.problem(f"round {number} of a fight over {self.fight.rounds} rounds"))
        if self.clock and number > len(self.clock.starts_us):
            raise Refused(
                cell.problem(
                    f"round {number}, but fight.toml has the bells of {len(self.clock.starts_us)} rounds"
                )
            )
        return number

    def _from_clock(self, number: int, left: int, cell: Cell) -> int:
        if self.fight.round_us is not None and left > self.fight.round_us:
            raise Refused(
                cell.problem(
                    f"{format_time(left)} on the clock of a round of {format_time(self.fight.round_us)}"
                )
            )
        return self.clock.to_footage(number, left) if self.clock else -left

    def _round_of(self, us: int, number: int | None, cell: Cell) -> int | None:
        if self.clock is None:
            return number
        if (again := replay_at(self.fight.parts, us)) is not None:
            return self._round_shown(again, us, number)
        there = self.clock.from_footage(us)
        if there is None and number is None and self.row.is_note:
            return None  # what the corner said
        if there is None:
            raise Refused(cell.problem(self._outside(us)))
        if number is not None and number != there[0]:
            raise Refused(
                self.row.cells["round"].problem(
                    f"the time {format_time(us)} lies in round {there[0]}, not {number}"
                )
            )
        return there[0]

    def _round_shown(self, replay: Part, us: int, number: int | None) -> int | None:
        """The round of what a replay shows, as far as that is known."""
        moment = replay.moment(us)
        there = self.clock.from_footage(moment) if self.clock and moment is not None else None
        return there[0] if there else number

    def _outside(self, us: int) -> str:
        assert self.clock is not None
        starts = self.clock.starts_us
        if us < starts[0]:
            return f"{format_time(us)} is before the first bell ({format_time(starts[0])})"
        number = sum(1 for start in starts if start <= us)
        end = self.clock.span(number)[1]
        where = "after the last bell" if number == len(starts) else f"in the rest after round {number}"
        return f"{format_time(us)} lies {where} ({format_time(end)})"

    def _span(self) -> tuple[int, int] | None:
        first, last = self._time("in"), self._time("out")
        if first is None and last is None:
            return None
        cell = self.row.cells["in" if last is None else "out"]
        if first is None or last is None:
            raise Refused(cell.problem("“in” and “out” belong together"))
        if first >= last:
            raise Refused(cell.problem("“out” must come after “in”"))
        return first, last

    def _round_of_span(self, span: tuple[int, int], number: int | None) -> int | None:
        """The round a clip lies in: the first that it shares a moment with. Of a mark: its beginning's."""
        if self.clock is None or number is not None:
            return number
        if self.row.is_note:
            there = self.clock.from_footage(span[0])
            return there[0] if there else None
        if (again := replay_at(self.fight.parts, span[0])) is not None:
            return self._round_shown(again, span[0], number)
        for one in range(1, len(self.clock.starts_us) + 1):
            start, end = self.clock.span(one)
            if span[0] <= end and span[1] > start:
                return one
        message = f"the clip touches no round: {self._outside(span[0])}"
        cell = self.row.cells.get("in")
        problem = cell.problem(message) if cell else self.row.problem(message)
        raise Refused(problem)

    def _until(self, begin: int | None, number: int | None) -> int | None:
        """`until` is on the clock that the row's beginning is on."""
        until = self._time("until")
        if until is None:
            return None
        cell = self.row.cells["until"]
        if self.until_is_clock:
            if number is None:
                raise Refused(cell.problem("a clock needs its round; fill in the column “round”"))
            until = self._from_clock(number, until, cell)
            if begin is not None and until < begin:
                raise Refused(cell.problem("the clock counts down, so “until” cannot be more than “clock”"))
            return until
        if begin is not None and until < begin:
            raise Refused(
                cell.problem(f"ends at {format_time(until)}, before it begins ({format_time(begin)})")
            )
        again = replay_at(self.fight.parts, begin)
        if self.clock and again is None and number is not None and number < len(self.clock.starts_us):
            bell = self.clock.starts_us[number]
            if until > bell:
                raise Refused(cell.problem(f"{format_time(until)} lies in round {number + 1}"))
        return until
