"""The layers that matching leaves behind (see match.py), and what is read off them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from itertools import islice

import numpy as np

from cliplib.search.patterns.codes import Array
from cliplib.search.patterns.columns import Columns

NO_COST = np.iinfo(np.int32).max


@dataclass
class Layer:
    """Actions for one step. Edge i leads from node `parent[i]` of the layer before to node `child[i]`
    (None: i).

    `seen`: bits of the filters that some action so far suits, None without filters. `cost`: of the cheapest
    way here. `kept`: for steps that a later counter has to answer, the action matched there.
    """

    row: Array
    parent: Array
    child: Array | None
    seen: Array | None
    cost: Array
    kept: dict[int, Array] = field(default_factory=dict)
    alive: Array | None = None

    def living(self) -> Array:
        """The actions that are part of a whole match; in a first layer they ascend."""
        return self.row if self.alive is None else self.row.take(np.flatnonzero(self.alive))

    def take(self, which: Array) -> None:
        """Drop all but these nodes (bool for each); only while every edge still has a node of its own."""
        kept = np.flatnonzero(which)
        if len(kept) == len(self.row):
            return
        self.row, self.cost = self.row.take(kept), self.cost.take(kept)
        self.parent = self.parent.take(kept) if len(self.parent) else self.parent
        self.seen = None if self.seen is None else self.seen.take(kept)
        self.kept = {step: rows.take(kept) for step, rows in self.kept.items()}


@dataclass
class Matches:
    """All matches of a pattern. `exchanges`: places, ascending, of those with a match; `begins`: at which of
    the last layer's living nodes each begins; `cost`: of its best match. `result`: the layer whose outcome is
    the pattern's; None: all. The last layer knows which of its nodes are alive (end a match), the others once
    they are asked for."""

    columns: Columns
    layers: list[Layer]
    exchanges: Array
    begins: Array
    cost: Array
    result: int | None

    @cached_property
    def settled(self) -> list[Layer]:
        """The layers, each knowing which of its nodes are part of a match."""
        for layer, before in zip(self.layers[:0:-1], self.layers[-2::-1], strict=True):
            before.alive = np.zeros(len(before.row), np.bool_)
            before.alive[_parents(layer)] = True
        return self.layers

    def chains(self) -> list[Array] | None:
        """For each layer the action of each match, in the order of the exchanges; None if the layers hold
        matches together, and there may be any number of them."""
        if any(layer.child is not None for layer in self.layers):
            return None
        last = self.layers[-1]
        node = None if last.alive is None else np.flatnonzero(last.alive)
        found = []
        for layer in self.layers[::-1]:
            found.append(layer.row if node is None else layer.row.take(node))
            node = layer.parent if node is None else layer.parent.take(node) if len(layer.parent) else node
        return found[::-1]

    def results(self) -> Array:
        """The actions whose outcome is their match's, ascending."""
        if self.result is None:
            return self.participating()
        rows = self.settled[self.result].living()
        return rows if len(self.layers) == 1 else np.unique(rows)

    def participating(self) -> Array:
        """The actions that are part of a match, ascending."""
        if len(self.layers) == 1:
            return self.layers[0].living()
        together = np.sort(np.concatenate([layer.living() for layer in self.settled]))
        new = np.ones(len(together), np.bool_)
        new[1:] = together[1:] != together[:-1]
        return together.take(np.flatnonzero(new))

    def first_rows(self) -> Array:
        """The actions that begin a match."""
        return self.settled[0].living()

    def tuples(self, limit: int, exchanges: Array | None = None) -> dict[int, list[tuple[int, ...]]]:
        """Per exchange (its place) the matches in order, as places of actions in the exchange; at most
        `limit` an exchange. For a few of `exchanges` that have matches (None: all), not for an archive."""
        exchanges = self.exchanges if exchanges is None else exchanges
        alive = self.layers[-1].alive
        nodes = range(len(self.layers[-1].row)) if alive is None else np.flatnonzero(alive)
        ends = np.append(self.begins, len(nodes))
        found = {}
        for exchange, at in zip(exchanges.tolist(), np.searchsorted(self.exchanges, exchanges), strict=True):
            first = int(self.columns.first_action[exchange])
            some: set[tuple[int, ...]] = set()
            for node in nodes[ends[at] : ends[at + 1]]:
                for way in islice(self._ways(len(self.layers) - 1, int(node)), limit - len(some)):
                    some.add(tuple(row - first for row in way))
            found[exchange] = sorted(some)
        return found

    def _ways(self, at: int, node: int) -> Iterator[tuple[int, ...]]:
        """The actions that lead up to and with a layer's node."""
        layer = self.layers[at]
        row = int(layer.row[node])
        if at == 0:
            yield (row,)
            return
        for edge in [node] if layer.child is None else np.flatnonzero(layer.child == node):
            for way in self._ways(at - 1, int(layer.parent[edge])):
                yield (*way, row)


def _parents(layer: Layer) -> Array:
    """The nodes of the layer before from which a living node is reached."""
    if layer.alive is None:
        return layer.parent
    alive = layer.alive if layer.child is None else layer.alive.take(layer.child)
    return layer.parent.take(np.flatnonzero(alive))


def merge(layer: Layer) -> None:
    """Make nodes that the rest of the pattern cannot tell apart into one."""
    seen = () if layer.seen is None else (layer.seen,)
    keys = np.stack([layer.row, *seen, *layer.kept.values()])
    order = np.lexsort(keys)
    keys = keys[:, order]
    new = np.ones(len(order), np.bool_)
    new[1:] = (keys[:, 1:] != keys[:, :-1]).any(axis=0)
    place = np.empty(len(order), np.int64)
    place[order] = np.cumsum(new) - 1
    if new.all():
        return
    cost = np.full(int(place.max()) + 1, NO_COST, np.int32)
    np.minimum.at(cost, place, layer.cost)
    first = order[new]
    layer.row, layer.child, layer.cost = layer.row[first], place, cost
    layer.seen = None if layer.seen is None else layer.seen[first]
    layer.kept = {step: rows[first] for step, rows in layer.kept.items()}
