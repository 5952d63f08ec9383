"""An evidence table printed: for people with its definitions under it, as JSON, as CSV."""

from __future__ import annotations

import csv
import sys
from collections.abc import Sequence

from cliplib import cells, evidence_tables
from cliplib.cli import terminal


def show(found: evidence_tables.Filled) -> None:
    """For people."""
    if found.reading is not None:
        terminal.reading(found.reading)
    if found.said:
        terminal.say(found.said)
    for line in found.lead:
        terminal.say("".join(piece.text for piece in line))
    for shown in found.groups():
        terminal.say(f"\n{shown.title}" if shown.title else "")
        rows = list(shown.texts(none=""))
        terminal.table(shown.head, rows, give=_widest(shown, rows))
    definitions(found.definitions)


def _widest(shown: evidence_tables.Shown, rows: Sequence[Sequence[str]]) -> int:
    """The column of texts that can best give way."""
    texts = [
        *range(len(shown.by)),
        *(i + len(shown.by) for i, c in enumerate(shown.columns) if c.kind == "text"),
    ]
    widths = {i: max(len(row[i]) for row in rows) for i in texts}
    return max(widths, key=lambda i: widths[i], default=0)


def as_csv(found: evidence_tables.Filled) -> None:
    head, rows = found.as_csv()
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([cells.harmless(cell) for cell in row] for row in rows)
    definitions(found.definitions, err=True)


def definitions(lines: Sequence[str], *, err: bool = False) -> None:
    terminal.say(err=err)
    for line in lines:
        terminal.say(f"  {line}", err=err)
