"""When something changed in one fight, and what was done instead.

The series is the fight's tries in order. The change is the most likely moment of one (`changepoint`): of the
share that landed, or of how often the thing was tried per minute of round clock. Looking at many patterns of
one fight finds changes by chance; the p-value is for one look.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from cliplib.search.patterns.codes import Ints
from cliplib.stats.changepoint import Change, TooLittle, change_in_frequency, change_in_rate
from cliplib.stats.proportions import said_p, worth

from .clock import FightClock
from .comparing import Compared, Part, compared
from .counts import MINUTE_US
from .following import NOTHING
from .near import next_of
from .tries import LANDED, MISSED, Behind, Tries

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
    of `sides`."""

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

    @property
    def words(self) -> str:
        """A sentence for a coach."""
        if isinstance(self.found, TooLittle):
            return str(self.found)
        before, after = self.counts
        return f"{before} before, {after} after: {worth(self.found.p)} ({_p(self.found.p)})"

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
    total_us: int,
    kind: Kind,
    *,
    situation: Tries | None = None,
) -> Adjustment:
    """The most likely change over the tries of one fight. `when`: of each try. `situation`: the moments in
    which the tried thing could have been done (the phrase without its last step), in the same fight.
    """
    category = tries.category()
    if kind == "rate":
        used = np.flatnonzero(category <= MISSED)
        change = change_in_rate((category[used] == LANDED).tolist())
    else:
        runs = [m.run_us for m in when]
        used = np.array([i for i, run in enumerate(runs) if run is not None], np.int64)
        used = used[np.argsort([runs[i] or 0 for i in used], kind="stable")]
        change = change_in_frequency([runs[i] or 0 for i in used], total_us)
    left_out = len(tries) - len(used)
    if isinstance(change, TooLittle):
        return Adjustment(kind, change, len(used), left_out)
    split = change.first_after
    first = int(tries.rows[used[split]])
    earlier, later = tries.some(used[:split]), tries.some(used[split:])
    sides = (tries.some(tries.rows < first), tries.some(tries.rows >= first))
    situations = None
    if situation is not None and len(situation):
        before = situation.rows < first
        situations = situation.some(before), situation.some(~before)
    return Adjustment(
        kind,
        change,
        len(used),
        left_out,
        when[used[split - 1]],
        when[used[split]],
        tuple(earlier.exchange_ids().tolist()),
        tuple(later.exchange_ids().tolist()),
        () if situations is None else _next(situations, own=None),
        _next(sides, own=False),
        sides,
        situations,
    )


def _next(sides: tuple[Tries, Tries], *, own: bool | None) -> tuple[Compared, ...]:
    """Shares of what came next on each side; `own` None: what the tries themselves are."""
    counts: list[dict[str, int]] = []
    behind: list[dict[str, Part]] = []
    for side in sides:
        columns = side.columns
        at = side.rows if own is None else next_of(columns, side.rows, own=own)
        code = np.where(at >= 0, columns.of_kind("technique")[columns.kind[np.maximum(at, 0)]], 0)
        words = (NOTHING, *columns.words["technique"])
        some = np.unique(code).tolist()
        counts.append({words[c]: int((code == c).sum()) for c in some})
        behind.append({words[c]: (Behind(side, code, {"times": [c]}), "times") for c in some})
    n1, n2 = len(sides[0]), len(sides[1])
    names = sorted({*counts[0], *counts[1]}, key=lambda n: (-counts[0].get(n, 0) - counts[1].get(n, 0), n))
    return compared(
        {n: (counts[0].get(n, 0), n1, counts[1].get(n, 0), n2) for n in names},
        {n: (behind[0].get(n), behind[1].get(n)) for n in names},
    )
