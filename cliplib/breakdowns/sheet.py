"""The script as a PDF to read from while speaking: large type, a point's shots beside its heading. Needs the
extra `handover`."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from cliplib.breakdowns.document import Breakdown, Point
from cliplib.core.errors import InputError
from cliplib.reels.lettering import clean
from cliplib.reels.typefaces import FONTS, closing_fonts, faults, fonts_for

MARGIN = 20  # millimetres
BODY, HEAD, SMALL = 15, 20, 10  # points


def write_script(document: Breakdown, out: Path) -> str:
    """A4 pages; what letters will be wrong, as a sentence, or empty. The same script gives the same bytes.

    InputError if fpdf2 is not installed.
    """
    try:
        from fpdf import FPDF
    except ImportError as problem:
        raise InputError(
            "fpdf2 is not installed, which the script is written with; install it with: "
            "pip install 'cliplib[handover]'"
        ) from problem
    title = clean(document.title) or "Breakdown"

    class Sheet(FPDF):  # type: ignore[misc,unused-ignore]
        def footer(self) -> None:
            self.set_y(-MARGIN + 6)
            self.set_font("Text", size=SMALL)
            self.cell(0, 4, f"{title} · page {self.page_no()} of {{nb}}", align="R")

    sheet = Sheet(format="A4")
    sheet.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
    sheet.set_title(title)
    sheet.add_font("Text", "", FONTS / "DejaVuSans.ttf")
    sheet.add_font("Text", "B", FONTS / "DejaVuSans-Bold.ttf")
    with closing_fonts(sheet):
        _other_fonts(sheet, document.text)
        sheet.set_margins(MARGIN, MARGIN)
        sheet.set_auto_page_break(True, MARGIN)
        sheet.add_page()
        _lines(sheet, title, HEAD + 4, bold=True)
        for paragraph in document.about:
            _lines(sheet, clean(paragraph.text), SMALL + 2)
        for number, point in enumerate(document.points, 1):
            _point(sheet, number, point)
        sheet.output(str(out))
    return faults([document.text.replace("\n", " ")])


def _other_fonts(sheet: Any, text: str) -> None:
    """Fonts of the system for letters that ours lack."""
    paths = sorted({path for path in fonts_for(text).values() if path is not None})
    names = []
    for number, path in enumerate(paths):
        if path.suffix.lower() in (".ttf", ".otf"):
            sheet.add_font(f"Other{number}", "", path)
            names.append(f"Other{number}")
    if names:
        sheet.set_fallback_fonts(names, exact_match=False)


def _point(sheet: Any, number: int, point: Point) -> None:
    sheet.ln(6)
    if sheet.get_y() > sheet.h - 4 * MARGIN:
        sheet.add_page()
    _lines(sheet, f"{number}  {clean(point.heading)}", HEAD, bold=True)
    shots = ", ".join(clean(link.text) for link in point.shots)
    if shots:
        _lines(sheet, f"Shots: {shots}", SMALL)
    for paragraph in point.script:
        sheet.ln(2)
        _lines(sheet, clean(paragraph.text), BODY)


def _lines(sheet: Any, text: str, size: int, *, bold: bool = False) -> None:
    sheet.set_font("Text", "B" if bold else "", size)
    sheet.multi_cell(0, size * 0.5, text, new_x="LMARGIN", new_y="NEXT", align="L")
