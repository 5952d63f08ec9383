"""More like this: exchanges with a like course of actions.

Two courses are laid side by side so that they agree as well as they can: an action of one against an action
of the other, or against nothing. What that costs, as a part of what it costs to have nothing in common, is
their distance: 0 for the same course, 1 for nothing alike. An action against another costs little where the
vocabulary holds them close (a lead hook and a check hook), more where they share only a kind (a lead hook
and a jab), and as much as leaving both out where different people do them. Who is who does not matter, only
who began.

Global alignment with unit gap costs (Needleman and Wunsch, 1970), over all exchanges of one length at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from cliplib.core.errors import NotFoundError
from cliplib.search.patterns import Columns
from cliplib.search.patterns.codes import Array, Ints
from cliplib.vocabulary import Vocabulary

GAP = 60
"""Cost of an action with nothing against it, in hundredths of the unit that the costs below are given in."""
SOMEBODY_ELSE = 2 * GAP

OTHER_KIND, OTHER_ROOT, SIBLING, CHILD = 100, 60, 40, 20
"""Techniques: of different kinds; of one kind; of one family within it; one the other's child."""
OTHER_HAND, OTHER_TARGET, OTHER_OUTCOME, OUTCOME_UNKNOWN = 12, 15, 12, 5

LONGEST = 64
"""Actions of a course that are compared; of the few longer ones the beginning."""

_FEATURES = ("technique", "hand", "target", "outcome")


class Similar(NamedTuple):
    """`distance`: 0 the same course, 1 nothing alike. `explanation`: what is alike and what isn't."""

    exchange_id: int
    distance: float
    explanation: str


@dataclass(frozen=True)
class _Token:
    """What an action is to a comparison. `starter`: by the fighter who acts first in the exchange."""

    technique: str
    hand: str | None
    target: str | None
    outcome: str | None
    starter: bool


class Courses:
    """The courses of an archive, ready for comparison."""

    def __init__(self, columns: Columns, vocabulary: Vocabulary):
        self.columns, self.vocabulary = columns, vocabulary

    @cached_property
    def _tokens(self) -> tuple[Array, list[_Token]]:
        """(each action's token, the tokens)."""
        columns = self.columns
        if not columns.actions:
            return np.zeros(0, np.uint16), []
        features = [columns.of_kind(name) for name in _FEATURES]
        bases = [int(f.max()) + 1 for f in features]
        mixed = np.ravel_multi_index(features, bases)
        first = columns.corner[columns.first_action[:-1]]
        starter = columns.corner == first[columns.exchange_of]
        distinct, of_kind = np.unique(mixed, return_inverse=True)
        token = of_kind[columns.kind].astype(np.uint32) * 2 + starter
        tokens = []
        for codes in zip(*np.unravel_index(distinct, bases), strict=True):
            words = [
                columns.words[name][code - 1] if code else None
                for name, code in zip(_FEATURES, codes, strict=True)
            ]
            tokens += [_Token(str(words[0]), words[1], words[2], words[3], by) for by in (False, True)]
        return token.astype(np.uint16) if len(tokens) <= 1 << 16 else token, tokens

    @cached_property
    def _by_length(self) -> dict[int, Ints]:
        """Places of the exchanges of each length, second opinions left out."""
        sizes = np.minimum(np.diff(self.columns.first_action), LONGEST)
        order = np.argsort(sizes, kind="stable")
        order = order[self.columns.counted[order]]
        ends = np.flatnonzero(np.diff(sizes[order], append=-1)) + 1
        return {int(sizes[part[0]]): part for part in np.split(order, ends[:-1]) if len(part)}

    def nearest(self, place: int, limit: int, *, elsewhere: bool = False) -> list[tuple[int, float]]:
        """(place, distance) of the exchanges nearest to the one at `place`, itself left out; `elsewhere`: its
        whole fight."""
        token, tokens = self._tokens
        starts = self.columns.first_action
        query = token[int(starts[place]) : int(starts[place + 1])][:LONGEST]
        table = np.array([[self._cost(tokens[q], t) for t in tokens] for q in dict.fromkeys(query.tolist())])
        costs = dict(zip(dict.fromkeys(query.tolist()), table.astype(np.uint16), strict=True))
        best_places, best = np.zeros(0, np.int64), np.zeros(0)
        # The difference in length alone costs so much that far lengths need no look.
        for size in sorted(self._by_length, key=lambda n: (abs(n - len(query)), n)):
            least = abs(size - len(query)) / (size + len(query))
            if len(best) >= limit and least > best[limit - 1]:
                continue
            places = self._by_length[size]
            rows = starts[places][None, :] + np.arange(size)[:, None]
            distance = _align([costs[q] for q in query.tolist()], token[rows]) / (GAP * (size + len(query)))
            keep = places != place
            if elsewhere:
                fight_of = self.columns.fight_of
                keep &= fight_of[places] != fight_of[place]
            if len(best) >= limit:
                keep &= distance <= best[limit - 1]
            best_places = np.concatenate([best_places, places[keep]])
            best = np.concatenate([best, distance[keep]])
            order = np.lexsort((best_places, best))[:limit]
            best_places, best = best_places[order], best[order]
        return list(zip(best_places.tolist(), best.tolist(), strict=True))

    def _cost(self, a: _Token, b: _Token) -> int:
        if a.starter != b.starter:
            return SOMEBODY_ELSE
        cost = self._technique_cost(a.technique, b.technique)
        if cost >= OTHER_KIND:
            return cost
        cost += OTHER_HAND * (a.hand != b.hand and a.hand is not None and b.hand is not None)
        cost += OTHER_TARGET * (a.target != b.target and a.target is not None and b.target is not None)
        if a.outcome != b.outcome:
            known = a.outcome is not None and b.outcome is not None
            related = known and (
                a.outcome in self.vocabulary.outcome_family(str(b.outcome))
                or b.outcome in self.vocabulary.outcome_family(str(a.outcome))
            )
            cost += OTHER_OUTCOME if known and not related else OUTCOME_UNKNOWN
        return cost

    def _technique_cost(self, a: str, b: str) -> int:
        vocabulary = self.vocabulary
        if a == b:
            return 0
        if a not in vocabulary.names or b not in vocabulary.names or vocabulary.kind(a) != vocabulary.kind(b):
            return OTHER_KIND
        if vocabulary.is_a(a, b) or vocabulary.is_a(b, a):
            return CHILD
        parent = vocabulary.parent(a)
        while parent is not None and vocabulary.parent(parent) is not None:
            if vocabulary.is_a(b, parent):
                return SIBLING
            parent = vocabulary.parent(parent)
        return OTHER_ROOT

    def explain(self, place: int, other: int) -> str:
        """What is alike in the exchange at `other`, and what is different, in words."""
        token, tokens = self._tokens
        starts = self.columns.first_action
        a, b = (
            [tokens[t] for t in token[int(starts[p]) : int(starts[p + 1])][:LONGEST]] for p in (place, other)
        )
        same, instead, missing, more = [], [], [], []
        for x, y in self._alignment(a, b):
            if x is None:
                more += [_say(y)] if y else []
            elif y is None:
                missing.append(_say(x))
            elif self._cost(x, y) == 0:
                same.append(_say(x))
            else:
                instead.append(f"{_say(y)} instead of {_say(x)}")
        parts = [
            "the same throughout" if not (instead or missing or more) else "",
            f"alike: {', '.join(same)}" if same else "",
            "; ".join(instead),
            f"without {', '.join(missing)}" if missing else "",
            f"with {', '.join(more)} besides" if more else "",
        ]
        return "; ".join(part for part in parts if part)

    def _alignment(
        self, a: Sequence[_Token], b: Sequence[_Token]
    ) -> list[tuple[_Token | None, _Token | None]]:
        cost = np.zeros((len(a) + 1, len(b) + 1), np.int64)
        cost[:, 0], cost[0, :] = np.arange(len(a) + 1) * GAP, np.arange(len(b) + 1) * GAP
        for i, x in enumerate(a, 1):
            for j, y in enumerate(b, 1):
                cost[i, j] = min(
                    cost[i - 1, j - 1] + self._cost(x, y), cost[i - 1, j] + GAP, cost[i, j - 1] + GAP
                )
        pairs: list[tuple[_Token | None, _Token | None]] = []
        i, j = len(a), len(b)
        while i or j:
            paired = self._cost(a[i - 1], b[j - 1]) if i and j else None
            # On a tie, leaving both out says more plainly than a pair that somebody else did it.
            if paired is not None and paired < 2 * GAP and cost[i, j] == cost[i - 1, j - 1] + paired:
                i, j = i - 1, j - 1
                pairs.append((a[i], b[j]))
            elif i and cost[i, j] == cost[i - 1, j] + GAP:
                i -= 1
                pairs.append((a[i], None))
            else:
                j -= 1
                pairs.append((None, b[j]))
        return pairs[::-1]


def similar(courses: Courses, exchange_id: int, limit: int, *, elsewhere: bool = False) -> list[Similar]:
    """The exchanges nearest to one, the nearest first, then by date; NotFoundError for no such exchange.
    `elsewhere`: of other fights only."""
    place = int(courses.columns.places(np.array([exchange_id]))[0])
    if place < 0:
        raise NotFoundError(f"there is no clip {exchange_id} with actions in this library")
    return [
        Similar(int(courses.columns.exchange_id[p]), round(d, 6), courses.explain(place, p))
        for p, d in courses.nearest(place, limit, elsewhere=elsewhere)
    ]


def _align(costs: Sequence[Array], tokens: Array) -> Array:
    """Alignment costs of one course against many of one length; `costs[i][t]`: its action i against token t;
    `tokens` [length, exchanges]."""
    size, count = tokens.shape
    before = [np.full(count, j * GAP, np.uint16) for j in range(size + 1)]
    for i, cost in enumerate(costs, 1):
        against = cost[tokens]
        now = [np.full(count, i * GAP, np.uint16)]
        for j in range(1, size + 1):
            best = before[j - 1] + against[j - 1]
            np.minimum(best, before[j] + np.uint16(GAP), out=best)
            np.minimum(best, now[j - 1] + np.uint16(GAP), out=best)
            now.append(best)
        before = now
    return before[size]


def _say(token: _Token) -> str:
    hand = f"{token.hand} " if token.hand and token.technique not in ("jab", "cross") else ""
    target = " to the body" if token.target == "body" else ""
    outcome = f" ({token.outcome})" if token.outcome else ""
    return f"{hand}{token.technique}{target}{outcome}"
