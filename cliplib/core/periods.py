"""Named stretches of a fight, and what happened before, in and after them.

A *moment* is said as footage time, or as a round and what its clock shows. To compare moments, they and the
exchanges are put on one line: footage time where the bells are known, else the rounds' clocks one after
another. The periods of a fight never overlap, so they cut its line into *slots*:

    slot       0    |   1   |  2  |   3   |   4
    periods         |--one--|     |--two--|

An exchange lies in a slot by its first moment. Where that is not known well enough to tell, it lies in none.
"""

from __future__ import annotations

import itertools
import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cliplib.core.timebase import UNTIMED, RoundClock, format_time, parse_time

NOWHERE = -1
"""The slot of an exchange of which nobody can tell on which side of a period's end it was."""

NO_PERIOD = "no period"
"""What tables call what lies in none."""

_ROUND = re.compile(r"(?:round|rd|r)\s*(\d{1,3})(?:[\s,]+(\S+))?", re.IGNORECASE | re.ASCII)
_LONGEST = 10**12  # more than any round's microseconds
_EVER = 1 << 62

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Moment:
    """Footage time; or a round with the time left on its clock, None for the whole round: its opening bell as
    the beginning of something, its last moment as the end. In microseconds."""

    footage_us: int | None = None
    round: int | None = None
    left_us: int | None = None

    def __str__(self) -> str:
        if self.round is None:
            return format_time(self.footage_us or 0)
        return f"round {self.round}" + ("" if self.left_us is None else f" {format_time(self.left_us)}")

    @property
    def said(self) -> str:
        """The same for people."""
        if self.round is None:
            return f"{self} of the footage"
        return f"round {self.round}" + (
            "" if self.left_us is None else f", {format_time(self.left_us)} left,"
        )


def parse_moment(text: str) -> Moment:
    """`round 4 1:20` (1:20 left), `round 4`, or footage time such as `14:05.5`. Raises ValueError with a
    sentence for a person."""
    match = _ROUND.fullmatch(text.strip())
    if match is not None:
        return Moment(None, int(match[1]), parse_time(match[2]) if match[2] else None)
    try:
        return Moment(parse_time(text))
    except ValueError:
        raise ValueError(
            f"“{text.strip()[:40]}” is no moment; write a round and its clock (“round 4 1:20”), a round "
            "(“round 4”), or footage time (“14:05.5”)"
        ) from None


@dataclass(frozen=True, slots=True)
class Period:
    """A named stretch, from `start` to before `end`; None: from the fight's beginning, to its end."""

    name: str
    start: Moment | None = None
    end: Moment | None = None

    @property
    def when(self) -> str:
        """“from round 4, 1:20 left, to the end of round 6”."""
        first, last = (None if moment is None else moment.said for moment in (self.start, self.end))
        if self.end is not None and self.end.round is not None and self.end.left_us is None:
            last = f"the end of {last}"
        return f"from {first or 'the beginning'} to {last or 'the end'}".rstrip(",")


class TwoLinesError(ValueError):
    """Moments of footage and of a round clock, and nobody knows when the bells rang."""


def slots_of(names: Sequence[str], name: str, side: str) -> frozenset[int]:
    """Of a fight with periods of these names, the slots `before`, `during` or `after` one: before the first
    of that name, in any of them, after the last. None of the fight's if it has no period of that name."""
    inside = [2 * i + 1 for i, other in enumerate(names) if other.casefold() == name.casefold()]
    if not inside:
        return frozenset()
    if side == "during":
        return frozenset(inside)
    last = 2 * len(names) + 1
    return frozenset(range(inside[0]) if side == "before" else range(inside[-1] + 1, last))


@dataclass(frozen=True)
class Course:
    """A fight's periods in order, on its line. `edges`: beginning and end of each, in turn."""

    names: tuple[str, ...]
    edges: tuple[int, ...]
    bells: RoundClock | None
    by_clock: bool

    @classmethod
    def of(cls, periods: Sequence[Period], bells: RoundClock | None) -> Course:
        """`bells`: the fight's clock, if it is known. Raises TwoLinesError, and ValueError for a round whose
        bell is not known."""
        moments = [m for period in periods for m in (period.start, period.end) if m is not None]
        by_clock = bells is None and any(moment.round is not None for moment in moments)
        if by_clock and any(moment.round is None for moment in moments):
            raise TwoLinesError(
                "says footage time where others say a round; write first_bell or round_starts, or say all in "
                "one way"
            )
        line = cls((), (), bells, by_clock)
        spans = [(*line.span(period), period.name) for period in periods]
        spans.sort(key=lambda span: span[:2])
        edges = tuple(edge for start, end, _ in spans for edge in (start, end))
        return cls(tuple(name for _, _, name in spans), edges, bells, by_clock)

    def span(self, period: Period) -> tuple[int, int]:
        """[from, until) on the line."""
        start = -_EVER if period.start is None else self._place(period.start, ends=False)
        return start, _EVER if period.end is None else self._place(period.end, ends=True)

    def _place(self, moment: Moment, *, ends: bool) -> int:
        if moment.round is None:
            return moment.footage_us or 0
        if moment.left_us is None:
            return self._round(moment.round)[ends]
        if self.bells is None:
            return moment.round * _LONGEST - moment.left_us
        self._round(moment.round)
        return self.bells.to_footage(moment.round, moment.left_us)

    def _round(self, number: int) -> tuple[int, int]:
        """[from, until) of a round; the rest after it belongs to it."""
        if self.bells is None:
            return (number - 1) * _LONGEST + 1, number * _LONGEST + 1
        starts = self.bells.starts_us
        if not 1 <= number <= len(starts):
            raise ValueError(f"names round {number}; fight.toml has the bells of {len(starts)} rounds")
        closing = self.bells.span(number)[1] + 1
        return starts[number - 1], starts[number] if number < len(starts) else closing

    def parts(self, number: int, round_us: int, until_us: int) -> list[tuple[int, int, int]]:
        """A round's first `until_us` cut at the periods' edges: (slot, from, to) in time run."""
        if self.bells is not None and number <= len(self.bells.starts_us):
            run = [self.bells.elapsed(number, edge) for edge in self.edges]
        elif self.by_clock:
            run = [edge - (number * _LONGEST - round_us) for edge in self.edges]
        elif self.edges:
            return [(NOWHERE, 0, until_us)]
        else:
            run = []
        cuts = itertools.pairwise(sorted({0, until_us, *(at for at in run if 0 < at < until_us)}))
        return [(bisect_right(run, start), start, end) for start, end in cuts]

    def slots(self, rounds: Ints, firsts: Ints) -> npt.NDArray[np.int16]:
        """[E] the slot of each exchange, by its round (0: not known) and first time (UNTIMED: not known)."""
        import numpy as np  # most commands ask for no slots and start without it

        if not self.edges:
            return np.zeros(len(rounds), np.int16)
        edges = np.array(self.edges, np.int64)
        at = firsts.copy()
        known = firsts != UNTIMED
        if self.by_clock:
            known &= (firsts <= 0) & (rounds > 0)  # what the clock showed, negated (logs.timing)
            at += rounds * _LONGEST
        elif self.bells is None:
            known &= firsts >= 0
        slots = np.searchsorted(edges, at, side="right")
        for number in np.unique(rounds[~known]).tolist():
            first = last = NOWHERE
            if number and (self.by_clock or (self.bells and number <= len(self.bells.starts_us))):
                begin, end = self._round(number)
                first, last = np.searchsorted(edges, [begin, end - 1], side="right").tolist()
            slots[~known & (rounds == number)] = first if first == last else NOWHERE
        return slots.astype(np.int16)


WITHOUT_PERIODS = Course((), (), None, False)
