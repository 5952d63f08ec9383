"""Stretches of footage, what each is, and where the round clock does not run with the film.

A *gap* is a place where the film leaves something out: while it passes from `start_us` to `end_us` (which may
be one moment), the round clock runs on by `jump_us`. A *stop* is film in which the clock stands still. A
*replay* shows again what began at `of_us`, at a `speed`; None where nobody knows that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from cliplib.core.timebase import RoundClock, format_time

PART_KINDS = ("round", "rest", "replay", "gap", "stop", "other")
SLACK_US = 500_000
"""By how much a replay's moment may be off, for a row in it still to be a view of an exchange."""

Jump = tuple[int, int, int]
"""(from, until, how far the clock runs meanwhile) in microseconds."""


@dataclass(frozen=True, slots=True)
class Part:
    """[`start_us`, `end_us`) in microseconds of footage time; `kind`: one of PART_KINDS."""

    kind: str
    start_us: int
    end_us: int
    name: str = ""
    jump_us: int = 0
    of_us: int | None = None
    speed: Fraction | None = None

    def holds(self, us: int) -> bool:
        return self.start_us <= us < self.end_us

    def moment(self, us: int) -> int | None:
        """When what a replay shows at `us` happened, footage time; None where that is not known."""
        if self.of_us is None:
            return None
        return self.of_us + int((us - self.start_us) * (self.speed or Fraction(1)))

    @property
    def said(self) -> str:
        """“replay of 2:41.3 at 0.5 times its speed”."""
        told = self.name or self.kind
        if self.kind == "replay":
            told += "" if self.of_us is None else f" of {format_time(self.of_us)}"
            told += "" if self.speed is None else f" at {float(self.speed):g} times its speed"
        elif self.kind == "gap":
            told += f", {format_time(self.jump_us)} on the clock left out"
        return told


def jumps(parts: Iterable[Part]) -> tuple[Jump, ...]:
    """Where the round clock does not run with the film, in order."""
    return tuple(
        (part.start_us, part.end_us, part.jump_us if part.kind == "gap" else 0)
        for part in sorted(parts, key=lambda p: p.start_us)
        if part.kind in ("gap", "stop")
    )


def replay_at(parts: Sequence[Part], us: int | None) -> Part | None:
    """The replay that is on at a moment of the film, if any."""
    if us is None:
        return None
    return next((part for part in parts if part.kind == "replay" and part.holds(us)), None)


def shown_again(part: Part, start_us: int, end_us: int, spans: Sequence[tuple[int, int]]) -> int | None:
    """The place in `spans` of what a row of a replay, from `start_us` to `end_us`, shows again: what lies at
    its moment, at most half a second off; None for nothing, or a moment that is not known."""
    begin, until = part.moment(start_us), part.moment(end_us)
    if begin is None or until is None:
        return None
    best: tuple[int, int] | None = None
    for place, (first, last) in enumerate(spans):
        shared = min(until, last) - max(begin, first)
        if shared >= -SLACK_US and (best is None or shared > best[0]):
            best = (shared, place)
    return None if best is None else best[1]


def clock_of(starts_us: Sequence[int], round_us: int | None, parts: Iterable[Part]) -> RoundClock | None:
    """A fight's round clock; None where nobody knows the bells."""
    if not starts_us or round_us is None:
        return None
    return RoundClock(tuple(starts_us), round_us, jumps(parts))
