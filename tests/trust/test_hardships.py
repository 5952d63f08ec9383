"""Each hardship once, small; `python -m tests.trust.hardships` tries them as often as one likes."""

from __future__ import annotations

from pathlib import Path

import pytest

from cliplib import ClipLibError, Library
from tests.trust import hardships

QUICK = ("clock", "servers", "copied", "backup", "rows", "sparse", "outside", "damaged")


@pytest.mark.parametrize("name", QUICK)
def test_it_is_borne(tmp_path: Path, name: str) -> None:
    told = hardships.HARDSHIPS[name](tmp_path, 1)
    assert told.wrong == []
    assert told.tried.total() > 0


def test_footage_that_is_exchanged_while_it_is_taken_in(tmp_path: Path) -> None:
    told = hardships.replaced(tmp_path, 1)
    assert told.wrong == []
    assert sum(told.tried.values()) == 6


def test_flipped_bits_are_found(tmp_path: Path) -> None:
    """What is not found is in a value that could as well be so, and in no action."""
    told = hardships.flipped(tmp_path, 2)
    assert told.wrong == []
    silent = told.tried["another value, which SQLite cannot tell"]
    assert told.tried["by check"] > 10 * silent


def test_an_action_that_says_something_else_is_found(tmp_path: Path) -> None:
    """SQLite sees nothing wrong with a landed jab that was missed."""
    library = hardships.made(tmp_path)
    library.close()
    path = library.folder / "catalogue.db"
    data = path.read_bytes()
    assert data.count(b"blocked") == 1
    path.write_bytes(data.replace(b"blocked", b"knocked"))
    found = [fault.what for fault in Library(library.folder).care.check()]
    assert found[0].startswith("catalogue: exchange 2 of fight 1 says other than what was written")


def test_a_text_that_is_none_any_more_is_damage(tmp_path: Path) -> None:
    library = hardships.made(tmp_path)
    library.close()
    path = library.folder / "catalogue.db"
    path.write_bytes(path.read_bytes().replace(b"nice and low", b"nice \xd4nd low"))
    with pytest.raises(ClipLibError, match="damaged"):
        Library(library.folder).finding.find("uppercut")
