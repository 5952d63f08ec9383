"""A report as PDF, with fpdf2: the one place that it is imported, and only when a PDF is wanted."""

from __future__ import annotations

import io
from importlib import resources
from typing import TYPE_CHECKING, Any

from cliplib.reels.typefaces import closing_fonts

from .charts import size, svg
from .content import Grid, Report, Section
from .page import clips

if TYPE_CHECKING:
    from fpdf import FPDF

_FONT = "text"


def pdf(report: Report) -> bytes:
    """The report on A4, every page numbered."""
    paper = _paper(report)
    with closing_fonts(paper):
        paper.set_font(_FONT, style="B", size=18)
        paper.multi_cell(0, 9, _safe(report.title), new_x="LMARGIN", new_y="NEXT")
        _words(paper, report.lead)
        for section in report.sections:
            _section(paper, section)
        _heading(paper, "What was counted")
        _words(paper, report.definitions, size=8)
        paper.ln(3)
        _words(paper, (report.caution, *((f"Made on {report.made}.",) if report.made else ())), size=8)
        return bytes(paper.output())


def _paper(report: Report) -> FPDF:
    from fpdf import FPDF

    class Paper(FPDF):
        def footer(self) -> None:
            self.set_y(-14)
            self.set_font(_FONT, size=8)
            self.cell(0, 8, f"{self.page_no()} of {{nb}}", align="R")

    paper = Paper(format="A4")
    fonts = resources.files("cliplib.reels").joinpath("fonts")
    for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        with resources.as_file(fonts.joinpath(name)) as path:
            paper.add_font(_FONT, style=style, fname=path)
    paper.set_title(report.title)
    paper.set_lang("en")
    paper.set_auto_page_break(True, margin=18)
    paper.add_page()
    return paper


def _section(paper: FPDF, section: Section) -> None:
    """A heading never stands at the foot of a page without what it is the heading of."""
    chart = section.chart
    high = 0.0
    if chart is not None:
        wide, tall = size(chart)
        high = min(paper.epw * tall / wide, paper.eph - 50)
    _heading(paper, section.title, 22 + high + 6 * len(section.words))
    _words(paper, section.words)
    if chart is not None:
        picture = io.BytesIO(svg(chart, named=False))
        paper.image(picture, w=paper.epw, h=high, keep_aspect_ratio=True, alt_text=chart.title)
        paper.ln(2)
    if section.grid is not None and section.grid.rows:
        _grid(paper, section.grid)


def _heading(paper: FPDF, text: str, needs: float = 30) -> None:
    """`needs`: millimetres that are to follow on the same page."""
    paper.ln(4)
    if paper.will_page_break(needs):
        paper.add_page()
    paper.set_font(_FONT, style="B", size=12)
    paper.multi_cell(0, 7, _safe(text), align="L", new_x="LMARGIN", new_y="NEXT")


def _words(paper: FPDF, lines: tuple[str, ...], size: int = 10) -> None:
    paper.set_font(_FONT, size=size)
    for line in lines:
        paper.multi_cell(0, size * 0.5, _safe(line), align="L", new_x="LMARGIN", new_y="NEXT")
        paper.ln(1)


_PADDING = 1.5
"""Millimetres beside the text of a cell, on each side."""


def _grid(paper: FPDF, grid: Grid) -> None:
    from fpdf.fonts import FontFace

    with_clips = any(grid.clips)
    head = [*grid.head, *([grid.clips_head] if with_clips else [])]
    rows = [[*row, *([clips(grid.clips[i], 8)] if with_clips else [])] for i, row in enumerate(grid.rows)]
    paper.set_font(_FONT, size=7 if len(head) > 9 else 8)
    options: dict[str, Any] = {
        "col_widths": tuple(_widths(paper, head, rows)),
        "headings_style": FontFace(emphasis="BOLD"),
        "line_height": 4.6,
        "padding": (0, _PADDING),
        "text_align": "LEFT",
        "borders_layout": "HORIZONTAL_LINES",
        "align": "LEFT",
    }
    with paper.table(**options) as table:
        for line in (head, *rows):
            row = table.row()
            for cell in line:
                row.cell(_safe(str(cell)))
    paper.ln(2)


def _widths(paper: FPDF, head: list[str], rows: list[list[str]]) -> list[float]:
    """Millimetres for each column: as much as its text takes, or, where that is more than the page has, less
    of the widest ones, so long as no word is broken. The last column takes what is left."""

    def wide(text: str, style: str) -> float:
        paper.set_font(style=style)
        return float(paper.get_string_width(_safe(text)))

    columns = []
    for i, name in enumerate(head):
        texts = [(name, "B"), *((str(row[i]), "") for row in rows)]
        whole = max(wide(text, style) for text, style in texts)
        word = max(wide(one, style) for text, style in texts for one in (text.split() or [""]))
        columns.append([whole + 2 * _PADDING + 1, word + 2 * _PADDING + 1])
    paper.set_font(style="")
    widths = [whole for whole, _ in columns]
    over = sum(widths) - paper.epw
    for i in sorted(range(len(widths)), key=lambda i: columns[i][1] - columns[i][0]):
        give = min(max(over, 0), widths[i] - columns[i][1])
        widths[i] -= give
        over -= give
    if over < 0:
        widths[-1] -= over
    return widths


def _safe(text: str) -> str:
    """Without control and direction characters; what the font lacks is drawn as an empty box."""
    return "".join(c if c.isprintable() else " " for c in text)
