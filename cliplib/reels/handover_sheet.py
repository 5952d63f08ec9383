"""The shot list to print: a PDF with the key frame of every example and the counts. Needs the extra
`handover`."""

from __future__ import annotations

import datetime
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from cliplib.core.errors import InputError
from cliplib.core.timebase import format_time
from cliplib.media.poster import Posters
from cliplib.reels.handover_rows import Row, counts_of
from cliplib.reels.lettering import clean
from cliplib.reels.plan import CAUTIONS, ReelPlan
from cliplib.reels.typefaces import FONTS, closing_fonts

MARGIN, PICTURE, GAP = 15, 52, 5  # millimetres


def write_sheet(rows: Sequence[Row], plan: ReelPlan, out: Path) -> None:
    """A4 pages. The same reel gives the same bytes, as no date of making is written into it."""
    try:
        from fpdf import FPDF
    except ImportError as problem:
        raise InputError(
            "fpdf2 is not installed, which the printed shot list is written with; "
            "install it with: pip install 'cliplib[handover]'"
        ) from problem

    title = clean(plan.settings.title) or "Reel"

    class Sheet(FPDF):  # type: ignore[misc,unused-ignore]
        def footer(self) -> None:
            self.set_y(-MARGIN + 3)
            self.set_font("Text", size=8)
            self.cell(0, 4, f"{title} · page {self.page_no()} of {{nb}}", align="R")

    sheet = Sheet(format="A4")
    sheet.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
    sheet.set_title(title)
    sheet.add_font("Text", "", FONTS / "DejaVuSans.ttf")
    sheet.add_font("Text", "B", FONTS / "DejaVuSans-Bold.ttf")
    with closing_fonts(sheet):
        sheet.set_margins(MARGIN, MARGIN)
        sheet.set_auto_page_break(True, MARGIN + 5)
        sheet.add_page()
        _heading(sheet, title, rows, plan)
        with tempfile.TemporaryDirectory() as folder:
            pictures = _key_frames(rows, Path(folder))
            for row in rows:
                _example(sheet, row, pictures.get(row.number), plan)
        sheet.ln(4)
        sheet.set_font("Text", size=8)
        for line in CAUTIONS[1:]:
            sheet.multi_cell(0, 4, line, new_x="LMARGIN", new_y="NEXT")
        sheet.output(str(out))


def _heading(sheet: Any, title: str, rows: Sequence[Row], plan: ReelPlan) -> None:
    sheet.set_font("Text", "B", 18)
    sheet.multi_cell(0, 9, title, new_x="LMARGIN", new_y="NEXT")
    sheet.set_font("Text", size=10)
    length = format_time(int(plan.frames / plan.encoding.rate * 1_000_000), 0)
    if plan.settings.subtitle:
        sheet.multi_cell(0, 5, clean(plan.settings.subtitle), new_x="LMARGIN", new_y="NEXT")
    examples = f"{len(rows)} example{'s' * (len(rows) != 1)}"
    sheet.multi_cell(0, 5, f"{examples}, {length} of reel", new_x="LMARGIN", new_y="NEXT")
    for what, counts in counts_of(rows):
        shown = ", ".join(f"{clean(name)} {count}" for name, count in counts[:12])
        more = f" and {len(counts) - 12} more" if len(counts) > 12 else ""
        sheet.multi_cell(0, 5, f"By {what}: {shown}{more}", new_x="LMARGIN", new_y="NEXT")
    sheet.ln(4)


def _key_frames(rows: Sequence[Row], folder: Path) -> dict[int, Path]:
    """The picture of each example's action, each footage opened once."""
    pictures = {}
    sources = {id(row.part.source): row.part.source for row in rows}
    for key, source in sources.items():
        with Posters(source) as posters:
            for row in rows:
                if id(row.part.source) == key:
                    pictures[row.number] = folder / f"{row.number}.jpg"
                    posters.write(row.key_frame, pictures[row.number])
    return pictures


def _example(sheet: Any, row: Row, picture: Path | None, plan: ReelPlan) -> None:
    from PIL import Image

    width, height = float(PICTURE), PICTURE * 9 / 16
    if picture is not None:
        with Image.open(picture) as image:
            height = width * image.height / image.width
        if height > PICTURE:
            width, height = width * PICTURE / height, PICTURE
    if sheet.get_y() + max(height, 26) > sheet.h - MARGIN - 6:
        sheet.add_page()
    top = sheet.get_y()
    if picture is not None:
        sheet.image(str(picture), MARGIN, top, width, height)
    left = MARGIN + PICTURE + GAP
    lines = [clean(line) for line in row.planned.caption if line] or [clean(row.planned.title)]
    sheet.set_xy(left, top)
    for number, line in enumerate([f"{row.number}  {lines[0]}", *lines[1:]]):
        sheet.set_font("Text", "B" if number == 0 else "", 10)
        sheet.multi_cell(0, 4.6, line, new_x="LEFT", new_y="NEXT")
        sheet.set_x(left)
    line_of = row.part.source.timeline
    times = (
        f"{format_time(line_of.us_of(row.part.first), 2)} to {format_time(line_of.us_of(row.part.last), 2)}"
    )
    at = format_time(int(row.start / plan.encoding.rate * 1_000_000), 1)
    sheet.set_font("Text", size=8)
    sheet.multi_cell(
        0, 4, f"in the reel at {at} · {row.part.source.original.name}, {times}", new_x="LEFT", new_y="NEXT"
    )
    sheet.set_y(max(sheet.get_y(), top + height) + 4)
