"""What answers what.

An attack is *answered* by the first thing that the opponent does next and the first punch that comes with it,
both before the attacker's next punch. It is *beaten* when it did not land and that punch did. A defence is
*caught* by the punch that it was tried against, when that lands, or by the attacker's next punch, when that
lands before the defender throws one. Times, where they are known, keep all of this within the window.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from cliplib.search.patterns import UNKNOWN, Columns
from cliplib.search.patterns.codes import Array, Ints
from cliplib.stats.proportions import Interval

from .near import far, gap, punch_before
from .spread import ALONE, Spread, spreads
from .tries import CATEGORIES, LANDED, OTHER, Behind, Outcomes, Tries, categories, known

_C = len(CATEGORIES)


@dataclass(frozen=True, slots=True)
class AnswerRow:
    """One way to answer an attack. `response`: what the opponent did first, and the punch he threw with it;
    `stances`: open, closed, unknown or any. `attack_landed` of `attack_known`: how the attack went when it
    was answered so. `punch_landed` of `punch_known`: how the answering punch went. `beaten`: the attack did
    not land and the punch did; of `beaten_known`, where both outcomes are known or there was no punch.
    `behind`: the attacks, of each number."""

    response: str
    stances: str
    times: int
    attack_landed: int
    attack_known: int
    punch_landed: int
    punch_known: int
    beaten: int
    beaten_known: int
    behind: Behind = field(repr=False)
    spread: Spread = ALONE

    @property
    def beaten_rate(self) -> Interval | None:
        return self.spread.interval(self.beaten, self.beaten_known)

    @property
    def tries(self) -> Tries:
        """The attacks that were answered so."""
        return self.behind.of("times")


@dataclass(frozen=True, slots=True)
class Answers:
    tries: Tries
    rows: tuple[AnswerRow, ...]


_ATTACK, _PUNCH = np.divmod(np.arange(_C * _C), _C)
"""An answer's cells: what became of the attack, times what became of the punch (OTHER for no punch)."""


def _parts(counts: Array) -> dict[str, Array]:
    """The cells that each number of an answer counts, by how many there are in each cell."""
    attack = known(np.bincount(_ATTACK, counts, _C)).stop > _ATTACK
    punch = known(np.bincount(_PUNCH, counts, _C)).stop > _PUNCH
    both = attack & (punch | (_PUNCH == OTHER))
    return {
        "times": _ATTACK >= 0,
        "attack_landed": _ATTACK == LANDED,
        "attack_known": attack,
        "punch_landed": _PUNCH == LANDED,
        "punch_known": punch,
        "beaten": both & (_ATTACK != LANDED) & (_PUNCH == LANDED),
        "beaten_known": both,
    }


def _actions(columns: Columns, words: Outcomes, punch: Array) -> tuple[Array, tuple[str, ...]]:
    """([K] a code of what a kind of action is called as an answer, from 1; the names): a punch with its hand,
    where its name does not say it, and with its target where that is the body (common practice)."""
    technique, hand, target = (columns.of_kind(name) for name in ("technique", "hand", "target"))
    names: dict[str, int] = {}
    code = np.zeros(len(columns.kinds), np.int64)
    for i in range(len(code)):
        said = columns.words["technique"][technique[i] - 1] if technique[i] else UNKNOWN
        if punch[i]:
            own = columns.words["hand"][hand[i] - 1] if hand[i] and words.hand(said) is None else ""
            body = target[i] and columns.words["target"][target[i] - 1] == "body"
            said = f"{own} {said}{' to the body' if body else ''}".strip()
        code[i] = names.setdefault(said, len(names) + 1)
    return code, tuple(names)


def answers(tries: Tries, window_us: int, *, stances: bool = True) -> Answers:
    """How the attacks were answered, by response and (if asked for) stance match; the most frequent first."""
    columns, rows = tries.columns, tries.rows
    of_kind = categories(columns, tries.outcomes).astype(np.int64)
    action, words = _actions(columns, tries.outcomes, of_kind != OTHER)
    again = tries.next_punch(own=True)
    again[again <= 0] = np.iinfo(np.int32).max
    first = far(tries, own=False).astype(np.int32)
    thrown = tries.next_punch(own=False)
    begin, answered, punched = (columns.since[rows + on] for on in (0, first, np.maximum(thrown, 0)))
    first_there = (first > 0) & (first < again) & (gap(begin, answered) <= window_us)
    # The window runs from the response to the punch, as it runs from the attack to the response.
    later = first < thrown
    thrown_there = first_there & (thrown > 0) & (thrown < again)
    thrown_there &= gap(np.where(later, answered, begin), punched) <= window_us
    match, match_words = tries.match_of_kind()
    if not stances:
        match = np.zeros_like(match)
    room = len(words) + 1
    cells = _C * _C
    # What the attack, the response and the punch add to the number of the cell.
    cell = (match * room * room * cells)[tries.kind] + tries.category().astype(np.int64) * _C
    cell += np.where(first_there, (action * room * cells)[columns.kind[rows + first]], 0)
    kind = columns.kind[rows + np.maximum(thrown, 0)]
    cell += np.where(thrown_there, of_kind[kind], OTHER)
    cell += np.where(thrown_there & later, (action * cells)[kind], 0)
    used, cell, counts = _counted(cell, len(match_words) * room * room * cells, cells)
    of_part = [_parts(one) for one in counts]
    spread = _spreads(tries, cell, cells, of_part) if of_part else []
    found = []
    for place, key in enumerate(used):
        match_code, one, two = key // (room * room), key // room % room, key % room
        said = words[one - 1] if one else "no answer"
        if two:
            said += f", then {words[two - 1]}"
        parts = {name: np.flatnonzero(part) + place * cells for name, part in of_part[place].items()}
        found.append(
            AnswerRow(
                response=said,
                stances=match_words[match_code] if stances else "any",
                **{name: int(counts[place, part].sum()) for name, part in of_part[place].items()},
                behind=Behind(tries, cell, parts),
                spread=spread[place],
            )
        )
    return Answers(tries, tuple(sorted(found, key=lambda r: (-r.times, r.response, r.stances))))


def _spreads(tries: Tries, cell: Ints, cells: int, of_part: Sequence[Mapping[str, Array]]) -> list[Spread]:
    """Of being beaten, between fights, of each answer."""
    beaten, of = (
        np.concatenate([part[name] for part in of_part])[cell] for name in ("beaten", "beaten_known")
    )
    return spreads(cell // cells, len(of_part), tries.fight, beaten, of)


_DENSE = 1 << 22


def _counted(cell: Ints, room: int, cells: int) -> tuple[list[int], Array, Array]:
    """Cells by groups of `cells`: (the groups there are, each try's cell with groups numbered by that,
    [groups, cells] counts)."""
    if room > _DENSE:
        used, at = np.unique(cell // cells, return_inverse=True)
        cell = at * cells + cell % cells
        return used.tolist(), cell, np.bincount(cell, minlength=len(used) * cells).reshape(-1, cells)
    counts = np.bincount(cell, minlength=room).reshape(-1, cells)
    groups = np.flatnonzero(counts.sum(axis=1))
    new = np.zeros(len(counts), np.int32)
    new[groups] = np.arange(len(groups))
    renumber = (new[:, np.newaxis] * cells + np.arange(cells, dtype=np.int32)).ravel()
    return groups.tolist(), renumber[cell], counts[groups]


# --- what catches a defence -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CaughtRow:
    """What a defence is caught by. `against`: the punch it was tried against landed `against_landed` of
    `against_known` times; `next_landed` of `next_known`: the attacker's next punch, of that name, before the
    defender threw one. `before`, `after`: the tries behind the numbers of the one and the other."""

    attack: str
    against: int
    against_landed: int
    against_known: int
    next: int
    next_landed: int
    next_known: int
    before: Behind = field(repr=False)
    after: Behind = field(repr=False)
    against_spread: Spread = ALONE
    next_spread: Spread = ALONE

    @property
    def against_rate(self) -> Interval | None:
        """How often it landed against the defence, of what is known."""
        return self.against_spread.interval(self.against_landed, self.against_known)

    @property
    def next_rate(self) -> Interval | None:
        """How often it landed as what came next, of what is known."""
        return self.next_spread.interval(self.next_landed, self.next_known)

    @property
    def caught(self) -> int:
        return self.against_landed + self.next_landed

    @property
    def tries(self) -> Tries:
        """Those against which, or after which, the attack landed."""
        return self.before.tries.some(self.before.which("landed") | self.after.which("landed"))


def caught(tries: Tries, is_punch: Callable[[str], bool], window_us: int) -> tuple[CaughtRow, ...]:
    """Which attacks a defence is caught by: what it was tried against and what came next, by technique."""
    columns, rows = tries.columns, tries.rows
    words = columns.words["technique"]
    technique = columns.of_kind("technique").astype(np.int32)
    punch = np.array([False, *map(is_punch, words)], np.bool_)
    back = punch_before(columns, punch[technique])[rows].astype(np.int32)
    begin = columns.since[rows]
    before_there = (back > 0) & (gap(columns.since[rows - back], begin) <= window_us)
    after = columns.next_other[rows].astype(np.int32)
    own = columns.next_own[rows]
    after_there = (after > 0) & ((own <= 0) | (after < own))
    after = np.maximum(after, 0)
    after_there &= gap(begin, columns.since[rows + after]) <= window_us
    of_kind = technique * _C + categories(columns, tries.outcomes)
    cells, counts, withins, apart = [], [], [], []
    for there, at in ((before_there, rows - back), (after_there, rows + after)):
        cell = np.where(there, of_kind[columns.kind[at]], 0)
        cells.append(cell)
        of_cell = np.bincount(cell, minlength=(len(words) + 1) * _C).reshape(-1, _C)
        within = [known(one) for one in of_cell]
        known_of = np.array([one[some].sum() for one, some in zip(of_cell, within, strict=True)])
        counts.append([of_cell.sum(axis=1), of_cell[:, LANDED], known_of])
        withins.append(within)
        went, group = cell % _C, cell // _C
        stops = np.array([one.stop for one in within])
        of = there & (went < stops[group])
        apart.append(spreads(group, len(within), tries.fight, went == LANDED, of))
    found = []
    for code in (np.flatnonzero((counts[0][0] + counts[1][0])[1:]) + 1).tolist():
        if not punch[code]:
            continue
        first = code * _C
        parts = [
            {
                "times": range(first, first + _C),
                "landed": range(first + LANDED, first + LANDED + 1),
                "known": range(first + LANDED, first + within[code].stop),
            }
            for within in withins
        ]
        a, b, c, d, e, f = (int(some[code]) for side in counts for some in side)
        before, later = (Behind(tries, *one) for one in zip(cells, parts, strict=True))
        spread1, spread2 = (some[code] for some in apart)
        found.append(CaughtRow(words[code - 1], a, b, c, d, e, f, before, later, spread1, spread2))
    return tuple(sorted(found, key=lambda r: (-r.caught, -(r.against + r.next), r.attack)))
