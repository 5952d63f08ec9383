"""What a step of a pattern, or a filter, asks of an action, decided once for each kind of action."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from cliplib.core.models import Step
from cliplib.search.patterns.codes import ABSENT, SETTING, Array, Ints
from cliplib.search.patterns.columns import Columns


class Words(Protocol):
    """What matching needs to know of the vocabulary."""

    def family(self, name: str) -> Collection[str]: ...
    def is_punch(self, name: str) -> bool: ...
    def outcome_family(self, outcome: str) -> Collection[str]: ...


_KEPT = 64

ANYTHING = ""
"""A technique that every action has."""

NO, MUST_ANSWER, FREE = 0, 1, 2
"""Verdicts on an action: not asked for; asked for as a counter, so that it must answer the punch that the
pattern has for it; asked for, whatever it answers."""

# A cost is one number whose parts compare in this order: children instead of the very technique, gaps in time
# (in sixteenths of a second), doubts about the evidence. Costs of the actions of a match add up.
INEXACT_UNIT = 1 << 20
GAP_UNIT, GAP_LIMIT = 1 << 8, (1 << 12) - 1
_DOUBT_COSTS = np.array([0, 2, 2, 4, 1, 3, 3, 5], np.int32)  # by bits: no time, no outcome, outcome inferred


_MANY = 16
"""One action of so many is more than sorting is good for."""


@dataclass(frozen=True)
class Part:
    """One thing asked for. `verdict` [K] for each kind; `settings` [S] bool: where it may have happened, None
    for anywhere; `corners` [F]: where it names a fighter, his corner in each fight (ABSENT: he isn't in it).
    """

    verdict: Array
    settings: Array | None = None
    corners: Array | None = None


@dataclass(frozen=True)
class Wanted:
    """A step or filter, decided: an action will do if it suits any of the parts.

    `cost` [K]: see above. `only_punches`: nothing but a punch can suit; `some_punch`: a punch can.
    `answering`: every verdict is NO or MUST_ANSWER.
    """

    parts: tuple[Part, ...]
    cost: Array
    only_punches: bool = False
    some_punch: bool = True
    answering: bool = False

    @cached_property
    def verdict(self) -> Array:
        """[K] the best verdict on a kind, wherever it happened and whoever it is by."""
        best: Array = np.maximum.reduce([part.verdict for part in self.parts])
        return best

    @cached_property
    def chosen(self) -> Ints:
        """The kinds asked for."""
        return np.flatnonzero(self.verdict)

    def hits(self, columns: Columns) -> int:
        """How many actions are of a kind asked for."""
        return int(columns.kind_counts.take(self.chosen).sum())

    def judge(self, columns: Columns, rows: Array) -> Array:
        """Verdicts on these actions."""
        kind = columns.kind.take(rows)
        best: Array | None = None
        for part in self.parts:
            verdict = part.verdict.take(kind)
            if part.settings is not None:
                verdict = verdict * part.settings.take(columns.setting.take(rows))
            if part.corners is not None:
                fight = columns.fight_of.take(columns.exchange_of.take(rows))
                verdict = verdict * (columns.corner.take(rows) == part.corners.take(fight))
            best = verdict if best is None else np.maximum(best, verdict)
        return best if best is not None else np.zeros(len(rows), np.uint8)

    def bits(self, columns: Columns) -> np.uint32:
        """The techniques asked for, as `encode.technique_bits` has them."""
        found: np.uint32 = np.bitwise_or.reduce(columns.kind_bits.take(self.chosen))
        return found

    def rows(
        self,
        columns: Columns,
        within: Array | None = None,
        ahead: tuple[Array, np.uint32] | None = None,
    ) -> Array:
        """The actions asked for, ascending; `within`: only among these; `ahead`: only those for which the
        array [N], in the order of the postings, has one of the bits."""
        if within is not None:
            return within.take(np.flatnonzero(self.judge(columns, within) > 0))
        by_kind, place, starts = columns.postings
        places = np.sort(place.take(self.chosen))
        # Kinds that stand side by side are one slice.
        breaks = np.flatnonzero(np.diff(places) != 1) + 1
        begins = starts[places[np.concatenate([[0], breaks])]] if len(places) else places
        ends = starts[places[np.concatenate([breaks - 1, [-1]])] + 1] if len(places) else places
        spans = list(zip(begins.tolist(), ends.tolist(), strict=True))
        slices = [by_kind[i:j] for i, j in spans]
        # What the postings keep in their own order is looked at before anything is fetched from elsewhere.
        tests: list[Callable[[int, int], Array]] = []
        if ahead is not None:
            array, bits = ahead
            tests.append(lambda i, j: (array[i:j] & bits) != 0)
        settings = self.parts[0].settings
        if len(self.parts) == 1 and settings is not None:
            tests.append(lambda i, j: settings.take(columns.posted_setting[i:j]))
        if tests:
            kept = [np.logical_and.reduce([test(i, j) for test in tests]) for i, j in spans]
            slices = [rows.take(np.flatnonzero(some)) for rows, some in zip(slices, kept, strict=True)]
        rows = slices[0] if len(slices) == 1 else np.concatenate([by_kind[:0], *slices])
        if (len(self.parts) > 1 and any(p.settings is not None for p in self.parts)) or any(
            p.corners is not None for p in self.parts
        ):
            rows = rows.take(np.flatnonzero(self.judge(columns, rows) > 0))
        if len(rows) < columns.actions // _MANY:
            return np.sort(rows)
        there = np.zeros(columns.actions, np.bool_)  # of many, marking them all is quicker than sorting
        there[rows] = True
        return np.flatnonzero(there).astype(rows.dtype, copy=False)

    def narrowed(self, other: Wanted) -> Wanted:
        """What suits both; verdicts are this one's. `other` has a single part."""
        (also,) = other.parts
        parts = []
        for part in self.parts:
            settings, corners = part.settings, part.corners
            if also.settings is not None:
                settings = also.settings if settings is None else settings & also.settings
            if also.corners is not None:
                both = also.corners if corners is None else np.where(corners == also.corners, corners, ABSENT)
                corners = both.astype(np.int8)
            parts.append(Part(part.verdict * (also.verdict > 0), settings, corners))
        return replace(self, parts=tuple(parts))


def corners_of(fighter: str, columns: Columns) -> Array:
    """[F] the fighter's corner in each fight, ABSENT where he isn't in it."""
    return np.array(
        [0 if f.red == fighter else 1 if f.blue == fighter else ABSENT for f in columns.fights], np.int8
    )


def decide(step: Step, columns: Columns, words: Words) -> Wanted:
    """The step with its alternatives, decided for every kind of action. Kept beside the columns, since the
    same few steps are asked for again and again."""
    decided: dict[tuple[Words, Step], Wanted] = columns.derived.setdefault("decided", {})
    wanted = decided.get((words, step))
    if wanted is None:
        if len(decided) >= _KEPT:
            decided.clear()
        wanted = decided[words, step] = _decide(step, columns, words)
    return wanted


def decide_punches(columns: Columns, words: Words) -> Array:
    """[K] bool: kinds that are punches; kept as well."""
    decided: dict[Words, Array] = columns.derived.setdefault("punches", {})
    if words not in decided:
        codes = np.array([False, *(words.is_punch(w) for w in columns.words["technique"])], np.bool_)
        decided[words] = codes[columns.of_kind("technique")]
    return decided[words]


def _decide(step: Step, columns: Columns, words: Words) -> Wanted:
    choices = [way for choice in (step, *step.alternatives) for way in _sideways(choice, words)]
    inexact = np.ones(len(columns.kinds), np.bool_)
    groups: dict[tuple[str | None, ...], Array] = {}
    for choice in choices:
        fits = fitting_kinds(choice, columns, words)
        inexact &= ~(
            fits & (columns.of_kind("technique") == columns.tables.code("technique", choice.technique))
        )
        verdict = fits * np.uint8(MUST_ANSWER if choice.role == "counter" else FREE)
        group = (choice.fighter, *(getattr(choice, name) for name in SETTING))
        groups[group] = np.maximum(verdict, groups.get(group, np.uint8(0)))
    punches = [words.is_punch(name) for choice in choices for name in words.family(choice.technique)]
    parts = []
    for (fighter, *setting), verdict in groups.items():
        where: Array | None = None
        for name, value in zip(SETTING, setting, strict=True):
            if value is not None:
                there = any_of(name, [value], columns)
                where = there if where is None else where & there
        parts.append(Part(verdict, where, None if fighter is None else corners_of(fighter, columns)))
    return Wanted(
        tuple(parts),
        inexact * np.int32(INEXACT_UNIT) + _DOUBT_COSTS[columns.of_kind("doubt")],
        only_punches=all(punches),
        some_punch=any(punches),
        answering=all(choice.role == "counter" for choice in choices),
    )


def _sideways(step: Step, words: Words) -> tuple[Step, ...]:
    """A slip logged as "left" is kept as inside or outside, with left as its side."""
    if step.direction not in ("left", "right") or words.is_punch(step.technique):
        return (step,)
    if step.side not in (None, step.direction):
        return (step,)
    return step, replace(step, direction=None, side=step.direction)


def fitting_kinds(step: Step, columns: Columns, words: Words) -> Array:
    """[K] bool: kinds that have all that the step asks for, but for its people and where it happened."""
    if step.technique == ANYTHING:
        fits = np.ones(len(columns.kinds), np.bool_)
    else:
        fits = any_of("technique", words.family(step.technique), columns)
    for name in ("hand", "side", "target", "stance"):
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
    """[K] bool (of SETTING, [S]): kinds or settings whose `name` is one of these words."""
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
