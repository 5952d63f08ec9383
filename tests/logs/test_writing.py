"""Export: reading back what was written changes nothing."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import imageio_ffmpeg
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from cliplib.core.errors import InputError
from cliplib.core.models import Action, Exchange, FightInfo
from cliplib.logs import as_said, write_log
from cliplib.logs.forms import FORMS
from cliplib.logs.vttform import parse_stamp
from cliplib.relations.deriving import derive
from tests.logs.helping import BARE, FIGHT, NO_BELLS, SETTINGS, VOCABULARY, A, B, good, told
from tests.logs.helping import read as read_text

SECOND = 1_000_000

# --- random logs, as people write them --------------------------------------------------------------------

PUNCHES = (
    "jab",
    "cross",
    "lead hook",
    "right hook",
    "left uppercut",
    "overhand",
    "check hook",
    "right hand",
    "1",
    "3b",
)
DEFENCES = (
    "slip",
    "slip to the left",
    "slip to the outside",
    "rolls under",
    "ducks",
    "blocks",
    "parries",
    "steps out",
)
OTHERS = (
    "feint",
    "hand feint",
    "pivots to the left",
    "circles right",
    "clinches",
    "switches stance",
    "switches to southpaw",
    "switches to orthodox",
    "lead-foot step",
)
TAILS = (
    "",
    "",
    " to the body",
    " to the head missed",
    " landed",
    " blocked",
    " on the ropes",
    " at long range",
)
ROLES = ("", "", "counter ", "naked ", "southpaw ", "orthodox ")
NOTES = st.text('ab ,"\n<&>é-|=', max_size=8).map(str.strip)


@st.composite
def phrases(draw: st.DrawFn) -> str:
    kind = draw(st.sampled_from(["punch", "punch", "defence", "other"]))
    if kind == "punch":
        return draw(st.sampled_from(ROLES)) + draw(st.sampled_from(PUNCHES)) + draw(st.sampled_from(TAILS))
    return draw(st.sampled_from(DEFENCES if kind == "defence" else OTHERS))


@st.composite
def logs(draw: st.DrawFn, fight: FightInfo, untimed: bool = True) -> list[dict[str, str]]:
    """Rows of a log. Times are on the clock where the bells are unknown, and missing altogether at times."""
    clock = not fight.round_starts_us
    kinds = ["all", "some", "none"] if clock else ["all", "some"]
    timed = draw(st.sampled_from(kinds)) if untimed else "all"
    rows = []
    at = draw(st.integers(1_000, 100_000))
    for _ in range(draw(st.integers(1, 7))):
        at += draw(st.sampled_from([0, 300, 999, 1_000, 1_001, 2_500, 2_501, 7_000]))
        row = {"fighter": draw(st.sampled_from([A, B])), "action": draw(phrases())}
        if draw(st.integers(0, 4)) == 0:
            other = B if row["fighter"] == A else A
            row["action"] += f", {other} {draw(phrases())}"
        if draw(st.booleans()):
            row["note"] = draw(NOTES)
        if timed == "all" or (timed == "some" and draw(st.booleans())):
            if clock:
                row |= {"round": "2", "clock": f"{(170_000 - at) / 1000:.3f}"}
            else:
                row["time"] = f"{(260_000 + at) / 1000:.3f}"
        elif clock:
            row["round"] = "2"
        if draw(st.integers(0, 3)) == 0:
            row["exchange"] = draw(st.sampled_from(["1", "#1", "#2 x", "first, so", "#"]))
        if draw(st.integers(0, 5)) == 0 and ("time" in row or "clock" in row):
            end = at + draw(st.integers(0, 3000))
            row["until"] = f"{(170_000 - end if clock else 260_000 + end) / 1000:.3f}"
        rows.append(row)
    return rows


def exchanges_of(rows: list[dict[str, str]], fight: FightInfo) -> tuple[Exchange, ...]:
    """What is read of them. Whether each phrase can be read is for the tests of phrases to say."""
    exchanges = read_text("".join(json.dumps(row) + "\n" for row in rows), ".jsonl", fight).exchanges
    assume(exchanges)
    return exchanges


def without_lines(exchanges: tuple[Exchange, ...]) -> list[Exchange]:
    """Where in the file an exchange begins is the one thing that may change."""
    return [replace(one, line=0) for one in exchanges]


@pytest.mark.parametrize("format", ["csv", "jsonl"])
@pytest.mark.parametrize("fight", [FIGHT, NO_BELLS, BARE], ids=["bells", "no bells", "bare"])
@given(data=st.data())
def test_csv_and_json_lines_hold_everything(format: str, fight: FightInfo, data: st.DataObject) -> None:
    read = exchanges_of(data.draw(logs(fight)), fight)
    text = write_log(read, fight, format)
    again = good(text, FORMS[format].suffix, fight)
    assert without_lines(again) == without_lines(read), text
    assert write_log(again, fight, format) == text


@given(data=st.data())
def test_what_was_derived_is_not_written_as_said(data: st.DataObject) -> None:
    read = exchanges_of(data.draw(logs(FIGHT)), FIGHT)
    derived = [derive(one, FIGHT, SETTINGS, VOCABULARY) for one in read]
    assert [as_said(one) for one in derived] == list(read)
    for format in FORMS:
        try:
            assert write_log(derived, FIGHT, format) == write_log(read, FIGHT, format)
        except InputError:
            assert format == "vtt"


@given(data=st.data())
def test_webvtt_holds_what_it_can(data: st.DataObject) -> None:
    """All but `until`, and a time that is not later than the one before it in its cue."""
    read = exchanges_of(data.draw(logs(FIGHT, untimed=False)), FIGHT)
    spans = [(one.start_us - SECOND, one.end_us + 1_500_000) for one in read if one.end_us and one.start_us]
    text = write_log(read, FIGHT, "vtt", spans=spans)
    again = good(text, ".vtt")
    order = sorted(range(len(read)), key=lambda index: spans[index][0])
    assert [(one.start_us, one.end_us) for one in again] == [spans[index] for index in order]
    assert all(one.exact_span for one in again)
    for before, after in zip((read[index] for index in order), again, strict=True):
        assert (after.name, after.round) == (before.name, before.round)
        assert after.note == before.note
        last = -1
        expected = []
        for action in before.actions:
            time = action.time_us if action.time_us is not None and action.time_us > last else None
            last = time if time is not None else last
            expected.append(replace(action, until_us=None, time_us=time))
        assert list(after.actions) == expected, text
    # From then on nothing changes at all.
    text = write_log(again, FIGHT, "vtt")
    assert without_lines(good(text, ".vtt")) == without_lines(again)
    for format in ("csv", "jsonl"):
        assert without_lines(good(write_log(again, FIGHT, format), FORMS[format].suffix)) == without_lines(
            again
        )


# --- single cases -----------------------------------------------------------------------------------------

JAB = Action(
    "jab", A, 15_200_000, hand="lead", side="right", stance="southpaw", inferred=("hand", "side", "stance")
)


def test_csv_is_rfc_4180() -> None:
    exchange = Exchange((replace(JAB, note='he said "no", twice'),), 1, 15_200_000, 15_800_000)
    text = write_log([exchange], FIGHT, "csv")
    assert text == (
        'time,round,exchange,fighter,action,note\r\n0:15.2,1,#1,Emeka Adeyemi,jab,"he said ""no"", twice"\r\n'
    )
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    assert row["note"] == 'he said "no", twice'


def test_json_lines_are_json() -> None:
    exchange = Exchange((JAB,), 1, 15_200_000, 15_800_000, name="first", note="é\n")
    rows = [json.loads(line) for line in write_log([exchange], FIGHT, "jsonl").splitlines()]
    assert rows == [
        {"exchange": "first", "round": "1", "fighter": A, "time": "0:15.2", "action": "jab"},
        {"exchange": "first", "round": "1", "note": "é\n"},
    ]


def test_one_name_twice_in_a_round() -> None:
    one = Exchange((JAB,), 1, 15_200_000, 15_800_000, name="first")
    two = replace(one, actions=(replace(JAB, time_us=30 * SECOND),), start_us=30 * SECOND, end_us=30_600_000)
    text = write_log([one, two], FIGHT, "csv")
    assert "#2 first" in text
    assert [again.name for again in good(text)] == ["first", "first"]
    assert len(good(text)) == 2


def test_microseconds_survive() -> None:
    exact = Exchange((replace(JAB, time_us=15_200_001),), 1, 14_999_999, 16_000_001, exact_span=True)
    for format in ("csv", "jsonl"):
        (again,) = good(write_log([exact], FIGHT, format), FORMS[format].suffix)
        assert replace(again, line=0) == exact


def test_webvtt_refuses_what_has_no_time() -> None:
    nowhere = Exchange((replace(JAB, time_us=None),), 1, line=7)
    with pytest.raises(InputError, match=r"line 7 has no footage time.*csv or jsonl"):
        write_log([nowhere], FIGHT, "vtt")


def test_an_unknown_form() -> None:
    with pytest.raises(InputError, match="csv, vtt, jsonl"):
        write_log([], FIGHT, "xml")


@pytest.mark.parametrize("format", FORMS)
def test_an_empty_log(format: str) -> None:
    assert good(write_log([], FIGHT, format), FORMS[format].suffix) == ()


def test_names_and_notes_that_look_like_tags() -> None:
    odd = replace(BARE, red=replace(BARE.red, name="A <b> & --> C"), title="x --> y")
    jab = Action("jab", "A <b> & --> C", hand="lead", inferred=("hand",), note="a --> b\n\n&lt; <v x>")
    exchange = Exchange((jab,), None, SECOND, 2 * SECOND, exact_span=True, name="<c>", note="\n-->\n")
    text = write_log([exchange], odd, "vtt")
    (again,) = good(text, ".vtt", odd)
    assert replace(again, line=0) == replace(exchange, note="-->")


def test_players_read_our_webvtt(tmp_path: Path) -> None:
    """Another reader's times: ffmpeg's WebVTT demuxer, which knows nothing of ours, writes them as SubRip."""
    rows = [{"time": f"{20 + 5 * n}.{n}25", "action": "Adeyemi jab, Brandt landed hook"} for n in range(5)]
    read = good("".join(json.dumps(row) + "\n" for row in rows), ".jsonl")
    path = tmp_path / "log.vtt"
    path.write_text(write_log(read, FIGHT, "vtt"))
    done = subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", str(path), "-f", "srt", "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    stamps = re.findall(r"(\S+,\d{3}) --> (\S+,\d{3})", done.stdout)
    assert [tuple(parse_stamp(one.replace(",", ".")) for one in pair) for pair in stamps] == [
        (one.start_us, one.end_us) for one in read
    ]
    assert done.stdout.count("jab") == done.stdout.count("landed hook") == 5


@pytest.mark.parametrize("technique", VOCABULARY.names)
def test_every_technique_reads_back(technique: str) -> None:
    """Each technique with all that can be said of it, through each form."""
    punch = VOCABULARY.is_punch(technique)
    actions = [Action(technique, A, 20 * SECOND)]
    actions += [Action(technique, A, 20 * SECOND, place=place) for place in VOCABULARY.places]
    actions += [Action(technique, A, 20 * SECOND, range=range_) for range_ in VOCABULARY.ranges]
    if punch:
        actions += [Action(technique, A, 20 * SECOND, outcome=outcome) for outcome in VOCABULARY.outcomes]
        actions += [Action(technique, A, 20 * SECOND, target=target) for target in ("head", "body")]
        actions += [Action(technique, A, 20 * SECOND, said_roles=(role,)) for role in VOCABULARY.roles]
        actions.append(
            Action(
                technique, A, 20 * SECOND, target="body", outcome="partial", place="ropes", range="inside",
                said_roles=("counter",), stance="orthodox",
            )
        )  # fmt: skip
    fields = (
        "technique",
        "fighter",
        "time_us",
        "target",
        "outcome",
        "place",
        "range",
        "said_roles",
        "stance",
    )
    for action in actions:
        exchange = Exchange((action,), 1, 19 * SECOND, 22 * SECOND, exact_span=True)
        for format in FORMS:
            text = write_log([exchange], BARE, format)
            (again,) = good(text, FORMS[format].suffix, BARE)
            assert len(again.actions) == 1, text
            for name in fields:
                assert getattr(again.actions[0], name) == getattr(action, name), (name, text)


def test_two_logs_of_one_fight_tell_the_same() -> None:
    log = 'time,action\n20,"Adeyemi jab missed, Brandt counter right uppercut to the body landed"\n'
    (first,) = good(log)
    assert told(first) == [("Adeyemi", "jab"), ("Brandt", "uppercut")]
    assert write_log([first], FIGHT, "csv").splitlines() == [
        "time,round,exchange,fighter,action,outcome,target",
        "0:20,1,#1,Emeka Adeyemi,jab,missed,",
        ",1,#1,Jonas Brandt,counter right uppercut,landed,body",
    ]
