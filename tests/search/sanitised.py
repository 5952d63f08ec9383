"""Searches with the compiled loops given as a file, compared with NumPy's: run under sanitizers by test_kernel.

python -m tests.search.sanitised build/kernel.so [--rounds 60]
"""

from __future__ import annotations

import argparse
import ctypes
import random
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from cliplib.core.models import Settings, Step, Where
from cliplib.search.patterns import Columns, Pattern, facets, hits, kernel, limits
from cliplib.vocabulary import load_vocabulary
from tests.search import archive

# Private parts: the small case is sent to the loops in C, too.

VOCABULARY = load_vocabulary()
TECHNIQUES = ("punch", "jab", "cross", "hook", "slip", "roll", "feint", "pivot", "defence", "")


def random_step(chance: random.Random) -> Step:
    step = Step(
        chance.choice(TECHNIQUES),
        by=chance.choice((1, 1, 2)),
        target=chance.choice((None, None, "body")),
        outcome=chance.choice((None, None, "landed", "missed")),
        role=chance.choice((None, None, "counter")),
        place=chance.choice((None, None, None, "ropes")),
        within_us=chance.choice((None, None, 300_000, 1_000_000, 90_000_000)),
        absent=chance.random() < 0.15,
    )
    if chance.random() < 0.3:
        other = replace(step, technique=chance.choice(TECHNIQUES), hand="lead", place=None)
        step = replace(step, alternatives=(other,))
    return step


def random_where(chance: random.Random, columns: Columns) -> Where:
    return Where(
        rounds=chance.choice(((), (), (1, 2), ("last",))),
        fighter=chance.choice((None, None, columns.fights[0].red)),
        opponent=chance.choice((None, None, None, columns.fights[0].blue)),
        stance_match=chance.choice((None, None, "open")),
        outcome=chance.choice((None, None, "missed")),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.search.sanitised")
    parser.add_argument("library")
    parser.add_argument("--rounds", type=int, default=60)
    options = parser.parse_args(arguments)
    library = kernel._declared(ctypes.CDLL(options.library))
    kernel.compiled = lambda: library  # type: ignore[assignment]
    kernel._ENOUGH = 0
    chance, searches, found = random.Random(11), 0, 0
    for columns in (archive.large_columns(1), archive.large_columns(3, seed=8), archive.large_columns(56)):
        for _ in range(options.rounds):
            steps = tuple(random_step(chance) for _ in range(chance.randint(1, 5)))
            if all(step.absent for step in steps):
                continue
            limit = limits((random_where(chance, columns),), columns)
            pattern = Pattern(steps, columns, VOCABULARY, Settings(), limit)
            answer, matches = hits(pattern), pattern.match()
            if answer is None:
                continue
            assert np.array_equal(answer.exchanges, matches.exchanges), steps
            assert np.array_equal(answer.cost, matches.cost), steps
            assert facets(answer) == facets(matches), steps
            shown = matches.exchanges[:5]
            assert answer.tuples(10**4, shown) == matches.tuples(10**4, shown), steps
            searches, found = searches + 1, found + len(matches.exchanges)
    assert searches > options.rounds
    assert found
    print(f"{searches} searches, {found} exchanges found")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
