"""More like this: distances that know the vocabulary, explanations, and the same answers without pruning."""

from __future__ import annotations

import itertools

import ir_measures
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from ir_measures import nDCG

from cliplib.core.errors import NotFoundError
from cliplib.core.models import Action, Corner, Exchange, FightInfo
from cliplib.search.similar import GAP, Courses, similar
from cliplib.vocabulary import load_vocabulary
from tests.search.archive import NAMES, columns_of, small_bouts
from tests.search.slow_matcher import Bout

# Private parts: the price of a pair is held against its rules.

VOCABULARY = load_vocabulary()
RED, BLUE = NAMES[:2]
FIGHT = FightInfo(f"{RED} v {BLUE}", Corner(RED, "orthodox"), Corner(BLUE, "orthodox"))


def told(text: str, *, swap: bool = False) -> Exchange:
    """ "A jab missed, B slip" as an exchange: person, technique, then hand, target and outcome if given."""
    people = {"A": RED, "B": BLUE} if not swap else {"A": BLUE, "B": RED}
    actions = []
    for piece in text.split(", "):
        who, *words = piece.split()
        values: dict[str, str] = {}
        for name, known in (
            ("hand", ("lead", "rear")),
            ("target", ("head", "body")),
            ("outcome", ("missed", "landed", "blocked", "hurt")),
        ):
            for word in [w for w in words if w in known]:
                values[name] = word
                words.remove(word)
        actions.append(Action(" ".join(words), fighter=people[who], **values))
    return Exchange(tuple(actions), round=1)


def courses(*exchanges: Exchange) -> Courses:
    numbers = tuple(range(1, len(exchanges) + 1))
    columns = columns_of([Bout(FIGHT, exchanges, (False,) * len(exchanges), numbers)])
    return Courses(columns, VOCABULARY)


def ranked(*texts: str) -> list[int]:
    return [s.exchange_id for s in similar(courses(*map(told, texts)), 1, 100)]


def test_the_vocabulary_decides_what_is_near() -> None:
    """A lead hook is nearer to a check hook than to a jab, and a jab nearer than a slip."""
    assert ranked("A lead hook", "A slip", "A jab", "A check hook lead", "A lead hook") == [5, 4, 3, 2]
    # Of one family (jab and cross are both straight) before of one kind.
    assert ranked("A jab", "A uppercut", "A cross") == [3, 2]
    assert ranked("A jab head", "A jab body", "A jab head missed", "A jab head")[0] == 4


def test_who_does_what_matters_but_not_who_is_who() -> None:
    base = "A jab missed, B slip, B cross"
    found = similar(courses(told(base), told(base, swap=True), told("A jab missed, A slip, A cross")), 1, 5)
    assert [(s.exchange_id, s.distance) for s in found[:1]] == [(2, 0.0)]
    assert found[1].exchange_id == 3
    assert found[1].distance > 0.4


def test_order_matters() -> None:
    assert ranked("A jab, A cross, A hook", "A hook, A cross, A jab", "A jab, A cross, A hook, A pivot") == [
        3,
        2,
    ]


def test_explanations_say_what_is_alike() -> None:
    all_ = courses(
        told("A jab missed, B slip, B rear hook body"),
        told("A jab missed, B slip, B rear hook body"),
        told("A jab missed, B slip, B shovel hook rear body, B pivot"),
        told("A jab missed"),
    )
    said = {s.exchange_id: s.explanation for s in similar(all_, 1, 5)}
    assert said[2].startswith("the same throughout")
    assert said[3] == (
        "alike: jab (missed), slip; rear shovel hook to the body instead of rear hook to the body; "
        "with pivot besides"
    )
    assert said[4] == "alike: jab (missed); without slip, rear hook to the body"


def test_no_such_clip() -> None:
    with pytest.raises(NotFoundError, match="no clip 99"):
        similar(courses(told("A jab")), 99, 3)


def test_the_only_clip_has_none_like_it() -> None:
    assert similar(courses(told("A jab")), 1, 3) == []


@given(bouts=small_bouts())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_agrees_with_aligning_each_pair(bouts: list[Bout]) -> None:
    """Pruning by length and working on many at once give what Wagner and Fischer's table (1974) gives."""
    columns = columns_of(bouts)
    all_ = Courses(columns, VOCABULARY)
    token, tokens = all_._tokens
    ways = [
        [tokens[t] for t in token[columns.first_action[e] : columns.first_action[e + 1]]]
        for e in range(columns.exchanges)
    ]

    def distance(a: list, b: list) -> float:  # type: ignore[type-arg]
        best = {(-1, -1): 0}
        for i, j in itertools.product(range(-1, len(a)), range(-1, len(b))):
            options = [best[i - 1, j] + GAP] if i >= 0 else []
            options += [best[i, j - 1] + GAP] if j >= 0 else []
            options += [best[i - 1, j - 1] + all_._cost(a[i], b[j])] if i >= 0 and j >= 0 else []
            if options:
                best[i, j] = min(options)
        return best[len(a) - 1, len(b) - 1] / (GAP * (len(a) + len(b)))

    for place in range(columns.exchanges):
        expected = sorted(
            (distance(ways[place], ways[e]), e)
            for e in range(columns.exchanges)
            if e != place and not columns.beside[e]
        )
        for limit in (1, 3, 100):
            got = all_.nearest(place, limit)
            assert [p for p, _ in got] == [e for _, e in expected[:limit]]
            assert [d for _, d in got] == pytest.approx([d for d, _ in expected[:limit]])


def test_costs_are_a_distance() -> None:
    """Symmetric, nothing from itself, and never more than leaving both out."""
    some = [told(f"{who} {what}").actions[0] for who in "AB" for what in (
        "jab", "lead hook body missed", "check hook lead", "rear uppercut landed", "slip", "feint", "clinch",
    )]  # fmt: skip
    all_ = courses(Exchange((some[0], *some)))
    _, tokens = all_._tokens
    for a, b in itertools.product(tokens, tokens):
        assert all_._cost(a, b) == all_._cost(b, a)
        assert (all_._cost(a, b) == 0) == (a == b)
        assert 0 <= all_._cost(a, b) <= 2 * GAP


def test_ndcg_of_similar_search() -> None:
    """Judged by construction: from each of twelve courses others are made by edits of known size."""
    rng = np.random.default_rng(5)
    bases = [
        "A jab missed, B slip, B cross landed", "A jab, A cross, A hook lead body",
        "A feint, A overhand landed",
        "A hook lead, B roll, B uppercut rear", "A jab, B parry, B jab, A pivot", "A cross blocked, B clinch",
        "A jab, A jab, A cross, B step out", "A step in, A uppercut lead body, A hook lead head",
        "A jab missed, B pull, B cross, A block", "A circle, A jab, A circle, A jab",
        "A hook rear body, B block, B hook lead", "A cross, A hook lead, A cross, B duck, B pivot",
    ]  # fmt: skip
    near = {"jab": "straight", "cross": "straight", "hook": "check hook", "uppercut": "bolo", "slip": "duck",
            "roll": "duck", "parry": "catch", "pull": "step back", "block": "catch",
            "overhand": "hook"}  # fmt: skip
    exchanges, family, grade = [], [], []
    for base, text in enumerate(bases):
        pieces = text.split(", ")
        versions = [(pieces, 3), (pieces, 3)]
        for _ in range(2):  # one action by its nearest neighbour in the vocabulary
            i = next(int(k) for k in rng.permutation(len(pieces)) if pieces[k].split()[1] in near)
            word = pieces[i].split()[1]
            changed = [*pieces]
            changed[i] = changed[i].replace(word, near[word], 1)
            versions.append((changed, 2))
        versions.append(([*pieces, "A frame"], 2))
        cut = [p for k, p in enumerate(pieces) if k != len(pieces) - 1]
        versions.append(([*cut, "B smother", "A push"], 1))
        for words, g in versions:
            exchanges.append(told(", ".join(words), swap=bool(rng.integers(0, 2))))
            family.append(base)
            grade.append(g)
    all_ = courses(*exchanges)
    qrels, run = [], []
    for query in range(0, len(exchanges), 6):
        qrels += [
            ir_measures.Qrel(str(query), str(other), grade[other])
            for other in range(len(exchanges))
            if other != query and family[other] == family[query]
        ]
        run += [
            ir_measures.ScoredDoc(str(query), str(found.exchange_id - 1), 1 - found.distance)
            for found in similar(all_, query + 1, 10)
        ]
    assert ir_measures.calc_aggregate([nDCG @ 10], qrels, run)[nDCG @ 10] > 0.95
