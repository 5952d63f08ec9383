"""The clips behind a number, as cards with what can be made of them."""

from __future__ import annotations

from collections.abc import Mapping

from flask import render_template

from cliplib import evidence_tables

from ..finding.lists import Listed
from ..site.here import library

_MOST_CARDS = 60


def show_clips(
    opened: evidence_tables.Opened, phrase: str, only: Mapping[str, str], *, back: str, into: str = ""
) -> str:
    """`into`: where the number is put into a breakdown."""
    shown = opened.clips[:_MOST_CARDS]
    said = {"q": phrase, "of": ",".join(map(str, shown))}
    return render_template(
        "evidence_clips.html",
        phrase=phrase,
        only=only,
        words=opened.words,
        tries=opened.tries,
        numbers=opened.clips,
        clips=library().finding.clips(shown),
        listed=Listed(library(), phrase, phrase, {k: v for k, v in said.items() if v}, tuple(shown)),
        joined=",".join(map(str, opened.clips)),
        back=back,
        into=into,
    )
