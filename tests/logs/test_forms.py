"""The three forms of log as text: what is read, where each character stood, what breaks the rules.

CSV is held against RFC 4180's own examples and the standard library's csv module, JSON Lines against its json
module, WebVTT against the W3C's syntax section.
"""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from cliplib.core.errors import Problem
from cliplib.logs.csvform import read_csv, records
from cliplib.logs.jsonform import read_jsonl
from cliplib.logs.rows import COLUMNS, Rows
from cliplib.logs.source import Cell, Source, decode
from cliplib.logs.vttform import format_stamp, parse_stamp, read_vtt


def source(text: str) -> Source:
    return Source("log", text)


def values(text: str) -> list[list[str]]:
    """Records as the csv module would give them; no record may be a problem."""
    result = []
    for _, fields in records(source(text)):
        assert not isinstance(fields, Problem), str(fields)
        result.append([raw.replace('""', '"') if quoted else raw for _, raw, quoted in fields])
    return result


def problem(found: Rows) -> Problem:
    (one,) = found.problems
    return one


# --- CSV --------------------------------------------------------------------------------------------------

RFC_4180 = [  # section 2, rules 1 to 7
    ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ("aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ('"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ('"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]]),
]


@pytest.mark.parametrize(("text", "expected"), RFC_4180)
def test_the_examples_of_rfc_4180(text: str, expected: list[list[str]]) -> None:
    assert values(text) == expected


@given(st.lists(st.lists(st.text('ab,"\r\n é', max_size=6), min_size=2, max_size=4), max_size=5))
def test_reads_what_the_csv_module_writes(table: list[list[str]]) -> None:
    stream = io.StringIO()
    csv.writer(stream).writerows(table)
    assert values(stream.getvalue()) == table


@given(st.text('ab,"\r\n', max_size=24))
@example('a,"b\n,""c"\n"d"')
def test_where_it_finds_no_fault_it_reads_as_the_csv_module(text: str) -> None:
    found = list(records(source(text)))
    if any(isinstance(fields, Problem) for _, fields in found):
        assert '"' in text  # nothing else can be wrong
        return
    reference = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    # A line with nothing in it is a record without fields there, and one empty field here.
    assert [fields or [""] for fields in reference] == values(text)


@given(st.lists(st.text('ab,"\n é', max_size=8), min_size=1, max_size=4))
def test_every_character_of_a_csv_value_knows_its_place(row: list[str]) -> None:
    header = (*COLUMNS[: len(row) - 1], "action")
    stream = io.StringIO()
    csv.writer(stream).writerows([header, row])
    found = read_csv(source(stream.getvalue())).rows
    cells = found[0].cells if found else {}
    for name, value in zip(header, row, strict=True):
        if value.strip():
            check_places(cells[name], value.strip())
            # A quotation mark is written twice and stands where the first of the two does.
            quotes = [cells[name].offset(i) for i, one in enumerate(value.strip()) if one == '"']
            assert all(cells[name].source.text[at : at + 2] == '""' for at in quotes)
            assert len({*quotes, *(at + 1 for at in quotes)}) == 2 * len(quotes)
        else:
            assert name not in cells


def check_places(cell: Cell, value: str) -> None:
    assert cell.text == value
    places = [cell.offset(index) for index in range(len(value))]
    assert places == sorted(set(places))
    for place, character in zip(places, value, strict=True):
        written = cell.source.text[place]
        assert written == character or written == "\\"


@pytest.mark.parametrize(
    ("text", "line", "column", "says"),
    [
        ('time,action\n1,ja"b\n', 2, 5, "double this one"),
        ('time,action\n1,"ja"b"\n', 2, 7, "must be followed by a comma"),
        ('time,action\n1,"jab\n2,hook\n', 2, 3, "never closed"),
        ("time,act\n", 1, 1, "must name the columns"),
        ("time,action,time\n", 1, 13, "a second column “time”"),
        ("time,action\n1,jab,hook\n", 2, 7, "needs quotation marks"),
        (",action\n1,jab\n", 2, 1, "a column without a name"),
        ("action\nja\x00b\n", 2, 3, "NUL"),
        ("action\nja\x1bb\n", 2, 3, "U+001B"),
        ("", 1, 0, "empty"),
        ("action\n" + "x" * 70_000 + "\n", 2, 1, "more than 65,536"),
        ('action\n"' + "x" * 70_000 + '"\n', 2, 1, "never closed"),
    ],
)
def test_csv_that_breaks_the_rules(text: str, line: int, column: int, says: str) -> None:
    found = [one for one in read_csv(source(text)).problems if says in one.message]
    assert [(one.line, one.column) for one in found] == [(line, column)]


def test_a_misspelt_column_is_told_and_the_rest_is_read() -> None:
    found = read_csv(source("time,ouctome,action\n1,landed,jab\n"))
    assert (problem(found).column, problem(found).meant) == (6, "outcome")
    assert found.rows[0].cells["action"].text == "jab"


def test_the_quote_that_is_never_closed_swallows_nothing() -> None:
    found = read_csv(source('action\n"jab\nhook\ncross\n'))
    assert (problem(found).line, problem(found).column) == (2, 1)
    assert [row.cells["action"].text for row in found.rows] == ["hook", "cross"]


def test_columns_in_any_order_case_and_spacing() -> None:
    found = read_csv(source(" Action , TIME\r\njab ,  1\r\n\r\n,\r\n"))
    assert not found.problems
    assert [{name: cell.text for name, cell in row.cells.items()} for row in found.rows] == [
        {"action": "jab", "time": "1"}
    ]


def test_the_caret_stands_under_the_place() -> None:
    found = read_csv(source('time,action\n1,jab\n2,"jab"x\n'))
    assert str(problem(found)).splitlines()[1:] == ['    2,"jab"x', "           ^"]


def test_of_a_long_line_only_the_place_is_shown() -> None:
    found = read_csv(source("action\n" + "x" * 5000 + '"' + "y" * 5000 + "\n"))
    shown, caret = str(problem(found)).splitlines()[1:]
    assert problem(found).column == 5001
    assert len(shown) < 200
    assert shown[caret.index("^")] == '"'


# --- JSON Lines -------------------------------------------------------------------------------------------

TEXTS = st.text(st.characters(codec="utf-8") | st.sampled_from('"\\\n\t /é𝄞'), max_size=12)


@given(st.dictionaries(st.sampled_from(COLUMNS), TEXTS), st.booleans())
def test_every_character_of_a_json_value_knows_its_place(row: dict[str, str], plain: bool) -> None:
    text = json.dumps(row, ensure_ascii=plain)
    found = read_jsonl(source(text))
    wanted = {name: value.strip() for name, value in row.items() if value.strip()}
    if found.problems:
        assert any(ord(one) < 32 or ord(one) == 127 for value in wanted.values() for one in value)
        return
    cells = found.rows[0].cells if found.rows else {}
    assert set(cells) == set(wanted)
    for name, value in wanted.items():
        check_places(cells[name], value)


@given(st.text('{}[]":,\\untefalsr0123456789.-+eE ', max_size=40))
def test_json_that_the_json_module_refuses_is_refused(text: str) -> None:
    found = read_jsonl(source(text))
    if not text.strip() or found.problems:
        return
    assert isinstance(json.loads(text), dict)


@pytest.mark.parametrize(
    ("line", "column", "says"),
    [
        ('{"time": 1, "action": "jab"', 28, "a comma or the closing brace"),
        ('{"time": 1 "action": "jab"}', 12, "a comma or the closing brace"),
        ('{"time": 1,}', 12, "a key in quotation marks"),
        ('{"time" 1}', 9, "a colon"),
        ('{"time": }', 10, "not JSON"),
        ('{"time": 01}', 11, "a comma or the closing brace"),
        ('{"action": "jab}', 12, "not JSON"),
        ('{"action": "j\\ab"}', 14, "not JSON"),
        ("{'action': 1}", 2, "a key in quotation marks"),
        ('["jab"]', 1, "each line must be an object"),
        ('"jab"', 1, "each line must be an object"),
        ('{"action": "jab"} {}', 19, "one object a line"),
        ('{"action": "jab", "action": "jab"}', 19, "a second “action”"),
        ('{"acton": "jab"}', 2, "no key is called “acton”"),
        ('{"action": 7}', 12, "must be text in quotation marks"),
        ('{"action": ["jab"]}', 12, "must be text in quotation marks"),
        ('{"note": {"a": 1}}', 10, "must be text in quotation marks"),
        ('{"time": true}', 10, "must be text or a number"),
        ('{"time": NaN}', 10, "not JSON"),
        ('{"time": [[1]]}', 10, "must be text or a number"),
        ('{"time": ' + "[" * 60_000, 10, "not JSON"),
        ('{"action": "ja\\u0000b"}', 15, "NUL"),
        ('{"action": "ja\\ud83db"}', 15, "lone surrogate"),
        ('{"action": "' + "x" * 70_000 + '"}', 1, "more than 65,536"),
    ],
)
def test_json_that_breaks_the_rules(line: str, column: int, says: str) -> None:
    found = read_jsonl(source('{"action": "jab"}\n' + line + '\n{"action": "hook"}\n'))
    one = problem(found)
    assert (one.line, one.column) == (2, column), str(one)
    assert says in one.message
    assert [row.cells["action"].text for row in found.rows] == ["jab", "hook"]


def test_json_numbers_nulls_and_blank_lines() -> None:
    found = read_jsonl(
        source('\n{"time": 72.40, "round": 3, "exchange": 12, "outcome": null, "note": " "}\r\n\n')
    )
    assert not found.problems
    assert {name: cell.text for name, cell in found.rows[0].cells.items()} == {
        "time": "72.40",
        "round": "3",
        "exchange": "12",
    }


# --- WebVTT (W3C, section 4: a timestamp is [hh:]mm:ss.ttt, minutes and seconds 0 to 59) ------------------


@pytest.mark.parametrize(
    ("stamp", "us"),
    [
        ("00:00.000", 0),
        ("00:12.400", 12_400_000),
        ("59:59.999", 3_599_999_000),
        ("01:00:00.000", 3_600_000_000),
        ("00:59:59.999", 3_599_999_000),
        ("100:00:00.001", 360_000_001_000),  # two digits of hours or more
    ],
)
def test_stamps(stamp: str, us: int) -> None:
    assert parse_stamp(stamp) == us


@pytest.mark.parametrize(
    "stamp",
    [
        "60:00.000",  # REFERENCES.md: minutes go up to 59
        "00:60.000",
        "00:60:00.000",
        "0:00.000",
        "0:00:00.000",
        "00:00.00",
        "00:00.0000",
        "00:00",
        "00:00,000",  # the comma of another subtitle format
        "12.400",
        "000:00.000",
        "00:00:00:00.000",
        "٠٠:00.000",
        "-00:01.000",
        "9999:00:00.000",
        "",
    ],
)
def test_stamps_that_are_none(stamp: str) -> None:
    with pytest.raises(ValueError, match=r"WebVTT time|hours"):
        parse_stamp(stamp)


@given(st.integers(0, 900 * 3600 * 1000))
def test_stamp_and_back(milliseconds: int) -> None:
    assert parse_stamp(format_stamp(milliseconds * 1000)) == milliseconds * 1000


def cue(text: str, head: str = "00:14.000 --> 00:18.000") -> str:
    return f"WEBVTT\n\n{head}\n{text}\n"


def parts(text: str) -> list[tuple[str | None, str, int | None]]:
    found = read_vtt(source(text))
    assert not found.problems, str(found.problems[0])
    return [
        (part.fighter.text if part.fighter else None, part.phrase.text, part.time_us)
        for row in found.rows
        for part in row.parts
    ]


def test_voices_tags_and_characters() -> None:
    assert parts(cue("jab")) == [(None, "jab", None)]
    assert parts(cue("<v Jonas Brandt>jab")) == [("Jonas Brandt", "jab", None)]
    assert parts(cue("<v.loud.first Jonas Brandt>jab</v>")) == [("Jonas Brandt", "jab", None)]
    assert parts(cue("<v O&apos;Neill>jab &amp; hook</v>")) == [("O'Neill", "jab & hook", None)]
    assert parts(cue("<v A>jab</v>, <v B>slip</v>, cross")) == [
        ("A", "jab", None),
        ("B", "slip", None),
        (None, "cross", None),
    ]
    assert parts(cue("<v A><i>jab</i> <b>to</b>\nthe <c.x>body</c> <u>now</u> <lang en>ok</lang>")) == [
        ("A", "jab to the body now ok", None)
    ]
    assert parts(cue("<v A>x & y &nosuch; z")) == [("A", "x & y &nosuch; z", None)]


def test_times_inside_a_cue() -> None:
    text = "<v A><00:15.200>jab missed</v> <v B><00:15.900>slip <00:00:16.100>hook</v>"
    assert parts(cue(text)) == [
        ("A", "jab missed", 15_200_000),
        ("B", "slip", 15_900_000),
        ("B", "hook", 16_100_000),
    ]


def test_notes_and_names() -> None:
    text = "<v A>jab <c.note>slow, and wide</c></v> <c.exchange>first</c> <c.big.note>a &lt; b&#10;now</c>"
    (row,) = read_vtt(source(cue(text))).rows
    assert [(part.phrase.text, part.note) for part in row.parts] == [("jab", "slow, and wide")]
    assert (row.name, row.note) == ("first", "a < b\nnow")


def test_every_character_of_a_cue_knows_its_place() -> None:
    text = cue("<v A>jab <b>to</b>\r\nthe &amp; body")
    (row,) = read_vtt(source(text)).rows
    phrase = row.parts[0].phrase
    assert phrase.text == "jab to  the & body"
    for index, character in enumerate(phrase.text):
        if character != " ":
            assert text[phrase.offset(index)] == character
    assert text[phrase.offset(phrase.text.index("&")) :].startswith("&amp;")


def test_what_is_passed_over() -> None:
    text = (
        "WEBVTT - a log\nKind: captions\n\nNOTE jab\nmore\n\nNOTE\n\nSTYLE\n::cue { color: red }\n\n"
        "REGION\nid:x\n\n\n7\n00:14.000 --> 00:18.000 align:start line:0\njab\n\nNOTE done\n"
    )
    for end in ("\n", "\r\n", "\r"):
        (row,) = read_vtt(source(text.replace("\n", end))).rows
        assert (row.span_us, row.line) == ((14_000_000, 18_000_000), 17)
    assert not read_vtt(source("WEBVTT")).problems
    assert not read_vtt(decode(b"\xef\xbb\xbfWEBVTT\n", "log")).problems


@pytest.mark.parametrize(
    ("text", "line", "column", "says"),
    [
        ("WEBVT\n", 1, 1, "begins with a line that says WEBVTT"),
        ("WEBVTTX\n", 1, 1, "begins with a line that says WEBVTT"),
        ("\nWEBVTT\n", 1, 1, "begins with a line that says WEBVTT"),
        ("WEBVTT\n00:14.000 --> 00:18.000\njab\n", 2, 1, "a blank line must come"),
        (cue("jab", "00:14.000 --> 00:14.000"), 3, 15, "end must come after its start"),
        (cue("jab", "00:14.000 --> 00:13.999"), 3, 15, "end must come after its start"),
        (cue("jab", "00:14.0 --> 00:18.000"), 3, 1, "exactly three decimals"),
        (cue("jab", "00:14.000 --> 60:18.000"), 3, 15, "up to 59"),
        (cue("jab", "00:14.000--> 00:18.000"), 3, 10, "a space"),
        (cue("jab", "00:14.000 -->"), 3, 1, "are written"),
        (cue("jab", "00:14,000 --> 00:18,000"), 3, 1, "with a point"),
        (cue("jab --> hook"), 4, 5, "must not stand in a cue's text"),
        ("WEBVTT\n\njab\n", 3, 1, "a cue needs its times"),
        ("WEBVTT\n\n00:14.000 --> 00:18.000\n\n", 3, 1, "no text"),
        ("WEBVTT\n\nNOTE x\n00:14.000 --> 00:18.000\njab\n", 4, 11, "must not hold"),
        (cue("<v>jab"), 4, 1, "a voice tag names"),
        (cue("<v >jab"), 4, 1, "a voice tag names"),
        (cue("jab < hook"), 4, 5, "never closed"),
        (cue("<00:13.000>jab"), 4, 2, "between its start and end"),
        (cue("<00:14.000>jab"), 4, 2, "between its start and end"),
        (cue("<00:18.000>jab"), 4, 2, "between its start and end"),
        (cue("<00:16.000>jab<00:15.000>hook"), 4, 16, "must follow one another"),
        (cue("<00:16.00>jab"), 4, 2, "exactly three decimals"),
        (cue("ja\x00b"), 4, 3, "NUL"),
    ],
)
def test_webvtt_that_breaks_the_rules(text: str, line: int, column: int, says: str) -> None:
    found = [one for one in read_vtt(source(text)).problems if says in one.message]
    assert [(one.line, one.column) for one in found] == [(line, column)], read_vtt(source(text)).problems


def test_a_cue_behind_a_broken_one_is_read() -> None:
    text = cue("jab\n00:20.000 --> 00:22.000\nhook\n\nx\n\n00:24.000 --> 00:25.000\nslip")
    found = read_vtt(source(text))
    assert [row.span_us[0] for row in found.rows if row.span_us] == [14_000_000, 20_000_000, 24_000_000]
    assert [one.line for one in found.problems] == [5, 8]
