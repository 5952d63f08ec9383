"""Archives of our own invention: random small ones for property tests, and a large one with transition
frequencies like a gym's (common practice, no source) for measuring.

    small_bouts()            a Hypothesis strategy: a few fights with anything in them
    columns_of(bouts)        their columns, as a library would make them
    large(fights, seed)      fight after fight as raw rows, 2,400 actions in 300 exchanges each
    write_catalogue(...)     the same into a catalogue, as an ingest would store it
"""

from __future__ import annotations

import datetime
import itertools
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import NewExchange
from cliplib.core.models import Action, Corner, Exchange, FightInfo, LogSource
from cliplib.core.parts import clock_of
from cliplib.core.periods import Course, Moment, Period
from cliplib.core.timebase import UNTIMED
from cliplib.search.patterns import Block, Columns, FightEntry, Tables, assemble, encode_fight
from cliplib.vocabulary import load_vocabulary
from tests.search.slow_matcher import Bout

# --- from models to columns -------------------------------------------------------------------------------


def raw_of(bout: Bout, fighter_ids: dict[str | None, int]) -> dict[str, np.ndarray]:
    """What Catalogue.columns hands over for a fight."""
    rows = [
        (e, a, number, second)
        for e, number, second in zip(bout.exchanges, bout.ids, bout.second, strict=True)
        for a in e.actions
    ]

    def numbers(values: list[int | None], nothing: int = -1) -> np.ndarray:
        return np.array([nothing if v is None else v for v in values], np.int64)

    raw = {
        "exchange_id": numbers([n for _, _, n, _ in rows]),
        "round": numbers([e.round for e, _, _, _ in rows]),
        "beside": numbers([int(s) for _, _, _, s in rows]),
        "fighter_id": numbers([fighter_ids[a.fighter] for _, a, _, _ in rows]),
        "time_us": numbers([a.time_us for _, a, _, _ in rows], UNTIMED),
        "answers": numbers([a.answers for _, a, _, _ in rows]),
    }
    for name in ("technique", "hand", "side", "target", "outcome", "direction", "stance", "place", "range"):
        raw[name] = np.array([getattr(a, name) for _, a, _, _ in rows], object)
    for name in ("roles", "inferred"):
        raw[name] = np.array([json.dumps(getattr(a, name)) for _, a, _, _ in rows], object)
    return raw


def columns_of(bouts: Sequence[Bout], *, one_by_one: bool = True) -> Columns:
    vocabulary = load_vocabulary()
    tables, blocks = Tables.of(vocabulary), []
    names = {a.fighter for b in bouts for e in b.exchanges for a in e.actions}
    names |= {n for b in bouts for n in b.info.fighters}
    ids: dict[str | None, int] = {name: i + 1 for i, name in enumerate(sorted(names, key=str))}
    for i, bout in enumerate(bouts):
        entry = FightEntry.of(i + 1, i + 1, bout.info, ids[bout.info.red.name], ids[bout.info.blue.name])
        blocks.append(encode_fight(entry, raw_of(bout, ids), tables, vocabulary.is_punch, bout.info.course))
    return assemble(blocks, tables)


# --- small and random -------------------------------------------------------------------------------------

NAMES = ("Ada Okoro", "Bram Visser", "Cato Lindqvist")
TECHNIQUES = ("jab", "cross", "hook", "check hook", "slip", "block", "feint", "pivot")
SECOND = 1_000_000


@st.composite
def small_bouts(draw: st.DrawFn, *, most_actions: int = 7) -> list[Bout]:
    """One to three fights among three people; times of film or round clock, missing, or both; sometimes a stranger acts."""
    bouts, number = [], 0
    for fight in range(draw(st.integers(1, 3))):
        red, blue = draw(st.permutations(NAMES))[:2]
        stances = st.sampled_from([None, "orthodox", "southpaw"])
        date = draw(st.sampled_from([None, datetime.date(2024, 1, 5), datetime.date(2025, 7, 1)]))
        info = FightInfo(
            f"{red} v {blue}", Corner(red, draw(stances)), Corner(blue, draw(stances)), date=date,
            event=str(fight), **draw(courses()),
        )  # fmt: skip
        exchanges, second, ids = [], [], []
        for _ in range(draw(st.integers(1, 4))):
            number += 1
            exchanges.append(draw(exchanges_of(red, blue, most_actions)))
            second.append(draw(st.integers(0, 9)) == 0)
            ids.append(number)
        bouts.append(Bout(info, tuple(exchanges), tuple(second), tuple(ids)))
    return bouts


@st.composite
def courses(draw: st.DrawFn) -> dict[str, object]:
    """Periods, and perhaps bells, of a fight of four rounds."""
    bells = draw(st.booleans())
    starts = (-20 * SECOND, 30 * SECOND, 80 * SECOND, 130 * SECOND)
    by_round = st.builds(
        Moment, st.none(), st.integers(1, 4), st.none() | st.integers(0, 40).map(lambda s: s * SECOND)
    )
    by_film = st.builds(Moment, st.integers(0, 150).map(lambda s: s * SECOND))
    kind = draw(st.sampled_from(["none", "rounds", "film", "both"]))
    moments = {"rounds": by_round, "film": by_film, "both": by_round | by_film}.get(kind)
    periods: list[Period] = []
    found: dict[str, object] = {"rounds": 4, "round_us": 40 * SECOND}
    found |= {"round_starts_us": starts} if bells else {}
    for name in ("one hand", "on the back foot", "one hand") if moments is not None else ():
        one = Period(name, draw(st.none() | moments), draw(st.none() | moments))
        try:
            edges = Course.of([*periods, one], clock_of(starts if bells else (), 40 * SECOND, ())).edges
        except ValueError:
            continue
        adjoining = itertools.pairwise(edges)
        if all(a < b if i % 2 == 0 else a <= b for i, (a, b) in enumerate(adjoining)):  # none overlap
            periods.append(one)
    return found | {"periods": tuple(periods)}


@st.composite
def exchanges_of(draw: st.DrawFn, red: str, blue: str, most_actions: int) -> Exchange:
    timed = draw(st.sampled_from(["all", "all", "none", "some"]))
    # Negative: a round clock whose bell nobody knows, or a moment before the film begins.
    at, actions = draw(st.integers(-180, 100)) * SECOND, []
    for i in range(draw(st.integers(1, most_actions))):
        at += draw(st.integers(0, 5)) * SECOND // 2
        has_time = timed == "all" or (timed == "some" and draw(st.booleans()))
        technique = draw(st.sampled_from(TECHNIQUES))
        punch = technique in TECHNIQUES[:4]
        stranger = draw(st.integers(0, 24)) == 0
        actions.append(
            Action(
                technique,
                fighter="Zed Unknown" if stranger else draw(st.sampled_from([red, blue])),
                time_us=at if has_time else None,
                hand=draw(st.sampled_from([None, "lead", "rear"])),
                target=draw(st.sampled_from([None, "head", "body"])),
                outcome=draw(st.sampled_from([None, "landed", "missed", "knockdown"])) if punch else None,
                stance=draw(st.sampled_from([None, None, "orthodox", "southpaw"])),
                place=draw(st.sampled_from([None, "ropes"])),
                roles=tuple(draw(st.sets(st.sampled_from(["counter", "lead", "naked"]), max_size=2))),
                answers=draw(st.none() | st.integers(0, i - 1)) if i else None,
                inferred=draw(st.sampled_from([(), ("outcome",)])),
            )
        )
    return Exchange(tuple(actions), round=draw(st.sampled_from([None, 1, 2, 3, 4])))


# --- large ------------------------------------------------------------------------------------------------

PUNCHES = ("jab", "cross", "hook", "uppercut", "overhand", "check hook", "shovel hook", "bolo")
DEFENCES = (
    "slip",
    "block",
    "parry",
    "catch",
    "roll",
    "duck",
    "pull",
    "step back",
    "shoulder roll",
    "step out",
)
MOVES = (
    "pivot", "circle", "step in", "lead-foot step", "cut off the ring", "feint", "hand feint", "foot feint",
    "clinch", "smother", "push", "frame",
)  # fmt: skip
ALL = (*PUNCHES, *DEFENCES, *MOVES)
OUTCOMES = (None, "landed", "partial", "blocked", "missed", "knockdown", "hurt")
ROLES = ((), ("counter",), ("lead",), ("naked",), ("follow-up",), ("counter", "naked"), ("lead", "naked"))
_INDEX = {name: i for i, name in enumerate(ALL)}
EXCHANGES_A_FIGHT, MOST_ACTIONS, MEAN_MORE = 300, 32, 7.0


def _weights(weights: dict[str, float]) -> np.ndarray:
    row = np.zeros(len(ALL))
    for name, weight in weights.items():
        row[_INDEX[name]] = weight
    return np.cumsum(row / row.sum())


@cache
def _tables() -> dict[str, np.ndarray]:
    """Cumulative frequencies of the next technique: one's own after a technique, a defence, a counter."""
    combination = {"jab": 0.30, "cross": 0.27, "hook": 0.24, "uppercut": 0.09, "overhand": 0.05,
                   "check hook": 0.02, "shovel hook": 0.02, "bolo": 0.01}  # fmt: skip
    own = {name: dict(combination) for name in ALL}
    own["jab"] |= {"cross": 0.45, "jab": 0.25}
    own["cross"] |= {"hook": 0.45, "cross": 0.06}
    own["hook"] |= {"cross": 0.40, "uppercut": 0.15}
    for after in ("slip", "pull", "parry"):
        own[after] |= {"cross": 0.42, "jab": 0.18}
    for after in ("roll", "duck"):
        own[after] |= {"hook": 0.48, "uppercut": 0.20}
    defence = {"slip": 0.20, "block": 0.28, "parry": 0.15, "catch": 0.10, "roll": 0.09, "duck": 0.05,
               "pull": 0.05, "step back": 0.05, "shoulder roll": 0.02, "step out": 0.01}  # fmt: skip
    move = {"pivot": 0.14, "circle": 0.16, "step in": 0.18, "lead-foot step": 0.08, "cut off the ring": 0.05,
            "feint": 0.14, "hand feint": 0.05, "foot feint": 0.05, "clinch": 0.08, "smother": 0.02,
            "push": 0.03, "frame": 0.02}  # fmt: skip
    return {
        "own": np.stack([_weights(own[name]) for name in ALL]),
        "defence": np.stack([_weights(defence)] * len(ALL)),
        "move": np.stack([_weights(move)] * len(ALL)),
    }


@dataclass(frozen=True)
class Rows:
    """Raw rows of one fight as arrays; `position` is each action's place in its exchange."""

    info: FightInfo
    red_id: int
    blue_id: int
    raw: dict[str, np.ndarray]
    position: np.ndarray
    notes: tuple[str, ...]  # one an exchange


def fighter_name(i: int) -> str:
    first = ("Ade", "Bru", "Cor", "Dav", "Eli", "Fen", "Gus", "Hal", "Ivo", "Jon")
    last = ("ning", "mora", "stad", "kova", "bury", "lund", "vale", "ster", "dane", "rell")
    stem = ("Oster", "Winter", "Fair", "Holl", "Mar", "Tor", "Ash", "Black", "Kings", "Stone")
    return f"{first[i % 10]}{'aeiou'[i // 10 % 5]}n {stem[i // 50 % 10]}{last[i // 500 % 10]} {i}"


def large(fights: int, seed: int = 7) -> Iterator[Rows]:
    """`fights` fights, each made from its own seed, so that adding fights leaves the others as they are."""
    people = max(4, fights // 5)
    for number in range(fights):
        rng = np.random.default_rng([seed, number])
        red, blue = rng.choice(people, 2, replace=False)
        yield _one_fight(number, int(red), int(blue), rng)


def _one_fight(number: int, red: int, blue: int, rng: np.random.Generator) -> Rows:
    e, tables = EXCHANGES_A_FIGHT, _tables()
    size = np.minimum(1 + rng.poisson(rng.gamma(3.0, MEAN_MORE / 3.0, e)), MOST_ACTIONS)
    longest = int(size.max())
    technique = np.zeros((e, longest), np.int64)
    corner = np.zeros((e, longest), np.int64)
    for d in range(longest):
        if d == 0:
            group = rng.choice([0, 2], e, p=[0.7, 0.3])
            corner[:, 0] = rng.integers(0, 2, e)
            before = np.full(e, _INDEX["circle"])
        else:
            before = technique[:, d - 1]
            punch, defence = before < len(PUNCHES), before < len(PUNCHES) + len(DEFENCES)
            # After a punch: go on, be defended against, be countered, move. After a defence: counter,
            # or the other goes on, or move. After anything else: punch or move.
            u = rng.random(e)
            swap_p, swap_d = u > 0.33, u > 0.60
            group = np.where(
                punch, np.select([u < 0.33, u < 0.70, u < 0.88], [0, 1, 0], 2),
                np.where(defence & ~punch, np.select([u < 0.85], [0], 2), np.select([u < 0.75], [0], 2)),
            )  # fmt: skip
            swap = np.where(punch, swap_p, np.where(defence, swap_d, rng.random(e) < 0.3))
            corner[:, d] = corner[:, d - 1] ^ swap
        u = rng.random(e)[:, None]
        rows = np.stack([tables["own"][before], tables["defence"][before], tables["move"][before]])
        technique[:, d] = (rows[group, np.arange(e)] < u).sum(axis=1)
    gaps = rng.gamma(3.0, 0.15, (e, longest)) + (rng.random((e, longest)) < 0.04)
    gaps[:, 0] = 0
    rounds = np.repeat(np.arange(1, 11), e // 10)
    start = (rounds - 1) * 240 + np.tile(np.arange(e // 10) * (180 / (e // 10)), 10)
    time = ((start[:, None] + np.cumsum(gaps, axis=1)) * 1e6).astype(np.int64)
    there = np.arange(longest) < size[:, None]
    return _as_rows(number, red, blue, rng, technique[there], corner[there], time[there], size, rounds)


def _as_rows(
    number: int,
    red: int,
    blue: int,
    rng: np.random.Generator,
    technique: np.ndarray,
    corner: np.ndarray,
    time: np.ndarray,
    size: np.ndarray,
    rounds: np.ndarray,
) -> Rows:
    n, e = len(technique), len(size)
    exchange = np.repeat(np.arange(e), size)
    position = np.arange(n) - np.repeat(np.cumsum(size) - size, size)
    punch = technique < len(PUNCHES)
    defence = (technique >= len(PUNCHES)) & (technique < len(PUNCHES) + len(DEFENCES))

    # Relations as cliplib.relations derives them, over arrays.
    last_punch = np.maximum.accumulate(np.where(punch, np.arange(n), -1))
    previous = np.concatenate([[-1], last_punch[:-1]])
    has = previous >= np.arange(n) - position
    before = np.maximum(previous, 0)
    near = time - time[before]
    lead = punch & ~has
    counter = punch & has & (corner[before] != corner) & (near <= 1_000_000)
    follow = punch & has & (corner[before] == corner) & (near <= 1_500_000)
    naked = punch & ~follow & (rng.random(n) < 0.6)
    role = np.select([counter & naked, lead & naked, counter, lead, naked, follow], [5, 6, 1, 2, 3, 4], 0)

    following = np.concatenate([defence[1:], [False]]) & np.concatenate(
        [exchange[1:] == exchange[:-1], [False]]
    )
    following &= np.concatenate([corner[1:] != corner[:-1], [False]])
    stopped = np.isin(np.concatenate([technique[1:], [0]]), [_INDEX[t] for t in ("block", "parry", "catch")])
    outcome = rng.choice(7, n, p=[0.05, 0.40, 0.17, 0.15, 0.215, 0.003, 0.012])
    outcome = np.where(following, np.where(stopped, 3, 4), outcome)
    outcome = np.where(punch, outcome, 0)
    inferred = following & punch & (rng.random(n) < 0.5)

    hand = np.array([{"jab": 1, "cross": 2, "check hook": 1, "overhand": 2}.get(t, 0) for t in ALL])[
        technique
    ]
    hand = np.where(punch & (hand == 0), 1 + (rng.random(n) < 0.35), hand)
    stances = rng.choice([0, 1], 2, p=[0.75, 0.25])
    stance = np.where(rng.random(n) < 0.01, 1 - stances[corner], stances[corner])
    side = np.where(hand > 0, 1 + ((hand == 2) ^ (stance == 1)), 0)
    target = np.where(punch, 1 + (rng.random(n) < 0.24), 0)
    direction = np.where(technique == _INDEX["slip"], 1 + (rng.random(n) < 0.6), 0)
    place = rng.choice(4, e, p=[0.3, 0.45, 0.17, 0.08])[exchange]
    reach = rng.choice(4, e, p=[0.4, 0.2, 0.25, 0.15])[exchange]
    untimed = rng.random() < 0.03

    def words(values: np.ndarray, *names: object) -> np.ndarray:
        table = np.empty(len(names), object)
        table[:] = names
        return table[values]

    ids = (number + 1, 2 * number + 1)
    raw = {
        "exchange_id": number * EXCHANGES_A_FIGHT + exchange + 1,
        "round": rounds[exchange].astype(np.int64),
        "beside": np.zeros(n, np.int64),
        "fighter_id": np.where(corner == 0, red + 1, blue + 1),
        "time_us": np.full(n, UNTIMED) if untimed else time,
        "answers": np.where(counter, previous - (np.arange(n) - position), -1),
        "technique": words(technique, *ALL),
        "hand": words(hand, None, "lead", "rear"),
        "side": words(side, None, "left", "right"),
        "target": words(target, None, "head", "body"),
        "outcome": words(outcome, *OUTCOMES),
        "direction": words(direction, None, "inside", "outside"),
        "stance": words(stance, "orthodox", "southpaw"),
        "place": words(place, None, "centre", "ropes", "corner"),
        "range": words(reach, None, "outside", "mid", "inside"),
        "roles": words(role, *map(json.dumps, ROLES)),
        "inferred": words(inferred.astype(np.int64), "[]", '["outcome"]'),
    }
    info = FightInfo(
        f"{fighter_name(red)} v {fighter_name(blue)}",
        Corner(fighter_name(red), ("orthodox", "southpaw")[stances[0]]),
        Corner(fighter_name(blue), ("orthodox", "southpaw")[stances[1]]),
        date=datetime.date(2005, 1, 1) + datetime.timedelta(days=int(rng.integers(0, 7000))),
        event=f"Hall {ids[0] % 40}",
        rounds=10,
    )
    return Rows(info, red + 1, blue + 1, raw, position, tuple(_note(rng) for _ in range(e)))


_SAID = (
    "slipped outside", "slipping late", "steps in behind the jab", "1-2 again", "hurt to the body",
    "was tired",
    "hands low", "circled to his left", "caught on the ropes", "corner shouted for the hook", "missed badly",
    "timed it well", "feinted first", "drew the counter", "head clash", "referee warned him",
    "rolled with it", "double jab", "switched stance", "tied up quickly", "liver shot", "good footwork",
    "off balance", "mouthguard out", "crowd on its feet", "dropped the rear hand", "loading up the overhand",
    "smothered his work", "smart pivot", "squared up", "cut over the left eye", "gave ground",
)  # fmt: skip
_SYLLABLES = (
    "ba",
    "den",
    "fi",
    "gor",
    "hal",
    "kin",
    "lo",
    "mar",
    "nes",
    "pol",
    "rin",
    "sto",
    "tar",
    "vel",
    "wes",
)


def _note(rng: np.random.Generator) -> str:
    """Some of the usual remarks, the first ones most often, and now and then a word that few notes have."""
    picked = np.minimum(rng.zipf(1.3, int(rng.integers(1, 5))) - 1, len(_SAID) - 1)
    rare = "".join(rng.choice(_SYLLABLES, 3)) if rng.random() < 0.5 else ""
    return ", ".join([_SAID[i] for i in dict.fromkeys(picked.tolist())] + ([rare] if rare else []))


def large_columns(fights: int, seed: int = 7) -> Columns:
    """The large archive straight into columns, without a catalogue."""
    tables = Tables.of(load_vocabulary())
    return assemble([encode_rows(i, rows, tables) for i, rows in enumerate(large(fights, seed))], tables)


def encode_rows(i: int, rows: Rows, tables: Tables) -> Block:
    entry = FightEntry.of(i + 1, i + 1, rows.info, rows.red_id, rows.blue_id)
    return encode_fight(entry, rows.raw, tables, load_vocabulary().is_punch, rows.info.course)


def exchanges_of_rows(rows: Rows) -> list[Exchange]:
    """A large archive's fight as models."""
    raw = rows.raw
    names = {rows.red_id: rows.info.red.name, rows.blue_id: rows.info.blue.name}
    fields = ("technique", "hand", "side", "target", "outcome", "direction", "stance", "place", "range")
    words = {name: raw[name].tolist() for name in fields}
    roles = [tuple(json.loads(r)) for r in raw["roles"].tolist()]
    inferred = [tuple(json.loads(r)) for r in raw["inferred"].tolist()]
    times, fighters, answers = (raw[n].tolist() for n in ("time_us", "fighter_id", "answers"))
    starts = np.flatnonzero(rows.position == 0).tolist()
    out = []
    for i, (a, b) in enumerate(zip(starts, [*starts[1:], len(rows.position)], strict=True)):
        actions = tuple(
            Action(
                fighter=names[fighters[k]],
                time_us=None if times[k] == UNTIMED else times[k],
                roles=roles[k],
                answers=None if answers[k] < 0 else answers[k],
                inferred=inferred[k],
                **{name: words[name][k] for name in fields},
            )
            for k in range(a, b)
        )
        timed = times[a] != UNTIMED
        out.append(
            Exchange(
                actions,
                round=int(raw["round"][a]),
                start_us=times[a] if timed else None,
                end_us=times[b - 1] + 600_000 if timed else None,
                note=rows.notes[i],
                line=a + 2,
            )
        )
    return out


def write_fight(catalogue: Catalogue, rows: Rows, number: int) -> int:
    """Store one fight; its id."""
    exchanges = [
        NewExchange(e, in_us=e.start_us, out_us=e.end_us) if e.start_us is not None else NewExchange(e)
        for e in exchanges_of_rows(rows)
    ]
    info = replace(rows.info, logs=(LogSource("log.csv"),))
    change = catalogue.replace_fight(info, exchanges, folder=Path("fights", str(number)), digest=str(number))
    return change.fight_id


def write_catalogue(catalogue: Catalogue, fights: int, seed: int = 7) -> None:
    for number, rows in enumerate(large(fights, seed)):
        write_fight(catalogue, rows, number)
