"""Matching over arrays: agrees with the obvious matcher on random archives, and with worked examples."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cliplib.core.errors import InputError
from cliplib.core.models import Action, Corner, Exchange, FightInfo, Settings, Step, Where
from cliplib.search.patterns import (
    Columns,
    Hits,
    Matches,
    Pattern,
    Tables,
    assemble,
    encode_fight,
    facets,
    hits,
    limits,
    load,
    page,
    save,
    splice,
)
from cliplib.search.patterns.kernel import compiled
from cliplib.vocabulary import load_vocabulary
from tests.search import archive, slow_matcher
from tests.search.archive import SECOND, columns_of, small_bouts
from tests.search.slow_matcher import Bout

# Private parts: merging and narrow numbers are forced, which only large archives would.

VOCABULARY = load_vocabulary()
SETTINGS = Settings()

# --- against the obvious matcher --------------------------------------------------------------------------

plain_steps = st.builds(
    Step,
    technique=st.sampled_from(["punch", "punch", "jab", "hook", "check hook", "slip", "defence", "feint"]),
    by=st.sampled_from([1, 2]),
    fighter=st.sampled_from([None] * 8 + [*archive.NAMES]),
    stance=st.sampled_from([None] * 6 + ["southpaw"]),
    hand=st.sampled_from([None] * 6 + ["lead"]),
    target=st.sampled_from([None] * 6 + ["body"]),
    outcome=st.sampled_from([None] * 6 + ["missed", "landed"]),
    role=st.sampled_from([None] * 4 + ["counter", "counter", "naked"]),
    within_us=st.sampled_from([None, None, None, SECOND]),
    place=st.sampled_from([None] * 8 + ["ropes"]),
)


@st.composite
def step_lists(draw: st.DrawFn) -> tuple[Step, ...]:
    """Up to five steps, some of them absent, some with alternatives; at least one that must happen."""
    steps = []
    for i in range(draw(st.integers(1, 5))):
        step = draw(plain_steps)
        others = draw(st.lists(plain_steps, max_size=2)) if draw(st.booleans()) else []
        step = replace(step, absent=i > 0 and draw(st.integers(0, 3)) == 0)
        alternatives = tuple(
            replace(o, by=step.by, within_us=step.within_us, absent=step.absent) for o in others
        )
        steps.append(replace(step, alternatives=alternatives))
    return tuple(draw(st.permutations(steps)))


wheres = st.builds(
    Where,
    rounds=st.sampled_from(
        [(), (), (), (1, 3), ("last",), ("late",), ("early",), ("middle", 3), ("unknown", 2), ("last 2",),
         ("first half",), ("second half",)]
    ),
    fighter=st.sampled_from([None] * 4 + [*archive.NAMES]),
    opponent=st.sampled_from([None] * 4 + [*archive.NAMES]),
    opponent_stance=st.sampled_from([None] * 5 + ["southpaw", "unknown"]),
    stance_match=st.sampled_from([None] * 5 + ["open", "closed"]),
    place=st.sampled_from([None] * 5 + ["ropes", "unknown"]),
    outcome=st.sampled_from([None] * 5 + ["missed", "landed", "unknown"]),
    technique=st.sampled_from([None] * 5 + ["hook", "slip"]),
    stance=st.sampled_from([None] * 5 + ["orthodox", "unknown"]),
    fight=st.sampled_from([None] * 6 + ["Ada Okoro v Bram Visser"]),
    dates=st.sampled_from(
        [None] * 4
        + [(datetime.date(2024, 1, 5), None), (None, datetime.date(2024, 12, 31)), (None, None)]
    ),
    during=st.sampled_from([None] * 6 + ["one hand", "on the back foot"]),
    before=st.sampled_from([None] * 6 + ["one hand", "On the back foot"]),
    after=st.sampled_from([None] * 6 + ["one hand", "on the back foot"]),
)  # fmt: skip


def run(columns: Columns, steps: tuple[Step, ...], *where: Where) -> Matches:
    """The matches, which the compiled loops have to agree with."""
    pattern = Pattern(steps, columns, VOCABULARY, SETTINGS, limits(where, columns))
    matches, found = pattern.match(), hits(pattern)
    if found is not None:
        assert same_answer(found, matches)
    return matches


def same_answer(found: Hits, matches: Matches) -> bool:
    shown = matches.exchanges[:20]
    return (
        np.array_equal(found.exchanges, matches.exchanges)
        and np.array_equal(found.cost, matches.cost)
        and facets(found) == facets(matches)
        and found.tuples(10**4, shown) == matches.tuples(10**4, shown)
    )


def by_id(matches: Matches) -> dict[int, list[tuple[int, ...]]]:
    found = {int(matches.columns.exchange_id[e]): t for e, t in matches.tuples(10**6).items()}
    assert sorted(found) == sorted(matches.columns.exchange_id[matches.exchanges].tolist())
    return found


@pytest.mark.slow
@pytest.mark.parametrize("merge_from", [4096, 0], ids=["as it is", "always merging"])
@given(
    bouts=small_bouts(), steps=step_lists(), where=st.just(Where()) | wheres, second=wheres | st.just(Where())
)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_agrees_with_the_obvious_matcher(
    merge_from: int, bouts: list[Bout], steps: tuple[Step, ...], where: Where, second: Where
) -> None:
    from cliplib.search.patterns import encode
    from cliplib.search.patterns import match as module

    expected = slow_matcher.find(steps, [where, second], bouts, SETTINGS, VOCABULARY)
    was = module._MERGE_FROM, module._MERGE_GROWTH
    if not merge_from:
        module._MERGE_FROM, module._MERGE_GROWTH = 0, 0
    bits, encode._BITS_APART = encode._BITS_APART, 31 if merge_from else 1  # at times two bits for them all
    try:
        columns = columns_of(bouts)
        matches = run(columns, steps, where, second)
    finally:
        module._MERGE_FROM, module._MERGE_GROWTH = was
        encode._BITS_APART = bits
    assert by_id(matches) == expected
    if compiled():
        assert hits(Pattern(steps, columns, VOCABULARY, SETTINGS, limits([where, second], columns)))
    assert facets(matches) == {
        name: dict(counts) for name, counts in slow_matcher.facets(expected, steps, bouts, VOCABULARY).items()
    }


@pytest.mark.slow
@given(bouts=small_bouts(), steps=step_lists())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_choosing_a_facet_leaves_its_count(bouts: list[Bout], steps: tuple[Step, ...]) -> None:
    columns = columns_of(bouts)
    matches = run(columns, steps)
    for name, counts in facets(matches).items():
        for value, count in counts.items():
            if name == "round":
                where = Where(rounds=(int(value) if value.isdecimal() else value,))
            elif name == "fighter" and value == "unknown":
                continue
            else:
                where = Where(**{name: value})
            assert len(run(columns, steps, where).exchanges) == count, (name, value)


# --- by hand ----------------------------------------------------------------------------------------------

RED, BLUE = archive.NAMES[:2]
FIGHT = FightInfo(f"{RED} v {BLUE}", Corner(RED, "orthodox"), Corner(BLUE, "southpaw"))


def one(*actions: Action, rounds: int | None = 1) -> Columns:
    return columns_of([Bout(FIGHT, (Exchange(actions, round=rounds),), (False,), (1,))])


def act(who: str, technique: str, at: float | None, **more: object) -> Action:
    time = None if at is None else round(at * SECOND)
    return Action(technique, fighter=who, time_us=time, **more)  # type: ignore[arg-type]


def test_worked_example() -> None:
    """DESIGN.md: "counter to the body after a missed jab"."""
    steps = (Step("jab", outcome="missed"), Step("punch", by=2, target="body", role="counter"))
    jab = act(RED, "jab", 1.0, outcome="missed")
    slip = act(BLUE, "slip", 1.2)
    hook = act(BLUE, "hook", 1.5, target="body", roles=("counter",), answers=0)
    assert by_id(run(one(jab, slip, hook), steps)) == {1: [(0, 2)]}
    assert not by_id(run(one(replace(jab, outcome="landed"), slip, hook), steps))
    assert not by_id(run(one(jab, slip, replace(hook, target="head")), steps))
    assert not by_id(run(one(jab, slip, replace(hook, fighter=RED)), steps))
    assert not by_id(run(one(jab, slip, replace(hook, answers=None)), steps))


@pytest.mark.parametrize(("gap", "found"), [(2.0, True), (2.000001, False)])
def test_steps_lie_at_most_two_seconds_apart(gap: float, found: bool) -> None:
    columns = one(act(RED, "jab", 1.0), act(RED, "cross", 1.0 + gap))
    assert bool(by_id(run(columns, (Step("jab"), Step("cross"))))) == found


def test_within_narrows_and_widens() -> None:
    columns = one(act(RED, "feint", 1.0), act(RED, "overhand", 2.5))
    for within, found in [(SECOND, False), (None, True), (10 * SECOND, True)]:
        steps = (Step("feint"), Step("overhand", within_us=within))
        assert bool(by_id(run(columns, steps))) == found
    columns = one(act(RED, "feint", 1.0), act(RED, "overhand", 9))
    assert by_id(run(columns, (Step("feint"), Step("overhand", within_us=8 * SECOND))))


def test_without_times_order_alone_decides() -> None:
    columns = one(act(RED, "jab", None), act(RED, "cross", 50))
    assert by_id(run(columns, (Step("jab"), Step("cross")))) == {1: [(0, 1)]}
    assert not by_id(run(columns, (Step("cross"), Step("jab"))))


def test_no_other_punch_of_the_same_fighter_between() -> None:
    columns = one(act(RED, "jab", 1.0), act(RED, "hook", 1.3), act(RED, "cross", 1.6))
    assert not by_id(run(columns, (Step("jab"), Step("cross"))))
    columns = one(act(RED, "jab", 1.0), act(BLUE, "hook", 1.3), act(RED, "cross", 1.6))
    assert by_id(run(columns, (Step("jab"), Step("cross"))))
    columns = one(act(RED, "hook", 1.0), act(RED, "jab", 1.2), act(RED, "pivot", 1.6))
    assert not by_id(run(columns, (Step("hook"), Step("pivot"))))


def test_two_people_are_two() -> None:
    columns = one(act(RED, "jab", 1.0), act(RED, "slip", 1.3))
    assert not by_id(run(columns, (Step("jab"), Step("slip", by=2))))
    assert by_id(run(columns, (Step("jab"), Step("slip"))))


def test_families() -> None:
    columns = one(act(RED, "check hook", 1.0, outcome="knockdown"))
    assert by_id(run(columns, (Step("hook", outcome="landed"),)))
    assert by_id(run(columns, (Step("punch"),)))
    assert not by_id(run(columns, (Step("shovel hook"),)))
    # A filter means what a facet counts, and that is what a tally counts: landed includes knockdown and hurt.
    assert by_id(run(columns, (Step("hook"),), Where(outcome="landed")))
    assert by_id(run(columns, (Step("hook"),), Where(outcome="knockdown")))
    assert facets(run(columns, (Step("hook"),)))["outcome"] == {"landed": 1, "knockdown": 1}


def test_the_fighter_facet_says_who_did_it() -> None:
    """Not whom it was done to, and the number is what choosing him leaves."""
    jab, counter = act(RED, "jab", 1.0), act(BLUE, "cross", 1.4, roles=("counter",), answers=0)
    columns = one(jab, counter)
    steps = (Step("jab"), Step("punch", by=2, role="counter"))
    assert facets(run(columns, steps))["fighter"] == {BLUE: 1}
    assert by_id(run(columns, steps, Where(fighter=BLUE)))
    assert not by_id(run(columns, steps, Where(fighter=RED)))
    # A defence built in: the pattern, and how it came off, are his who ends it.
    out = act(RED, "step out", 1.8)
    columns = one(replace(jab, outcome="landed"), replace(counter, outcome="missed"), out)
    told = facets(run(columns, (*steps, Step("step out"))))
    assert (told["fighter"], told["outcome"]) == ({RED: 1}, {"landed": 1})
    # An attack that ends in the other's defence is the attacker's.
    columns = one(jab, act(BLUE, "slip", 1.2), act(RED, "step out", 1.6))
    assert facets(run(columns, (Step("jab"), Step("slip", by=2))))["fighter"] == {RED: 1}
    assert facets(run(columns, (Step("slip"), Step("step out", by=2))))["fighter"] == {RED: 1, BLUE: 1}


def test_a_round_clock_is_a_time() -> None:
    """Without bells its times are kept negated (logs/timing.py); gaps are gaps all the same."""
    for gap, found in [(1.0, True), (1.25, False), (3.0, False)]:
        columns = one(act(RED, "jab", -151.0), act(RED, "cross", -151.0 + gap))
        assert bool(by_id(run(columns, (Step("jab"), Step("cross", within_us=SECOND))))) == found


def test_what_must_not_happen() -> None:
    bare = one(act(RED, "cross", 5.0))
    close = one(act(RED, "feint", 4.0), act(RED, "cross", 5.0))
    early = one(act(RED, "feint", 3.4), act(RED, "cross", 5.0))
    theirs = one(act(BLUE, "feint", 4.8), act(RED, "cross", 5.0))
    steps = (Step("feint", absent=True), Step("cross"))
    assert [bool(by_id(run(c, steps))) for c in (bare, close, early, theirs)] == [True, False, True, True]

    steps = (Step("jab"), Step("punch", by=2, role="counter", absent=True))
    jab = act(RED, "jab", 1.0)
    counter = act(BLUE, "cross", 1.5, roles=("counter",), answers=0)
    assert not by_id(run(one(jab, counter), steps))
    assert by_id(run(one(jab, act(RED, "hook", 1.3), replace(counter, answers=1)), steps)) == {1: [(0,)]}

    steps = (Step("jab"), Step("feint", absent=True), Step("cross"))
    assert by_id(run(one(jab, act(RED, "cross", 1.4)), steps))
    assert not by_id(run(one(jab, act(RED, "feint", 1.2), act(RED, "cross", 1.4)), steps))


def test_only_what_must_not_happen_is_no_question() -> None:
    with pytest.raises(InputError, match="has to happen"):
        run(one(act(RED, "jab", 1.0)), (Step("feint", absent=True),))


def test_an_action_serves_one_step() -> None:
    columns = one(act(RED, "jab", 1.0))
    assert not by_id(run(columns, (Step("jab"), Step("jab"))))
    columns = one(*(act(RED, "jab", 1.0 + i / 4) for i in range(4)))
    assert by_id(run(columns, (Step("jab"), Step("jab")))) == {1: [(0, 1), (1, 2), (2, 3)]}


def test_many_ways_through_one_exchange_are_counted_without_being_listed() -> None:
    """400 untimed feints hold 83,218,600,080 ways to feint five times."""
    columns = one(*(act(RED, "feint", None) for _ in range(400)))
    matches = run(columns, (Step("feint"),) * 5)
    assert matches.exchanges.tolist() == [0]
    assert len(matches.participating()) == 400
    assert len(matches.tuples(50)[0]) == 50


# --- order ------------------------------------------------------------------------------------------------


def test_best_fit_first() -> None:
    """The very technique, then tight timing, then clean evidence, then the date."""

    def two(second: str, gap: float, **more: object) -> Exchange:
        return Exchange((act(RED, "jab", 1, outcome="landed"), act(RED, second, 1 + gap, **more)), round=1)  # type: ignore[arg-type]

    exchanges = (
        two("check hook", 0.3, outcome="landed"),
        two("hook", 0.3),
        two("hook", 1.9, outcome="landed"),
        two("hook", 0.3, outcome="landed", inferred=("outcome",)),
        two("hook", 0.3, outcome="landed"),
    )
    columns = columns_of([Bout(FIGHT, exchanges, (False,) * 5, (1, 2, 3, 4, 5))])
    matches = run(columns, (Step("jab"), Step("hook")))
    assert columns.exchange_id[page(matches, "fit", 0, 10)].tolist() == [5, 4, 2, 3, 1]
    assert columns.exchange_id[page(matches, "date", 0, 10)].tolist() == [1, 2, 3, 4, 5]
    with pytest.raises(InputError, match="no order"):
        page(matches, "luck", 0, 10)


@given(bouts=small_bouts(), order=st.sampled_from(["fit", "date", "round", "fighter"]))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_pages_make_up_the_whole(bouts: list[Bout], order: str) -> None:
    matches = run(columns_of(bouts), (Step("punch"),))
    whole = page(matches, order, 0, 10**6).tolist()
    assert sorted(whole) == matches.exchanges.tolist()
    paged = [e for offset in range(0, len(whole) + 2, 2) for e in page(matches, order, offset, 2).tolist()]
    assert paged == whole


def test_order_by_fighter_and_round() -> None:
    exchanges = (
        Exchange((act(BLUE, "jab", 1),), round=2),
        Exchange((act(RED, "jab", 1),), round=3),
        Exchange((act(BLUE, "jab", 5),), round=1),
        Exchange((act(RED, "jab", 9),)),
    )
    columns = columns_of([Bout(FIGHT, exchanges, (False,) * 4, (1, 2, 3, 4))])
    matches = run(columns, (Step("jab"),))
    assert RED < BLUE
    assert columns.exchange_id[page(matches, "fighter", 0, 9)].tolist() == [2, 4, 3, 1]
    assert columns.exchange_id[page(matches, "round", 0, 9)].tolist() == [3, 1, 2, 4]


# --- keeping and refreshing -------------------------------------------------------------------------------


def same(a: Columns, b: Columns) -> bool:
    """Whether two archives say the same, whatever codes they use."""

    def told(c: Columns) -> object:
        def words(name: str) -> list[str | None]:
            table = np.array([None, *c.words[name.removeprefix("opponent_")]], object)
            codes = (
                c.of_kind(name)[c.kind]
                if name not in ("direction", "place", "range")
                else c.of_kind(name)[c.setting]
            )
            return table[codes].tolist()

        return (
            c.fights, c.exchange_id.tolist(), c.round.tolist(), c.beside.tolist(), c.corner.tolist(),
            c.first_action.tolist(), c.since.tolist(), c.next_own.tolist(), c.next_other.tolist(),
            c.answers.tolist(), c.last_round.tolist(),
            [words(n) for n in ("technique", "hand", "target", "outcome", "opponent_stance", "place")],
        )  # fmt: skip

    return told(a) == told(b)


@given(bouts=small_bouts(), others=small_bouts())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_refresh_is_what_a_rebuild_would_be(bouts: list[Bout], others: list[Bout]) -> None:
    """Replacing the first fight, removing the second, adding new ones: as if made from scratch."""
    ids: dict[str | None, int] = {n: i for i, n in enumerate((*archive.NAMES, "Zed Unknown"))}

    def block(number: int, bout: Bout, tables: Tables):  # type: ignore[no-untyped-def]
        from cliplib.search.patterns import FightEntry

        entry = FightEntry.of(number, number, bout.info, ids[bout.info.red.name], ids[bout.info.blue.name])
        return encode_fight(entry, archive.raw_of(bout, ids), tables, VOCABULARY.is_punch, bout.info.course)

    def moved(bout: Bout, by: int) -> Bout:
        return replace(bout, ids=tuple(i + by for i in bout.ids))

    before = dict(enumerate(bouts))
    after = {i: b for i, b in before.items() if i != 1} | {i + 5: moved(b, 100) for i, b in enumerate(others)}
    after[0] = moved(others[0], 200)
    tables = Tables.of(VOCABULARY)
    old = assemble([block(i, b, tables) for i, b in before.items()], tables)
    tables = old.tables.copy()
    changed = [block(i, b, tables) for i, b in after.items() if i == 0 or i >= 5]
    new = splice(old, tables, changed, [1])
    fresh = Tables.of(VOCABULARY)
    assert same(new, assemble([block(i, b, fresh) for i, b in after.items()], fresh))


def test_cache_is_read_back_only_if_whole(tmp_path: Path) -> None:
    columns = one(act(RED, "jab", 1.0), act(BLUE, "slip", 1.2, direction="outside"))
    path = tmp_path / "columns" / "columns.npz"
    assert load(path, "v1") is None
    save(columns, path, "v1")
    again = load(path, "v1")
    assert again is not None
    assert same(columns, again)
    assert load(path, "v2") is None
    assert [p.name for p in path.parent.iterdir()] == ["columns.npz"]
    good = path.read_bytes()
    for place in range(0, len(good), max(1, len(good) // 200)):
        path.write_bytes(good[:place] + bytes([good[place] ^ 0x55]) + good[place + 1 :])
        damaged = load(path, "v1")
        assert damaged is None or same(columns, damaged)
    for length in range(0, len(good), max(1, len(good) // 50)):
        path.write_bytes(good[:length])
        assert load(path, "v1") is None


def test_an_empty_archive_answers() -> None:
    columns = assemble([], Tables())
    matches = run(columns, (Step("jab"), Step("punch", by=2, role="counter")))
    assert not len(matches.exchanges)
    assert facets(matches) == {"technique": {}, "fighter": {}, "outcome": {}, "round": {}, "stance": {}}
    assert not len(page(matches, "fit", 0, 20))
