"""What usually comes next in an exchange, learned from the archive's own sequences.

An action is told here by what a logger would say of it: technique, hand, target, outcome and a slip's
direction; what cliplib derives by itself is left out. Who does it is told as "the same fighter again" or "the
other one". First comes the chance of who does which technique, that of what came next after

    the last two techniques, and whether one fighter did both    mixed with
    the last technique and its outcome                           mixed with
    the last technique                                           mixed with
    how often anything is done,

then that of the hand, target, outcome and direction: how often they go with the technique after the last
one, mixed with how often they go with it at all, and that mixed with how often each of them does by itself,
so that a library of few fights also knows a cross to the body that was partly blocked. Each is weighed by how
often it was seen: interpolated counts, as in Witten and Bell, "The zero-frequency problem", IEEE Transactions
on Information Theory 37 (1991; from memory), with constants in place of their number of distinct followers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cliplib.core.models import Action
from cliplib.search.patterns import Columns
from cliplib.search.patterns.codes import INFERRED
from cliplib.vocabulary import Vocabulary

MOST = 320
"""Actions that are offered. Rarer ones are typed out."""

LATEST = 400_000  # actions learned from: the last ones of the archive are plenty
# How many observations make a context count as much as all that is less particular. The more particular it
# is, the less its few observations are to be trusted.
_TRUST = (8.0, 30.0, 200.0)  # last technique; with its outcome; last two techniques
_TRUST_WORDING = 60.0  # hand, target and outcome after the last technique
_TRUST_TOGETHER = 20.0  # hand, target and outcome together, against each by itself
_RARE = 0.05
_RECENT = 24  # own last lines that weigh in, since a fight has habits of its own
_RECENT_SHARE = 0.05

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

OUTCOMES = ("landed", "partial", "blocked", "missed", "knockdown", "hurt")

Said = tuple[str, str | None, str | None, str | None, str | None]
"""Technique, hand, target, outcome, direction, as far as they need saying."""


def said_of(action: Action, vocabulary: Vocabulary) -> Said:
    """What a logger would say of an action."""

    def told(name: str) -> str | None:
        value = getattr(action, name)
        return None if name in action.inferred else value

    hand = told("hand") or (action.hand if vocabulary.is_punch(action.technique) else None)
    hand = None if vocabulary.hand(action.technique) else hand
    target = told("target")
    target = None if target == "head" else target  # a punch goes to the head unless told otherwise
    direction = told("direction") if vocabulary.is_a(action.technique, "slip") else None
    return action.technique, hand, target, told("outcome"), direction


@dataclass(frozen=True)
class NextUp:
    """A model of one archive. `said[i]` is what code `i` says; the most frequent come first.

    `code`, `technique`, `outcome`: of each action learned from, in order, -1 for a code rarer than MOST;
    `other`: whether somebody else than in the action before did it; `first`, `second`: it is the exchange's
    first, its second. `technique_of`, `wording` [len(said)]: each code's technique, and the chance of its
    hand, target, outcome and direction, given that.
    """

    said: tuple[Said, ...]
    code: Ints
    technique: Ints
    outcome: Ints
    other: npt.NDArray[np.bool_]
    first: npt.NDArray[np.bool_]
    second: npt.NDArray[np.bool_]
    technique_of: Ints
    wording: Floats
    _code_of: dict[Said, int]
    _technique_of: dict[str, int]

    def opening(self, recent: Sequence[Said] = ()) -> list[int]:
        """Codes by how often they open an exchange; see `after`."""
        techniques = self.technique[self.first & (self.technique >= 0)]
        chances = np.bincount(techniques, minlength=len(self._technique_of)) + _RARE
        return _ranked(
            self._with_recent(chances[self.technique_of] * self.wording, recent, [0] * len(recent))
        )

    def after(self, last: Sequence[tuple[Said, bool]], recent: Sequence[tuple[Said, bool]] = ()) -> list[int]:
        """What usually comes after `last`, the exchange's actions so far, the likeliest first.

        Each of them is (what was said, whether somebody else than before did it). Returned are codes:
        `code` for the same fighter as the last action, `len(said) + code` for the other one.
        """
        k, n = len(self._technique_of), len(self.said)
        follows = ~self.first & (self.technique >= 0)
        move = self.technique + k * self.other
        before = np.concatenate([[-3], self.technique[:-1]])
        said, other = last[-1]
        contexts = [follows & (before == self._technique(said))]
        outcome = OUTCOMES.index(said[3]) if said[3] in OUTCOMES else -1
        contexts.append(contexts[0] & (np.concatenate([[-3], self.outcome[:-1]]) == outcome))
        if len(last) > 1:
            earlier = np.concatenate([[-3, -3], self.technique[:-2]])
            swapped = np.concatenate([[False], self.other[:-1]])
            contexts.append(
                contexts[0] & ~self.second & (earlier == self._technique(last[-2][0])) & (swapped == other)
            )
        chances = np.bincount(move[follows], minlength=2 * k) + _RARE
        chances /= chances.sum()
        for context, trust in zip(contexts, _TRUST, strict=False):
            seen = np.bincount(move[context], minlength=2 * k)
            chances = (seen + trust * chances) / (seen.sum() + trust)
        told = contexts[0] & (self.code >= 0)
        seen = np.bincount((self.code + n * self.other)[told], minlength=2 * n)
        moves = np.concatenate([self.technique_of, k + self.technique_of])
        often = np.bincount(moves, weights=seen, minlength=2 * k)[moves]
        wording = (seen + _TRUST_WORDING * np.tile(self.wording, 2)) / (often + _TRUST_WORDING)
        return _ranked(
            self._with_recent(
                chances[moves] * wording, [said for said, _ in recent], [n * int(o) for _, o in recent]
            )
        )

    def patterns(self, most: int, least: int) -> list[tuple[int, int, bool]]:
        """How exchanges most often begin, two actions at a time, that began so at least `least` times: both
        codes, and whether somebody else does the second."""
        at = np.flatnonzero(self.first[:-1] & ~self.first[1:]) if len(self.first) else np.zeros(0, np.int64)
        at = at[(self.code[at] >= 0) & (self.code[at + 1] >= 0)]
        counts = Counter(
            zip(self.code[at].tolist(), self.code[at + 1].tolist(), self.other[at + 1].tolist(), strict=True)
        )
        return [pair for pair, often in counts.most_common(most) if often >= least]

    def _technique(self, said: Said) -> int:
        return self._technique_of.get(said[0], -2)

    def _with_recent(self, chances: Floats, recent: Sequence[Said], shift: Sequence[int]) -> Floats:
        codes = [
            self._code_of[said] + by
            for said, by in list(zip(recent, shift, strict=True))[-_RECENT:]
            if said in self._code_of
        ]
        if not codes:
            return chances
        own = np.bincount(codes, minlength=len(chances)) / len(codes)
        share: Floats = chances / chances.sum()
        return (1 - _RECENT_SHARE) * share + _RECENT_SHARE * own


def learn(columns: Columns, vocabulary: Vocabulary) -> NextUp:
    """The model of an archive; second opinions are left out, so that nothing counts twice."""
    start = max(0, columns.actions - LATEST)
    rows = np.arange(start, columns.actions)
    exchange = columns.exchange_of[rows]
    keep = columns.counted[exchange]
    rows, exchange = rows[keep], exchange[keep]
    kind = columns.kind[rows].astype(np.int64)
    direction = columns.of_kind("direction")[columns.setting[rows]] if len(rows) else np.zeros(0, np.int64)
    # Distinct pairs first: what they say is worked out once for each, not for each action.
    pairs, pair = np.unique(kind * 64 + direction, return_inverse=True)
    saids = [_said(columns, int(p) // 64, int(p) % 64, vocabulary) for p in pairs]
    distinct = list(dict.fromkeys(saids))
    place = {said: i for i, said in enumerate(distinct)}
    code = np.array([place[s] for s in saids], np.int64)[pair] if len(pairs) else np.zeros(0, np.int64)
    usual = _usual(vocabulary)
    counts = np.bincount(code, minlength=len(distinct))
    order = [distinct[i] for i in np.argsort(-counts, kind="stable")[:MOST]]
    # A young archive has little to learn from; what every gym logs is offered all the same.
    order += [said for said in usual if said not in set(order)][: MOST - len(order)]
    new = {said: i for i, said in enumerate(order)}
    renumbered = np.array([new.get(said, -1) for said in distinct], np.int64)
    corner = columns.corner[rows]
    first = np.ones(len(rows), np.bool_)
    first[1:] = exchange[1:] != exchange[:-1]
    techniques = {name: i for i, name in enumerate(vocabulary.names)}
    by_code = np.array([techniques.get(said[0], -1) for said in distinct], np.int64)
    outcomes = np.array([OUTCOMES.index(s[3]) if s[3] in OUTCOMES else -1 for s in distinct], np.int64)
    empty = np.zeros(0, np.int64)
    return NextUp(
        said=tuple(order),
        code=renumbered[code] if len(distinct) else empty,
        technique=by_code[code] if len(distinct) else empty,
        outcome=outcomes[code] if len(distinct) else empty,
        other=np.concatenate([[False], corner[1:] != corner[:-1]]) if len(rows) else np.zeros(0, np.bool_),
        first=first,
        second=np.concatenate([[False], first[:-1]]) if len(rows) else first,
        technique_of=np.array([techniques.get(said[0], -1) for said in order], np.int64),
        wording=_wording(order, dict(zip(distinct, counts.tolist(), strict=True))),
        _code_of=new,
        _technique_of=techniques,
    )


def _wording(order: Sequence[Said], counts: dict[Said, int]) -> Floats:
    """The chance of each of `order`, given its technique: how often it was said, mixed with the product of
    how often its blow (hand, target, direction) and its outcome were said.
    """
    blows: Counter[tuple[str | None, ...]] = Counter()
    outcomes: Counter[tuple[str | None, ...]] = Counter()
    techniques: Counter[str] = Counter()
    for said, count in counts.items():
        blows[_blow(said)] += count
        outcomes[said[0], said[3]] += count
        techniques[said[0]] += count
    found = []
    for said in order:
        seen = techniques[said[0]]
        apart = (blows[_blow(said)] + _RARE) * (outcomes[said[0], said[3]] + _RARE) / (seen + 1) ** 2
        found.append((counts.get(said, 0) + _TRUST_TOGETHER * apart) / (seen + _TRUST_TOGETHER))
    return np.array(found, np.float64)


def _blow(said: Said) -> tuple[str | None, ...]:
    technique, hand, target, _, direction = said
    return technique, hand, target, direction


def _said(columns: Columns, kind: int, direction: int, vocabulary: Vocabulary) -> Said:
    def word(name: str, code: int) -> str | None:
        return columns.words[name][code - 1] if code else None

    def of(name: str) -> str | None:
        return word(name, int(columns.of_kind(name)[kind]))

    inferred = ("outcome",) if int(columns.of_kind("doubt")[kind]) & INFERRED else ()
    action = Action(
        of("technique") or "punch",
        hand=of("hand"),
        target=of("target"),
        outcome=of("outcome"),
        direction=word("direction", direction),
        inferred=inferred,
    )
    return said_of(action, vocabulary)


def _usual(vocabulary: Vocabulary) -> list[Said]:
    """What is logged everywhere (common practice), for a library with few fights or none."""
    punches = (
        ("jab", None), ("cross", None), ("hook", "lead"), ("hook", "rear"), ("uppercut", "rear"),
        ("uppercut", "lead"), ("overhand", None), ("check hook", None),
    )  # fmt: skip
    outcomes = (*OUTCOMES, None)
    others = ("block", "parry", "roll", "duck", "pull", "step back", "clinch", "pivot", "feint")
    found: list[Said] = [
        (technique, hand, target, outcome, None)
        for technique, hand in punches
        for target in (None, "body")
        for outcome in outcomes
    ]
    found += [(technique, None, None, None, None) for technique in others]
    found += [("slip", None, None, None, direction) for direction in ("outside", "inside", None)]
    return [said for said in found if said[0] in vocabulary.names]


def _ranked(chances: Floats) -> list[int]:
    return [int(i) for i in np.argsort(-chances, kind="stable")]
