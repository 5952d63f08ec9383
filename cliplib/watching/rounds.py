"""Rounds from two witnesses, the bell and the broadcast's clock, held against each other.

The clock names the rounds, the bell times them: a graphic is started by hand, up to a second off the bell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

from cliplib.watching.bells import SLACK_S, Bell, Span, chained
from cliplib.watching.clock import ClockRound
from cliplib.watching.proposals import Sureness

Verdict = Literal["both", "bell+clock", "clock only", "bell only", "disagree"]

NEAR_S = 3.0
"""A bell farther than this from the clock's start or end is another's."""
_LENGTH_S, _OFFSETS_S = 0.8, 0.8
_ROUNDS_DOWN = -0.5  # the graphic before the bell by more than this at most starts: it drops a second at once
_RIVAL = 0.6


@dataclass(frozen=True, slots=True)
class FoundRound:
    """`start`, `end`: seconds, the bell's where it was heard. `bell`: (first, last) or None for each.
    `clock`: the graphic's (start, end), None without it. `stops`: (when the clock stood still, for how long).
    `offsets`: the graphic's less the bell's, seconds, at start and end."""

    number: int
    start: float
    end: float
    verdict: Verdict
    sureness: Sureness
    bell: Span
    clock: tuple[float, float] | None
    stops: tuple[tuple[float, float], ...]
    offsets: Span
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FoundRounds:
    """`notes`: what somebody should know or be asked, in sentences."""

    rounds: tuple[FoundRound, ...]
    notes: tuple[str, ...]


def together(
    bells: Sequence[Bell], clocked: Sequence[ClockRound], round_s: float, rest_s: float
) -> FoundRounds:
    """The film's rounds in order. `bells`: of `bells.bells`; `clocked`: of `clock.rounds`."""
    bell, notes = _chosen(bells, clocked)
    times = list(bell.times) if bell is not None else []
    shift = _shift(clocked, times)
    if shift:
        notes.append("the clock's graphic seems to round down, so its zero was moved on by a second")
    made = [_witnessed(one, times, shift, round_s) for one in clocked]
    for span in chained(times, round_s, rest_s) if bell is not None and bell.claimed else []:
        lone = _bell_only(span, round_s)
        if all(lone.end <= m.start + 1 or lone.start >= m.end - 1 for m in made):
            made.append(lone)
    made.sort(key=lambda m: m.start)
    return FoundRounds(tuple(_numbered(made, round_s + rest_s)), tuple(notes))


def _chosen(bells: Sequence[Bell], clocked: Sequence[ClockRound]) -> tuple[Bell | None, list[str]]:
    if clocked:
        ends = [t for one in clocked for t in (one.start, one.end)]

        def met(bell: Bell) -> int:
            return sum(any(abs(t - e) <= NEAR_S for t in bell.times) for e in ends)

        best = max(bells, key=lambda b: (met(b) - 0.3 * (len(b.times) - met(b)), b.fitting), default=None)
        # What rings now and then is near some end by chance: it has to be near most, or be a bell by itself.
        if best is None or not (best.claimed or met(best) > len(ends) / 2) or met(best) < 2:
            return None, []
        return best, []
    claimed = [b for b in bells if b.claimed]
    if not claimed:
        return None, []
    if len(claimed) > 1 and claimed[1].fitting >= _RIVAL * claimed[0].fitting:
        return None, ["two bells ring a round and a rest apart; mark one stroke of this ring's own bell"]
    return claimed[0], []


def _shift(clocked: Sequence[ClockRound], times: Sequence[float]) -> float:
    """A second, if the bells say that the graphic rounds down; it cannot be seen in the picture."""
    offsets = [
        one.start - bell for one in clocked if (bell := _nearest(times, one.start)) is not None and not one.up
    ]
    return 1.0 if len(offsets) >= 2 and median(offsets) < _ROUNDS_DOWN else 0.0


def _nearest(times: Sequence[float], t: float) -> float | None:
    near = [x for x in times if abs(x - t) <= NEAR_S]
    return min(near, key=lambda x: abs(x - t)) if near else None


def _witnessed(one: ClockRound, times: Sequence[float], shift: float, round_s: float) -> FoundRound:
    start, end = one.start + shift, one.end + shift
    first, last = _nearest(times, start), _nearest(times, end)
    stopped = sum(gap for _, gap in one.stops)
    offsets = (
        None if first is None else start - first,
        None if last is None else end - last,
    )
    said = [f"the clock on the picture ran from {_at(start)} to {_at(end)}"]
    said.append("its zero is known to the frame" if one.exact else "its zero is known to about a second")
    said += [f"the clock stood still for {gap:.1f} s at {_at(at)}" for at, gap in one.stops]
    verdict: Verdict
    if first is not None and last is not None:
        assert offsets[0] is not None
        assert offsets[1] is not None
        length_off = last - first - round_s - stopped
        agree = abs(length_off) <= _LENGTH_S and abs(offsets[0] - offsets[1]) <= _OFFSETS_S
        verdict = "both" if agree else "disagree"
        if agree:
            said.append(f"bell and clock agree to {max(abs(offsets[0]), abs(offsets[1])):.2f} s")
        else:
            said.append(f"bell and clock differ by {offsets[0]:+.2f} s and {offsets[1]:+.2f} s")
    elif first is not None or last is not None:
        verdict = "bell+clock"
        said.append(f"only the {'first' if last is None else 'last'} bell was heard")
    else:
        verdict = "clock only"
        said.append("no bell was heard, which may differ from the clock by a second")
    heard_start = first if first is not None else (last - round_s - stopped if last is not None else start)
    heard_end = last if last is not None else (first + round_s + stopped if first is not None else end)
    if verdict == "disagree":
        heard_start, heard_end = start, end
    sureness: Sureness = {"both": "sure", "disagree": "perhaps"}.get(verdict, "likely")  # type: ignore[assignment]
    if not one.exact and verdict != "both":
        sureness = "perhaps"
    spans = (first, last), (start, end)
    return FoundRound(
        0, heard_start, heard_end, verdict, sureness, *spans, one.stops, offsets, tuple(said)
    )  # fmt: skip


def _bell_only(span: Span, round_s: float) -> FoundRound:
    first, last = span
    start = first if first is not None else (last or 0.0) - round_s
    end = last if last is not None else start + round_s
    if first is not None and last is not None:
        said = f"bells {last - first:.2f} s apart, no clock"
        sureness: Sureness = "likely"
    else:
        said = f"only the {'first' if last is None else 'last'} bell, a rest from the next; no clock"
        sureness = "perhaps"
    return FoundRound(0, start, end, "bell only", sureness, span, None, (), (None, None), (said,))


def _numbered(made: list[FoundRound], period: float) -> list[FoundRound]:
    """By their order; a gap of whole rounds and rests leaves numbers out."""
    numbered: list[FoundRound] = []
    for one in made:
        number = 1
        if numbered:
            before = numbered[-1]
            gone = (one.start - before.end + (before.end - before.start)) / period
            skipped = round(gone)
            fits = abs(gone - skipped) * period <= 2 * SLACK_S
            number = before.number + (skipped if fits and skipped > 1 else 1)
        numbered.append(replace(one, number=number))
    return numbered


def _at(seconds: float) -> str:
    minutes, rest = divmod(max(0.0, seconds), 60)
    return f"{int(minutes)}:{rest:05.2f}"
