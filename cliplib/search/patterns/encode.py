"""From a fight's raw rows, as the catalogue hands them over, to a block of columns."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from cliplib.core.errors import InputError
from cliplib.core.models import FightInfo
from cliplib.core.periods import Course
from cliplib.core.timebase import UNTIMED
from cliplib.search.patterns.codes import (
    BITS,
    CODED,
    INFERRED,
    KIND_BITS,
    NEITHER,
    NO_DATE,
    NO_OUTCOME,
    NO_TIME,
    SETTING_BITS,
    SHIFT,
    UNKNOWN_TIME,
    Array,
    Ints,
    ranges,
)

RAW_NUMBERS = ("exchange_id", "round", "beside", "fighter_id", "time_us", "answers")
RAW_TEXTS = (*CODED, "roles", "inferred")
"""What `Catalogue.columns` hands over for each action, as arrays of one length, ordered by exchange and
then by position: RAW_NUMBERS as integers with -1 for null, UNTIMED for a time (`round` and
`beside` are the exchange's; `answers` is a position in the exchange), RAW_TEXTS as arrays of str or
None (`roles` and `inferred` as JSON lists)."""
SECOND_OPINION, VIEW = 1, 2
"""Why an exchange is not counted: a second logger told its moment, or it lies in a replay."""
_BITS_APART = 31
NEVER = np.iinfo(np.int64).max


class Words(Protocol):
    """What columns need to know of the vocabulary."""

    @property
    def outcomes(self) -> Sequence[str]: ...
    def is_punch(self, name: str) -> bool: ...
    def outcome_family(self, outcome: str) -> Collection[str]: ...


@dataclass(frozen=True, slots=True)
class FightEntry:
    """What search knows of a fight besides its actions."""

    id: int
    revision: int
    title: str
    date: datetime.date | None
    red: str
    blue: str
    red_stance: str | None
    blue_stance: str | None
    red_id: int
    blue_id: int
    periods: tuple[str, ...] = ()  # names, in order of time

    @classmethod
    def of(cls, fight_id: int, revision: int, info: FightInfo, red_id: int, blue_id: int) -> FightEntry:
        return cls(
            fight_id, revision, info.title, info.date, info.red.name, info.blue.name,
            info.red.stance, info.blue.stance, red_id, blue_id, info.course.names,
        )  # fmt: skip

    @property
    def order(self) -> tuple[int, str, int]:
        return (self.date.toordinal() if self.date else NO_DATE, self.title, self.id)


class Tables:
    """Words and their codes, one table an attribute; tables only grow, so codes stay valid.

    `families`: for each outcome those that count as it, itself among them: a knockdown landed, too.
    """

    def __init__(
        self,
        words: Mapping[str, Sequence[str]] | None = None,
        families: Mapping[str, Collection[str]] | None = None,
    ):
        self.families = {name: tuple(some) for name, some in (families or {}).items()}
        self.words: dict[str, list[str]] = {
            name: list((words or {}).get(name, [])) for name in (*CODED, "roles")
        }
        self._codes = {name: {w: i + 1 for i, w in enumerate(ws)} for name, ws in self.words.items()}
        self._roles: dict[str, int] = {}

    def copy(self) -> Tables:
        return Tables(self.words, self.families)

    @classmethod
    def of(cls, words: Words) -> Tables:
        """Without any words but the outcomes' yet."""
        families = {name: sorted(words.outcome_family(name)) for name in words.outcomes}
        return cls({"outcome": list(words.outcomes)}, families)

    def code(self, name: str, word: str | None) -> int:
        """The word's code, 0 for None, -1 for a word that no action has."""
        return 0 if word is None else self._codes[name].get(word, -1)

    def add(self, name: str, word: str) -> int:
        codes = self._codes[name]
        if word not in codes:
            limit = BITS[name] if name == "roles" else (1 << BITS[name]) - 1
            if len(codes) >= limit:
                raise InputError(f"more than {limit} different words for {name}; the last one was “{word}”")
            self.words[name].append(word)
            codes[word] = len(codes) + 1
        return codes[word]

    def encode(self, name: str, values: Array) -> Ints:
        codes, words = self._codes[name], values.tolist()
        for word in set(words):
            if word is not None and word not in codes:
                self.add(name, word)
        get: dict[Any, int] = {**codes, None: 0}
        return np.fromiter(map(get.__getitem__, words), np.int64, len(words))

    def encode_roles(self, values: Array) -> Ints:
        for text in set(values.tolist()):
            if text not in self._roles:
                names = json.loads(text) if text else []
                self._roles[text] = sum({1 << (self.add("roles", r) - 1) for r in names})
        return np.fromiter((self._roles[v] for v in values.tolist()), np.int64, len(values))


@dataclass(frozen=True, slots=True)
class Block:
    """One or more fights' rows, with nothing in them that depends on where they stand."""

    fights: tuple[FightEntry, ...]
    exchanges_in: Ints  # of each fight
    last_round: Ints  # of each fight; 0 when no round is known
    exchange_id: Ints
    round: Array  # int16; 0 not known
    beside: Array  # int8: 0 counted, else SECOND_OPINION or VIEW or both
    slot: Array  # int16: where it lies among the fight's periods, see core.periods
    actions_in: Ints  # of each exchange
    kind_key: Ints
    setting_key: Ints
    since: Ints
    next_own: Array  # int32: distance to the next punch by the same fighter, 0 none
    next_other: Array  # int32: ... by the other fighter
    ahead_own: Array  # uint32: what the same fighter does up to his next punch, as `technique_bits`
    ahead_other: Array  # uint32: what the other fighter does up to his next punch
    answers: Array  # int32: distance back to the action that this one answers, 0 none


def encode_fight(
    entry: FightEntry,
    raw: Mapping[str, Array],
    tables: Tables,
    is_punch: Callable[[str], bool],
    course: Course,
) -> Block:
    """A fight's raw rows (RAW_NUMBERS, RAW_TEXTS) as a block; `tables` grows by the words it didn't know;
    `course`: its periods.

    An action without a stance of its own has its corner's. The opponent's stance at an action is the one in
    his nearest earlier action of the exchange that has one, else the nearest later one, else his corner's.
    """
    count = len(raw["exchange_id"])
    ids = np.asarray(raw["exchange_id"], np.int64)
    starts = np.flatnonzero(np.concatenate([[True], ids[1:] != ids[:-1]])) if count else np.zeros(0, np.int64)
    time = np.asarray(raw["time_us"], np.int64)
    rounds = np.maximum(np.asarray(raw["round"], np.int64)[starts], 0)
    sizes = np.diff(np.concatenate([starts, [count]]))

    # Exchanges into their order; rows move along with them.
    firsts = _first_known(time, starts)
    order = np.lexsort((ids[starts], firsts, np.where(rounds == 0, np.iinfo(np.int64).max, rounds)))
    rows = ranges(starts[order], sizes[order])
    starts_at = np.concatenate([[0], np.cumsum(sizes[order])])
    exchange = np.repeat(np.arange(len(order)), sizes[order])
    position = np.arange(count) - starts_at[exchange]

    codes = {name: tables.encode(name, np.asarray(raw[name], object)[rows]) for name in CODED}
    roles = tables.encode_roles(np.asarray(raw["roles"], object)[rows])
    inferred = np.fromiter(
        ("outcome" in (t or "") for t in np.asarray(raw["inferred"], object)[rows].tolist()), bool, count
    )
    fighter = np.asarray(raw["fighter_id"], np.int64)[rows]
    corner = np.where(fighter == entry.red_id, 0, np.where(fighter == entry.blue_id, 1, NEITHER))
    time = time[rows]

    stances = [tables.add("stance", s) if s else 0 for s in (entry.red_stance, entry.blue_stance)]
    own = np.array([*stances, 0])[corner]
    stance = np.where(codes["stance"] == 0, own, codes["stance"])
    codes["stance"] = stance
    opponent_stance = _opponent_stance(corner, stance, starts_at, exchange, stances)

    punches = np.array([False, *(is_punch(w) for w in tables.words["technique"])])[codes["technique"]]
    next_own, next_other = _next_punches(corner, punches, starts_at, exchange)
    ahead_own, ahead_other = _ahead(corner, codes["technique"], punches, starts_at, exchange)
    answers = np.asarray(raw["answers"], np.int64)[rows]
    back = np.where((answers >= 0) & (answers < position), position - answers, 0)

    doubt = (
        NO_TIME * (time == UNTIMED) + NO_OUTCOME * (punches & (codes["outcome"] == 0)) + INFERRED * inferred
    )
    parts = {**codes, "roles": roles, "corner": corner, "doubt": doubt, "opponent_stance": opponent_stance}
    keys = []
    for bits in (KIND_BITS, SETTING_BITS):
        key = np.zeros(count, np.int64)
        for name in bits:
            key |= parts[name].astype(np.int64) << SHIFT[name]
        keys.append(key)
    return Block(
        fights=(entry,),
        exchanges_in=np.array([len(order)], np.int64),
        last_round=np.array([rounds.max(initial=0)], np.int64),
        exchange_id=ids[starts][order],
        round=rounds[order].astype(np.int16),
        beside=np.asarray(raw["beside"], np.int64)[starts][order].astype(np.int8),
        slot=course.slots(rounds[order], np.where(firsts == NEVER, UNTIMED, firsts)[order]),
        actions_in=sizes[order].astype(np.int64),
        kind_key=keys[0],
        setting_key=keys[1],
        since=np.where(time == UNTIMED, UNKNOWN_TIME, time - firsts[order][exchange]),
        next_own=next_own,
        next_other=next_other,
        ahead_own=ahead_own,
        ahead_other=ahead_other,
        answers=back.astype(np.int32),
    )


def _first_known(time: Ints, starts: Array) -> Ints:
    """The earliest known time of each exchange; the largest integer where none is known."""
    if not len(starts):
        return np.zeros(0, np.int64)
    known: Ints = np.where(time == UNTIMED, NEVER, time)
    return np.minimum.reduceat(known, starts).astype(np.int64)


def _next_where(flag: Array, starts_at: Array, exchange: Array) -> Ints:
    """For each row the distance to the next later row of its exchange with `flag`, 0 if there is none."""
    count = len(flag)
    row = np.arange(count)
    at = np.where(flag, row, count)
    upcoming = np.concatenate([np.minimum.accumulate(at[::-1])[::-1][1:], [count]]) if count else at
    return np.where(upcoming < starts_at[exchange + 1], upcoming - row, 0)


def _next_punches(corner: Array, punches: Array, starts_at: Array, exchange: Array) -> tuple[Array, Array]:
    by = [_next_where(punches & (corner == c), starts_at, exchange) for c in (0, 1, NEITHER)]
    own = np.choose(corner, by)
    other = np.choose(corner, [by[1], by[0], np.zeros(len(corner), np.int64)])
    return own.astype(np.int32), other.astype(np.int32)


def technique_bits(codes: Array) -> Array:
    """[n] uint32 with a bit for each technique code; codes 32 apart share one, so a bit says "perhaps"."""
    return np.left_shift(np.uint32(1), (codes & _BITS_APART).astype(np.uint32), dtype=np.uint32)


def _ahead(
    corner: Array, technique: Array, punches: Array, starts_at: Array, exchange: Array
) -> tuple[Array, Array]:
    """For each row what comes within the reach of a step that follows it: the techniques of the same and of
    the other fighter after it in its exchange, up to and with his next punch."""
    by = []
    for c in (0, 1, NEITHER):
        rows = np.flatnonzero(corner == c)
        bits = np.append(technique_bits(technique[rows]), np.uint32(0))
        goes_on = np.zeros(len(rows), np.bool_)
        goes_on[:-1] = (exchange[rows[1:]] == exchange[rows[:-1]]) & ~punches[rows[:-1]]
        # Twice as far at each turn; the last place stands for the end.
        then = np.append(np.where(goes_on, np.arange(1, len(rows) + 1), len(rows)), len(rows))
        while (then[:-1] < len(rows)).any():
            bits |= bits[then]
            then = then[then]
        from_here = np.zeros(len(corner), np.uint32)
        from_here[rows] = bits[:-1]
        distance = _next_where(corner == c, starts_at, exchange)
        after = np.arange(len(corner)) + distance
        by.append(np.where(distance > 0, from_here[after], np.uint32(0)))
    own = np.choose(corner, by)
    other = np.choose(corner, [by[1], by[0], np.zeros(len(corner), np.uint32)])
    return own.astype(np.uint32), other.astype(np.uint32)


def _opponent_stance(
    corner: Array, stance: Array, starts_at: Array, exchange: Array, corners: Sequence[int]
) -> Array:
    count = len(corner)
    row = np.arange(count)
    found = []
    for c in (0, 1):
        has = (corner == c) & (stance > 0)
        before = np.maximum.accumulate(np.where(has, row, -1)) if count else row
        after = row + _next_where(has, starts_at, exchange)
        value = np.where(
            before >= starts_at[exchange],
            stance[np.maximum(before, 0)],
            np.where(after > row, stance[after], corners[c]),
        )
        found.append(value)
    return np.choose(corner, [found[1], found[0], np.zeros(count, np.int64)]) if count else row
