"""What comes next, and what answers what.

The *next action* of somebody is the first one logged after the try, in the same exchange, by that person. How
an exchange ended is all that its log tells, so "nothing more" means nothing more in that exchange.

An attack is *answered* by the first thing that the opponent does next and the first punch that comes with it,
both before the attacker's next punch. It is *beaten* when it did not land and that punch did. A defence is
*caught* by the punch that it was tried against, when that lands, or by the attacker's next punch, when that
lands before the defender throws one. Times, where they are known, keep all of this within the window.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cliplib.patterns import Columns
from cliplib.patterns.codes import NEITHER, UNKNOWN_TIME, Array, Ints
from cliplib.proportions import Interval, wilson

from .tries import LANDED, MISSED, NOT_KNOWN, OTHER, Tries, categories

NOTHING = "nothing more"
_NONE = -1


@dataclass(frozen=True, slots=True)
class NextRow:
    """One thing that came next. `times`: after how many of the tries; `share` of them. `median_us`, `low_us`,
    `high_us`: the gap's median and quartiles over the `timed` of them with both times, else None. `landed`
    of `known`: how it went, where it is a punch. `tries`: the tries it followed."""

    what: str
    times: int
    share: Interval | None
    timed: int
    median_us: int | None
    low_us: int | None
    high_us: int | None
    landed: int
    known: int
    tries: Tries

    @property
    def rate(self) -> Interval | None:
        return wilson(self.landed, self.known)


@dataclass(frozen=True, slots=True)
class NextTable:
    """`own`: what the same fighter did next; `other`: what the opponent did next; each the most frequent
    first, with NOTHING last. Each sums to `tries`."""

    tries: Tries
    own: tuple[NextRow, ...]
    other: tuple[NextRow, ...]


def following(tries: Tries) -> NextTable:
    """What comes next after each try."""
    return NextTable(
        tries,
        _rows(tries, next_of(tries.columns, tries.rows, own=True)),
        _rows(tries, next_of(tries.columns, tries.rows, own=False)),
    )


def next_of(
    columns: Columns,
    rows: Ints,
    *,
    own: bool,
    step: int = 1,
    suits: Callable[[Ints], Array] | None = None,
) -> Ints:
    """[n] the first later (`step` -1: earlier) action of the exchange by the same person, or by the opponent;
    -1 for none. `suits`: only actions that it says True for."""
    found = np.full(len(rows), _NONE, np.int64)
    exchange = columns.exchange_of[rows]
    ends = (columns.first_action[exchange + 1] - 1) if step > 0 else columns.first_action[exchange]
    corner = columns.corner[rows]
    wanted = corner if own else np.array([1, 0, _NONE], np.int8)[corner]
    open_ = np.flatnonzero((rows != ends) & (wanted != _NONE) & (wanted != NEITHER))
    at = rows[open_]
    while len(open_):
        at = at + step
        hit = columns.corner[at] == wanted[open_]
        if suits is not None:
            hit &= suits(at)
        found[open_[hit]] = at[hit]
        going = ~hit & (at != ends[open_])
        open_, at = open_[going], at[going]
    return found


def gaps(columns: Columns, earlier: Ints, later: Ints) -> Ints:
    """[n] microseconds between, -1 where either time is not known (or `later` is -1)."""
    there = later >= 0
    a, b = columns.since[earlier].astype(np.int64), columns.since[np.where(there, later, 0)].astype(np.int64)
    return np.where(there & (a != UNKNOWN_TIME) & (b != UNKNOWN_TIME), np.maximum(b - a, 0), -1)


def split(codes: Array) -> tuple[list[int], list[Ints]]:
    """(the different codes, ascending; for each, where it stands, ascending)."""
    if not len(codes):
        return [], []
    order = np.argsort(codes, kind="stable")
    ordered = codes[order]
    begins = np.flatnonzero(ordered[1:] != ordered[:-1]) + 1
    return ordered[np.concatenate([[0], begins])].tolist(), np.split(order, begins)


def _rows(tries: Tries, after: Ints) -> tuple[NextRow, ...]:
    if not len(tries):
        return ()
    columns = tries.columns
    there = after >= 0
    kind = columns.kind[np.where(there, after, 0)]
    technique = np.where(there, columns.of_kind("technique").astype(np.uint16)[kind], np.uint16(0))
    category = np.where(there, categories(columns, tries.outcomes)[kind], OTHER)
    gap = gaps(columns, tries.rows, after)
    words = (NOTHING, *columns.words["technique"])
    codes, parts = split(technique)
    rows = []
    for code, some in zip(codes, parts, strict=True):
        timed = gap[some][gap[some] >= 0]
        low, median, high = (
            (int(q) for q in np.percentile(timed, (25, 50, 75))) if len(timed) else (None, None, None)
        )
        outcome = category[some]
        rows.append(
            NextRow(
                what=words[code],
                times=len(some),
                share=wilson(len(some), len(tries)),
                timed=len(timed),
                median_us=median,
                low_us=low,
                high_us=high,
                landed=int((outcome == LANDED).sum()),
                known=int((outcome <= MISSED).sum()),
                tries=tries.some(some),
            )
        )
    return tuple(sorted(rows, key=lambda row: (row.what == NOTHING, -row.times, row.what)))


# --- what answers what ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AnswerRow:
    """One way to answer an attack. `response`: what the opponent did first, and the punch he threw with it;
    `stances`: open, closed or unknown. `attack_landed` of `attack_known`: how the attack went when it was
    answered so. `punch_landed` of `punch_known`: how the answering punch went. `beaten`: the attack did not
    land and the punch did; of `beaten_known`, where both outcomes are known or there was no punch."""

    response: str
    stances: str
    times: int
    attack_landed: int
    attack_known: int
    punch_landed: int
    punch_known: int
    beaten: int
    beaten_known: int
    tries: Tries

    @property
    def beaten_rate(self) -> Interval | None:
        return wilson(self.beaten, self.beaten_known)


@dataclass(frozen=True, slots=True)
class Answers:
    tries: Tries
    rows: tuple[AnswerRow, ...]


def answers(tries: Tries, window_us: int, *, stances: bool = True) -> Answers:
    """How the attacks were answered, by response and (if asked for) stance match; the most frequent first."""
    columns = tries.columns
    thrown = _next_punch(columns.next_other, tries.rows)
    again = _next_punch(columns.next_own, tries.rows)
    first = next_of(columns, tries.rows, own=False)
    first = _near(columns, tries.rows, np.where((again >= 0) & (again < first), -1, first), window_us)
    thrown = np.where((again >= 0) & (again < thrown), -1, thrown)
    # The window runs from the response to the punch, as it runs from the attack to the response.
    since = np.where((first >= 0) & (first < thrown), first, tries.rows)
    thrown = np.where(first >= 0, _near(columns, since, thrown, window_us), -1)
    of_kind = categories(columns, tries.outcomes)
    attack = tries.category()
    answer = np.where(thrown >= 0, of_kind[columns.kind[np.maximum(thrown, 0)]], OTHER)
    technique = columns.of_kind("technique")
    one = np.where(first >= 0, technique[columns.kind[np.maximum(first, 0)]], 0)
    two = np.where((thrown >= 0) & (thrown != first), technique[columns.kind[np.maximum(thrown, 0)]], 0)
    match, match_words = tries.values("stance match")
    if not stances:
        match = np.zeros(len(tries), np.int64)
    words = columns.words["technique"]
    key = (match.astype(np.int64) * (len(words) + 1) + one) * (len(words) + 1) + two
    if key.max(initial=0) < 1 << 16:
        key = key.astype(np.uint16)  # which sorts by its digits, several times faster
    _, parts = split(key)
    known = (attack <= MISSED) & (answer != NOT_KNOWN)
    beaten = known & (attack != LANDED) & (answer == LANDED)
    rows = []
    for some in parts:
        at = some[0]
        said = words[one[at] - 1] if one[at] else "no answer"
        if two[at]:
            said += f", then {words[two[at] - 1]}"
        rows.append(
            AnswerRow(
                response=said,
                stances=match_words[match[at]] if stances else "any",
                times=len(some),
                attack_landed=int((attack[some] == LANDED).sum()),
                attack_known=int((attack[some] <= MISSED).sum()),
                punch_landed=int((answer[some] == LANDED).sum()),
                punch_known=int((answer[some] <= MISSED).sum()),
                beaten=int(beaten[some].sum()),
                beaten_known=int(known[some].sum()),
                tries=tries.some(some),
            )
        )
    return Answers(tries, tuple(sorted(rows, key=lambda r: (-r.times, r.response, r.stances))))


@dataclass(frozen=True, slots=True)
class CaughtRow:
    """What a defence is caught by. `against`: the punch it was tried against landed `against_landed` of
    `against_known` times; `next_landed` of `next_known`: the attacker's next punch, of that name, before the
    defender threw one."""

    attack: str
    against: int
    against_landed: int
    against_known: int
    next: int
    next_landed: int
    next_known: int
    tries: Tries  # those against which, or after which, the attack landed

    @property
    def caught(self) -> int:
        return self.against_landed + self.next_landed


def caught(tries: Tries, is_punch: Callable[[str], bool], window_us: int) -> tuple[CaughtRow, ...]:
    """Which attacks a defence is caught by: what it was tried against and what came next, by technique."""
    columns = tries.columns
    punch = _punches(columns, is_punch)

    def punches(at: Ints) -> Array:
        return punch[columns.kind[at]]

    before = next_of(columns, tries.rows, own=False, step=-1, suits=punches)
    gap = gaps(columns, np.where(before >= 0, before, tries.rows), np.where(before >= 0, tries.rows, -1))
    before = np.where(gap <= window_us, before, -1)
    after = _next_punch(columns.next_other, tries.rows)
    own = _next_punch(columns.next_own, tries.rows)
    after = _near(columns, tries.rows, np.where((own >= 0) & (own < after), -1, after), window_us)
    of_kind, technique = categories(columns, tries.outcomes), columns.of_kind("technique")
    rows: dict[str, CaughtRow] = {}
    for code, word in enumerate(columns.words["technique"], 1):
        if not is_punch(word):
            continue
        counts = []
        landing = np.zeros(len(tries), np.bool_)
        for other in (before, after):
            kind = columns.kind[np.maximum(other, 0)]
            here = (other >= 0) & (technique[kind] == code)
            landed = here & (of_kind[kind] == LANDED)
            landing |= landed
            counts += [int(here.sum()), int(landed.sum()), int((here & (of_kind[kind] <= MISSED)).sum())]
        if counts[0] or counts[3]:
            a, b, c, d, e, f = counts
            rows[word] = CaughtRow(word, a, b, c, d, e, f, tries.some(landing))
    return tuple(sorted(rows.values(), key=lambda r: (-r.caught, -(r.against + r.next), r.attack)))


def _punches(columns: Columns, is_punch: Callable[[str], bool]) -> Array:
    """[K] bool"""
    return np.array([False, *(is_punch(w) for w in columns.words["technique"])], np.bool_)[
        columns.of_kind("technique")
    ]


def _next_punch(distance: Array, rows: Ints) -> Ints:
    """The next punch from what the columns know already; -1 for none."""
    ahead = distance[rows].astype(np.int64)
    return np.where(ahead > 0, rows + ahead, _NONE)


def _near(columns: Columns, earlier: Ints, later: Ints, window_us: int) -> Ints:
    """`later` where it is no further than the window from `earlier`; unknown times leave it to order."""
    return np.where(gaps(columns, earlier, later) <= window_us, later, -1)
