"""The forms a log can have: one table, and the only place that names them.

A form is a module with a reader and a writer, and one row here. Whoever asks which forms there are (the
fight folder, the command line, the pages, exports, the documents) reads this table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import PurePath

from cliplib.core.errors import InputError
from cliplib.logs.csvform import read_csv, write_csv, write_semicolons
from cliplib.logs.jsonform import read_jsonl, write_jsonl
from cliplib.logs.rows import Rows
from cliplib.logs.source import Source
from cliplib.logs.source import text_of as text_of
from cliplib.logs.vttform import read_vtt, write_vtt
from cliplib.logs.written import Written


@dataclass(frozen=True, slots=True)
class Form:
    """`name`: in commands and addresses, and the suffix of its files. `title`: what people call it.

    `read` gives a file's rows with their places; `write` gives the text of a log, and what was written must
    read back to the same exchanges as far as the form can hold them.
    """

    name: str
    title: str
    media_type: str
    read: Callable[[Source], Rows]
    write: Callable[[Written], str]
    like: str = ""
    """The form whose suffix it has, and whose reader tells the two apart."""

    @property
    def suffix(self) -> str:
        return f".{self.like or self.name}"


FORMS: dict[str, Form] = {
    form.name: form
    for form in (
        Form("csv", "CSV", "text/csv", read_csv, write_csv),
        Form("vtt", "WebVTT", "text/vtt", read_vtt, write_vtt),
        Form("jsonl", "JSON Lines", "application/jsonl", read_jsonl, write_jsonl),
        Form("csv-semicolon", "CSV with semicolons", "text/csv", read_csv, write_semicolons, like="csv"),
    )
}
"""By name, in the order in which people are offered them; the first is taken where nobody says."""


def names() -> list[str]:
    return list(FORMS)


def suffixes() -> list[str]:
    """`.csv` and its like."""
    return list(dict.fromkeys(form.suffix for form in FORMS.values()))


def titles() -> str:
    """All of them in words: “CSV, WebVTT or JSON Lines”."""
    *some, last = (form.title for form in FORMS.values() if not form.like)
    return f"{', '.join(some)} or {last}"


def form_named(name: str) -> Form:
    """InputError for a form that there is not."""
    try:
        return FORMS[name]
    except KeyError:
        raise InputError(f"a log is written as {', '.join(FORMS)}, not as “{name}”") from None


def form_of(path: PurePath) -> Form | None:
    """The form that a file's suffix tells, in small or capital letters; None for any other file."""
    return next((form for form in FORMS.values() if form.suffix == path.suffix.casefold()), None)
