"""An archive in two parts that answer as one: a large base, and beside it the fights that changed since.

    base   | f0 | f1 | f2 | f3 | ...      what it tells of fights that changed or are gone is left out
    part     f1   f9                      those fights as they are now

A change costs the part, which is small; the base stays as it is, ready for searching, until both are folded
into another one. Each part is searched by itself. Totals and counts add up; an order is that of the whole,
because exchanges go by their fights' dates, and it is known where in the base a fight of the part belongs.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from cliplib.search.patterns.codes import Array, Ints
from cliplib.search.patterns.columns import Columns, assemble, splice
from cliplib.search.patterns.encode import Block, Tables
from cliplib.search.patterns.facets import added, facets
from cliplib.search.patterns.kernel import Hits
from cliplib.search.patterns.layers import Matches
from cliplib.search.patterns.order import fighters_first, rank

MANY_ACTIONS, MANY_FIGHTS = 50_000, 64
"""A part of so many is worth folding: it is searched as fast, but each change makes all of it anew."""


@dataclass(frozen=True)
class Parts:
    """A state of the archive. `blocks`: of the part, by fight; `gone`: fights of the base that are in
    neither; `tables`: what the blocks are encoded with, an extension of the base's."""

    base: Columns
    tables: Tables
    blocks: Mapping[int, Block] = field(default_factory=dict)
    gone: frozenset[int] = frozenset()

    @classmethod
    def of(cls, base: Columns) -> Parts:
        return cls(base, base.tables)

    # --- what changed -------------------------------------------------------------------------------------

    @cached_property
    def revisions(self) -> dict[int, int]:
        """Of each fight in the archive."""
        found = self.base.revisions | {number: one.fights[0].revision for number, one in self.blocks.items()}
        for number in self.gone:
            found.pop(number, None)
        return found

    def changed(self, tables: Tables, blocks: Iterable[Block], gone: Iterable[int]) -> Parts:
        """With some fights' blocks replaced or added, and others out; `tables` extends this one's."""
        now = {**self.blocks, **{block.fights[0].id: block for block in blocks}}
        for number in gone:
            now.pop(number, None)
        # A fight that was gone may be there again.
        missing = {*self.gone, *(number for number in gone if number in self.base.revisions)} - now.keys()
        return Parts(self.base, tables, now, frozenset(missing))

    @property
    def large(self) -> bool:
        """Whether it is time to fold. What is gone has no business to stay."""
        beside = sum(len(block.kind_key) for block in self.blocks.values())
        return bool(self.gone) or len(self.blocks) > MANY_FIGHTS or beside > MANY_ACTIONS

    @cached_property
    def whole(self) -> Columns:
        """Both as one archive."""
        if not self.blocks and not self.gone:
            return self.base
        return splice(self.base, self.tables, list(self.blocks.values()), list(self.gone))

    def over(self, base: Columns) -> Parts:
        """The same archive over another base, which was the `whole` of an earlier state over this base."""
        held = base.revisions
        blocks = {n: one for n, one in self.blocks.items() if held.get(n) != one.fights[0].revision}
        return Parts(base, self.tables, blocks, frozenset(held.keys() - self.revisions.keys()))

    # --- searching ----------------------------------------------------------------------------------------

    @cached_property
    def part(self) -> Columns | None:
        return assemble(list(self.blocks.values()), self.tables) if self.blocks else None

    @cached_property
    def _stale(self) -> list[int]:
        """Places of the base's fights that changed or are gone."""
        places = self.base.fight_places
        return [places[number] for number in (*self.blocks, *self.gone) if number in places]

    @cached_property
    def _live(self) -> Array | None:
        """[E] bool: exchanges of the base that still count; None for all."""
        if not self._stale:
            return None
        live = np.ones(self.base.exchanges, np.bool_)
        for place in self._stale:
            live[int(self.base.first_exchange[place]) : int(self.base.first_exchange[place + 1])] = False
        return live

    def each(self) -> Iterator[tuple[Columns, Array | None]]:
        """Each of the two, with which of its exchanges ([E] bool) count; None for all."""
        yield self.base, self._live
        if self.part is not None:
            yield self.part, None

    @property
    def last_round(self) -> int:
        """Of any fight; 0 if none is known."""
        rounds = [np.delete(self.base.last_round, self._stale)]
        rounds += [block.last_round for block in self.blocks.values()]
        return int(np.concatenate(rounds).max(initial=0))

    @property
    def reasons(self) -> int:
        """All the bits of `Columns.beside` that anything has, or had in the base."""
        return self.base.reasons | (self.part.reasons if self.part is not None else 0)

    @cached_property
    def belongs(self) -> Ints:
        """[exchanges of the part] before which of the base's exchanges each belongs."""
        assert self.part is not None
        before = [bisect_left(self.base.orders, fight.order) for fight in self.part.fights]
        found: Ints = self.base.first_exchange[np.array(before, np.int64)][self.part.fight_of]
        return found


@dataclass(frozen=True)
class Answer:
    """What was found in the base and, if there is one, in the part. Places of exchanges are those of the
    base, and from its end on those of the part."""

    parts: Parts
    found: tuple[Matches | Hits, ...]

    @property
    def total(self) -> int:
        return len(self.exchanges)

    @cached_property
    def facets(self) -> dict[str, dict[str, int]]:
        """Counted when they are asked for: of results that are only counted nobody asks."""
        return added([facets(one) for one in self.found])

    def ranks(self, order: str) -> Array:
        """See `order.rank`."""
        if order != "fighter" or len(self.found) == 1:
            return self._joined([rank(one, order) for one in self.found])
        names = sorted({name for one in self.found for name in one.columns.fighters})
        place = {name: i for i, name in enumerate(names)}
        return self._joined(
            [
                np.array([*(place[name] for name in one.columns.fighters), len(names)])[fighters_first(one)]
                for one in self.found
            ]
        )

    @cached_property
    def exchanges(self) -> Array:
        """Places of what was found, in the order of the date."""
        if len(self.found) == 1:
            return self.found[0].exchanges
        base, part = self.found
        return self._joined([base.exchanges.astype(np.int64), part.exchanges + self.parts.base.exchanges])

    def _joined(self, values: Sequence[Array]) -> Array:
        """What is told of the exchanges found in each part, in the order of the date."""
        if len(values) == 1:
            return values[0]
        base, part = self.found
        at = np.searchsorted(base.exchanges, self.parts.belongs[part.exchanges])
        joined: Array = np.insert(values[0], at, values[1])
        return joined

    def _split(self, places: Array) -> Iterator[tuple[Matches | Hits, int, npt.NDArray[np.int64]]]:
        """(what was found in each part, where its places begin, those of `places` that are its own)."""
        begin = 0
        for one, (columns, _) in zip(self.found, self.parts.each(), strict=True):
            own = places[(places >= begin) & (places < begin + columns.exchanges)] - begin
            yield one, begin, own
            begin += columns.exchanges

    def ids(self, places: Array) -> list[int]:
        """The exchanges' numbers."""
        found: dict[int, int] = {}
        for one, begin, own in self._split(places):
            numbers = one.columns.exchange_id[own].tolist()
            found.update(zip((own + begin).tolist(), numbers, strict=True))
        return [found[place] for place in places.tolist()]

    def tuples(self, limit: int, places: Array) -> dict[int, list[tuple[int, ...]]]:
        """By the exchanges' numbers, as `Matches.tuples`."""
        found = {}
        for one, _, own in self._split(places):
            some = one.tuples(limit, own) if len(own) else {}
            found.update({int(one.columns.exchange_id[place]): ways for place, ways in some.items()})
        return found
