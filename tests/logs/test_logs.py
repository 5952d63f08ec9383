"""What a log means: times, rounds, exchanges, columns beside phrases, and what cannot be."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib.core.models import Exchange, Settings
from cliplib.logs import read_log
from tests.logs.helping import (
    BARE,
    FIGHT,
    NO_BELLS,
    SETTINGS,
    VOCABULARY,
    A,
    B,
    bad,
    good,
    only,
    read,
    times,
    told,
)

SECOND = 1_000_000


# --- the example of DESIGN.md -----------------------------------------------------------------------------

EXAMPLE = "Adeyemi jab missed, Brandt counter right uppercut to the body landed"


def check_example(exchange: Exchange) -> None:
    jab, uppercut = exchange.actions
    assert (jab.fighter, jab.technique, jab.outcome, jab.hand, jab.side) == (
        A,
        "jab",
        "missed",
        "lead",
        "right",
    )
    assert (uppercut.fighter, uppercut.technique, uppercut.outcome) == (B, "uppercut", "landed")
    assert (uppercut.hand, uppercut.side, uppercut.target) == ("rear", "right", "body")
    assert uppercut.said_roles == ("counter",)
    assert (jab.stance, uppercut.stance) == ("southpaw", "orthodox")


def test_the_example_in_all_three_forms() -> None:
    (exchange,) = good(f'time,action\n0:15.2,"{EXAMPLE}"\n')
    check_example(exchange)
    (exchange,) = good(json.dumps({"time": 15.2, "action": EXAMPLE}), ".jsonl")
    check_example(exchange)
    (exchange,) = good(f"WEBVTT\n\n00:14.200 --> 00:17.900\n{EXAMPLE}\n", ".vtt")
    check_example(exchange)
    assert (exchange.start_us, exchange.end_us, exchange.exact_span) == (14_200_000, 17_900_000, True)
    (exchange,) = good(
        "WEBVTT\n\n00:14.200 --> 00:17.900\n"
        "<v Emeka Adeyemi>jab missed</v>\n<v Jonas Brandt>counter right uppercut to the body landed</v>\n",
        ".vtt",
    )
    check_example(exchange)
    (exchange,) = good(
        "fighter,time,action,outcome,target\n"
        "Adeyemi,0:15.2,jab,missed,\n"
        "Brandt,0:15.7,counter right uppercut,landed,body\n"
    )
    check_example(exchange)
    assert times(exchange) == [15_200_000, 15_700_000]


# --- times ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("time", ["15.2", "0:15.2", "0:00:15.2", "00:15.200000"])
def test_ways_to_write_a_time(time: str) -> None:
    (exchange,) = good(f"time,action\n{time},Adeyemi jab\n")
    assert times(exchange) == [15_200_000]
    assert exchange.round == 1


def test_round_and_clock() -> None:
    (exchange,) = good("round,clock,until,action\n2,2:31,2:30.5,Adeyemi jab\n")
    # The second bell is at 252.4 s; 29 s of the round are gone.
    assert times(exchange) == [281_400_000]
    assert only(exchange).until_us == 281_900_000
    assert (exchange.round, exchange.start_us, exchange.end_us) == (2, 281_400_000, 281_900_000)


def test_a_clock_without_bells_keeps_order_gaps_and_itself() -> None:
    rows = ["1,0:00,Brandt hook", "1,2:31,Adeyemi jab", "1,2:28.5,Brandt hook", "2,3:00,Adeyemi jab"]
    log = "\n".join(["round,clock,action", *rows])
    for fight in (NO_BELLS, BARE):
        first, second, third = good(log, fight=fight)
        assert told(first) == [("Adeyemi", "jab"), ("Brandt", "hook")]  # 2.5 s apart, no more
        assert times(first) == [-151_000_000, -148_500_000]
        assert (first.round, first.start_us, first.end_us) == (1, None, None)
        assert (times(second), second.round) == ([0], 1)
        assert (times(third), third.round) == ([-180_000_000], 2)


def test_footage_time_and_a_clock_without_bells_cannot_be_ordered() -> None:
    problem = bad("time,round,clock,action\n15,,,Adeyemi jab\n,1,2:31,Brandt hook\n", fight=BARE)
    assert (problem.line, problem.column) == (3, 4)
    assert "first_bell" in problem.message


def test_a_log_without_times() -> None:
    first, second = good("fighter,action\nAdeyemi,jab missed\nBrandt,hook\n", fight=BARE)
    assert (times(first), first.round, first.start_us, first.end_us) == ([None], None, None, None)
    assert told(second) == [("Brandt", "hook")]
    (both,) = good("exchange,fighter,action\n1,Adeyemi,jab missed\n1,Brandt,hook\n", fight=BARE)
    assert told(both) == [("Adeyemi", "jab"), ("Brandt", "hook")]
    (both,) = good('round,action\n3,"Adeyemi jab, Brandt hook"\n', fight=BARE)
    assert (told(both), both.round) == ([("Adeyemi", "jab"), ("Brandt", "hook")], 3)


def test_footage_time_without_bells() -> None:
    (exchange,) = good("time,until,action\n0:05,0:06,Adeyemi jab\n", fight=BARE)
    assert (exchange.round, exchange.start_us, exchange.end_us) == (None, 5_000_000, 6_000_000)


@pytest.mark.parametrize(
    ("row", "column", "says"),
    [
        ("0:72,,,", 1, "at most 59"),
        ("-3,,,", 1, "negative"),
        ("soon,,,", 1, "not a time"),
        ("9999:00,,,", 1, "longer than any footage"),
        ("0:12.3,,,", 1, "before the first bell (0:12.4)"),
        ("3:12.5,,,", 1, "in the rest after round 1 (3:12.4)"),
        ("4:12.3,,,", 1, "in the rest after round 1"),
        ("23:13,,,", 1, "after the last bell (23:12.4)"),
        ("0:15,0:14.9,,", 6, "before it begins"),
        ("0:15,4:13,,", 6, "lies in round 2"),
        ("0:15,,2,", 7, "lies in round 1, not 2"),
        (",,7,1:00", 3, "a fight over 6 rounds"),
        (",,0,1:00", 3, "not a round"),
        (",,one,1:00", 3, "not a round"),
        (",,1,3:01", 5, "the clock of a round of 3:00"),
        (",,,1:00", 4, "a clock needs its round"),
        (",1:01,1,1:00", 2, "the clock counts down"),
        (",1:01,,", 2, "without a beginning"),
        (",1:01,1,", 2, "without a beginning"),
        ("0:15,,1,2:00", 9, "does not fit the time 0:15, which is round 1 with 2:57.4 left"),
    ],
)
def test_impossible_times(row: str, column: int, says: str) -> None:
    problem = bad(f"time,until,round,clock,action\n{row},Adeyemi jab\n")
    assert says in problem.message, str(problem)
    assert (problem.line, problem.column) == (2, column), str(problem)


def test_times_at_the_very_bells() -> None:
    first, last = good("time,action\n0:12.4,Adeyemi jab\n3:12.4,Brandt hook\n")
    assert (first.round, last.round) == (1, 1)


def test_rows_may_stand_in_any_order() -> None:
    log = ["0:15.2,Adeyemi jab", "0:15.9,Brandt hook", "0:30,Adeyemi cross", "4:20,Brandt jab"]
    ordered = good("time,action\n" + "\n".join(log))
    turned = good("time,action\n" + "\n".join(reversed(log)))
    assert [replace(one, line=0) for one in ordered] == [replace(one, line=0) for one in turned]
    assert told(ordered[0]) == [("Adeyemi", "jab"), ("Brandt", "hook")]


def test_the_end_may_stand_in_a_later_row() -> None:
    (exchange,) = good("time,until,action\n20,,Adeyemi jab\n,22,Brandt clinch\n")
    assert (exchange.end_us, times(exchange)) == (22 * SECOND, [20 * SECOND, None])
    (exchange,) = good("round,clock,until,action\n1,2:00,,Adeyemi jab\n1,,1:58,Brandt clinch\n", fight=BARE)
    assert exchange.actions[1].until_us == -118 * SECOND
    problem = bad("time,until,action\n20,,Adeyemi jab\n,19,Brandt clinch\n")
    assert (problem.line, problem.column) == (3, 2)


# --- exchanges --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gap", "count"), [("2.5", 1), ("2.500001", 2), ("2.6", 2), ("0", 1)])
def test_a_gap_of_more_than_two_and_a_half_seconds(gap: str, count: int) -> None:
    later = f"{20 + float(gap):.6f}"
    assert len(good(f"time,action\n20,Adeyemi jab\n{later},Brandt hook\n")) == count


def test_the_gap_is_a_setting_and_runs_from_the_end() -> None:
    log = "time,until,action\n20,21.5,Adeyemi clinch\n24,,Brandt hook\n"
    assert len(good(log)) == 1  # 2.5 s from the clinch's end
    assert len(good(log, settings=Settings(exchange_gap_us=2_000_000))) == 2
    log = "time,until,action\n20,26,Adeyemi clinch\n21,,Brandt hook\n28,,Brandt cross\n"
    assert len(good(log)) == 1  # the clinch lasts longer than the hook after it


def test_a_bell_ends_an_exchange() -> None:
    short = replace(FIGHT, round_starts_us=(0, 61 * SECOND), round_us=60 * SECOND, rest_us=SECOND, rounds=2)
    first, second = good("time,action\n59.5,Adeyemi jab\n61.2,Brandt hook\n", fight=short)
    assert (first.round, second.round) == (1, 2)
    # Without bells the `round` column tells.
    assert len(good("time,round,action\n59.5,1,Adeyemi jab\n61.2,2,Brandt hook\n", fight=BARE)) == 2


def test_the_exchange_column_groups() -> None:
    log = (
        "time,exchange,action\n20,first,Adeyemi jab\n30,first,Brandt hook\n"
        "20.5,second,Adeyemi cross\n4:20,first,Adeyemi jab\n"
    )
    first, second, third = good(log)
    assert (first.name, told(first)) == ("first", [("Adeyemi", "jab"), ("Brandt", "hook")])
    assert (second.name, told(second)) == ("second", [("Adeyemi", "cross")])
    assert (third.name, third.round) == ("first", 2)  # numbering begins anew in each round


def test_a_row_without_a_time_belongs_to_the_row_above() -> None:
    log = "time,action\n20,Adeyemi jab\n,Brandt slip\n,Brandt hook\n30,Adeyemi cross\n,Brandt block\n"
    first, second = good(log)
    assert told(first) == [("Adeyemi", "jab"), ("Brandt", "slip"), ("Brandt", "hook")]
    assert times(first) == [20 * SECOND, None, None]
    assert told(second) == [("Adeyemi", "cross"), ("Brandt", "block")]


def test_of_several_actions_in_a_row_only_one_has_a_time() -> None:
    (exchange,) = good('time,until,action\n20,23,"Adeyemi jab, Adeyemi cross, Brandt hook"\n')
    assert times(exchange) == [20 * SECOND, None, None]
    assert [action.until_us for action in exchange.actions] == [None, None, 23 * SECOND]
    assert exchange.end_us == 23 * SECOND
    (exchange,) = good('time,action\n20,"Adeyemi jab, Adeyemi cross, Brandt hook"\n')
    assert exchange.end_us == 20 * SECOND + 3 * SETTINGS.action_length_us
    # The time is that of the fighter whom the row is about.
    (exchange,) = good("time,fighter,action\n20,Brandt,ducks under the jab\n")
    assert told(exchange) == [("Adeyemi", "jab"), ("Brandt", "duck")]
    assert times(exchange) == [None, 20 * SECOND]


def test_a_punch_that_has_its_own_row_is_not_counted_twice() -> None:
    (exchange,) = good("time,fighter,action\n20,Adeyemi,jab missed\n20.3,Brandt,ducks under the jab\n")
    assert told(exchange) == [("Adeyemi", "jab"), ("Brandt", "duck")]
    assert times(exchange) == [20 * SECOND, 20_300_000]
    (exchange,) = good("time,fighter,action\n20,Adeyemi,cross\n20.3,Brandt,ducks under the jab\n")
    assert told(exchange) == [("Adeyemi", "cross"), ("Adeyemi", "jab"), ("Brandt", "duck")]


def test_a_cue_is_an_exchange_and_its_times_are_the_clips() -> None:
    log = (
        "WEBVTT\n\n00:20.000 --> 00:22.000\nAdeyemi jab\n\n00:20.500 --> 00:23.000\nBrandt hook\n\n"
        "04:11.000 --> 04:14.000\n<v brandt>jab\n"
    )
    first, second, third = good(log, ".vtt")
    assert [(one.start_us, one.end_us, one.exact_span) for one in (first, second)] == [
        (20 * SECOND, 22 * SECOND, True),
        (20_500_000, 23 * SECOND, True),
    ]
    assert times(first) == [None]
    assert third.round == 2  # its in lies before the bell, as a lead-in may
    assert [one.line for one in (first, second, third)] == [3, 6, 9]


def test_in_and_out_of_a_row_are_the_clips() -> None:
    (exchange,) = good("time,in,out,action\n20,0:19.25,0:24,Adeyemi jab\n")
    assert (exchange.start_us, exchange.end_us, exchange.exact_span) == (19_250_000, 24 * SECOND, True)
    assert "must come after" in bad("in,out,action\n24,20,Adeyemi jab\n").message
    assert "belong together" in bad("in,action\n24,Adeyemi jab\n").message
    assert "touches no round" in bad("in,out,action\n200,201,Adeyemi jab\n").message


# --- columns beside the phrase ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("outcome", "value"),
    [("missed", "missed"), ("Miss", "missed"), ("landed clean", "landed"), ("KNOCKED DOWN", "knockdown")],
)
def test_columns_complete_the_phrase(outcome: str, value: str) -> None:
    log = "time,fighter,action,outcome,target,place,stance,note\n"
    action = only(good(f"{log}20,Adeyemi,jab,{outcome},the body,on the ropes,orthodox,slow\n")[0])
    assert (action.outcome, action.target, action.place) == (value, "body", "ropes")
    assert (action.stance, action.hand, action.side) == ("orthodox", "lead", "left")
    assert action.note == "slow"
    assert not {"outcome", "target", "place", "stance"} & set(action.inferred)


def test_what_column_and_phrase_both_say() -> None:
    action = only(good("time,action,outcome,target\n20,Adeyemi jab to the body missed,missed,body\n")[0])
    assert (action.outcome, action.target) == ("missed", "body")
    # A knockdown has landed: the more exact word stands, whichever side says it.
    assert only(good("time,action,outcome\n20,Adeyemi hook landed,knockdown\n")[0]).outcome == "knockdown"
    assert only(good("time,action,outcome\n20,Adeyemi hook knockdown,landed\n")[0]).outcome == "knockdown"


@pytest.mark.parametrize(
    ("cells", "column", "says"),
    [
        ("Adeyemi,jab missed,landed,,,", 23, "“landed”, but the phrase says missed"),
        ("Adeyemi,jab to the body,,head,,", 29, "“head”, but the phrase says body"),
        ("Adeyemi,jab on the ropes,,,corner,", 31, "“corner”, but the phrase says ropes"),
        ("Adeyemi,orthodox jab,,,,southpaw", 28, "“southpaw”, but the phrase says orthodox"),
        ("Adeyemi,Brandt jab,,,,", 4, "but the phrase is about Jonas Brandt"),
        ("Okafor,jab,,,,", 4, "“Okafor” is not in this fight"),
        ("Adeyemy,jab,,,,", 4, "“Adeyemy” is not in this fight"),
        (",jab,,,,", 5, "does not say who"),
        ("Adeyemi,jab,knockout,,,", 16, "no outcome; there are landed"),
        ("Adeyemi,jab,,leg,,", 17, "no target; there are head, body"),
        ("Adeyemi,jab,,,balcony,", 18, "no place; there are centre"),
        ("Adeyemi,jab,,,,switch", 19, "no stance; there are orthodox"),
        ("Adeyemi,slip,landed,,,", 17, "no punch that could have an outcome"),
        ('Adeyemi,"jab, cross",landed,,,', 25, "of which punch?"),
        ("Adeyemi,1-2-3,landed,,,", 18, "say the outcome in the phrase, as “1-2 landed” does"),
        (',"Adeyemi jab, Brandt hook",,,,southpaw', 35, "whose?"),
        ("Adeyemi,,landed,,,", 1, "tells no action"),
    ],
)
def test_columns_that_cannot_be(cells: str, column: int, says: str) -> None:
    problem = bad(f"time,fighter,action,outcome,target,place,stance\n20,{cells}\n")
    assert says in problem.message, str(problem)
    assert (problem.line, problem.column) == (2, column), str(problem)


def test_an_outcome_goes_to_the_one_punch_without() -> None:
    (exchange,) = good('time,action,outcome\n20,"Adeyemi jab missed, Brandt hook",landed\n')
    assert [action.outcome for action in exchange.actions] == ["missed", "landed"]
    (exchange,) = good('time,fighter,action,outcome\n20,Brandt,"slip the jab, hook",landed\n')
    assert [action.outcome for action in exchange.actions] == [None, None, "landed"]


@pytest.mark.parametrize("said", ["Adeyemi", "ADEYEMI", "Emeka", "emeka adeyemi", "Adeyemi Emeka", "red"])
def test_ways_to_name_a_fighter(said: str) -> None:
    assert only(good(f"time,fighter,action\n20,{said},jab\n")[0]).fighter == A


def test_names_that_share_a_part() -> None:
    kin = replace(
        BARE, red=replace(BARE.red, name="José Alvaro Ruiz"), blue=replace(BARE.blue, name="Luis Ruiz")
    )
    assert only(good("fighter,action\njose,jab\n", fight=kin)[0]).fighter == "José Alvaro Ruiz"
    problem = bad("fighter,action\nRuiz,jab\n", fight=kin)
    assert "could be José Alvaro Ruiz or Luis Ruiz" in problem.message


def test_unread_words_are_pointed_at() -> None:
    log = 'time,fighter,action\n20,Adeyemi,"jab, then a ""flyng"" knee"\n21,Brandt,hook\n'
    reading = read(log)
    source = log.splitlines()[1]
    assert [source[one.column - 1 :].split('"')[0].split()[0] for one in reading.problems] == [
        "flyng",
        "knee",
    ]
    assert [told(one) for one in reading.exchanges] == [[("Brandt", "hook")]]
    assert str(reading.problems[0]).startswith(f"log.csv:2:{source.index('flyng') + 1}: ")


def test_did_you_mean() -> None:
    assert bad("time,action\n20,Adeyemi upercut\n").meant == "uppercut"


def test_a_row_with_two_mistakes_tells_both() -> None:
    problems = read("time,fighter,action\n3:20,Okafor,jab\n").problems
    assert [(one.line, one.column) for one in problems] == [(2, 1), (2, 6)]


# --- notes ------------------------------------------------------------------------------------------------


def test_notes() -> None:
    log = (
        "time,action,note\n20,Adeyemi jab,slow\n,,Brandt adjusts\n"
        '30,"Adeyemi jab, Brandt hook",the plan\n40,Adeyemi jab,\n,,second thoughts\n'
    )
    first, second, third = good(log)
    assert (only(first).note, first.note) == ("slow", "Brandt adjusts")
    assert ([one.note for one in second.actions], second.note) == (["", ""], "the plan")
    assert third.note == "second thoughts"
    assert "belongs to no action" in bad("exchange,action,note\n7,,lonely\n").message


# --- who stands how ---------------------------------------------------------------------------------------


def test_a_logged_change_of_stance_holds_to_the_bell() -> None:
    log = (
        "time,fighter,action\n20,Adeyemi,jab\n21,Adeyemi,switches stance\n30,Adeyemi,jab\n"
        "40,Brandt,jab\n4:20,Adeyemi,jab\n"
    )
    before, after, other, next_round = good(log)
    assert [(one.technique, one.side) for one in before.actions] == [
        ("jab", "right"),
        ("switch stance", None),
    ]
    assert (only(after).side, only(after).stance) == ("left", "orthodox")
    assert only(other).stance == "orthodox"
    assert (only(next_round).side, only(next_round).stance) == ("right", "southpaw")


@pytest.mark.parametrize(
    ("phrase", "column", "after"),
    [
        ("switches stance", "", "orthodox"),  # Adeyemi is a southpaw
        ("switches to orthodox", "", "orthodox"),
        ("switches to southpaw", "", "southpaw"),  # he had come out the other way, and nobody logged it
        ("switches stance", "orthodox", "southpaw"),  # the column says how he stood before
        ("switches to southpaw", "orthodox", "southpaw"),
        ("southpaw switches stance", "", "orthodox"),
    ],
)
def test_a_switch_of_stance_ends_where_it_is_said_to(phrase: str, column: str, after: str) -> None:
    log = f"time,fighter,action,stance\n20,Adeyemi,{phrase},{column}\n21,Adeyemi,jab,\n30,Adeyemi,jab,\n"
    first, later = good(log)
    switch, jab = first.actions
    assert (switch.technique, switch.stance) == ("switch stance", after)
    assert jab.stance == only(later).stance == after


def test_a_stance_that_is_said_holds_to_the_end_of_the_exchange() -> None:
    log = "time,fighter,action,stance\n20,Adeyemi,jab,orthodox\n21,Adeyemi,cross,\n30,Adeyemi,jab,\n"
    first, second = good(log)
    assert [one.side for one in first.actions] == ["left", "right"]
    assert only(second).side == "right"


def test_a_slip_of_the_punch_in_the_row_before() -> None:
    """Outside of a left-hand punch is the defender's right (DESIGN.md, "Slips")."""
    log = "time,fighter,action\n20,Brandt,jab\n20.2,Adeyemi,slip to the right\n"
    slip = good(log)[0].actions[1]
    assert (slip.direction, slip.side) == ("outside", "right")
    log = "time,fighter,action\n20,Adeyemi,jab\n20.2,Brandt,slip to the inside\n"  # a southpaw's: right hand
    slip = good(log)[0].actions[1]
    assert (slip.direction, slip.side) == ("inside", "right")


# --- files that are something else ------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".vtt"])
@pytest.mark.parametrize(
    "data", [b"", b"\xff\xfea\0c\0", bytes(range(256)) * 40, b"\xff" * 5000, b"\n" * 5000]
)
def test_any_bytes_are_no_traceback(suffix: str, data: bytes) -> None:
    reading = read(data, suffix)
    assert reading.exchanges == ()
    assert reading.problems or (suffix == ".jsonl" and not data.strip())
    assert all(str(problem).startswith(f"log{suffix}:") for problem in reading.problems)


@given(st.binary(max_size=200), st.sampled_from([".csv", ".jsonl", ".vtt"]))
def test_no_bytes_at_all_make_it_raise(data: bytes, suffix: str) -> None:
    heads = {
        ".csv": b"time,fighter,action,exchange,in,out,clock,round\n",
        ".jsonl": b"",
        ".vtt": b"WEBVTT\n\n",
    }
    for head in (b"", heads[suffix]):
        for problem in read(head + data, suffix).problems:
            assert str(problem)


WORDS = st.sampled_from(
    [
        *('"time":', '"action":', "{", "}", '"', ",", "\n", "\r\n", "\\u0041", "\\"),
        *("20", "0:15", "jab", "Adeyemi", "Brandt", "hook missed", "slip"),
        *("-->", "00:15.000", "<v Adeyemi>", "</v>", "<c.note>", "</c>", "<", "&amp;"),
    ]
)


@given(st.lists(WORDS, max_size=40).map("".join), st.sampled_from([".csv", ".jsonl", ".vtt"]))
def test_no_near_miss_makes_it_raise(text: str, suffix: str) -> None:
    head = {".csv": "time,fighter,action\n", ".jsonl": "", ".vtt": "WEBVTT\n\n00:14.000 --> 00:18.000\n"}[
        suffix
    ]
    for problem in read(head + text, suffix).problems:
        assert 1 <= problem.line <= (head + text).count("\n") + (head + text).count("\r") + 1
        assert str(problem)


def test_latin_1_spoils_its_row_only() -> None:
    reading = read(b"time,action\n20,Adeyemi jab \xe9\n30,Adeyemi jab\n")
    assert [times(one) for one in reading.exchanges] == [[30 * SECOND]]
    (problem,) = reading.problems
    assert (problem.line, problem.column) == (2, 16)
    assert "byte E9 is not UTF-8" in problem.message


def test_byte_order_mark() -> None:
    assert good("\ufefftime,action\r\n20,Adeyemi jab\r\n")


def test_an_unknown_kind_and_a_missing_file() -> None:
    assert ".csv, .vtt, .jsonl" in bad("x", ".xlsx").message
    reading = read_log(Path("/nowhere/log.csv"), FIGHT, VOCABULARY, SETTINGS, file_label="log.csv")
    assert "cannot be read" in reading.problems[0].message


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "log.csv")
    reading = read_log(tmp_path / "log.csv", FIGHT, VOCABULARY, SETTINGS, file_label="log.csv")
    assert [str(one) for one in reading.problems] == ["log.csv:1:0: this is not a file"]


def test_a_row_of_fifty_megabytes() -> None:
    for suffix, head, row in (
        (".csv", "action\n", "x" * 50_000_000),
        (".jsonl", "", '{"action": "' + "x" * 50_000_000),
    ):
        (problem,) = read(f"{head}{row}\n", suffix).problems
        assert "65,536" in problem.message
        assert len(str(problem)) < 1000


def test_problems_without_end_are_counted() -> None:
    problems = read("time,action\n" + "x,Adeyemi jab\n" * 3000).problems
    assert len(problems) == 1001
    assert "and 2,000 more" in problems[-1].message
    assert [one.line for one in problems[:3]] == [2, 3, 4]
