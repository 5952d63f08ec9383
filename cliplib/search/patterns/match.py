"""Matching a sequence of steps against the columns. The rules, exactly:

A *match* gives each step that must happen an action of one exchange, in ascending order of their places, so
that an action serves one step at most. It holds when

1. each action has what its step, or one of the step's alternatives, asks for; a technique stands for its
   whole family, and so does an outcome (landed includes knockdown and hurt);
2. steps with one number (`by`) are the same person's, steps with different numbers different people's;
3. the time from the action before is at most the step's `within_us`, or else the library's step window; where
   either time is unknown, order alone decides (a round clock is a time);
4. between the action before and this one its fighter throws no other punch;
5. an action taken as a counter answers the very punch the pattern has for it: the one matched by the latest
   earlier step of the other person that asks for a punch, provided that a punch was matched there;
6. no step that must not happen occurs. Such a step occurs as an action by its person that has what it asks
   for and lies
     - after the match's last action, no later than `within_us` or the step window, if the step comes last;
     - between the two actions, no later than `within_us`, if given, after the first, if it stands between
       steps;
     - before the first action, no earlier than `within_us` or the naked window, if it comes first;
   unknown times again leave it to order; asked for as a counter it must answer the punch of rule 5 (the steps
   that must happen before its place count).

Found by layers: a layer holds, for one step, the actions that end a beginning of a match, and edges say
which of the layer before they continue. Going back over the edges leaves the actions that are part of a
whole match, so counting needs no list of matches, however many there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from cliplib.core.errors import InputError
from cliplib.core.models import Settings, Step
from cliplib.search.patterns.codes import ABSENT, Array, folded, ranges
from cliplib.search.patterns.columns import Columns
from cliplib.search.patterns.layers import Layer, Matches, merge
from cliplib.search.patterns.steps import (
    ANYTHING,
    GAP_LIMIT,
    GAP_UNIT,
    MUST_ANSWER,
    Wanted,
    Words,
    decide,
    decide_punches,
    in_order,
)
from cliplib.search.patterns.where import Limits

TICK_US = 62_500
_MERGE_FROM, _MERGE_GROWTH = 4096, 2
"""A layer of so many actions, and of so many times the first's, is worth merging."""

_RARE = 16
"""A step so many times as rare as the first decides where to look at all."""


class Pattern:
    """Steps and filters decided for one state of the archive; `match` runs them. No steps: any action."""

    def __init__(
        self, steps: Sequence[Step], columns: Columns, words: Words, settings: Settings, limits: Limits
    ):
        self.columns, self.settings, self.limits = columns, settings, limits
        self.steps, absent = in_order(steps or (Step(ANYTHING),))
        if not self.steps:
            raise InputError("the phrase says only what must not happen; say what has to happen as well")
        self.wanted = [decide(step, columns, words) for step in self.steps]
        if len(self.steps) == 1:
            # What some action of a match must suit, its only one must.
            for filtered in limits.some:
                self.wanted[0] = self.wanted[0].narrowed(filtered)
            self.limits = limits = replace(limits, some=[])
        self.absent = [[(step, decide(step, columns, words)) for step in some] for some in absent]
        self.is_punch = decide_punches(columns, words)
        punches = [i for i, wanted in enumerate(self.wanted) if wanted.only_punches]
        own = [i for i in punches if self.steps[i].by == self.steps[-1].by]
        self.result = max(own or punches, default=None)
        """The step whose outcome and doer are the pattern's: the last punch of whoever ends it, else the last
        one; None if no step asks for just a punch."""
        self.answers_step = [self.answered(i, step.by) for i, step in enumerate(self.steps)]
        # Which steps' actions have to be remembered, and up to which place.
        self.kept_until: dict[int, int] = {}
        for place, some in enumerate(self.absent):
            later = [step for step, _ in some] + self.steps[place : place + 1]
            for answered in (self.answered(place, step.by) for step in later):
                if answered is not None:
                    self.kept_until[answered] = place

    def answered(self, place: int, by: int) -> int | None:
        """Rule 5: the step whose punch a counter by `by` at this place must answer."""
        for i in range(place - 1, -1, -1):
            if self.steps[i].by != by and self.wanted[i].some_punch:
                return i
        return None

    def match(self) -> Matches:
        """The matches."""
        layers = [self._begin()]
        for i in range(1, len(self.steps)):
            if not len(layers[-1].row):
                none = layers[-1].row
                return Matches(self.columns, layers[-1:], none, none, layers[-1].cost, None)
            layers.append(self._continue(layers[-1], i))
            many = max(_MERGE_FROM, _MERGE_GROWTH * len(layers[0].row))
            if i + 1 < len(self.steps) and len(layers[-1].row) > many:
                merge(layers[-1])
        last = layers[-1]
        self._drop_followed(last, len(self.steps))
        if last.seen is not None:
            last.alive = last.seen == (1 << len(self.limits.some)) - 1
        return self._summed(layers)

    def _summed(self, layers: list[Layer]) -> Matches:
        """The exchanges of the last layer's living nodes, each with its cheapest match."""
        last, columns = layers[-1], self.columns
        alive = None if last.alive is None else np.flatnonzero(last.alive)
        cost, rows = (last.cost, last.row) if alive is None else (last.cost.take(alive), last.row.take(alive))
        # A later layer's actions may change places within their exchange, never with another's.
        exchange = columns.exchange_of.take(rows)
        others = np.flatnonzero(exchange[1:] != exchange[:-1])
        begins = np.zeros(min(len(rows), len(others) + 1), np.int64)
        np.add(others, 1, out=begins[1:])
        cost = folded(np.minimum, cost, begins)
        return Matches(columns, layers, exchange.take(begins), begins, cost, self.result)

    # --- the first step -----------------------------------------------------------------------------------

    def _begin(self) -> Layer:
        columns, wanted = self.columns, self.wanted[0]
        allowed = self._worth_a_look()
        exchanges = None if allowed is None else self._if_few(allowed)
        if exchanges is not None:
            starts = columns.first_action
            row = wanted.rows(columns, ranges(starts[exchanges], starts[exchanges + 1] - starts[exchanges]))
        else:
            several = len(self.steps) > 1
            ahead = (columns.posted_ahead[not self.same(1)], self._bits(1)) if several else None
            row = wanted.rows(columns, ahead=ahead)
            rarest = int(np.argmin(self.hits))
            if allowed is not None:
                row = row.take(np.flatnonzero(allowed.take(columns.exchange_of.take(row))))
            elif rarest > 1 and self.hits[rarest] < len(row):
                row = row.take(np.flatnonzero(self._where(rarest).take(columns.exchange_of.take(row))))
        seen = np.zeros(len(row), np.int32) if self.limits.some else None
        layer = Layer(row, row[:0], None, seen, wanted.cost.take(columns.kind.take(row)))
        self._check_people(layer)
        self._note(layer, 0)
        self._drop_preceded(layer)
        return layer

    @cached_property
    def hits(self) -> list[int]:
        """How many actions each step may have, whatever went before."""
        return [wanted.hits(self.columns) for wanted in self.wanted]

    def _worth_a_look(self) -> Array | None:
        """[E] bool: exchanges that may have a match, as far as is easily told; None for any."""
        allowed, rarest = self.limits.exchanges, int(np.argmin(self.hits))
        if not self.hits[rarest]:
            return np.zeros(self.columns.exchanges, np.bool_)
        if rarest and self.hits[rarest] * _RARE < self.hits[0]:
            # Begin where the rarest step can happen: most exchanges need no look at the others.
            there = self._where(rarest)
            return there if allowed is None else there & allowed
        return allowed

    def _where(self, i: int) -> Array:
        """[E] bool: exchanges in which the step can happen."""
        there = np.zeros(self.columns.exchanges, np.bool_)
        there[self.columns.exchange_of.take(self.wanted[i].rows(self.columns))] = True
        return there

    def same(self, i: int) -> bool:
        return self.steps[i].by == self.steps[i - 1].by

    def _bits(self, i: int) -> np.uint32:
        return self.wanted[i].bits(self.columns)

    def _if_few(self, allowed: Array) -> Array | None:
        """The allowed exchanges, if it pays to look at their actions only."""
        return np.flatnonzero(allowed) if np.count_nonzero(allowed) * 4 < self.columns.exchanges else None

    def beginner(self) -> Array | None:
        """[F] the corner of whoever begins a match in each fight (ABSENT: nobody may); None for any."""
        person1 = self.limits.person1
        if person1 is None or self.steps[0].by == 1:
            return person1
        return np.array([1, 0, ABSENT], np.int8)[person1]

    def beginning_kinds(self) -> Array | None:
        """[K] bool: kinds of actions that may begin a match, as the stances of both go; None for any."""
        columns, limits, by = self.columns, self.limits, self.steps[0].by
        if limits.opponent_stance is None and limits.same_stances is None:
            return None
        own, other = columns.of_kind("stance"), columns.of_kind("opponent_stance")
        fine = np.ones(len(columns.kinds), np.bool_)
        if limits.opponent_stance is not None:
            fine &= (other if by == 1 else own) == limits.opponent_stance
        if limits.same_stances is not None:
            fine &= (own > 0) & (other > 0) & ((own == other) == limits.same_stances)
        return fine

    def _check_people(self, layer: Layer) -> None:
        columns, beginner, kinds = self.columns, self.beginner(), self.beginning_kinds()
        if beginner is not None:
            fights = columns.fight_of[columns.exchange_of[layer.row]]
            layer.take(columns.corner[layer.row] == beginner[fights])
        if kinds is not None:
            layer.take(kinds[columns.kind[layer.row]])

    def _note(self, layer: Layer, i: int) -> None:
        """Remember which filters these actions suit, and the actions that a later counter must answer."""
        for bit, some in enumerate(self.limits.some):
            if bit in self.limits.of_result and self.result not in (None, i):
                continue
            assert layer.seen is not None
            layer.seen |= (some.judge(self.columns, layer.row) > 0).astype(np.int32) << bit
        layer.kept = {step: rows for step, rows in layer.kept.items() if self.kept_until[step] > i}
        if i in self.kept_until:
            layer.kept[i] = layer.row

    # --- the steps that follow ----------------------------------------------------------------------------

    def _continue(self, before: Layer, i: int) -> Layer:
        columns, step, wanted, same = self.columns, self.steps[i], self.wanted[i], self.same(i)
        ahead = columns.ahead_own if same else columns.ahead_other
        start = np.flatnonzero((ahead.take(before.row) & self._bits(i)) != 0)
        before_row = before.row if len(start) == len(before.row) else before.row.take(start)
        to_punch = (columns.next_own if same else columns.next_other).take(before_row)
        if wanted.only_punches:
            # Rule 4 leaves a single choice: the fighter's next punch.
            parent, row = _only(to_punch > 0, start, before_row + to_punch)
            verdict = wanted.judge(columns, row)
            parent, row, verdict = _only(verdict > 0, parent, row, verdict)
        else:
            left = columns.first_action.take(columns.exchange_of.take(before_row) + 1) - before_row - 1
            parent, row, verdict = self._walk(wanted, before_row, np.where(to_punch > 0, to_punch, left))
            parent, row, verdict = _only(self._by(before_row.take(parent), row, same), parent, row, verdict)
            parent = start.take(parent)
        window = self.settings.step_window_us if step.within_us is None else step.within_us
        gap = self._gap(before.row.take(parent), row)
        parent, row, verdict, gap = _only(gap <= window, parent, row, verdict, gap)
        answered = self.answers_step[i]
        if answered is not None and (verdict == MUST_ANSWER).any():
            fine = (verdict != MUST_ANSWER) | self._answers(row, before.kept[answered].take(parent))
            parent, row, gap = _only(fine, parent, row, gap)
        most = GAP_LIMIT // max(1, len(self.steps) - 1)
        ticks = np.minimum(np.where(gap < 0, window, gap) // TICK_US, most).astype(np.int32)
        layer = Layer(
            row,
            parent,
            None,
            None if before.seen is None else before.seen.take(parent),
            before.cost.take(parent) + wanted.cost.take(columns.kind.take(row)) + ticks * np.int32(GAP_UNIT),
            {j: rows.take(parent) for j, rows in before.kept.items()},
        )
        for absent, unwanted in self.absent[i]:
            since, until = before.row[layer.parent], layer.row
            within = self.absent_window(absent, i)
            layer.take(~self._occurs(absent, unwanted, i, layer, since, until, within))
        self._note(layer, i)
        return layer

    def _walk(self, wanted: Wanted, row: Array, reach: Array) -> tuple[Array, Array, Array]:
        """Going on from each of `row` over at most `reach` actions, those that are asked for:
        (index into `row`, the action, the verdict on it), by the action."""
        found = []
        walking, distance = np.flatnonzero(reach > 0), 1
        while len(walking):
            at = row.take(walking) + distance
            verdict = wanted.judge(self.columns, at)
            hit = np.flatnonzero(verdict > 0)
            found.append((walking.take(hit), at.take(hit), verdict.take(hit)))
            walking, distance = walking.take(np.flatnonzero(reach.take(walking) > distance)), distance + 1
        if not found:
            return row[:0], row[:0], np.zeros(0, np.uint8)
        walked, at, verdict = (np.concatenate(part) for part in zip(*found, strict=True))
        order = _order(at)
        return walked.take(order), at.take(order), verdict.take(order)

    def _by(self, earlier: Array, later: Array, same: bool) -> Array:
        """Whether `later` is by the same person as `earlier`, or by his opponent."""
        a, b = self.columns.corner.take(earlier), self.columns.corner.take(later)
        fits: Array = a == b if same else (a ^ b) == 1
        return fits

    def _gap(self, earlier: Array, later: Array) -> Array:
        """Microseconds between (0 if the later has the earlier time), -1 where either time is unknown."""
        a, b = self.columns.since.take(earlier), self.columns.since.take(later)
        gap: Array = np.maximum(b - a, 0)
        unknown = np.flatnonzero((a | b) < 0)  # the sign bit of either, since UNKNOWN_TIME is -1
        gap[unknown] = -1
        return gap

    def _answers(self, row: Array, punch: Array) -> Array:
        """Rule 5, for actions taken as counters: they answer `punch`, or it is no punch at all."""
        columns = self.columns
        distance = columns.answers[row]
        fine: Array = ((distance > 0) & (row - distance == punch)) | ~self.is_punch[columns.kind[punch]]
        return fine

    # --- what must not happen -----------------------------------------------------------------------------

    def absent_window(self, absent: Step, place: int) -> int | None:
        """Rule 6: how far from the matched action it must not happen; None for any distance in time."""
        if absent.within_us is not None or 0 < place < len(self.steps):
            return absent.within_us
        return self.settings.step_window_us if place else self.settings.naked_window_us

    def _drop_preceded(self, layer: Layer) -> None:
        starts = self.columns.first_action
        for step, unwanted in self.absent[0]:
            since = starts[self.columns.exchange_of[layer.row]] - 1
            window = self.absent_window(step, 0)
            layer.take(~self._occurs(step, unwanted, 0, layer, since, layer.row, window))

    def _drop_followed(self, layer: Layer, place: int) -> None:
        ends = self.columns.first_action
        for step, unwanted in self.absent[place]:
            until = ends[self.columns.exchange_of[layer.row] + 1]
            window = self.absent_window(step, place)
            layer.take(~self._occurs(step, unwanted, place, layer, layer.row, until, window))

    def _just_punched(self, answered: int | None, place: int) -> bool:
        """Whether the punch to answer is the last matched action, and a punch for certain."""
        return answered == place - 1 and self.wanted[answered].only_punches

    def _occurs(
        self,
        step: Step,
        unwanted: Wanted,
        place: int,
        layer: Layer,
        since: Array,
        until: Array,
        window: int | None,
    ) -> Array:
        """For each node whether the unwanted step happens strictly between the actions `since` and `until`.

        Times are taken from the matched action: the later one at the beginning, else the earlier one.
        """
        columns = self.columns
        same = step.by == self.steps[max(place - 1, 0)].by
        happens = np.zeros(len(layer.row), np.bool_)
        answered = self.answered(place, step.by)
        some = np.arange(len(layer.row))
        if len(some) > columns.exchanges >> 5:
            row = unwanted.rows(columns)
            if unwanted.answering and place == len(self.steps) and self._just_punched(answered, place):
                # "not countered": each counter names the one action that it rules out.
                row = row[columns.answers[row] > 0]
                punch = row - columns.answers[row]
                fine = self._by(punch, row, same) & (window is None or self._gap(punch, row) <= window)
                ruled_out = np.zeros(columns.actions, np.bool_)
                ruled_out[punch[fine]] = True
                return ruled_out[layer.row]
            # Only where it can happen at all.
            there = np.zeros(columns.exchanges, np.bool_)
            there[columns.exchange_of[row]] = True
            some = np.flatnonzero(there.take(columns.exchange_of.take(layer.row)))
        reach = until[some] - since[some] - 1
        found, row, verdict = self._walk(unwanted, since[some], reach)
        node = some[found]
        matched = (since if place else until)[node]
        node, row, verdict, matched = _only(self._by(matched, row, same), node, row, verdict, matched)
        if window is not None:
            gap = self._gap(matched, row) if place else self._gap(row, matched)
            node, row, verdict = _only(gap <= window, node, row, verdict)
        if answered is not None:
            fine = (verdict != MUST_ANSWER) | self._answers(row, layer.kept[answered][node])
            node = node[fine]
        happens[node] = True
        return happens


def _only(which: Array, *arrays: Array) -> tuple[Array, ...]:
    places = np.flatnonzero(which)
    return arrays if len(places) == len(which) else tuple(a.take(places) for a in arrays)


def _order(values: Array) -> Array:
    """What sorts them, ties as they stand; sorting plain numbers is faster than a stable sort of places."""
    ordered: Array = np.sort(values.astype(np.int64) << 32 | np.arange(len(values))) & 0xFFFFFFFF
    return ordered
