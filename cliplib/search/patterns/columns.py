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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from cliplib.core.periods import NO_PERIOD, NOWHERE
from cliplib.search.patterns.codes import BITS, NO_OUTCOME, SETTING, SHIFT, Array, Ints
from cliplib.search.patterns.encode import Block, FightEntry, Tables, technique_bits

UNKNOWN = "unknown"
OF_RESULT = ("outcome", "corner")
"""What is counted of a match's result only: how it came off, and who did it."""


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
    beside: Array  # [E] int8: 0 for what is counted, else SECOND_OPINION or VIEW or both
    slot: Array  # [E] int16: where it lies among its fight's periods, see core.periods
    first_action: Ints  # [E + 1]
    words: Mapping[str, tuple[str, ...]]
    families: Mapping[str, tuple[str, ...]]  # of outcomes, see Tables
    kinds: Ints  # [K] packed values
    kind: Array  # [N] uint16 or uint32, into kinds
    settings: Ints  # [S] packed direction, place and range
    setting: Array  # [N] uint16 or uint32, into settings
    since: Array  # [N] int32 or int64: microseconds since the exchange's first time, UNKNOWN_TIME
    next_own: Array  # [N] int16 or int32
    next_other: Array  # [N]
    ahead_own: Array  # [N] uint32, see Block
    ahead_other: Array  # [N]
    answers: Array  # [N]

    @cached_property
    def derived(self) -> dict[str, Any]:
        """Room for what other packages work out of this archive once; it lasts as long as the columns."""
        return {}

    @property
    def actions(self) -> int:
        return len(self.kind)

    @property
    def exchanges(self) -> int:
        return len(self.exchange_id)

    @cached_property
    def tables(self) -> Tables:
        return Tables(self.words, self.families)

    @cached_property
    def counted(self) -> Array:
        """[E] bool: what is counted of its moment."""
        return np.asarray(self.beside == 0)

    @cached_property
    def reasons(self) -> int:
        """All the bits of `beside` that anything has."""
        return int(np.bitwise_or.reduce(self.beside, initial=0))

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
    def postings(self) -> tuple[Array, Ints, Ints]:
        """(actions by kind, ascending in each, kinds that are asked for together side by side; each kind's
        place in that order; where the kind at each place begins)."""
        by_attribute = [self.of_kind(name) for name in ("side", "hand", "outcome", "technique")]
        order = np.lexsort(by_attribute)
        place = np.empty(len(order), np.int64)
        place[order] = np.arange(len(order))
        by_place = place.astype(self.kind.dtype)[self.kind]
        ends = np.cumsum(np.bincount(by_place, minlength=len(order)))
        rows = np.argsort(by_place, kind="stable").astype(np.int32)
        return rows, place, np.concatenate([[0], ends]).astype(np.int64)

    @cached_property
    def posted_ahead(self) -> tuple[Array, Array]:
        """`ahead_own` and `ahead_other` in the order of `postings`: read side by side they cost little."""
        return self.ahead_own.take(self.postings[0]), self.ahead_other.take(self.postings[0])

    @cached_property
    def posted_setting(self) -> Array:
        """`setting` in the order of `postings`."""
        return self.setting.take(self.postings[0])

    @cached_property
    def kind_bits(self) -> Array:
        """[K] uint32: each kind's technique, as `ahead_own` and `ahead_other` have it."""
        return technique_bits(self.of_kind("technique"))

    @cached_property
    def value_bits(self) -> list[tuple[list[tuple[str, int]], Array, Array]]:
        """What facets count, 64 at a time: (the values as (attribute, code), [K] uint64 a bit for each
        technique and stance that a kind has, [K] uint64 a bit for its corner and its outcomes, which are
        counted of a match's result only). Only a punch has an outcome: known (code > 0; a knockdown landed,
        too) or not (0)."""
        names = ("technique", "stance", "corner")
        values = [
            ((name, int(code)), self.of_kind(name) == code)
            for name in names
            for code in np.unique(self.of_kind(name))
        ]
        values += [
            (("outcome", code), self.has_outcome(self.words["outcome"][code - 1] if code else None))
            for code in range(len(self.words["outcome"]) + 1)
        ]
        values = [(value, has) for value, has in values if has.any()]
        chunks = []
        for first in range(0, len(values), 64):
            some = values[first : first + 64]
            bits = {True: np.zeros(len(self.kinds), np.uint64), False: np.zeros(len(self.kinds), np.uint64)}
            for place, ((name, _), has) in enumerate(some):
                bits[name in OF_RESULT] |= has * np.uint64(1 << place)
            chunks.append(([value for value, _ in some], bits[False], bits[True]))
        return chunks

    def has_outcome(self, outcome: str | None) -> Array:
        """[K] bool: kinds whose outcome counts as this one; None: whose outcome nobody knows."""
        of_kind = self.of_kind("outcome")
        if outcome is None:
            unknown: Array = (of_kind == 0) & (self.of_kind("doubt") & NO_OUTCOME > 0)
            return unknown
        codes = [self.tables.code("outcome", word) for word in self.families.get(outcome, (outcome,))]
        return np.isin(of_kind, [code for code in codes if code > 0])

    @cached_property
    def kind_counts(self) -> Ints:
        return np.bincount(self.kind, minlength=len(self.kinds)).astype(np.int64)

    @cached_property
    def _unpacked(self) -> dict[str, Ints]:
        return {}

    def of_kind(self, name: str) -> Ints:
        """[K] an attribute's code for each kind (`roles`: bits; `corner`, `doubt`: as they are).

        Of SETTING, [S] for each setting.
        """
        if name not in self._unpacked:
            packed = self.settings if name in SETTING else self.kinds
            self._unpacked[name] = (packed >> SHIFT[name]) & ((1 << BITS[name]) - 1)
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
    def period(self) -> tuple[Array, tuple[str, ...]]:
        """([E] codes, the word for each code) of the period that each exchange lies in: 0 where nobody can
        tell, 1 in none of its fight's."""
        words = self.period_words
        code = {name.casefold(): i for i, name in enumerate(words)}
        codes = np.where(self.slot == NOWHERE, 0, 1)
        for place, fight in enumerate(self.fights):
            if fight.periods:
                here = slice(int(self.first_exchange[place]), int(self.first_exchange[place + 1]))
                of_period = np.array([code[name.casefold()] for name in fight.periods])
                inside = self.slot[here] % 2 == 1  # NOWHERE is odd, too
                inside &= self.slot[here] != NOWHERE
                codes[here][inside] = of_period[self.slot[here][inside] // 2]
        return codes, words

    @cached_property
    def period_words(self) -> tuple[str, ...]:
        """Names that differ in capital letters alone are one."""
        every = sorted({name for fight in self.fights for name in fight.periods}, reverse=True)
        names = {name.casefold(): name for name in every}
        return (UNKNOWN, NO_PERIOD, *sorted(names.values(), key=str.casefold))

    @cached_property
    def _by_id(self) -> tuple[Ints, Ints]:
        order = np.argsort(self.exchange_id, kind="stable")
        return self.exchange_id[order], order

    def places(self, exchange_ids: Array) -> Ints:
        """Places of the exchanges with these ids, -1 for ids that are not here."""
        ids, order = self._by_id
        wanted = np.asarray(exchange_ids, np.int64)
        if not len(ids):
            return np.full(len(wanted), -1, np.int64)
        at = np.minimum(np.searchsorted(ids, wanted), len(ids) - 1)
        found: Ints = np.where(ids[at] == wanted, order[at], -1)
        return found

    @cached_property
    def orders(self) -> list[tuple[int, str, int]]:
        """What the fights are in order of."""
        return [f.order for f in self.fights]

    @cached_property
    def fight_places(self) -> dict[int, int]:
        """Each fight's place, by its number."""
        return {f.id: i for i, f in enumerate(self.fights)}

    @cached_property
    def revisions(self) -> dict[int, int]:
        return {f.id: f.revision for f in self.fights}

    def blocks(self) -> dict[int, Block]:
        """Each fight's rows as views, by fight id."""
        cut = {}
        kinds = self.kinds[self.kind] if len(self.kinds) else np.zeros(0, np.int64)
        settings = self.settings[self.setting] if len(self.settings) else np.zeros(0, np.int64)
        sizes = np.diff(self.first_action)
        for i, entry in enumerate(self.fights):
            e = slice(int(self.first_exchange[i]), int(self.first_exchange[i + 1]))
            a = slice(int(self.first_action[e.start]), int(self.first_action[e.stop]))
            cut[entry.id] = Block(
                (entry,), np.array([e.stop - e.start]), self.last_round[i : i + 1], self.exchange_id[e],
                self.round[e], self.beside[e], self.slot[e], sizes[e], kinds[a], settings[a], self.since[a],
                self.next_own[a], self.next_other[a], self.ahead_own[a], self.ahead_other[a], self.answers[a],
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

    since = join("since", np.int64)

    def offsets(sizes: Array) -> Ints:
        return np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)

    kinds, kind = _factorise([b.kind_key for b in blocks])
    settings, setting = _factorise([b.setting_key for b in blocks])
    return Columns(
        fights=tuple(f for b in blocks for f in b.fights),
        last_round=join("last_round", np.int64),
        first_exchange=offsets(join("exchanges_in", np.int64)),
        exchange_id=join("exchange_id", np.int64),
        round=join("round", np.int16),
        beside=join("beside", np.int8),
        slot=join("slot", np.int16),
        first_action=offsets(join("actions_in", np.int64)),
        words={name: tuple(words) for name, words in tables.words.items()},
        families=tables.families,
        kinds=kinds,
        kind=kind,
        settings=settings,
        setting=setting,
        since=since.astype(np.int32) if since.max(initial=0) < 1 << 31 else since,
        next_own=small("next_own"),
        next_other=small("next_other"),
        ahead_own=join("ahead_own", np.uint32),
        ahead_other=join("ahead_other", np.uint32),
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
