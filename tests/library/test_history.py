"""Phrases that found something are offered again, and tell nobody of what they may not see."""

from __future__ import annotations

from pathlib import Path

import pytest

from cliplib import Library
from cliplib.core.models import Reading, Step, Where
from cliplib.library.finding import history as library_past
from cliplib.library.finding.history import KEPT, NAME, PhraseHistory
from tests import libraries

# Private parts: the limit is lowered, so that it is reached.

PRIVATE = "Odo Zwentibold"
THEME = 'phrase = "jab then a landed cross"\n'


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A library of a fight and of a private one, uncut."""
    hidden = libraries.make_fight(
        tmp_path / "fights" / "a", title="Quiet sparring", rows=("0:02,Zwentibold,jab,missed,",)
    )
    toml = hidden / "fight.toml"
    text = toml.read_text(encoding="utf-8").replace(libraries.RED, PRIVATE)
    toml.write_text("private = true\n" + text, encoding="utf-8")
    libraries.make_fight(tmp_path / "fights" / "b")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"], cut=False).exit_code == 0
    library.close()
    return tmp_path / "library"


def test_what_found_something_is_offered_again_newest_first(made: Path) -> None:
    library = Library(made)
    for phrase in (
        "jab that missed in round 1",
        "jab by Zwentibold",
        "jab in rounds 7 to 9",
        "jab by qwertz",
    ):
        library.finding.find(phrase)
    assert library.finding.find("jab in rounds 7 to 9").total == 0
    assert library.finding.complete("jab")[:2] == ["jab by Zwentibold", "jab that missed in round 1"]
    assert "jab in rounds 7 to 9" not in library.finding.complete("jab in")[:1]
    # Another process sees the same, and so does the command.
    assert Library(made).finding.complete("JAB B")[0] == "jab by Zwentibold"
    assert library.finding.complete("") == []


def test_themes_are_offered(made: Path) -> None:
    library = Library(made)
    name = library.making.themes.put(THEME)
    assert library.finding.complete("jab then a l")[0] == "jab then a landed cross"
    library.making.themes.remove(name)
    assert "jab then a landed cross" not in library.finding.complete("jab then a l")


def test_who_may_only_look_is_not_told_of_private_fights(made: Path) -> None:
    library = Library(made)
    for phrase in ("jab by Zwentibold", "jab in Quiet sparring", "jab in round 1"):
        assert library.finding.find(phrase).total
    looking = Library(made, hide_private=True)
    assert looking.finding.complete("jab in r")[0] == "jab in round 1"
    offers = [
        o for typed in ("jab", "jab b", "jab in", "jab in Q", "Z") for o in looking.finding.complete(typed)
    ]
    assert not [o for o in offers if "Zwen" in o or "Quiet" in o]
    # Looking leaves no trace.
    before = (made / NAME).read_bytes()
    assert looking.finding.find("jab missed").total
    assert (made / NAME).read_bytes() == before


def test_forgetting_a_fight_forgets_the_phrases_that_name_it(made: Path) -> None:
    library = Library(made)
    library.finding.find("jab by Zwentibold")
    library.finding.find("jab in round 1")
    hidden = next(f for f in library.finding.fights() if f.info.private)
    forgotten = library.care.forget([hidden.id])
    assert forgotten.left == ()
    assert b"Zwentibold" not in (made / NAME).read_bytes()
    assert library.finding.complete("jab in r")[0] == "jab in round 1"


def reading(phrase: str) -> Reading:
    return Reading(phrase, phrase, (Step("jab", fighter="Jonas Brandt"),), Where())


def test_it_stays_small_and_keeps_the_newest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(library_past, "_LARGEST", 20_000)
    past = PhraseHistory(tmp_path)
    for number in range(2 * KEPT):
        past.add(reading(f"jab number {number % (KEPT + 100)}"))
    kept = past.phrases(["Jonas Brandt"])
    assert len(kept) == len(set(kept)) == KEPT
    assert kept[0] == f"jab number {(2 * KEPT - 1) % (KEPT + 100)}"
    assert (tmp_path / NAME).stat().st_size < 2 * 20_000 + KEPT * 80
    assert past.phrases(["somebody else"]) == []


def test_a_file_that_makes_no_sense_or_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(b'{"phrase": "jab", "names": []}\n\xff\xfe\n[]\n{"phrase": 3\n"x"\n{}\n')
    past = PhraseHistory(tmp_path)
    assert past.phrases([]) == ["jab"]
    nowhere = PhraseHistory(tmp_path / "not" / "there")
    nowhere.add(reading("jab"))
    assert nowhere.phrases(["Jonas Brandt"]) == []
