"""Letters and what only steers a screen (The Unicode Standard, 23.2; UTS #51 for emoji)."""

from __future__ import annotations

from pathlib import Path

import pytest

from cliplib.cli.terminal import plain
from cliplib.core.letters import all_show
from cliplib.library.library import Library
from tests import libraries


@pytest.mark.parametrize("text", ["👩‍🦰 v 🏴󠁧󠁢󠁥󠁮󠁧󠁿", "می‌خواهم", "क्‍ष", "❤️‍🔥", "Zoë", "بوکس"])
def test_joined_letters_are_letters(text: str) -> None:
    assert all_show(text)
    assert plain(text) == text


@pytest.mark.parametrize(
    "text", ["a\nb", "a\x1b[31m", "\u202eabc", "\u2066x\u2069", "a\x00", "\u2028", "\u200f", "\ufeff"]
)
def test_what_steers_is_no_letter(text: str) -> None:
    assert not all_show(text)


def test_a_title_may_have_them(tmp_path: Path) -> None:
    fight = libraries.make_fight(tmp_path / "fight", kind=None, title="👩‍🦰 v Brandt")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([fight]).exit_code == 0
    assert library.finding.fight("👩‍🦰").title == "👩‍🦰 v Brandt"
