"""CSV that people open in a spreadsheet: nothing of a log is run as a formula, and all of it reads back."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib import Library
from cliplib.cli import main
from cliplib.core.models import Corner
from cliplib.logs import write_log
from cliplib.logs.cells import harmless, meant
from tests.libraries import make_fight
from tests.libraries import write_log as write_rows
from tests.logs.helping import FIGHT, VOCABULARY, good, read

SIGNS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－")
"""With which a cell may begin that a spreadsheet runs (OWASP, "CSV Injection"; from memory)."""

FORMULAS = ("=1+1", "@SUM(A1)", "+cmd|' /C calc'!A0", "-2+3", "'=1+1", "''@x", '=HYPERLINK("http://x")', "-x")


@given(st.one_of(st.text(), st.text("'=+-@\t\r1. x")))
def test_every_text_comes_back(text: str) -> None:
    assert meant(harmless(text)) == text
    assert not harmless(text).startswith(("=", "@", "\t", "\r"))


@pytest.mark.parametrize("text", FORMULAS)
def test_no_formula_begins_a_cell(text: str) -> None:
    assert not harmless(text).startswith(SIGNS)


@pytest.mark.parametrize("text", ["", "-", "-1", "+2.5", "0:02", "jab", "it's", "'quoted'", "'", "1-2"])
def test_what_is_no_formula_stays(text: str) -> None:
    assert harmless(text) == text
    assert meant(text) == text


@pytest.mark.parametrize("text", FORMULAS)
def test_a_logs_notes_and_names_are_no_formulas(tmp_path: Path, text: str) -> None:
    fight = replace(FIGHT, red=Corner(text, "southpaw"))
    log = tmp_path / "log.jsonl"
    said = {"time": 13, "fighter": text, "action": "jab", "note": text}
    log.write_text(json.dumps(said) + "\n", encoding="utf-8")
    told = good(log.read_text(encoding="utf-8"), ".jsonl", fight)
    out = write_log(told, fight, "csv", vocabulary=VOCABULARY)
    for row in csv.reader(io.StringIO(out, newline="")):
        assert not any(cell.startswith(SIGNS) for cell in row), row
    again = good(out, ".csv", fight)
    assert [e.actions for e in again] == [e.actions for e in told]
    assert again[0].actions[0].note == text


def test_a_problem_behind_the_apostrophe_has_its_place() -> None:
    problem = read("time,fighter,action\n13,Adeyemi,'=jxab\n").problems[-1]
    assert (problem.line, problem.column) == (2, 14)


def test_rows_to_correct_are_no_formulas(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fight = make_fight(tmp_path / "fight", kind=None)
    write_rows(fight, ["0:02,Adeyemi,jab,missed,=1+1"])
    library = tmp_path / "library"
    assert main.run(["--library", str(library), "ingest", str(fight)]) == 0
    capsys.readouterr()
    assert main.run(["--library", str(library), "correct", "1"]) == 0
    rows = capsys.readouterr().out
    assert "'=1+1" in rows
    (tmp_path / "rows.csv").write_text(rows.replace("jab", "cross"), encoding="utf-8")
    assert main.run(["--library", str(library), "correct", "1", str(tmp_path / "rows.csv")]) == 0
    (clip,) = Library(library).finding.find("cross").clips
    assert clip.actions[0].note == "=1+1"
