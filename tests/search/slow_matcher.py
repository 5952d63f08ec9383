"""The rules of matching (cliplib/search/patterns/match.py) once more, in the most obvious way: try everything.

Works on the models, an exchange at a time, and shares no code with the fast matcher. For tests only.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from cliplib.core.models import Action, Exchange, FightInfo, Settings, Step, Where
from cliplib.core.periods import Moment
from cliplib.vocabulary import Vocabulary


@dataclass(frozen=True)
class Bout:
    """A fight with its exchanges; `second[i]` marks exchange i as a second opinion."""

    info: FightInfo
    exchanges: tuple[Exchange, ...]
    second: tuple[bool, ...]
    ids: tuple[int, ...]


def stance_of(action: Action, fight: FightInfo) -> str | None:
    return action.stance or (fight.stance_of(action.fighter) if action.fighter in fight.fighters else None)


def opponent_of(fighter: str | None, fight: FightInfo) -> str | None:
    return fight.opponent_of(fighter) if fighter in fight.fighters else None


def opponents_stance(actions: Sequence[Action], at: int, fight: FightInfo) -> str | None:
    opponent = opponent_of(actions[at].fighter, fight)
    if opponent is None:
        return None
    nearby = [*reversed(actions[:at]), *actions[at + 1 :]]
    for action in nearby:
        if action.fighter == opponent and stance_of(action, fight):
            return stance_of(action, fight)
    return fight.stance_of(opponent)


def suits(action: Action, step: Step, fight: FightInfo, vocabulary: Vocabulary) -> bool:
    return (
        vocabulary.is_a(action.technique, step.technique)
        and (step.fighter is None or action.fighter == step.fighter)
        and (step.stance is None or stance_of(action, fight) == step.stance)
        and (step.outcome is None or action.outcome in vocabulary.outcome_family(step.outcome))
        and (step.role is None or step.role in action.roles)
        and all(
            getattr(step, name) in (None, getattr(action, name))
            for name in ("hand", "side", "target", "place", "range")
        )
        and _direction_fits(action, step, vocabulary)
    )


def _direction_fits(action: Action, step: Step, vocabulary: Vocabulary) -> bool:
    """A slip logged as "left" is kept as inside or outside, with left as its side."""
    if step.direction in (None, action.direction):
        return True
    sideways = step.direction in ("left", "right") and not vocabulary.is_punch(step.technique)
    return sideways and action.side == step.direction and step.side in (None, step.direction)


def ways(action: Action, step: Step, fight: FightInfo, vocabulary: Vocabulary) -> list[Step]:
    """The step and alternatives that the action suits."""
    return [s for s in (step, *step.alternatives) if suits(action, s, fight, vocabulary)]


def in_time(earlier: Action, later: Action, window: int | None) -> bool:
    if window is None or earlier.time_us is None or later.time_us is None:
        return True
    return later.time_us - earlier.time_us <= window


def can_be_punch(step: Step, vocabulary: Vocabulary) -> bool:
    return any(
        vocabulary.is_punch(name)
        for s in (step, *step.alternatives)
        for name in vocabulary.family(s.technique)
    )


def taken_rightly(
    at: int,
    step: Step,
    earlier: Sequence[tuple[Step, int]],
    actions: Sequence[Action],
    fight: FightInfo,
    vocabulary: Vocabulary,
) -> bool:
    """Whether action `at` suits the step in a way that rule 5 allows."""
    fitting = ways(actions[at], step, fight, vocabulary)
    if any(s.role != "counter" for s in fitting):
        return True
    for other, place in reversed(earlier):
        if other.by != step.by and can_be_punch(other, vocabulary):
            is_punch = vocabulary.is_punch(actions[place].technique)
            return bool(fitting) and (not is_punch or actions[at].answers == place)
    return bool(fitting)


def same_side(a: Action, b: Action, same: bool, fight: FightInfo) -> bool:
    if same:
        return a.fighter == b.fighter or (a.fighter not in fight.fighters and b.fighter not in fight.fighters)
    return a.fighter is not None and opponent_of(a.fighter, fight) == b.fighter


def matches(
    steps: Sequence[Step], exchange: Exchange, fight: FightInfo, settings: Settings, vocabulary: Vocabulary
) -> list[tuple[int, ...]]:
    """Every match in an exchange, in order."""
    present = [s for s in steps if not s.absent]
    actions = exchange.actions
    return [
        places
        for places in itertools.combinations(range(len(actions)), len(present))
        if _holds(steps, present, places, actions, fight, settings, vocabulary)
    ]


def _holds(
    steps: Sequence[Step],
    present: Sequence[Step],
    places: Sequence[int],
    actions: Sequence[Action],
    fight: FightInfo,
    settings: Settings,
    vocabulary: Vocabulary,
) -> bool:
    matched = list(zip(present, places, strict=True))
    for i, (step, place) in enumerate(matched):
        if not taken_rightly(place, step, matched[:i], actions, fight, vocabulary):
            return False
        if i:
            before_step, before = matched[i - 1]
            window = settings.step_window_us if step.within_us is None else step.within_us
            if not in_time(actions[before], actions[place], window):
                return False
            if not same_side(actions[before], actions[place], step.by == before_step.by, fight):
                return False
            for between in actions[before + 1 : place]:
                if same_side(actions[place], between, True, fight) and vocabulary.is_punch(between.technique):
                    return False
    done = 0
    for step in steps:
        if not step.absent:
            done += 1
            continue
        if _occurs(step, matched[:done], matched[done:], actions, fight, settings, vocabulary):
            return False
    return True


def _occurs(
    step: Step,
    earlier: Sequence[tuple[Step, int]],
    later: Sequence[tuple[Step, int]],
    actions: Sequence[Action],
    fight: FightInfo,
    settings: Settings,
    vocabulary: Vocabulary,
) -> bool:
    since = earlier[-1][1] if earlier else -1
    until = later[0][1] if later else len(actions)
    near_step, near = earlier[-1] if earlier else later[0]
    window = step.within_us
    if window is None and not earlier:
        window = settings.naked_window_us
    if window is None and not later:
        window = settings.step_window_us
    for at in range(since + 1, until):
        pair = (actions[near], actions[at]) if earlier else (actions[at], actions[near])
        if (
            same_side(actions[near], actions[at], step.by == near_step.by, fight)
            and in_time(*pair, window)
            and taken_rightly(at, step, earlier, actions, fight, vocabulary)
        ):
            return True
    return False


def find(
    steps: Sequence[Step],
    wheres: Sequence[Where],
    bouts: Sequence[Bout],
    settings: Settings,
    vocabulary: Vocabulary,
) -> dict[int, list[tuple[int, ...]]]:
    """Matches by exchange id, second opinions left out."""
    found = {}
    for bout in bouts:
        rounds = [e.round for e in bout.exchanges if e.round]
        for exchange, second, number in zip(bout.exchanges, bout.second, bout.ids, strict=True):
            if second or not all(
                _exchange_fits(w, exchange, bout.info, max(rounds, default=0)) for w in wheres
            ):
                continue
            kept = [
                m
                for m in matches(steps, exchange, bout.info, settings, vocabulary)
                if all(_match_fits(w, steps, m, exchange, bout.info, vocabulary) for w in wheres)
            ]
            if kept:
                found[number] = kept
    return found


Place = tuple[float, float]


def _line(moment: Moment, fight: FightInfo, *, ends: bool) -> Place:
    """A moment as (0, footage time) or, where no bell is known, (round, time run)."""
    if moment.round is None:
        return 0, moment.footage_us or 0
    if not fight.round_starts_us:
        if moment.left_us is None:
            return moment.round + ends, -math.inf
        return moment.round, -moment.left_us
    bell = fight.round_starts_us[moment.round - 1]
    if moment.left_us is not None:
        return 0, bell + (fight.round_us or 0) - moment.left_us
    if ends:
        following = fight.round_starts_us[moment.round :]
        bell = following[0] if following else bell + (fight.round_us or 0) + 1
    return 0, bell


def periods_around(exchange: Exchange, fight: FightInfo) -> tuple[list[str], list[str], list[str]] | None:
    """Names of the periods it comes before, lies in, and comes after; None where that can't be told."""
    spans = {
        period: (
            (-math.inf, 0.0) if period.start is None else _line(period.start, fight, ends=False),
            (math.inf, 0.0) if period.end is None else _line(period.end, fight, ends=True),
        )
        for period in fight.periods
    }
    moments = [m for p in fight.periods for m in (p.start, p.end) if m is not None]
    by_clock = not fight.round_starts_us and any(m.round is not None for m in moments)
    times = [a.time_us for a in exchange.actions if a.time_us is not None]
    first = min(times, default=None)
    number = exchange.round
    whole_round: tuple[Place, Place] | None = None
    if number is not None and (by_clock or fight.round_starts_us):
        whole_round = (
            _line(Moment(None, number), fight, ends=False), _line(Moment(None, number), fight, ends=True)
        )  # fmt: skip
    at: Place | None = None
    if first is not None and fight.round_starts_us:
        at = 0, first
    elif first is not None and by_clock and first <= 0 and number is not None:
        at = number, first
    elif first is not None and not by_clock and not fight.round_starts_us and first >= 0:
        at = 0, first
    found: tuple[list[str], list[str], list[str]] = ([], [], [])
    for period, (start, end) in spans.items():
        if at is not None:
            found[0 if at < start else 1 if at < end else 2].append(period.name.casefold())
        elif whole_round is None or any(whole_round[0] < edge < whole_round[1] for edge in (start, end)):
            return None
        else:
            side = 0 if whole_round[0] < start else 1 if whole_round[0] < end else 2
            found[side].append(period.name.casefold())
    return found


def _in_period(where: Where, exchange: Exchange, fight: FightInfo) -> bool:
    asked = [where.before, where.during, where.after]
    if not any(asked):
        return True
    found = periods_around(exchange, fight)
    if found is None:
        return False
    names = [name.casefold() if name else None for name in asked]
    return all(
        # Of several of one name: before them all, in one of them, after them all.
        name is None
        or (name in found[side] and (side == 1 or all(name not in found[i] for i in range(3) if i != side)))
        for side, name in enumerate(names)
    )


def _exchange_fits(where: Where, exchange: Exchange, fight: FightInfo, last: int) -> bool:
    if not _in_period(where, exchange, fight):
        return False
    if where.fight is not None and fight.title != where.fight:
        return False
    if where.dates is not None:
        first, final = where.dates
        if fight.date is None or (first and fight.date < first) or (final and fight.date > final):
            return False
    if where.rounds:
        late = last - math.ceil(last / 3)
        fine = [
            (value == "last" and exchange.round == last)
            or (value == "late" and exchange.round is not None and exchange.round > late)
            or (value == "early" and exchange.round is not None and exchange.round <= math.ceil(last / 3))
            or (
                value == "middle"
                and exchange.round is not None
                and math.ceil(last / 3) < exchange.round <= late
            )
            or (value == "first half" and exchange.round is not None and 2 * exchange.round <= last + 1)
            or (value == "second half" and exchange.round is not None and 2 * exchange.round > last + 1)
            or (value == "last 2" and exchange.round is not None and exchange.round in (last - 1, last))
            or (value == "unknown" and exchange.round is None)
            or (exchange.round is not None and exchange.round == value)
            for value in where.rounds
        ]
        return any(fine)
    return True


def _match_fits(
    where: Where,
    steps: Sequence[Step],
    match: Sequence[int],
    exchange: Exchange,
    fight: FightInfo,
    vocabulary: Vocabulary,
) -> bool:
    actions = [exchange.actions[i] for i in match]
    first_step = next(s for s in steps if not s.absent)
    doer = actions[0].fighter
    person1 = doer if first_step.by == 1 else opponent_of(doer, fight)
    if where.opponent is not None and (person1 is None or opponent_of(person1, fight) != where.opponent):
        return False
    own, other = stance_of(actions[0], fight), opponents_stance(exchange.actions, match[0], fight)
    theirs = other if first_step.by == 1 else own
    if where.opponent_stance is not None and (theirs or "unknown") != where.opponent_stance:
        return False
    if where.stance_match is not None:
        if own is None or other is None:
            return False
        if (own == other) != (where.stance_match == "closed"):
            return False
    if where.stance is not None and where.stance not in {stance_of(a, fight) or "unknown" for a in actions}:
        return False
    results = [actions[i] for i in result_of(steps, vocabulary)]
    if where.fighter is not None and where.fighter not in {a.fighter for a in results}:
        return False
    if where.outcome is not None and where.outcome not in outcomes(results, vocabulary):
        return False
    return all(
        getattr(where, name) is None
        or getattr(where, name) in {getattr(a, name) or "unknown" for a in actions}
        for name in ("place", "range", "technique")
    )


def result_of(steps: Sequence[Step], vocabulary: Vocabulary) -> list[int]:
    """Which places of a match say how the pattern came off: the last punch of whoever ends it, else the last
    one; all if no step is a punch."""
    present = [step for step in steps if not step.absent]
    punches = [
        i
        for i, step in enumerate(present)
        if all(
            vocabulary.is_punch(name)
            for choice in (step, *step.alternatives)
            for name in vocabulary.family(choice.technique)
        )
    ]
    own = [i for i in punches if present[i].by == present[-1].by]
    return own[-1:] or punches[-1:] or list(range(max(1, len(present))))


def outcomes(actions: Sequence[Action], vocabulary: Vocabulary) -> set[str]:
    """Only a punch has an outcome, known or unknown. A knockdown landed, too."""
    unknown = any(vocabulary.is_punch(a.technique) and not a.outcome for a in actions)
    known = {o for o in vocabulary.outcomes for a in actions if a.outcome in vocabulary.outcome_family(o)}
    return known | ({"unknown"} if unknown else set())


def facets(
    found: dict[int, list[tuple[int, ...]]],
    steps: Sequence[Step],
    bouts: Sequence[Bout],
    vocabulary: Vocabulary,
) -> dict[str, dict[str, int]]:
    """Counts of exchanges by the values of their matched actions; outcomes and doers of their last punches."""
    counts: dict[str, Counter[str]] = {
        name: Counter() for name in ("technique", "fighter", "outcome", "round", "stance")
    }
    for bout in bouts:
        for exchange, number in zip(bout.exchanges, bout.ids, strict=True):
            if number not in found:
                continue
            actions = [exchange.actions[i] for i in {i for match in found[number] for i in match}]
            places = result_of(steps, vocabulary)
            results = [exchange.actions[i] for i in {match[p] for match in found[number] for p in places}]
            counts["round"][str(exchange.round or "unknown")] += 1
            known = set(bout.info.fighters)
            values = {
                "technique": {a.technique for a in actions},
                "fighter": {a.fighter if a.fighter in known else "unknown" for a in results},
                "outcome": outcomes(results, vocabulary),
                "stance": {stance_of(a, bout.info) or "unknown" for a in actions},
            }
            for name, some in values.items():
                counts[name].update(str(v) for v in some)
    return {name: dict(c) for name, c in counts.items()}
