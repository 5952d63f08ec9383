"""A chart parser: every stretch keeps its few cheapest meanings; costs add up.

The cheapest reading of all words wins. Sentences begin at the first word and grow clause by clause, so that
a phrase
costs time by its clauses; what costs much more than the best reading of the same words is let go.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from cliplib.phrases.rules import Grammar, Rule

KEPT = 3
"""Meanings kept of each kind for each stretch."""
KEPT_SENTENCES = 6
LONG, KEPT_LONG = 60, 2
"""Beyond so many words fewer sentences are kept."""
WIDEST = 14
"""Words of a clause; sentences, which begin at the first word, have no limit."""
WORSE = 2.6
"""How much dearer than the cheapest reading of a stretch another one may be; a sentence may leave a word
aside."""
WORSE_SENTENCES = 5.2
SENTENCE = "S"


class Edge(NamedTuple):
    """A stretch of words and what it can stand for."""

    start: int
    end: int
    symbol: str
    cost: float
    meaning: Any


class Item(NamedTuple):
    """A stretch read: its cost, meaning, and the rule and parts that it was read by (none for words)."""

    cost: float
    symbol: str
    meaning: Any
    rule: Rule | None
    parts: tuple[Item, ...]
    span: tuple[int, int]


Cell = dict[str, list[Item]]
Begun = dict[int, list[tuple[float, tuple[Item, ...]]]]
"""By the grammar's state: what was read so far of rules that go on behind a stretch."""


def parse(edges: Sequence[Edge], length: int, grammar: Grammar) -> list[Item]:
    """Sentences that cover all words, cheapest first."""
    words: dict[tuple[int, int], list[Item]] = {}
    for e in edges:
        words.setdefault((e.start, e.end), []).append(
            Item(e.cost, e.symbol, e.meaning, None, (), (e.start, e.end))
        )
    whole: list[dict[int, Cell]] = [{} for _ in range(length + 1)]  # by where a stretch ends, then begins
    begun: list[dict[int, Begun]] = [{} for _ in range(length + 1)]  # by where it begins, then ends
    for end in range(1, length + 1):
        first = max(0, end - WIDEST)
        ending = whole[end]
        for start in (*range(end - 1, first - 1, -1), *((0,) if first else ())):
            span = (start, end)
            found = list(words.get(span, ()))
            going: Begun = {}
            mine = begun[start]
            for middle, right in ending.items():
                left = mine.get(middle)
                if left and middle > start:
                    _extend(left, right, found, going, grammar, span)
            if found:
                cell = _settle(found, grammar, span)
                ending[start] = cell
                _begin(cell, going, grammar)
            if going:
                mine[end] = going
    return whole[length].get(0, {}).get(SENTENCE, [])


def _extend(
    left: Begun, right: Cell, found: list[Item], going: Begun, grammar: Grammar, span: tuple[int, int]
) -> None:
    for state, ways in left.items():
        moves = grammar.moves[state]
        # Always in one order, which a set of names has not: between equals the first one stays.
        for symbol in (s for s in right if s in moves) if len(moves) > 4 else moves:
            items = right.get(symbol)
            if items is None:
                continue
            for target in moves[symbol]:
                ends, on = grammar.ends[target], grammar.moves[target]
                for cost, parts in ways:
                    for item in items:
                        now = (*parts, item)
                        if on:
                            going.setdefault(target, []).append((cost + item.cost, now))
                        for rule in ends:
                            _complete(rule, now, cost + item.cost, found, span)


def _complete(
    rule: Rule, parts: tuple[Item, ...], cost: float, found: list[Item], span: tuple[int, int]
) -> None:
    if rule.sentence and span[0]:
        return
    meaning = rule.apply(parts)
    if meaning is not None:
        found.append(Item(cost + rule.cost, rule.result(parts), meaning, rule, parts, span))


def _settle(found: list[Item], grammar: Grammar, span: tuple[int, int]) -> Cell:
    """The cheapest few of each symbol, rules of one part applied."""
    cell: Cell = {}
    at = 0
    while at < len(found):
        item = found[at]
        at += 1
        kept = cell.setdefault(item.symbol, [])
        same = next((i for i, other in enumerate(kept) if other.meaning == item.meaning), None)
        if same is None:
            kept.append(item)
        elif kept[same].cost > item.cost:
            kept[same] = item
        else:
            continue
        for rule in grammar.single.get(item.symbol, ()):
            _complete(rule, (item,), item.cost, found, span)
    if len(found) > 1:
        _prune(cell, KEPT_SENTENCES if span[1] <= LONG else KEPT_LONG)
    return cell


_APART = (SENTENCE, "U", "FOUL", "~")
"""What costs little because it says little."""


def _prune(cell: Cell, sentences: int) -> None:
    least = min(
        (item.cost for symbol, items in cell.items() if symbol not in _APART for item in items), default=99.0
    )
    for symbol, items in list(cell.items()):
        if symbol == SENTENCE:
            most, worst = sentences, min(item.cost for item in items) + WORSE_SENTENCES
        elif symbol in _APART:
            continue
        else:
            most, worst = KEPT, least + WORSE
        kept = [item for item in items if item.cost <= worst]
        kept.sort(key=lambda item: item.cost)
        if kept or symbol == SENTENCE:
            cell[symbol] = kept[:most]
        else:
            del cell[symbol]


def _begin(cell: Cell, going: Begun, grammar: Grammar) -> None:
    root, moves = grammar.moves[0], grammar.moves
    for symbol, items in cell.items():
        for target in root.get(symbol, ()):
            if moves[target]:
                going.setdefault(target, []).extend((item.cost, (item,)) for item in items)
