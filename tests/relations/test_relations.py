"""Counters, leads, naked punches, follow-ups and inferred outcomes (DESIGN.md, "Relations").

The windows are common practice: no source gives a time from punch to counter. Each rule is held at its very
boundary, with and without times, and all of them together against a slow re-statement of DESIGN.md's words.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib.core.models import Action, Corner, Exchange, FightInfo, Settings
from cliplib.logs.said import as_said
from cliplib.relations.deriving import ROLES, derive
from cliplib.vocabulary import load_vocabulary

VOCABULARY = load_vocabulary()
SETTINGS = Settings()
A, B = "Emeka Adeyemi", "Jonas Brandt"
FIGHT = FightInfo("Adeyemi v Brandt", Corner(A, "southpaw"), Corner(B, "orthodox"))


def exchange(*told: tuple[str, str] | tuple[str, str, float] | Action) -> Exchange:
    """Actions from (fighter, technique) or (fighter, technique, seconds)."""
    actions = [
        one
        if isinstance(one, Action)
        else Action(one[1], one[0], time_us=round(one[2] * 1_000_000) if len(one) == 3 else None)
        for one in told
    ]
    return Exchange(tuple(actions))


def derived(*told: tuple[str, str] | tuple[str, str, float] | Action) -> tuple[Action, ...]:
    return derive(exchange(*told), FIGHT, SETTINGS, VOCABULARY).actions


# --- counters ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gap_us", "counters"),
    [(0, True), (400_000, True), (999_999, True), (1_000_000, True), (1_000_001, False), (2_000_000, False)],
)
def test_counter_is_at_most_a_second_behind(gap_us: int, counters: bool) -> None:
    first = Action("jab", A, time_us=15_200_000)
    second = Action("uppercut", B, time_us=15_200_000 + gap_us)
    _, answer = derived(first, second)
    assert ("counter" in answer.roles) == counters
    assert answer.answers == (0 if counters else None)


def test_the_window_is_a_setting() -> None:
    told = exchange((A, "jab", 1.0), (B, "cross", 2.2))
    wide = replace(SETTINGS, counter_window_us=1_200_000)
    assert "counter" not in derive(told, FIGHT, SETTINGS, VOCABULARY).actions[1].roles
    assert "counter" in derive(told, FIGHT, wide, VOCABULARY).actions[1].roles


def test_without_times_order_decides() -> None:
    _, answer = derived((A, "jab"), (B, "uppercut"))
    assert "counter" in answer.roles
    assert answer.answers == 0


def test_an_untimed_action_among_timed_ones_counters_only_where_there_is_no_doubt() -> None:
    _, answer = derived((A, "jab", 1.0), (B, "uppercut"))
    assert answer.roles == ("naked",)
    assert answer.answers is None
    _, answer, _ = derived((A, "jab", 1.0), (B, "uppercut"), (A, "block", 2.0))  # so it began before 2.0
    assert "counter" in answer.roles
    _, answer, _ = derived((A, "jab", 1.0), (B, "uppercut"), (A, "block", 2.1))
    assert "counter" not in answer.roles
    first, answer = Action("jab", A, time_us=1_000_000), Action("uppercut", B, until_us=1_900_000)
    assert "counter" in derived(first, answer)[1].roles  # over by 1.9
    _, _, answer = derived((B, "step in", 0.5), (A, "jab"), (B, "uppercut", 1.4))
    assert "counter" in answer.roles


def test_a_round_clock_is_a_time() -> None:
    """Its times are kept negated where nobody knows the bells, so that they rise (logs/timing.py)."""
    for left, counters in ((149, True), (148, False)):
        _, answer = derived(
            Action("jab", A, time_us=-150_000_000), Action("cross", B, time_us=-left * 1_000_000)
        )
        assert ("counter" in answer.roles) == counters


def test_a_counter_answers_the_very_last_punch() -> None:
    actions = derived((A, "jab", 1.0), (A, "cross", 1.3), (B, "slip", 1.4), (B, "hook", 1.7))
    assert actions[3].roles == ("counter", "naked")
    assert actions[3].answers == 1


def test_ones_own_punch_between_ends_it() -> None:
    """A jabs, B crosses and hooks: the cross counters; the hook's preceding punch is B's own."""
    actions = derived((A, "jab", 1.0), (B, "cross", 1.3), (B, "hook", 1.6))
    assert "counter" in actions[1].roles
    assert "counter" not in actions[2].roles
    assert actions[2].answers is None


def test_a_counter_may_be_countered() -> None:
    actions = derived((A, "jab", 1.0), (B, "cross", 1.4), (A, "hook", 1.9))
    assert [action.answers for action in actions] == [None, 0, 1]
    assert ["counter" in action.roles for action in actions] == [False, True, True]


def test_what_is_no_punch_neither_counters_nor_is_countered() -> None:
    actions = derived((A, "feint", 1.0), (B, "cross", 1.4))
    assert "counter" not in actions[1].roles
    assert "lead" in actions[1].roles
    actions = derived((A, "jab", 1.0), (B, "slip", 1.1), (B, "pivot", 1.3))
    assert all("counter" not in action.roles for action in actions)


# --- leads, naked punches, follow-ups ---------------------------------------------------------------------


def test_the_first_punch_leads() -> None:
    actions = derived((A, "hand feint", 1.0), (B, "pull", 1.1), (B, "cross", 1.5), (A, "hook", 4.0))
    assert [("lead" in action.roles) for action in actions] == [False, False, True, False]


@pytest.mark.parametrize(
    ("gap_us", "naked"), [(300_000, False), (1_500_000, False), (1_500_001, True), (2_400_000, True)]
)
@pytest.mark.parametrize("before", ["jab", "feint", "hand feint"])
def test_naked(before: str, gap_us: int, naked: bool) -> None:
    _, cross = derived(Action(before, A, time_us=0), Action("cross", A, time_us=gap_us))
    assert ("naked" in cross.roles) == naked


def test_only_ones_own_punches_and_feints_clothe() -> None:
    actions = derived((B, "jab", 1.0), (A, "slip", 1.2), (A, "step in", 1.4), (A, "cross", 1.6))
    assert "naked" in actions[3].roles
    assert "naked" in derived((A, "cross"))[0].roles
    assert "naked" not in derived((A, "foot feint"), (A, "cross"))[1].roles


@pytest.mark.parametrize(("gap_us", "follows"), [(300_000, True), (1_500_000, True), (1_500_001, False)])
def test_follow_up_is_the_own_punch_behind_the_own_punch(gap_us: int, follows: bool) -> None:
    """Common practice: the second punch of a combination follows up the first."""
    _, cross = derived(Action("jab", A, time_us=0), Action("cross", A, time_us=gap_us))
    assert ("follow-up" in cross.roles) == follows
    assert ("naked" in cross.roles) != follows


def test_a_punch_behind_the_opponents_is_no_follow_up() -> None:
    actions = derived((A, "jab", 1.0), (B, "jab", 1.2), (A, "cross", 1.4))
    assert "follow-up" not in actions[2].roles


# --- the logger's own word --------------------------------------------------------------------------------


def test_a_said_counter_stands_beyond_the_window() -> None:
    late = Action("uppercut", B, time_us=2_400_000, said_roles=("counter",))
    _, answer = derived(Action("jab", A, time_us=0), late)
    assert "counter" in answer.roles
    assert answer.answers == 0


def test_a_said_counter_is_no_lead() -> None:
    (only,) = derived(Action("uppercut", B, said_roles=("counter",)))
    assert only.roles == ("counter", "naked")
    assert only.answers is None  # nothing is logged that it could answer


def test_a_said_lead_is_no_counter() -> None:
    _, punch = derived((A, "jab", 1.0), Action("jab", B, time_us=1_300_000, said_roles=("lead",)))
    assert "lead" in punch.roles
    assert "counter" not in punch.roles
    assert punch.answers is None


def test_a_said_naked_punch_is_no_follow_up() -> None:
    _, punch = derived((A, "jab", 1.0), Action("cross", A, time_us=1_300_000, said_roles=("naked",)))
    assert punch.roles == ("naked",)


def test_a_said_outcome_stands() -> None:
    jab = Action("jab", A, time_us=0, outcome="landed")
    assert derived(jab, (B, "slip", 0.2))[0].outcome == "landed"
    assert derived(jab, (B, "slip", 0.2))[0].inferred == ()


# --- inferred outcomes ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("defence", "outcome"),
    [
        ("slip", "missed"),
        ("roll", "missed"),
        ("duck", "missed"),
        ("pull", "missed"),
        ("step back", "missed"),
        ("step out", "missed"),
        ("block", "blocked"),
        ("parry", "blocked"),
        ("catch", "blocked"),
        ("shoulder roll", None),  # touched, more or less: nobody said
        ("pivot", None),
        ("step in", None),
        ("clinch", None),
        ("feint", None),
        ("jab", None),
    ],
)
def test_a_defence_tells_the_outcome(defence: str, outcome: str | None) -> None:
    punch, _ = derived((A, "jab"), (B, defence))
    assert punch.outcome == outcome
    assert ("outcome" in punch.inferred) == (outcome is not None)


def test_only_the_opponents_next_action_counts() -> None:
    punch, *_ = derived((A, "jab", 1.0), (B, "jab", 1.2), (B, "slip", 1.4))
    assert punch.outcome is None
    punch, *_ = derived((A, "jab", 1.0), (A, "pivot", 1.2), (B, "slip", 1.4))
    assert punch.outcome == "missed"


def test_one_slip_is_of_one_punch() -> None:
    jab, cross, _ = derived((A, "jab", 1.0), (A, "cross", 1.3), (B, "slip", 1.4))
    assert (jab.outcome, cross.outcome) == (None, "missed")


def test_both_may_miss() -> None:
    first, _, third, _ = derived((A, "jab"), (B, "slip"), (B, "cross"), (A, "block"))
    assert (first.outcome, third.outcome) == ("missed", "blocked")


# --- all of it against DESIGN.md's words, slowly -----------------------------------------------------------

TECHNIQUES = ("jab", "cross", "check hook", "feint", "slip", "roll", "block", "parry", "pivot", "clinch")
AVOIDS = {"slip": "missed", "roll": "missed", "block": "blocked", "parry": "blocked"}


@st.composite
def exchanges(draw: st.DrawFn) -> Exchange:
    timed = draw(st.sampled_from(["all", "none", "some"]))
    actions, at = [], draw(st.integers(-180_000_000, 10_000_000))
    for _ in range(draw(st.integers(1, 9))):
        at += draw(st.sampled_from([0, 1, 400_000, 999_999, 1_000_000, 1_000_001, 1_500_000, 1_500_001]))
        known = timed == "all" or (timed == "some" and draw(st.booleans()))
        technique = draw(st.sampled_from(TECHNIQUES))
        punch = VOCABULARY.is_punch(technique)
        actions.append(
            Action(
                technique,
                draw(st.sampled_from([A, B])),
                time_us=at if known else None,
                until_us=at + 200_000 if draw(st.integers(0, 5)) == 0 else None,
                outcome=draw(st.sampled_from([None, None, "landed"])) if punch else None,
                said_roles=draw(st.sampled_from([(), (), (), *((role,) for role in ROLES)])) if punch else (),
                inferred=draw(st.sampled_from([(), ("side",)])),
            )
        )
    return Exchange(tuple(actions))


def slowly(told: Exchange) -> list[tuple[set[str], int | None, str | None]]:  # noqa: C901 - plain and slow, to compare with
    """(roles, answers, outcome) of every action, by going through all that comes before or after it."""
    actions = told.actions

    def within(i: int, j: int, window: int) -> bool:
        times = actions[i].time_us, actions[j].time_us
        return times[0] is None or times[1] is None or times[1] - times[0] <= window

    def surely_within(i: int, j: int, window: int) -> bool:
        if not any(action.time_us is not None for action in actions):
            return True
        first = [a.time_us for a in actions[: i + 1] if a.time_us is not None]
        last = [t for a in actions[j:] for t in (a.time_us, a.until_us) if t is not None]
        return bool(first and last) and min(last) - max(first) <= window

    result = []
    for n, action in enumerate(actions):
        said, roles, answers, outcome = action.said_roles, set(action.said_roles), None, action.outcome
        punches = [i for i in range(n) if VOCABULARY.is_punch(actions[i].technique)]
        if VOCABULARY.is_punch(action.technique):
            own = punches and actions[punches[-1]].fighter == action.fighter
            found = set()
            if not punches:
                found.add("lead")
            elif not own and surely_within(punches[-1], n, 1_000_000):
                found.add("counter")
            elif own and within(punches[-1], n, 1_500_000):
                found.add("follow-up")
            if said and said[0] in ("counter", "lead", "follow-up"):
                found -= {"counter", "lead", "follow-up"}
            threats = [
                i
                for i in range(n)
                if actions[i].fighter == action.fighter
                and VOCABULARY.kind(actions[i].technique) in ("punch", "feint")
            ]
            if not any(within(i, n, 1_500_000) for i in threats):
                found.add("naked")
            if said == ("naked",):
                found.discard("follow-up")
            if said == ("follow-up",):
                found.discard("naked")
            roles |= found
            if "counter" in roles:
                theirs = [i for i in punches if actions[i].fighter != action.fighter]
                answers = theirs[-1] if theirs else None
            later = range(n + 1, len(actions))
            reply = next((i for i in later if actions[i].fighter != action.fighter), None)
            again = any(
                actions[i].fighter == action.fighter and VOCABULARY.is_punch(actions[i].technique)
                for i in later
                if reply is None or i < reply
            )
            if outcome is None and reply is not None and not again:
                outcome = AVOIDS.get(actions[reply].technique)
        result.append((roles, answers, outcome))
    return result


@given(exchanges())
def test_the_rules_as_written(told: Exchange) -> None:
    actions = derive(told, FIGHT, SETTINGS, VOCABULARY).actions
    assert [(set(one.roles), one.answers, one.outcome) for one in actions] == slowly(told)


@given(exchanges())
def test_deriving_again_changes_nothing(told: Exchange) -> None:
    once = derive(told, FIGHT, SETTINGS, VOCABULARY)
    assert derive(once, FIGHT, SETTINGS, VOCABULARY) == once
    assert as_said(once) == as_said(told)
    assert [one.said_roles for one in once.actions] == [one.said_roles for one in told.actions]


def test_a_long_exchange_is_no_slower_than_its_length() -> None:
    """A log that calls everything one exchange must not take the square of its rows."""
    import time

    def seconds(count: int) -> float:
        told = exchange(*[(A if i % 3 else B, "jab") for i in range(count)])
        begun = time.perf_counter()
        derive(told, FIGHT, SETTINGS, VOCABULARY)
        return time.perf_counter() - begun

    seconds(1000)
    assert min(seconds(16_000) for _ in range(2)) < 8 * max(0.01, min(seconds(4_000) for _ in range(3)))
