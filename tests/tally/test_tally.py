"""Tables of tries agree with a slow recount on random archives, and with worked examples by hand."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cliplib.core.errors import InputError
from cliplib.core.models import Action, Corner, Exchange, FightInfo, Settings, Step, Where
from cliplib.core.periods import Course, Moment, Period
from cliplib.search.patterns import Pattern, facets, limits
from cliplib.tally import (
    CATEGORIES,
    KEYS,
    FightClock,
    Tries,
    answers,
    caught,
    compare,
    following,
    near,
    tally,
    tries_of,
    watched,
)
from cliplib.vocabulary import load_vocabulary
from tests.search.archive import SECOND, columns_of, small_bouts
from tests.search.slow_matcher import Bout
from tests.tally import slow_tally

WORDS = load_vocabulary()
SETTINGS = Settings()
MINUTE = 60 * SECOND

STEPS = st.sampled_from(
    [
        (Step("punch"),),
        (Step("defence"),),
        (Step("jab"),),
        (Step("slip"),),
        (Step("punch"), Step("punch", by=1)),
        (Step("jab"), Step("punch", by=2)),
        (Step("punch", outcome="missed"), Step("punch", by=2, role="counter")),
        (Step("punch"), Step("defence", by=2), Step("punch", by=2)),
        (Step("punch"), Step("punch", by=2, absent=True)),
        (Step("punch"), Step("defence", by=1)),
        (Step("punch"), Step("defence", by=2)),
        (Step("jab"), Step("punch", by=1), Step("slip", by=2)),
        (Step("jab"), Step("punch", by=2), Step("slip", by=1)),
    ]
)


def apart(bouts: list[Bout]) -> list[Bout]:
    """Without fights of a title that another has; a library keeps none with one date as well."""
    return [b for i, b in enumerate(bouts) if b.info.title not in {x.info.title for x in bouts[:i]}]


WHERES = st.sampled_from(
    [Where(), Where(), Where(rounds=(1, 2)), Where(fighter="Ada Okoro"), Where(stance_match="open")]
)


def counted(bouts: list[Bout], steps: tuple[Step, ...], where: Where | None = None) -> Tries:
    columns = columns_of(bouts)
    limit = limits((where or Where(),), columns)
    return tries_of(Pattern(steps, columns, WORDS, SETTINGS, limit).match(), WORDS)


def rated(went: Counter[str]) -> tuple[str, ...]:
    """What a rate is made of: outcomes that were said, and inferred ones where none is unknown."""
    said = ("landed", "partial", "blocked", "missed")
    return said if went["unknown"] else (*said, "inferred")


def said_of(went: Counter[str]) -> int:
    return sum(went[name] for name in rated(went))


@pytest.mark.slow
@given(
    bouts=small_bouts(),
    steps=STEPS,
    where=WHERES,
    by=st.lists(st.sampled_from(KEYS), max_size=3, unique=True),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_agrees_with_a_slow_recount(
    bouts: list[Bout], steps: tuple[Step, ...], where: Where, by: list[str]
) -> None:
    bouts = apart(bouts)
    slow = slow_tally.tries(steps, [where], bouts, SETTINGS, WORDS)
    table = tally(counted(bouts, steps, where), by, None)
    expected = slow_tally.counts(slow, by, WORDS)
    assert {row.values for row in table.rows} == set(expected)
    for place, row in enumerate(table.rows):
        counts = expected[row.values]
        assert row.tried == counts["tried"]
        assert {n: getattr(row, n) for n in CATEGORIES} == {n: counts[n] for n in CATEGORIES}
        mine = [t for t in slow if tuple(slow_tally.value(t, k, WORDS) for k in by) == row.values]
        for name in CATEGORIES:
            behind = [t for t in mine if slow_tally.went(t, WORDS) == name]
            assert set(table.clips(place, name)) == slow_tally.clips(behind)
        assert row.exchanges == len(slow_tally.clips(mine)) == len(table.clips(place))
        assert row.fights == len({t.bout.info.title for t in mine})
    assert table.total.tried == len(slow)
    assert sum(row.tried for row in table.rows) == table.total.tried


@given(bouts=small_bouts(), steps=STEPS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_counts_say_what_a_search_says(bouts: list[Bout], steps: tuple[Step, ...]) -> None:
    """How it came off and whose it is: in counts as beside a search, whose numbers are of exchanges."""
    columns = columns_of(apart(bouts))
    matches = Pattern(steps, columns, WORDS, SETTINGS, limits((Where(),), columns)).match()
    found = tries_of(matches, WORDS)
    said = facets(matches)
    for row in tally(found, ["fighter"], None).rows:
        assert said["fighter"][row.values[0]] == row.exchanges
    for word, count in said["outcome"].items():
        names = [n + how for n in WORDS.outcome_family(word) or {word} for how in ("", " (inferred)")]
        behind = [found.only({"outcome": name}).exchange_ids() for name in names]
        assert count == len({i for ids in behind for i in ids.tolist()}), word


@given(bouts=small_bouts(), steps=STEPS, key=st.sampled_from(KEYS))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_choosing_a_row_leaves_its_count(bouts: list[Bout], steps: tuple[Step, ...], key: str) -> None:
    found = counted(apart(bouts), steps)
    table = tally(found, [key], None)
    for place, row in enumerate(table.rows):
        assert len(found.only({key: row.values[0]})) == row.tried
        assert found.only({key: row.values[0]}).exchange_ids().tolist() == table.clips(place)


@given(bouts=small_bouts(most_actions=9), steps=STEPS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_what_comes_next_agrees(bouts: list[Bout], steps: tuple[Step, ...]) -> None:
    slow = slow_tally.tries(steps, [], bouts, SETTINGS, WORDS)
    table = following(counted(bouts, steps))
    for own, rows in ((True, table.own), (False, table.other)):
        expected: dict[str, list[tuple[slow_tally.Try, int | None]]] = {}
        for one in slow:
            place = slow_tally.later(one, own=own)
            what = "nothing more" if place is None else one.actions[place].technique
            expected.setdefault(what, []).append((one, place))
        assert {row.what: row.times for row in rows} == {w: len(some) for w, some in expected.items()}
        for row in rows:
            some = expected[row.what]
            gaps = [
                max(0, one.actions[p].time_us - one.action.time_us)
                for one, p in some
                if p is not None and one.actions[p].time_us is not None and one.action.time_us is not None
            ]
            assert row.timed == len(gaps)
            assert row.median_us == (int(np.median(gaps)) if gaps else None)
            went = Counter(slow_tally.category(one.actions[p], WORDS) for one, p in some if p is not None)
            assert row.landed == went["landed"]
            assert row.known == said_of(went)
            assert set(row.tries.exchange_ids().tolist()) == {one.exchange for one, _ in some}
            for part in ("times", "landed", "known"):
                assert len(row.behind.of(part)) == getattr(row, part)


@given(bouts=small_bouts(most_actions=9), steps=STEPS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_what_catches_agrees(bouts: list[Bout], steps: tuple[Step, ...]) -> None:
    slow = slow_tally.tries(steps, [], bouts, SETTINGS, WORDS)
    rows = {row.attack: row for row in caught(counted(bouts, steps), WORDS.is_punch, SETTINGS.step_window_us)}
    against: dict[str, list[str]] = {}
    after: dict[str, list[str]] = {}
    behind: dict[str, set[int]] = {}
    for one in slow:
        for place, side in zip(
            slow_tally.catching(one, WORDS, SETTINGS.step_window_us), (against, after), strict=True
        ):
            if place is not None:
                action = one.actions[place]
                went = slow_tally.category(action, WORDS)
                side.setdefault(action.technique, []).append(went)
                if went == "landed":
                    behind.setdefault(action.technique, set()).add(one.exchange)
    assert set(rows) == {*against, *after}
    for name, row in rows.items():
        for side, times, landed, of in (
            (against, row.against, row.against_landed, row.against_known),
            (after, row.next, row.next_landed, row.next_known),
        ):
            went_all = side.get(name, [])
            assert times == len(went_all)
            assert landed == went_all.count("landed")
            assert of == said_of(Counter(went_all))
        for rate, landed, of in (
            (row.against_rate, row.against_landed, row.against_known),
            (row.next_rate, row.next_landed, row.next_known),
        ):
            assert (rate is None) == (of == 0)
            if rate is not None:
                assert rate.value == landed / of
                assert 0 <= rate.low <= rate.value <= rate.high <= 1
        assert set(row.tries.exchange_ids().tolist()) == behind.get(name, set())


@given(bouts=small_bouts(most_actions=9), steps=STEPS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_answers_agree(bouts: list[Bout], steps: tuple[Step, ...]) -> None:
    slow = slow_tally.tries(steps, [], bouts, SETTINGS, WORDS)
    found = answers(counted(bouts, steps), SETTINGS.step_window_us)
    expected: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for one in slow:
        said, attack, punch = slow_tally.answer(one, WORDS, SETTINGS.step_window_us)
        key = said, slow_tally.value(one, "stance match", WORDS)
        expected.setdefault(key, []).append((attack, punch))
    assert {(r.response, r.stances): r.times for r in found.rows} == {k: len(v) for k, v in expected.items()}
    for row in found.rows:
        some = expected[row.response, row.stances]
        known, thrown = (rated(Counter(one[i] for one in some)) for i in (0, 1))
        assert row.attack_landed == sum(a == "landed" for a, _ in some)
        assert row.attack_known == sum(a in known for a, _ in some)
        assert row.punch_landed == sum(p == "landed" for _, p in some)
        assert row.punch_known == sum(p in thrown for _, p in some)
        assert row.beaten == sum(a in known[1:] and p == "landed" for a, p in some)
        assert row.beaten_known == sum(a in known and p in (*thrown, "none", "other") for a, p in some)
        for part in row.behind.parts:
            assert len(row.behind.of(part)) == getattr(row, part)


def test_a_pattern_that_ends_in_a_defence_has_the_outcome_of_its_punch() -> None:
    """An attack with a defence built in: two jabs before one step out; the second of them is its last punch."""
    fight = bout(
        exchange((RED, "jab", "landed"), (RED, "step out", None), (BLUE, "cross", "missed")),
        exchange((RED, "jab", "missed"), (RED, "jab", "blocked"), (RED, "step out", None)),
        exchange((RED, "jab", None), (RED, "step out", None), (BLUE, "hook", "landed"), (BLUE, "jab", None)),
    )
    found = counted([fight], (Step("jab"), Step("step out")))
    table = tally(found, (), None, window_us=2 * SECOND)
    total = table.total
    assert (total.tried, total.landed, total.blocked, total.unknown, total.other) == (3, 1, 1, 1, 0)
    assert (total.known, total.rate and total.rate.value) == (2, 0.5)
    assert total.then == (2, 1, 2)
    assert table.clips(0, "landed") == [1]
    assert table.then(0).of("then_landed").exchange_ids().tolist() == [3]
    assert [r.values[0] for r in tally(found, ["outcome"], None).rows] == ["blocked", "landed", "unknown"]
    # Nothing else is lost: answers, comparisons and what changed know how such a try came off.
    answered = {r.response: r for r in answers(found, 2 * SECOND).rows}
    assert (answered["cross"].attack_landed, answered["cross"].attack_known) == (1, 1)
    lines = compare(found.only({"outcome": "landed"}), found.only({"outcome": "blocked"})).landed
    assert (lines[0].k1, lines[0].n1, lines[0].k2, lines[0].n2) == (1, 1, 0, 1)
    # A pattern without any punch has no outcome.
    assert tally(counted([fight], (Step("step out"),)), (), None).total.other == 3


def test_inferred_outcomes_bias_no_rate() -> None:
    """Thirty jabs of which nobody said how they went, half of them slipped: fifteen inferred, no rate; with one
    that is said to have landed, that one alone is the rate. Where none is unknown, they are part of it."""

    def jab(i: int) -> Action:
        slipped = i % 2 == 0
        more = {"outcome": "missed", "inferred": ("outcome",)} if slipped else {}
        return Action("jab", fighter=RED, time_us=i * SECOND, **more)  # type: ignore[arg-type]

    jabs = [Exchange((jab(i),), round=1) for i in range(30)]
    total = tally(counted([bout(*jabs)], (Step("jab"),)), (), None).total
    assert (total.tried, total.missed, total.inferred, total.unknown, total.rate) == (30, 0, 15, 15, None)
    assert total.rate_if == (0, 0.5)
    said = exchange((RED, "jab", "landed"))
    total = tally(counted([bout(*jabs, said)], (Step("jab"),)), (), None).total
    assert (total.landed, total.known) == (1, 1)
    found = counted([bout(*jabs[::2], said)], (Step("jab"),))
    assert (tally(found, (), None).total.landed, tally(found, (), None).total.known) == (1, 16)
    rows = {r.values[0]: r.tried for r in tally(found, ["outcome"], None).rows}
    assert rows == {"missed (inferred)": 15, "landed": 1}


def test_an_answer_keeps_its_hand_and_target() -> None:
    body = Action("jab", fighter=BLUE, time_us=SECOND // 2, target="body", hand="lead", outcome="landed")
    hook = Action("hook", fighter=BLUE, time_us=SECOND // 2, hand="rear")
    fight = bout(
        *(Exchange((Action("jab", fighter=RED, time_us=0), answer), round=1) for answer in (body, hook))
    )
    rows = {r.response for r in answers(counted([fight], (Step("jab", fighter=RED),)), SECOND).rows}
    assert rows == {"jab to the body", "rear hook"}


# --- by hand ----------------------------------------------------------------------------------------------

RED, BLUE = "Ada Okoro", "Bram Visser"


def bout(*exchanges: Exchange, **more: object) -> Bout:
    info = FightInfo(f"{RED} v {BLUE}", Corner(RED, "southpaw"), Corner(BLUE, "orthodox"), **more)  # type: ignore[arg-type]
    return Bout(info, exchanges, (False,) * len(exchanges), tuple(range(1, len(exchanges) + 1)))


def exchange(*said: tuple[str, str, str | None], round_no: int = 1) -> Exchange:
    return Exchange(
        tuple(
            Action(technique, fighter=who, time_us=SECOND * 10 + i * SECOND // 2, outcome=outcome)
            for i, (who, technique, outcome) in enumerate(said)
        ),
        round=round_no,
    )


def test_every_outcome_has_its_column() -> None:
    """Winners land 33 %, touch, and miss apart (Dunn et al. 2017): landed, partial, blocked and air are
    separate columns, and what was not logged is a column of its own."""
    outcomes = ["landed", "hurt", "knockdown", "partial", "blocked", "missed", None]
    found = counted([bout(*(exchange((RED, "jab", o)) for o in outcomes))], (Step("jab"),))
    row = tally(found, (), None).total
    assert (row.tried, row.landed, row.partial, row.blocked, row.missed, row.unknown) == (7, 3, 1, 1, 1, 1)
    assert row.known == 6
    assert row.rate is not None
    assert row.rate.value == pytest.approx(3 / 6)
    assert row.rate_if == pytest.approx((3 / 7, 4 / 7))


def test_an_action_counts_once_however_it_is_matched() -> None:
    """Two jabs before one cross are two matches that end with the same cross."""
    found = counted(
        [bout(exchange((RED, "slip", None), (RED, "feint", None), (RED, "cross", "landed")))],
        (Step("", by=1), Step("cross", by=1)),
    )
    assert tally(found, (), None).total.tried == 1


def test_minutes_are_of_watched_rounds() -> None:
    """Rounds 1 and 3 of a fight of three-minute rounds were logged: six minutes, three jabs, 0.5 a minute."""
    fight = bout(
        exchange((RED, "jab", "landed"), (RED, "jab", "missed")),
        exchange((BLUE, "jab", None), round_no=3),
    )
    found = counted([fight], (Step("jab"),))
    clock = watched(found.columns, {1: FightClock(3 * MINUTE)})
    total = tally(found, (), clock).total
    assert total.watched_us == 6 * MINUTE
    assert total.per_minute == pytest.approx(0.5)
    by_round = {row.values: row for row in tally(found, ["round"], clock).rows}
    assert by_round["1",].per_minute == pytest.approx(2 / 3)
    assert by_round["3",].per_minute == pytest.approx(1 / 3)
    by_fighter = {row.values: row for row in tally(found, ["fighter"], clock).rows}
    assert by_fighter[RED,].per_minute == pytest.approx(2 / 6)
    assert by_fighter[BLUE,].watched_us == 6 * MINUTE
    # How long they stood open or closed is not logged, so that there is no frequency.
    assert tally(found, ["stance match"], clock).rows[0].per_minute is None


def test_an_early_end_counts_to_the_last_logged_exchange() -> None:
    found = counted([bout(exchange((RED, "hook", "knockdown"), round_no=2))], (Step("hook"),))
    clocks = {1: FightClock(3 * MINUTE, (0, 4 * MINUTE), 5 * MINUTE)}
    clock = watched(found.columns, clocks)
    assert clock.total_us == MINUTE
    assert tally(found, ["round"], clock).rows[0].per_minute == pytest.approx(1)


def test_an_early_end_by_the_round_clock() -> None:
    """Without bells: the last action came with 1:15 left on the clock of a round of three minutes."""
    found = counted([bout(exchange((RED, "hook", "knockdown"), round_no=2))], (Step("hook"),))
    clock = watched(found.columns, {1: FightClock(3 * MINUTE, (), -75 * SECOND)})
    assert clock.total_us == 105 * SECOND


def test_minutes_of_a_period() -> None:
    """From 1:20 left in round 2 to the end of round 3: 80 s and 180 s of the nine minutes that were watched."""
    one_hand = Period("one hand", Moment(None, 2, 80 * SECOND), Moment(None, 3))
    course = Course.of([one_hand], None)
    at = -60 * SECOND  # 1:00 left
    jabs = [Exchange((Action("jab", RED, at),), number) for number in (1, 2, 3)]
    found = counted([bout(*jabs, periods=(one_hand,), round_us=3 * MINUTE)], (Step("jab"),))
    clock = watched(found.columns, {1: FightClock(3 * MINUTE, (), None, course)})
    rows = {row.values: row for row in tally(found, ["period"], clock).rows}
    assert {key: (row.tried, row.watched_us) for key, row in rows.items()} == {
        ("one hand",): (2, 260 * SECOND),
        ("no period",): (1, 280 * SECOND),
    }
    by_both = {row.values: row.watched_us for row in tally(found, ["round", "period"], clock).rows}
    assert by_both == {
        ("1", "no period"): 180 * SECOND, ("2", "one hand"): 80 * SECOND, ("3", "one hand"): 180 * SECOND
    }  # fmt: skip
    during, before, after = (
        clock.during([Where(**{side: "One hand"})]) for side in ("during", "before", "after")
    )
    assert (during.total_us, before.total_us, after.total_us) == (260 * SECOND, 280 * SECOND, 0)
    assert clock.only({"period": "one hand"}).total_us == 260 * SECOND
    assert clock.only({"period": "no period"}).total_us == 280 * SECOND
    # Of round 2 the period holds what comes after 100 s.
    assert [during.run_us(0, 2, s * SECOND) for s in (90, 100, 130, 180)] == [0, 0, 30 * SECOND, 80 * SECOND]


def test_unknown_rounds_and_lengths_have_no_minutes() -> None:
    fight = bout(exchange((RED, "jab", None)), Exchange((Action("jab", fighter=RED),)))
    found = counted([fight], (Step("jab"),))
    total = tally(found, (), watched(found.columns, {1: FightClock(2 * MINUTE)})).total
    assert (total.tried, total.timed, total.watched_us) == (2, 1, 2 * MINUTE)
    nothing = tally(found, (), watched(found.columns, {})).total
    assert nothing.per_minute is None


def test_minutes_narrow_with_what_is_chosen() -> None:
    fight = bout(exchange((RED, "jab", None)), exchange((BLUE, "jab", None), round_no=2))
    found = counted([fight], (Step("jab"),))
    clock = watched(found.columns, {1: FightClock(MINUTE)})
    assert clock.only({"round": "2"}).total_us == MINUTE
    assert clock.only({"fighter": RED}).total_us == 2 * MINUTE
    assert clock.only({"fighter": "Cato Lindqvist"}).total_us == 0
    assert clock.only({"technique": "jab"}).total_us == 2 * MINUTE


def test_order_of_rows() -> None:
    fight = bout(
        exchange((RED, "jab", None), (RED, "cross", None), (RED, "jab", None), round_no=10),
        exchange((RED, "hook", None), round_no=2),
        Exchange((Action("jab", fighter=RED),)),
    )
    found = counted([fight], (Step("punch"),))
    assert [r.values[0] for r in tally(found, ["round"], None).rows] == ["2", "10", "unknown"]
    assert [r.values[0] for r in tally(found, ["technique"], None).rows] == ["jab", "cross", "hook"]


def test_unknown_keys_are_refused() -> None:
    found = counted([bout(exchange((RED, "jab", None)))], (Step("jab"),))
    with pytest.raises(InputError, match="nothing to group by"):
        tally(found, ["weather"], None)
    with pytest.raises(InputError, match="nothing that is counted"):
        tally(found, [], None).clips(None, "lucky")


def test_nothing_found_is_an_empty_table() -> None:
    found = counted([bout(exchange((RED, "jab", None)))], (Step("bolo"),))
    table = tally(found, ["round"], None)
    assert (table.rows, table.total.tried, table.total.rate, table.clips()) == ((), 0, None, [])
    assert following(found).own == ()
    assert answers(found, SECOND).rows == ()


def test_answers_by_hand() -> None:
    """Two jabs: one slipped and answered with a cross that lands, one that lands and is not answered."""
    fight = bout(
        exchange((RED, "jab", "missed"), (BLUE, "slip", None), (BLUE, "cross", "landed")),
        exchange((RED, "jab", "landed"), (RED, "cross", "landed"), (BLUE, "block", None)),
    )
    rows = {row.response: row for row in answers(counted([fight], (Step("jab"),)), 2 * SECOND).rows}
    beaten = rows["slip, then cross"]
    assert (beaten.stances, beaten.beaten, beaten.beaten_known, beaten.attack_landed) == ("open", 1, 1, 0)
    # The block after the cross answers the cross, not the jab.
    assert rows["no answer"].attack_landed == 1


def test_caught_by_hand() -> None:
    """A slip that the jab beats all the same, and one that the next hook catches."""
    fight = bout(
        exchange((RED, "jab", "landed"), (BLUE, "slip", None)),
        exchange((RED, "jab", "missed"), (BLUE, "slip", None), (RED, "hook", "landed")),
        exchange(
            (RED, "jab", "missed"), (BLUE, "slip", None), (BLUE, "cross", None), (RED, "hook", "landed")
        ),
    )
    rows = {r.attack: r for r in caught(counted([fight], (Step("slip"),)), WORDS.is_punch, 2 * SECOND)}
    jab, hook = rows["jab"], rows["hook"]
    assert (jab.against, jab.against_landed, jab.next) == (3, 1, 0)
    assert (hook.against, hook.next, hook.next_landed) == (0, 1, 1)
    assert jab.tries.exchange_ids().tolist() == [1]
    assert hook.tries.exchange_ids().tolist() == [2]


def test_comparing_says_it_in_words() -> None:
    fight = bout(
        *(exchange((RED, "jab", "landed" if i < 4 else "missed")) for i in range(9)),
        *(exchange((BLUE, "jab", "landed" if i < 1 else "missed")) for i in range(12)),
    )
    found = counted([fight], (Step("jab"),))
    result = compare(found.only({"fighter": RED}), found.only({"fighter": BLUE}))
    line = result.landed[0]
    assert line.words == "4 of 9 against 1 of 12: could be chance"
    assert line.difference is not None
    assert line.difference.value == pytest.approx(4 / 9 - 1 / 12)
    assert line.clips1 == (1, 2, 3, 4)


def fought(title: str, blue: str, first: int, **landed: tuple[int, int]) -> Bout:
    """A fight of Okoro's, or of Lindqvist's, with jabs that landed so many times of so many, by who threw
    them."""
    names = {"okoro": RED, "lindqvist": "Cato Lindqvist", "other": blue}
    red = next((names[who] for who in landed if who != "other"), RED)
    jabs = [
        Exchange(
            (Action("jab", fighter=names[who], outcome="landed" if i < k else "missed", time_us=0),), round=1
        )
        for who, (k, n) in landed.items()
        for i in range(n)
    ]
    info = FightInfo(title, Corner(red, "southpaw"), Corner(blue, "orthodox"))
    return Bout(info, tuple(jabs), (False,) * len(jabs), tuple(range(first, first + len(jabs))))


def jabs(bouts: list[Bout], **only: str) -> Tries:
    return counted(bouts, (Step("jab"),)).only(only)


def test_a_difference_that_turns_round_within_opponents() -> None:
    """Simpson's paradox as at Berkeley (Bickel, Hammel and O'Connell 1975), with two opponents: Okoro lands
    more than Lindqvist against each of them, and less taken together, since she met the hard one more."""
    bouts = [
        fought("one", "Hard To Hit", 1, okoro=(16, 80)),
        fought("two", "Hard To Hit", 1001, lindqvist=(2, 20)),
        fought("three", "Easy To Hit", 2001, okoro=(16, 20)),
        fought("four", "Easy To Hit", 3001, lindqvist=(56, 80)),
    ]
    found = compare(jabs(bouts, fighter=RED), jabs(bouts, fighter="Cato Lindqvist"))
    assert (found.method, found.fights) == ("opponents", 4)
    line = found.landed[0]
    assert (line.k1, line.n1, line.k2, line.n2) == (32, 100, 58, 100)
    # Within opponents 10 points more against each: .2 - .1 and .8 - .7 (arithmetic).
    assert line.difference is not None
    assert line.difference.value == pytest.approx(0.10)
    assert (
        "taken together the first has less, and within opponents it turns round: 10 points more" in line.words
    )


def test_several_fights_are_compared_within_them() -> None:
    """Against statsmodels' stratified tables, three fights with both sides."""
    from statsmodels.stats.contingency_tables import StratifiedTable

    counts = [((9, 20), (5, 20)), ((12, 25), (6, 22)), ((7, 18), (8, 21))]
    bouts = [
        fought(str(i), "Bram Visser", 1 + 1000 * i, okoro=one, other=two)
        for i, (one, two) in enumerate(counts)
    ]
    found = compare(jabs(bouts, fighter=RED), jabs(bouts, fighter="Bram Visser"))
    assert found.method == "fights"
    tables = [np.array([[k1, n1 - k1], [k2, n2 - k2]]) for (k1, n1), (k2, n2) in counts]
    expected = StratifiedTable(tables)
    line = found.landed[0]
    assert line.p == pytest.approx(expected.test_null_odds(correction=True).pvalue)
    assert line.homogeneity == pytest.approx(expected.test_equal_odds().pvalue)


def test_whole_fights_are_the_units() -> None:
    bouts = [fought(str(i), f"Opponent {i}", 1 + 1000 * i, okoro=(4 + 2 * i, 20)) for i in range(6)]
    early = jabs(bouts).some(np.isin(jabs(bouts).fight, [0, 1, 2]))
    late = jabs(bouts).some(np.isin(jabs(bouts).fight, [3, 4, 5]))
    found = compare(early, late)
    assert (found.method, found.fights) == ("whole fights", 6)
    line = found.landed[0]
    assert (line.k1, line.n1, line.k2, line.n2) == (18, 60, 36, 60)
    # As one sample p would be .0017 (Fisher); fights differ, and six are few.
    assert line.p is not None
    assert line.p > 0.005
    # One fight a side says nothing of how fights differ.
    alone = compare(jabs(bouts, fight="0"), jabs(bouts, fight="5"))
    assert alone.landed[0].p is None
    assert "nothing says how fights differ" in alone.landed[0].words


def test_a_rate_over_several_fights_carries_their_spread() -> None:
    from cliplib.stats.pooling import pooled

    clusters = [(2, 20), (9, 20), (15, 20)]
    bouts = [fought(str(i), f"Opponent {i}", 1 + 1000 * i, okoro=c) for i, c in enumerate(clusters)]
    total = tally(jabs(bouts), (), None).total
    assert total.rate == pooled(clusters)
    alone = tally(jabs(bouts, fight="1"), (), None).total.rate
    assert alone is not None
    assert (round(alone.low, 4), round(alone.high, 4)) == (0.2582, 0.6579)  # 9 of 20, Wilson's, by arithmetic


# --- the arithmetic of large tables -----------------------------------------------------------------------


@given(
    groups=st.lists(st.lists(st.integers(0, 5_000_000) | st.integers(0, 30), max_size=40), max_size=6),
    seed=st.integers(0, 99),
)
@settings(max_examples=80, deadline=None)
def test_quartiles_are_numpys(groups: list[list[int]], seed: int) -> None:
    """Hyndman and Fan 1996, definition 7: `numpy.percentile` with its usual method, rounded down."""
    group = np.repeat(np.arange(len(groups)), [len(g) for g in groups]).astype(np.int64)
    value = np.array([v for g in groups for v in g], np.int64)
    mixed = np.random.default_rng(seed).permutation(len(group))
    for some, found in zip(groups, near.quartiles(group[mixed], value[mixed], len(groups)), strict=True):
        assert found == (tuple(int(q) for q in np.percentile(some, (25, 50, 75))) if some else None)


@pytest.mark.parametrize("longest", [1, 3, 9, 30, 300])
def test_who_did_something_next(longest: int) -> None:
    """Against looking at one action after the other, in exchanges of any length."""
    rng = np.random.default_rng(longest)
    who = [RED, BLUE, "the referee"]
    said = [
        [(who[i], ("jab", "slip")[j]) for i, j in zip(*rng.integers(0, (3, 2), (n, 2)).T, strict=True)]
        for n in rng.integers(1, longest + 1, 12).tolist()
    ]
    said.append([(RED, "slip")] * longest + [(BLUE, "jab")])
    fight = bout(
        *(Exchange(tuple(Action(t, fighter=w, time_us=0) for w, t in actions), round=1) for actions in said)
    )
    columns = columns_of([fight])
    is_punch = np.array([False, *map(WORDS.is_punch, columns.words["technique"])])[
        columns.of_kind("technique")
    ]
    found = [near.ahead(columns, own=own).tolist() for own in (True, False)]
    found.append(near.punch_before(columns, is_punch).tolist())
    row = 0
    for actions in said:
        for i, (me, _) in enumerate(actions):
            other = {RED: BLUE, BLUE: RED}.get(me)
            own_next = (j for j in range(i + 1, len(actions)) if other and actions[j][0] == me)
            other_next = (j for j in range(i + 1, len(actions)) if actions[j][0] == other)
            before = (j for j in range(i - 1, -1, -1) if actions[j] == (other, "jab"))
            expected = [next(own_next, i) - i, next(other_next, i) - i, i - next(before, i)]
            assert [some[row] for some in found] == expected
            row += 1
