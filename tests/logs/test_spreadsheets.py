"""CSV as spreadsheets of the world write it: semicolons or tabs, decimal commas, UTF-16.

What such a file looks like is common practice (LibreOffice and others under a German, French or Spanish locale;
“Unicode text” is UTF-16 with tabs). RFC 4180 itself knows commas only. The csv module's own reader, told the
separator, is the reference for fields.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib import logs
from cliplib.logs.csvform import records, separator_of
from cliplib.logs.forms import FORMS, form_of, suffixes, text_of
from cliplib.logs.source import Source
from tests import libraries
from tests.logs.helping import FIGHT, SETTINGS, VOCABULARY

COMMAS = (
    'time,fighter,action,note\n12.4,Adeyemi,jab missed,"low; but hard"\n0:13.25,Brandt,"counter, landed",\n'
)
SEMICOLONS = (
    'time;fighter;action;note\n12,4;Adeyemi;jab missed;"low; but hard"\n0:13,25;Brandt;counter, landed;\n'
)


def read(path: Path, data: bytes) -> logs.LogReading:
    path.write_bytes(data)
    return logs.read_log(path, FIGHT, VOCABULARY, SETTINGS, file_label=path.name)


@pytest.mark.parametrize(
    ("data", "remarks"),
    [
        (SEMICOLONS.encode(), 1), (SEMICOLONS.replace("\n", "\r\n").encode(), 1), (b"\xef\xbb\xbf" + SEMICOLONS.encode(), 1),
        (SEMICOLONS.replace("low; but", "low, but").replace(";", "\t").replace("low, but", "low; but").encode(), 1),
        (("sep=;\r\n" + SEMICOLONS).encode(), 1), (COMMAS.encode("utf-16"), 1), (SEMICOLONS.encode("utf-16"), 2),
        (b"\xfe\xff" + COMMAS.encode("utf-16-be"), 1),
        (SEMICOLONS.replace("time;fighter;action;note", '"time";"fighter";"action";"note"').encode(), 1),
    ],
    ids=["semicolons", "crlf", "mark", "tabs", "sep line", "utf-16", "utf-16 semicolons", "big-endian", "quoted header"],
)  # fmt: skip
def test_all_of_them_say_the_same(tmp_path: Path, data: bytes, remarks: int) -> None:
    plain = read(tmp_path / "log.csv", COMMAS.encode())
    assert (plain.problems, plain.remarks) == ((), ())
    other = read(tmp_path / "log.csv", data)
    assert other.problems == ()
    assert [e.actions for e in other.exchanges] == [e.actions for e in plain.exchanges]
    assert len(other.remarks) == remarks
    assert all(remark.startswith("log.csv: ") for remark in other.remarks)


def test_it_is_said_in_the_report(tmp_path: Path) -> None:
    fight = libraries.make_fight(tmp_path / "fight")
    text = (fight / "log.csv").read_text(encoding="utf-8").replace(",", ";").replace("0:02.4", "0:02,4")
    (fight / "log.csv").write_bytes(text.replace("0:06.5", "0:06,5").encode("utf-16"))
    report = libraries.ingest(tmp_path / "library", fight)
    (told,) = report.fights
    assert told.errors == []
    assert told.exchanges == 2
    assert any("semicolons" in said and "decimal commas" in said for said in told.why)
    assert any("UTF-16" in said for said in told.why)


def test_a_place_is_still_the_place(tmp_path: Path) -> None:
    found = read(tmp_path / "log.csv", SEMICOLONS.replace("jab missed", "jabb missed").encode())
    assert [(p.line, p.column) for p in found.problems] == [(2, 14)]
    found = read(tmp_path / "log.csv", SEMICOLONS.replace("12,4", "12,4,1").encode())
    assert [(p.line, p.column) for p in found.problems] == [(2, 1)]


def test_damaged_utf_16_is_told(tmp_path: Path) -> None:
    found = read(tmp_path / "log.csv", COMMAS.encode("utf-16")[:-1])
    assert "UTF-16" in found.problems[0].message
    assert text_of(COMMAS.encode("utf-16")) == COMMAS


def test_it_is_written_on_request(tmp_path: Path) -> None:
    first = read(tmp_path / "log.csv", COMMAS.encode())
    text = logs.write_log(first.exchanges, FIGHT, "csv-semicolon", vocabulary=VOCABULARY)
    assert text.startswith("\ufefftime;")
    assert ";12,4;" in text.replace("\n", "\n;") or "\n12,4;" in text or "12,4" in text
    again = read(tmp_path / "again.csv", text.encode())
    assert again.problems == ()
    assert again.exchanges == first.exchanges
    rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), delimiter=";"))
    assert {row["action"] for row in rows}
    assert form_of(Path("a.csv")) is FORMS["csv"]
    assert suffixes().count(".csv") == 1


@given(
    st.sampled_from(";\t"),
    st.lists(
        st.lists(st.text(alphabet='ab1,;\t"\n é', max_size=6), min_size=2, max_size=4), min_size=1, max_size=4
    ),
)
def test_fields_are_what_the_csv_module_reads(mark: str, table: list[list[str]]) -> None:
    stream = io.StringIO()
    csv.writer(stream, delimiter=mark, lineterminator="\r\n").writerows([["time", "action"], *table])
    source = Source("x.csv", stream.getvalue())
    separator, begin = separator_of(source)
    assert separator == mark
    ours = []
    for _, record in records(source, separator, begin):
        assert isinstance(record, list)
        ours.append([text.replace('""', '"') if quoted else text for _, text, quoted in record])
    theirs = list(csv.reader(io.StringIO(stream.getvalue(), newline=""), delimiter=mark))
    assert ours == theirs
