"""When something changed in one fight, and what was done instead.

The series is the fight's tries in order. The change is the most likely moment of one (`changepoint`): of the
share that landed, or of how often the thing was tried per minute of round clock. Looking at many patterns of
one fight finds changes by chance; the p-value is for one look.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from cliplib.search.patterns.codes import Array, Ints
from cliplib.stats.changepoint import (
    LEAST_ROUNDS,
    Change,
    Flags,
    TooLittle,
    change_in_frequency,
    change_in_rate,
)
from cliplib.stats.proportions import difference, fisher, said_p, worth

from .clock import FightClock
from .comparing import Compared, Judged, compared
from .counts import MINUTE_US
from .following import NOTHING
from .near import next_of
from .tries import LANDED, Behind, Tries

Kind = Literal["rate", "frequency"]


@dataclass(frozen=True, slots=True)
class Moment:
    """When a try was. `round`: 0 if not known; `elapsed_us`: since that round's bell, None if not known;
    `run_us`: round clock watched so far, None if not known."""

    round: int
    elapsed_us: int | None
    run_us: int | None


@dataclass(frozen=True, slots=True)
class Adjustment:
    """`found`: the most likely change, or TooLittle. `last_before`, `first_after`: the tries around it.
    `before`, `after`: numbers of the clips on each side. `instead`: what the same fighter did in that
    situation, and `replies`: what the opponent did next, as shares before against after: of `situations` and
    of `sides`. `rounds`: that were watched."""

    kind: Kind
    found: Change | TooLittle
    tries: int
    left_out: int
    last_before: Moment | None = None
    first_after: Moment | None = None
    before: tuple[int, ...] = ()
    after: tuple[int, ...] = ()
    instead: tuple[Compared, ...] = ()
    replies: tuple[Compared, ...] = ()
    sides: tuple[Tries, Tries] | None = field(default=None, repr=False)
    situations: tuple[Tries, Tries] | None = field(default=None, repr=False)
    rounds: int = 0

    @property
    def words(self) -> str:
        """A sentence for a coach."""
        if isinstance(self.found, TooLittle):
            return str(self.found)
        before, after = self.counts
        return f"{before} before, {after} after: {worth(self.found.p)} ({_p(self.found.p)})"

    @property
    def could(self) -> str:
        """What a fight of this length could have shown; empty where nothing was looked for."""
        if isinstance(self.found, TooLittle):
            return ""
        said = "; ".join(f"{power.effect}: in {100 * power.share:.0f} of 100" for power in self.found.power)
        few = (
            f" It takes {LEAST_ROUNDS} rounds to tell a change from rounds that differ anyway; here they are "
            "taken to be alike."
            if self.rounds < LEAST_ROUNDS
            else ""
        )
        return (
            "What fights like this one would show (p up to .05), if it happened half way through its "
            f"exchanges: {said}.{few}"
        )

    @property
    def counts(self) -> tuple[str, str]:
        """What was counted before and after; empty where there is too little."""
        if isinstance(self.found, TooLittle):
            return "", ""
        (a, b), (c, d) = self.found.before, self.found.after
        if self.kind == "rate":
            return f"{a} of {b} landed", f"{c} of {d}"
        return _often(a, b), _often(c, d)


def _p(p: float) -> str:
    said = said_p(p)
    return f"p {said}" if said.startswith("<") else f"p = {said}"


def _often(count: int, us: int) -> str:
    return f"{count} in {us / MINUTE_US:.1f} minutes ({count * MINUTE_US / us:.2f} a minute)"


def moments(
    rounds: Ints,
    times_us: list[int | None],
    clock: FightClock,
    watched_us: Mapping[int, int],
    run_in: Callable[[int, int], int] | None = None,
) -> list[Moment]:
    """[n] moments from rounds and action times (footage time; negative: left on the round clock, negated).

    `watched_us`: how much of each round counts as watched. `run_in`: how much of that had run in a round when
    so much of the whole round had; None: as much, since what is watched of it begins with its bell.
    """
    before: dict[int, int] = {}
    run = 0
    for round_no in sorted(watched_us):
        before[round_no] = run
        run += watched_us[round_no]
    found = []
    for round_no, time in zip(rounds.tolist(), times_us, strict=True):
        elapsed = clock.elapsed_us(round_no, time) if time is not None and round_no else None
        so_far = None
        if elapsed is not None and round_no in before:
            # What is logged a moment before the bell or after it belongs to the round all the same.
            run = elapsed if run_in is None else run_in(round_no, elapsed)
            so_far = before[round_no] + min(max(run, 0), watched_us[round_no])
        found.append(Moment(round_no, elapsed, so_far))
    return found


def adjustment(
    tries: Tries,
    when: list[Moment],
    watched_us: Mapping[int, int],
    kind: Kind,
    *,
    situation: Tries | None = None,
) -> Adjustment:
    """The most likely change over the tries of one fight. `when`: of each try; `watched_us`: round clock
    watched of each round. `situation`: the moments in which the tried thing could have been done (the phrase
    without its last step), in the same fight.
    """
    units, change = _looked_for(tries, when, kind, watched_us)
    used = np.flatnonzero(units >= 0)
    left_out = len(tries) - len(used)
    if isinstance(change, TooLittle):
        return Adjustment(kind, change, len(used), left_out)
    after = np.flatnonzero(units == change.first_after)[0]
    last = int(np.flatnonzero((units >= 0) & (units < change.first_after))[-1])
    first = int(tries.rows[after])
    earlier = (units >= 0) & (units < change.first_after)
    looks = [_Look(tries, first, units, tries.exchange, change.earlier, own=False)]
    if situation is not None and len(situation):
        looks.append(_Look(situation, first, units, tries.exchange, change.earlier, own=None))
    return Adjustment(
        kind,
        change,
        len(used),
        left_out,
        when[last],
        when[int(after)],
        tuple(tries.some(earlier).exchange_ids().tolist()),
        tuple(tries.some((units >= 0) & ~earlier).exchange_ids().tolist()),
        looks[1].lines() if len(looks) > 1 else (),
        looks[0].lines(),
        looks[0].sides,
        looks[1].sides if len(looks) > 1 else None,
        sum(1 for us in watched_us.values() if us),
    )


def _looked_for(
    tries: Tries, when: list[Moment], kind: Kind, watched_us: Mapping[int, int]
) -> tuple[Ints, Change | TooLittle]:
    """([tries] the exchange of each, counted from 0 in order; -1 for those left out; the most likely
    change)."""
    if kind == "rate":
        said = tries.said()
        used = np.flatnonzero(said >= 0)
        units = _numbered(tries.exchange, used)
        some = units[used]
        hits, n = np.bincount(some, said[used] == LANDED).astype(np.int64), np.bincount(some)
        rounds = [0] * len(n)
        for i in used[::-1].tolist():
            rounds[units[i]] = when[i].round
        known = all(rounds) and rounds == sorted(rounds)
        return units, change_in_rate(hits.tolist(), n.tolist(), rounds if known else ())
    runs = np.array([-1 if m.run_us is None else m.run_us for m in when], np.int64)
    used = np.flatnonzero(runs >= 0)
    units = _numbered(tries.exchange, used)
    n = np.bincount(units[used]) if len(used) else np.zeros(0, np.int64)
    starts = np.full(len(n), np.iinfo(np.int64).max)
    ends = np.zeros(len(n), np.int64)
    np.minimum.at(starts, units[used], runs[used])
    np.maximum.at(ends, units[used], runs[used])
    starts = np.maximum.accumulate(starts) if len(n) else starts  # logged a moment before the bell, perhaps
    until = np.cumsum([watched_us[r] for r in sorted(watched_us)]).tolist()
    return units, change_in_frequency(
        starts.tolist(), n.tolist(), until[-1] if until else 0, ends_us=ends.tolist(), round_ends_us=until
    )


def _numbered(exchange: Array, used: Ints) -> Ints:
    """[tries] each one's exchange, counted from 0 in their order; -1 for tries that are not `used`."""
    found = np.full(len(exchange), -1, np.int64)
    found[used] = np.unique(exchange[used], return_inverse=True)[1]
    return found


class _Look:
    """What was done on each side of the split, tested with the choosing inside each rearrangement.

    A rearrangement moves whole exchanges, so that what goes with landing goes along. Statistic: the least
    likely difference of all lines, by Fisher's exact test (Westfall and Young 1993, Resampling-Based Multiple
    Testing, single-step minP): p of a line by its own differences, q by the least likely one of all.
    """

    def __init__(
        self, tries: Tries, first: int, units: Ints, exchange: Array, earlier: Flags, *, own: bool | None
    ):
        self.sides = tries.some(tries.rows < first), tries.some(tries.rows >= first)
        self._own = own
        places = np.unique(exchange[units >= 0])
        # What happened in an exchange that was not rearranged goes with the one before it.
        self._unit = np.maximum(np.searchsorted(places, tries.exchange, side="right") - 1, 0)
        self._earlier, self._tries = earlier, tries

    def lines(self) -> tuple[Compared, ...]:
        codes = [self._codes(side) for side in self.sides]
        words = (NOTHING, *self._tries.columns.words["technique"])
        n1, n2 = len(self.sides[0]), len(self.sides[1])
        counts = [np.bincount(code, minlength=len(words)) for code in codes]
        there = np.flatnonzero(counts[0] + counts[1]).tolist()
        there.sort(key=lambda c: (-counts[0][c] - counts[1][c], words[c]))
        lines = {words[c]: (int(counts[0][c]), n1, int(counts[1][c]), n2) for c in there}
        behind = {
            words[c]: (
                (Behind(self.sides[0], codes[0], {"times": [c]}), "times") if counts[0][c] else None,
                (Behind(self.sides[1], codes[1], {"times": [c]}), "times") if counts[1][c] else None,
            )
            for c in there
        }
        tested = self._tested(there, lines)
        judged = {
            words[c]: Judged(difference(*lines[words[c]]), p) for c, (p, _) in zip(there, tested, strict=True)
        }
        return compared(lines, behind, judged=judged, q=[q for _, q in tested])

    def _codes(self, side: Tries) -> Ints:
        """What each of them is, or what came next; 0 for nothing."""
        columns = side.columns
        at = side.rows if self._own is None else next_of(side, own=self._own)
        of_kind = columns.of_kind("technique")
        found: Ints = np.where(at >= 0, of_kind[columns.kind[np.maximum(at, 0)]], 0)
        return found

    def _tested(
        self, codes: Sequence[int], lines: Mapping[str, tuple[int, int, int, int]]
    ) -> list[tuple[float, float]]:
        """(p, q) of each line."""
        observed = [fisher(k1, n1 - k1, k2, n2 - k2) for k1, n1, k2, n2 in lines.values()]
        code, units = self._codes(self._tries), self._earlier.shape[1]
        each = np.zeros((units, len(codes)))
        for i, one in enumerate(codes):
            each[:, i] = np.bincount(self._unit[code == one], minlength=units)
        of = np.bincount(self._unit, minlength=units).astype(np.float64)
        before = self._earlier.astype(np.float64)
        k1, n1 = (before @ each).astype(np.int64), (before @ of).astype(np.int64)
        chances = np.empty(k1.shape)
        for i, total in enumerate(each.sum(axis=0).astype(int).tolist()):
            pairs, back = np.unique(k1[:, i] * (len(code) + 1) + n1, return_inverse=True)
            found = []
            for pair in pairs.tolist():
                k, n = divmod(pair, len(code) + 1)
                found.append(fisher(k, n - k, total - k, len(code) - n - total + k))
            chances[:, i] = np.array(found)[back]
        least = chances.min(axis=1)
        room = 1 + 1e-9
        return [
            (float((chances[:, i] <= p * room).mean()), float((least <= p * room).mean()))
            for i, p in enumerate(observed)
        ]
