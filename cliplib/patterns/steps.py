"""What a step of a pattern, or a filter, asks of an action, decided once for each kind of action."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from cliplib.models import Step

from .columns import NEITHER, Array, Columns, ranges


class Words(Protocol):
    """What matching needs to know of the vocabulary."""

    def family(self, name: str) -> Collection[str]: ...
    def is_punch(self, name: str) -> bool: ...
    def outcome_family(self, outcome: str) -> Collection[str]: ...


NO, MUST_ANSWER, FREE = 0, 1, 2
"""Verdicts on an action: not asked for; asked for as a counter, so that it must answer the punch that the
pattern has for it; asked for, whatever it answers."""

# A cost is one number whose parts compare in this order: children instead of the very technique, gaps in time
# (in sixteenths of a second), doubts about the evidence. Costs of the actions of a match add up.
INEXACT_UNIT = 1 << 20
GAP_UNIT, GAP_LIMIT = 1 << 8, (1 << 12) - 1
_DOUBT_COSTS = np.array([0, 2, 2, 4, 1, 3, 3, 5], np.int32)  # by bits: no time, no outcome, outcome inferred


@dataclass(frozen=True)
class Part:
    """One thing asked for. `verdict` [K] for each kind; `corners` [F]: where it names a fighter, his corner
    in each fight (NEITHER if he isn't in it)."""

    verdict: Array
    corners: Array | None = None


@dataclass(frozen=True)
class Wanted:
    """A step or filter, decided: an action will do if it suits any of the parts.

    `cost` [K]: see above. `only_punches`: nothing but a punch can suit; `some_punch`: a punch can.
    """

    parts: tuple[Part, ...]
    cost: Array
    only_punches: bool = False
    some_punch: bool = True

    @property
    def verdict(self) -> Array:
        """[K] the verdict on a kind in the hands of the fighter it suits best."""
        best: Array = np.maximum.reduce([part.verdict for part in self.parts])
        return best

    def hits(self, columns: Columns) -> int:
        """How many actions are of a kind asked for."""
        return int(columns.kind_counts[self.verdict > 0].sum())

    def judge(self, columns: Columns, rows: Array) -> Array:
        """Verdicts on these actions."""
        kind = columns.kind[rows]
        best = np.zeros(len(rows), np.uint8)
        for part in self.parts:
            verdict = part.verdict[kind]
            if part.corners is not None:
                fight = columns.fight_of[columns.exchange_of[rows]]
                verdict = verdict * (columns.corner[rows] == part.corners[fight])
            if len(self.parts) == 1:
                return verdict
            np.maximum(best, verdict, out=best)
        return best

    def rows(self, columns: Columns, within: Array | None = None) -> Array:
        """The actions asked for, ascending; `within`: only among these."""
        found = within
        if found is None:
            suits = self.verdict > 0
            mask = np.zeros(columns.actions, np.bool_)
            if self.hits(columns) * 6 < columns.actions:
                # Mark the few one by one; the mask then gives them in ascending order without sorting.
                order, starts = columns.postings
                kinds = np.flatnonzero(suits)
                mask[order[ranges(starts[kinds], starts[kinds + 1] - starts[kinds])]] = True
            else:
                np.take(suits, columns.kind, out=mask, mode="clip")
            found = np.flatnonzero(mask)
            if all(part.corners is None for part in self.parts):
                return found
        return found[self.judge(columns, found) > 0]


def corners_of(fighter: str, columns: Columns) -> Array:
    """[F] the fighter's corner in each fight, NEITHER where he isn't in it."""
    return np.array(
        [0 if f.red == fighter else 1 if f.blue == fighter else NEITHER for f in columns.fights], np.int8
    )


def decide(step: Step, columns: Columns, words: Words) -> Wanted:
    """The step with its alternatives, decided for every kind of action."""
    choices = (step, *step.alternatives)
    inexact = np.ones(len(columns.kinds), np.bool_)
    verdicts: dict[str | None, Array] = {}
    for choice in choices:
        fits = fitting_kinds(choice, columns, words)
        inexact &= ~(
            fits & (columns.of_kind("technique") == columns.tables.code("technique", choice.technique))
        )
        verdict = fits * np.uint8(MUST_ANSWER if choice.role == "counter" else FREE)
        verdicts[choice.fighter] = np.maximum(verdict, verdicts.get(choice.fighter, np.uint8(0)))
    punches = [words.is_punch(name) for choice in choices for name in words.family(choice.technique)]
    return Wanted(
        tuple(Part(v, None if name is None else corners_of(name, columns)) for name, v in verdicts.items()),
        inexact * np.int32(INEXACT_UNIT) + _DOUBT_COSTS[columns.of_kind("doubt")],
        only_punches=all(punches),
        some_punch=any(punches),
    )


def fitting_kinds(step: Step, columns: Columns, words: Words) -> Array:
    """[K] bool: kinds that have everything the step asks for, its people aside."""
    fits = any_of("technique", words.family(step.technique), columns)
    for name in ("hand", "side", "target", "direction", "stance", "place", "range"):
        value = getattr(step, name)
        if value is not None:
            fits &= any_of(name, [value], columns)
    if step.outcome is not None:
        fits &= any_of("outcome", words.outcome_family(step.outcome), columns)
    if step.role is not None:
        code = columns.tables.code("roles", step.role)
        fits &= (columns.of_kind("roles") >> max(code - 1, 0)) & int(code > 0) > 0
    return fits


def any_of(name: str, values: Collection[str], columns: Columns) -> Array:
    """[K] bool: kinds whose `name` is one of these words."""
    chosen = np.zeros(1 << 12, np.bool_)
    chosen[[code for value in values if (code := columns.tables.code(name, value)) > 0]] = True
    return chosen[columns.of_kind(name)]


def in_order(steps: Sequence[Step]) -> tuple[list[Step], list[list[Step]]]:
    """(the steps that must happen, for each place before, between and after them the steps that must not)."""
    present: list[Step] = []
    absent: list[list[Step]] = [[]]
    for step in steps:
        if step.absent:
            absent[-1].append(step)
        else:
            present.append(step)
            absent.append([])
    return present, absent
