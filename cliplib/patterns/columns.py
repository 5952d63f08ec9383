"""The archive as arrays: one element an action, one an exchange, one a fight.

    fights        |      fight 0      |  fight 1  |          by date, title, id; undated ones last
    exchanges     | e0 | e1  |   e2   | e3  | e4  |          by round, first time, id
    actions       |ab c|d e f|g h  i  |...                   in the order of the exchange

Actions of one exchange lie side by side, exchanges of one fight too, so "in the same exchange" is a
comparison of two small numbers and a fight is a slice. Everything an action is (technique, hand, outcome,
...) is packed into one number; the distinct numbers are *kinds*, of which an archive has some thousands. A
step of a pattern is decided once for each kind and then looked up for each action.

What is stored is relative to its exchange, so that a fight's block can be moved without being rewritten.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from cliplib.errors import InputError
from cliplib.models import FightInfo

Ints = npt.NDArray[np.int64]
Array = npt.NDArray[Any]

UNKNOWN_TIME = -1
NO_DATE = np.iinfo(np.int32).max
NEITHER = 2
"""Corner code of somebody who is in neither corner: an opponent of nobody."""

# Bits an action's values take in its kind. Code 0 is "not known". `doubt` counts what is not clean about the
# evidence: bit 0 no time, bit 1 the outcome is not known, bit 2 the outcome was inferred and not logged.
_BITS = {
    "technique": 12, "hand": 3, "side": 3, "target": 3, "outcome": 4, "direction": 6, "stance": 3, "place": 4,
    "range": 4, "opponent_stance": 3, "roles": 8, "corner": 2, "doubt": 3,
}  # fmt: skip
_SHIFT = {name: sum(list(_BITS.values())[:i]) for i, name in enumerate(_BITS)}
CODED = ("technique", "hand", "side", "target", "outcome", "direction", "stance", "place", "range")
"""Attributes whose values are words; `Columns.tables` turns codes into words."""

RAW_NUMBERS = ("exchange_id", "round", "second_opinion", "fighter_id", "time_us", "answers")
RAW_TEXTS = (*CODED, "roles", "inferred")
"""What `Catalogue.columns` hands over for each action, as arrays of one length, ordered by exchange and
then by position: RAW_NUMBERS as integers with -1 for null (`round` and `second_opinion` are the exchange's;
`answers` is a position in the exchange), RAW_TEXTS as arrays of str or None (`roles` and `inferred` as JSON
lists)."""


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

    @classmethod
    def of(cls, fight_id: int, revision: int, info: FightInfo, red_id: int, blue_id: int) -> FightEntry:
        return cls(
            fight_id, revision, info.title, info.date, info.red.name, info.blue.name,
            info.red.stance, info.blue.stance, red_id, blue_id,
        )  # fmt: skip

    @property
    def order(self) -> tuple[int, str, int]:
        return (self.date.toordinal() if self.date else NO_DATE, self.title, self.id)


class Tables:
    """Words and their codes, one table an attribute; tables only grow, so codes stay valid."""

    def __init__(self, words: Mapping[str, Sequence[str]] | None = None):
        self.words: dict[str, list[str]] = {
            name: list((words or {}).get(name, [])) for name in (*CODED, "roles")
        }
        self._codes = {name: {w: i + 1 for i, w in enumerate(ws)} for name, ws in self.words.items()}
        self._roles: dict[str, int] = {}

    def copy(self) -> Tables:
        return Tables(self.words)

    def code(self, name: str, word: str | None) -> int:
        """The word's code, 0 for None, -1 for a word that no action has."""
        return 0 if word is None else self._codes[name].get(word, -1)

    def add(self, name: str, word: str) -> int:
        codes = self._codes[name]
        if word not in codes:
            limit = _BITS[name] if name == "roles" else (1 << _BITS[name]) - 1
            if len(codes) >= limit:
                raise InputError(f"more than {limit} different words for {name}; the last one was “{word}”")
            self.words[name].append(word)
            codes[word] = len(codes) + 1
        return codes[word]

    def encode(self, name: str, values: Array) -> Ints:
        codes = self._codes[name]
        for word in set(values.tolist()):
            if word is not None and word not in codes:
                self.add(name, word)
        get: dict[Any, int] = {**codes, None: 0}
        return np.fromiter((get[v] for v in values.tolist()), np.int64, len(values))

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
    second: Array  # bool
    actions_in: Ints  # of each exchange
    kind_key: Ints
    time: Ints
    next_own: Array  # int32: distance to the next punch by the same fighter, 0 none
    next_other: Array  # int32: ... by the other fighter
    answers: Array  # int32: distance back to the action that this one answers, 0 none


def encode_fight(
    entry: FightEntry, raw: Mapping[str, Array], tables: Tables, is_punch: Callable[[str], bool]
) -> Block:
    """A fight's raw rows (RAW_NUMBERS, RAW_TEXTS) as a block; `tables` grows by the words it didn't know.

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
    answers = np.asarray(raw["answers"], np.int64)[rows]
    back = np.where((answers >= 0) & (answers < position), position - answers, 0)

    doubt = (time < 0) + 2 * (punches & (codes["outcome"] == 0)) + 4 * inferred
    parts = {**codes, "roles": roles, "corner": corner, "doubt": doubt, "opponent_stance": opponent_stance}
    key = np.zeros(count, np.int64)
    for name, values in parts.items():
        key |= values.astype(np.int64) << _SHIFT[name]
    return Block(
        fights=(entry,),
        exchanges_in=np.array([len(order)], np.int64),
        last_round=np.array([rounds.max(initial=0)], np.int64),
        exchange_id=ids[starts][order],
        round=rounds[order].astype(np.int16),
        second=np.asarray(raw["second_opinion"], np.int64)[starts][order] > 0,
        actions_in=sizes[order].astype(np.int64),
        kind_key=key,
        time=time,
        next_own=next_own,
        next_other=next_other,
        answers=back.astype(np.int32),
    )


def ranges(starts: Array, sizes: Array) -> Ints:
    """[s0, s0 + 1, ..., s0 + n0 - 1, s1, ...]."""
    total = int(sizes.sum())
    if not total:
        return np.zeros(0, np.int64)
    ends = np.cumsum(sizes)
    within: Ints = np.arange(total, dtype=np.int64) + np.repeat(starts - (ends - sizes), sizes)
    return within


def _first_known(time: Ints, starts: Array) -> Ints:
    """The earliest known time of each exchange; the largest integer where none is known."""
    if not len(starts):
        return np.zeros(0, np.int64)
    known: Ints = np.where(time < 0, np.iinfo(np.int64).max, time)
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


@dataclass(frozen=True)
class Columns:
    """The archive as arrays; see the top of this file. Frozen: a refresh makes a new one.

    N actions, E exchanges, F fights. `generation` grows with every refresh of the process.
    """

    fights: tuple[FightEntry, ...]
    last_round: Ints  # [F]
    first_exchange: Ints  # [F + 1]
    exchange_id: Ints  # [E]
    round: Array  # [E] int16, 0 not known
    second: Array  # [E] bool: a second opinion
    first_action: Ints  # [E + 1]
    words: Mapping[str, tuple[str, ...]]
    kinds: Ints  # [K] packed values
    kind: Array  # [N] uint16 or uint32, into kinds
    time: Ints  # [N] footage time in microseconds, UNKNOWN_TIME
    next_own: Array  # [N] int16 or int32
    next_other: Array  # [N]
    answers: Array  # [N]

    @property
    def actions(self) -> int:
        return len(self.kind)

    @property
    def exchanges(self) -> int:
        return len(self.exchange_id)

    @cached_property
    def tables(self) -> Tables:
        return Tables(self.words)

    @cached_property
    def exchange_of(self) -> Array:
        return np.repeat(np.arange(self.exchanges, dtype=np.int32), np.diff(self.first_action))

    @cached_property
    def fight_of(self) -> Array:
        return np.repeat(np.arange(len(self.fights), dtype=np.int32), np.diff(self.first_exchange))

    @cached_property
    def corner(self) -> Array:
        return self.of_kind("corner").astype(np.int8)[self.kind]

    @cached_property
    def postings(self) -> tuple[Array, Ints]:
        """(actions ordered by kind, where each kind begins)."""
        order = np.argsort(self.kind, kind="stable").astype(np.int32)
        return order, np.concatenate([[0], np.cumsum(self.kind_counts)]).astype(np.int64)

    @cached_property
    def kind_counts(self) -> Ints:
        return np.bincount(self.kind, minlength=len(self.kinds)).astype(np.int64)

    @cached_property
    def _unpacked(self) -> dict[str, Ints]:
        return {}

    def of_kind(self, name: str) -> Ints:
        """[K] an attribute's code for each kind (`roles`: bits; `corner`, `doubt`: as they are)."""
        if name not in self._unpacked:
            self._unpacked[name] = (self.kinds >> _SHIFT[name]) & ((1 << _BITS[name]) - 1)
        return self._unpacked[name]

    @cached_property
    def fighters(self) -> tuple[str, ...]:
        """Every fighter's name, sorted."""
        return tuple(sorted({n for f in self.fights for n in (f.red, f.blue)}))

    @cached_property
    def corner_fighter(self) -> Array:
        """[F, 2] each fight's red and blue fighter, as places in `fighters`."""
        place = {name: i for i, name in enumerate(self.fighters)}
        return np.array([(place[f.red], place[f.blue]) for f in self.fights], np.int32).reshape(-1, 2)

    @cached_property
    def _by_id(self) -> tuple[Ints, Ints]:
        order = np.argsort(self.exchange_id, kind="stable")
        return self.exchange_id[order], order

    def places(self, exchange_ids: Array) -> Ints:
        """Places of the exchanges with these ids; ids that are not here are left out."""
        ids, order = self._by_id
        wanted = np.asarray(exchange_ids, np.int64)
        at = np.searchsorted(ids, wanted)
        here = at < len(ids)
        here[here] = ids[at[here]] == wanted[here]
        return order[at[here]]

    @cached_property
    def revisions(self) -> dict[int, int]:
        return {f.id: f.revision for f in self.fights}

    def blocks(self) -> dict[int, Block]:
        """Each fight's rows as views, by fight id."""
        cut = {}
        keys = self.kinds[self.kind] if len(self.kinds) else np.zeros(0, np.int64)
        sizes = np.diff(self.first_action)
        for i, entry in enumerate(self.fights):
            e = slice(int(self.first_exchange[i]), int(self.first_exchange[i + 1]))
            a = slice(int(self.first_action[e.start]), int(self.first_action[e.stop]))
            cut[entry.id] = Block(
                (entry,), np.array([e.stop - e.start]), self.last_round[i : i + 1], self.exchange_id[e],
                self.round[e], self.second[e], sizes[e], keys[a], self.time[a], self.next_own[a],
                self.next_other[a], self.answers[a],
            )  # fmt: skip
        return cut


def assemble(blocks: Sequence[Block], tables: Tables) -> Columns:
    """One archive from blocks encoded with the same tables; a block of several fights must be in order."""
    blocks = sorted(blocks, key=lambda b: b.fights[0].order if b.fights else (0, "", 0))

    def join(name: str, dtype: Any) -> Array:
        parts = [getattr(b, name) for b in blocks]
        return np.concatenate(parts).astype(dtype, copy=False) if parts else np.zeros(0, dtype)

    def small(name: str) -> Array:
        values = join(name, np.int32)
        return values.astype(np.int16) if values.max(initial=0) < 1 << 15 else values

    def offsets(sizes: Array) -> Ints:
        return np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)

    kinds, kind = _factorise([b.kind_key for b in blocks])
    return Columns(
        fights=tuple(f for b in blocks for f in b.fights),
        last_round=join("last_round", np.int64),
        first_exchange=offsets(join("exchanges_in", np.int64)),
        exchange_id=join("exchange_id", np.int64),
        round=join("round", np.int16),
        second=join("second", np.bool_),
        first_action=offsets(join("actions_in", np.int64)),
        words={name: tuple(words) for name, words in tables.words.items()},
        kinds=kinds,
        kind=kind,
        time=join("time", np.int64),
        next_own=small("next_own"),
        next_other=small("next_other"),
        answers=small("answers"),
    )


def _factorise(parts: Sequence[Ints]) -> tuple[Ints, Array]:
    """(distinct keys in order, each row's place among them)."""
    if not parts:
        return np.zeros(0, np.int64), np.zeros(0, np.uint16)
    keys = np.unique(np.concatenate([np.unique(p) for p in parts]))
    dtype = np.uint16 if len(keys) <= 1 << 16 else np.uint32
    return keys, np.concatenate([np.searchsorted(keys, p).astype(dtype) for p in parts])


def splice(columns: Columns, tables: Tables, changed: Sequence[Block], gone: Sequence[int]) -> Columns:
    """`columns` with some fights' blocks replaced or added, and others out; `tables` extends its own."""
    blocks = columns.blocks()
    for fight_id in gone:
        blocks.pop(fight_id, None)
    for block in changed:
        blocks[block.fights[0].id] = block
    return assemble(list(blocks.values()), tables)
