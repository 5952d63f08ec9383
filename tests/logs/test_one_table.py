"""A form of log is one module and one row: added here while the tests run, it is found everywhere."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from cliplib import Library
from cliplib.cli.main import cli
from cliplib.logs.forms import FORMS, Form
from cliplib.logs.rows import Rows, row_of, stripped
from cliplib.logs.source import Source
from cliplib.logs.written import Written, columns_of
from cliplib_web import create_app
from tests.house import docs
from tests.libraries import make_fight


def _read(source: Source) -> Rows:
    """Lines of `column=value` with | between them."""
    found = Rows()
    for start, line in zip(source.starts, source.text.splitlines(), strict=False):
        cells = {}
        at = start
        for piece in line.split("|"):
            name, _, value = piece.partition("=")
            cell = stripped(value, source, at + len(name) + 1)
            if cell:
                cells[name] = cell
            at += len(piece) + 1
        if cells:
            found.rows.append(row_of(source, start, cells))
    return found


def _write(log: Written) -> str:
    rows = log.rows()
    names = columns_of(rows)
    return "".join("|".join(f"{n}={row[n]}" for n in names if row.get(n)) + "\n" for row in rows)


@pytest.fixture
def bars(monkeypatch: pytest.MonkeyPatch) -> Form:
    form = Form("bars", "Lines with bars", "text/plain", _read, _write)
    monkeypatch.setitem(FORMS, form.name, form)
    return form


@pytest.fixture
def library(tmp_path: Path, bars: Form) -> Path:
    fight = make_fight(tmp_path / "fights" / "one", kind=None, logs=[("log.bars", "JL")])
    (fight / "log.bars").write_text(
        "time=1.0|fighter=Brandt|action=jab|outcome=missed\n"
        "time=1.4|fighter=Adeyemi|action=cross to the body|outcome=landed\n"
    )
    report = Library(tmp_path / "library", create=True).logging.ingest([fight], cut=False)
    assert report.exit_code == 0, report
    return tmp_path / "library"


def test_it_is_read_and_found(library: Path) -> None:
    assert Library(library).finding.find("counter to the body after a missed jab").total == 1


def test_the_command_line_writes_it_and_names_it(library: Path, tmp_path: Path) -> None:
    def run(*words: str) -> str:
        done = CliRunner().invoke(cli, ["--library", str(library), *words])
        assert done.exit_code == 0, done.output
        return done.output

    text = run("log", "1", "--format", "bars")
    assert "|fighter=Jonas Brandt|action=jab" in text
    assert "bars" in run("log", "--help")
    again = tmp_path / "again.bars"
    again.write_text(text)
    assert run("log-import", "1", str(again), "--by", "KM").startswith("2 lines")


def test_the_pages_offer_it(library: Path) -> None:
    pages = create_app(library).test_client()
    page = pages.get("/fights/1").get_data(as_text=True)
    assert "/fights/1/log.bars" in page
    assert "Lines with bars" in page
    saved = pages.get("/fights/1/log.bars")
    assert saved.mimetype == "text/plain"
    assert b"fighter=Jonas Brandt" in saved.data


def test_the_documents_list_it(bars: Form) -> None:
    assert "| Lines with bars | `.bars` |" in docs.PARTS["forms"]()


def test_what_is_no_form_is_told_with_the_list(library: Path) -> None:
    done = CliRunner().invoke(cli, ["--library", str(library), "log", "1", "--format", "xml"])
    assert done.exit_code == 2
    assert "csv, vtt, jsonl, csv-semicolon, bars" in done.output
    assert create_app(library).test_client().get("/fights/1/log.xml").status_code == 400
