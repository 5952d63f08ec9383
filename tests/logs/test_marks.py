"""Marks: moments with a note. They keep their time, and every form gives back what it was given."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib.core.errors import InputError
from cliplib.core.models import FightInfo, Mark
from cliplib.logs import write_log
from cliplib.logs.reading import read_log
from tests.logs.helping import BARE, FIGHT, NO_BELLS, SETTINGS, VOCABULARY, A, read

SECOND = 1_000_000


def bare(marks: tuple[Mark, ...]) -> list[Mark]:
    return [replace(mark, line=0) for mark in marks]


def test_a_timed_row_without_an_action_is_a_mark() -> None:
    told = read("time,fighter,action,note\n4:20,Adeyemi,jab,\n4:21,,,loses his gumshield\n", ".csv")
    assert not told.problems
    assert told.marks == (Mark("loses his gumshield", 261 * SECOND, 2, line=3),)
    assert [len(exchange.actions) for exchange in told.exchanges] == [1]
    assert not told.exchanges[0].note


def test_a_log_of_marks_alone_is_a_log() -> None:
    told = read("time,action,note\n0:20,,starts fast\n", ".csv")
    assert (told.problems, told.exchanges) == ((), ())
    assert told.marks[0].note == "starts fast"


def test_what_the_corner_said_lies_between_rounds() -> None:
    (mark,) = read("time,action,note\n3:40,,told to move left\n", ".csv").marks
    assert (mark.round, mark.time_us) == (None, 220 * SECOND)


def test_a_mark_by_the_round_clock() -> None:
    rows = "round,clock,action,note\n2,1:20,,grabs his elbow\n"
    (known,) = read(rows, ".csv").marks
    assert (known.round, known.time_us, known.on_clock) == (2, FIGHT.round_starts_us[1] + 100 * SECOND, False)
    (shown,) = read(rows, ".csv", NO_BELLS).marks
    assert (shown.round, shown.time_us, shown.on_clock) == (2, -80 * SECOND, True)


def test_a_note_without_a_time_still_belongs_to_the_row_above() -> None:
    told = read("time,fighter,action,note\n4:20,Adeyemi,jab,\n,,,lovely\n", ".csv")
    assert (told.marks, told.exchanges[0].note) == ((), "lovely")


@pytest.mark.parametrize(
    ("rows", "line", "column", "message"),
    [
        ("time,action,note,outcome\n4:20,,looks tired,landed\n", 2, 19, "a mark has no outcome"),
        ("time,action,note,fighter\n4:20,,looks tired,Nobody\n", 2, 19, "Nobody"),
        ("time,action,note\n9:59:00,,after the film\n", 2, 1, "the footage is only 10:00.0 long"),
        ("time,action,note\n12:00,,after the film\n", 2, 1, "the footage is only 10:00.0 long"),
        ("time,until,action,note\n4:20,4:10,,backwards\n", 2, 6, "before it begins"),
        ("round,clock,action,note\n9,1:00,,no such round\n", 2, 1, "round 9 of a fight over"),
        ("time,until,action,note\n9:50,10:01,,on and on\n", 2, 6, "ends at 10:01, but the footage is only"),
        ("in,out,action,note\n9:50,10:01,,on and on\n", 2, 6, "ends at 10:01, but the footage is only"),
    ],
)
def test_bad_marks_are_told_with_their_place(
    rows: str, line: int, column: int, message: str, tmp_path
) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "log.csv"
    path.write_text(rows)
    told = read_log(path, FIGHT, VOCABULARY, SETTINGS, file_label="log.csv", film_us=600 * SECOND)
    (problem,) = told.problems
    assert (problem.line, problem.column) == (line, column)
    assert message in str(problem)
    assert not told.marks


def test_a_mark_before_the_film_is_none(tmp_path) -> None:  # type: ignore[no-untyped-def]
    late = replace(FIGHT, round_starts_us=tuple(us - 60 * SECOND for us in FIGHT.round_starts_us))
    assert late.round_starts_us[0] < 0
    told = read("round,clock,action,note\n1,2:50,,not filmed\n", ".csv", late)
    assert "before the film begins" in str(told.problems[0])
    assert told.problems[0].column == 3
    (jab,) = read("round,clock,fighter,action\n1,2:50,Adeyemi,jab\n", ".csv", late).exchanges
    assert (jab.start_us or 0) < 0  # an action is described all the same


NOTES = st.text('ab ,"\n<&>é-|=', min_size=1, max_size=8).map(str.strip).filter(bool)


@st.composite
def mark_rows(draw: st.DrawFn, clock: bool) -> list[dict[str, str]]:
    rows = []
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, 90_000))
        row = {"note": draw(NOTES)}
        row |= (
            {"round": "2", "clock": f"{(170_000 - at) / 1000:.3f}"} if clock else {"time": f"{at / 1000:.3f}"}
        )
        if draw(st.booleans()):
            end = at + draw(st.integers(2, 3000))
            row["until"] = f"{(170_000 - end if clock else end) / 1000:.3f}"
        if draw(st.integers(0, 2)) == 0:
            row["fighter"] = A
        if draw(st.integers(0, 2)) == 0:
            row["exchange"] = draw(st.sampled_from(["1", "#1", "#2 x", "#2 #3 y", "first, so"]))
        if draw(st.booleans()):
            row["time" if not clock else "clock"] = row.pop("time" if not clock else "clock")
        rows.append(row)
    rows.insert(
        draw(st.integers(0, len(rows))),
        {"round": "2", "clock": "1:30", "fighter": A, "action": "jab"} if clock
        else {"time": "0:40", "fighter": A, "action": "jab"},
    )  # fmt: skip
    return rows


@pytest.mark.parametrize("form", ["csv", "jsonl", "vtt"])
@pytest.mark.parametrize("fight", [FIGHT, NO_BELLS, BARE], ids=["bells", "no bells", "bare"])
@given(data=st.data())
def test_every_form_gives_back_what_it_was_given(form: str, fight: FightInfo, data: st.DataObject) -> None:
    clock = not fight.round_starts_us and form != "vtt"
    text = "".join(json.dumps(row) + "\n" for row in data.draw(mark_rows(clock)))
    first = read(text, ".jsonl", fight)
    assert len(first.marks) >= 1 or first.problems
    written = write_log(first.exchanges, fight, form, marks=first.marks)
    again = read(written, f".{form}", fight)
    assert not again.problems, written
    assert bare(again.marks) == bare(first.marks), written
    assert write_log(again.exchanges, fight, form, marks=again.marks) == written


def test_webvtt_holds_no_mark_without_footage_time() -> None:
    marks = read("round,clock,action,note\n2,1:20,,grabs his elbow\n", ".csv", NO_BELLS).marks
    with pytest.raises(InputError, match="line 2 has no footage time"):
        write_log((), NO_BELLS, "vtt", marks=marks)
