"""Charts and reports: whole, self-contained, readable without colour, and saying what the tables say."""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from click.testing import CliRunner
from statsmodels.stats.multitest import multipletests

from cliplib import Library, fight_report, fighter_report
from cliplib.cli.main import cli
from cliplib.core.errors import InputError
from cliplib.library.evidence.report import LOOKED_AT
from cliplib.reels.typefaces import closing_fonts
from cliplib.report import Bars, Dots, Flow, Grid, Report, Section, html, pdf, svg
from cliplib.report.paper import _paper, _widths
from cliplib.stats.changepoint import Change
from cliplib.stats.proportions import wilson
from tests.library.test_evidence import made as made  # the same small library

# Private parts: widths of columns are tried without a page.

BARS = Bars("By round", ("1", "2"), (("landed", (3, 0)), ("missed", (1, 4)), ("unknown", (0, 2))))
DOTS = Dots("Rates", ("A $5 <b>name</b>", "2"), (wilson(4, 9), None), ("4 of 9", "0 of 0"))
FLOW = Flow("After the jab", "jab", 10, (("cross", 6), ("nothing more", 4)), (("slip", 10),))


@pytest.mark.parametrize("chart", [BARS, DOTS, FLOW], ids=["bars", "dots", "flow"])
def test_charts_are_svg_in_black_and_white(chart: Bars | Dots | Flow) -> None:
    picture = svg(chart)
    root = ElementTree.fromstring(picture)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.get("role") == "img"
    # SVG 2, 5.7: title and desc are what assistive technology reads.
    assert root[0].tag.endswith("}title")
    assert root[0].text == chart.title
    assert root[1].tag.endswith("}desc")
    for colour in re.findall(rb"#([0-9a-f]{6})\b", picture):
        assert colour[:2] == colour[2:4] == colour[4:], f"{colour!r} is no grey"
    assert svg(chart) == picture
    # Nothing is fetched: the only addresses are names of namespaces.
    assert b'href="http' not in picture
    assert b"<!DOCTYPE" not in picture


def test_a_chart_describes_what_it_shows() -> None:
    assert b"1: landed 3, missed 1; 2: missed 4, unknown 2" in svg(BARS)
    assert "4 of 9" in svg(DOTS).decode()
    assert b"the same fighter cross 6" in svg(FLOW)


def report() -> Report:
    grid = Grid(("round", "tried"), (("1", "4"), ("<script>", "6")), ((1, 2), ()))
    return Report(
        "Okoro & Visser", ("A lead.",), (Section("By round", ("Words.",), BARS, grid),), ("Counted.",)
    )


def test_html_needs_nothing_beside_it() -> None:
    text = html(report())
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert "Okoro &amp; Visser" in text
    assert not re.search(r"(?:src|href)=\"(?!data:)", text)
    assert text.count("<img ") == text.count('alt="By round. 1: landed 3')
    assert "Counted." in text
    assert "Footage belongs to somebody" in text


def test_pdf_is_whole_and_numbered() -> None:
    data = pdf(report())
    # ISO 32000: header, and the end-of-file marker in the last line.
    assert data.startswith(b"%PDF-1.")
    assert data.rstrip().endswith(b"%%EOF")
    assert len(re.findall(rb"/Type /Page\b", data)) >= 1


def test_a_fight_and_a_fighter_in_one_command(made: Path, tmp_path: Path) -> None:
    for arguments in (("fight", "1"), ("fighter", "adeyemi")):
        for suffix in ("html", "pdf"):
            out = tmp_path / f"{arguments[0]}.{suffix}"
            done = CliRunner().invoke(
                cli, ["--library", str(made), "report", *arguments, "-o", str(out)], catch_exceptions=False
            )
            assert done.exit_code == 0, done.output
            assert out.stat().st_size > 10_000
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []
    text = (tmp_path / "fight.html").read_text(encoding="utf-8")
    cells = ["jab", "9 of 9 landed", "0 of 9", "round 2, 0:02", "chance alone would hardly do this"]
    assert f"Emeka Adeyemi</th>{''.join(f'<td>{cell}</td>' for cell in cells)}" in text
    wrong = CliRunner().invoke(
        cli, ["--library", str(made), "report", "fight", "1", "-o", str(tmp_path / "x.docx")]
    )
    assert isinstance(wrong.exception, InputError)


def test_a_report_says_what_the_counts_say(made: Path) -> None:
    library = Library(made)
    found = fight_report(library.evidence, library.finding.fight(1))
    table = library.evidence.tally("any punch", ("fighter",), only={"fight": "1"}).table
    grid = found.sections[0].grid
    assert grid is not None
    assert [(r[0], int(r[1])) for r in grid.rows] == [(r.values[0], r.tried) for r in table.rows]
    assert fighter_report(library.evidence, "Jonas Brandt").title == "Jonas Brandt"
    with pytest.raises(InputError, match="nothing to report"):
        fighter_report(library.evidence, "unknown")
    library.close()


def test_many_looks_are_adjusted_together(made: Path) -> None:
    """Benjamini and Hochberg 1995, against statsmodels, over all patterns of both fighters that could be
    looked at; those with too few tries are named."""
    library = Library(made)
    section = fight_report(library.evidence, library.finding.fight(1)).sections[-1]
    assert section.title == "Did landing change?"
    assert section.grid is not None
    # Below a thousandth a number is not given; these lie half way.
    p, q = ([float(row[i].replace("< 0.001", "0.0005")) for row in section.grid.rows] for i in (-2, -1))
    changes = {
        (name, phrase): library.evidence.change(phrase, 1, only={"fighter": name}).result.found
        for name in library.finding.fight(1).info.fighters
        for phrase in LOOKED_AT
    }
    found = {key: one.p for key, one in changes.items() if isinstance(one, Change)}
    assert len(found) == len(section.grid.rows) > 2
    assert p == pytest.approx([found[row[0], row[1]] for row in section.grid.rows], abs=5.1e-4)
    expected = multipletests([found[row[0], row[1]] for row in section.grid.rows], method="fdr_bh")[1]
    assert q == pytest.approx(expected.tolist(), abs=6e-4)
    assert f"12 patterns looked at, {len(found)} with enough tries" in section.words[0]
    assert "Jonas Brandt, hook (0)" in section.words[1]
    assert section.grid.clips[0]
    library.close()


def test_columns_break_no_word_and_fill_the_page() -> None:
    grid = Grid(
        ("fighter", "tried", "landed", "partial", "blocked", "missed", "unknown", "rate", "a minute"),
        (("Emeka Adeyemi", "20", "9", "0", "2", "9", "0", "45 % (26–66)", "16.67"),),
        (tuple(range(100, 190)),),
        "clips of landed",
    )
    paper = _paper(report())
    with closing_fonts(paper):
        paper.set_font("text", size=8)
        head = [*grid.head, grid.clips_head]
        rows = [[*grid.rows[0], ", ".join(map(str, grid.clips[0]))]]
        widths = _widths(paper, head, rows)
        assert sum(widths) == pytest.approx(paper.epw)
        for name, width in zip(head, widths, strict=True):
            paper.set_font(style="B")
            assert max(paper.get_string_width(word) for word in name.split()) < width - 2


def test_nothing_draws_until_a_picture_is_wanted() -> None:
    """Matplotlib and fpdf2 take a second to import; every other command does without them."""
    code = (
        "import sys, cliplib.cli, cliplib.library\n"
        "assert not {'matplotlib', 'fpdf'} & set(sys.modules), 'a drawing library was imported'\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
