"""“Anything” finds what was done, whatever it was: readings are in phrases_questions.jsonl, matches here."""

from __future__ import annotations

from pathlib import Path

import pytest

from cliplib import Library
from tests import libraries

ROWS = (
    "0:02,Adeyemi,jab,missed,",
    "0:02.4,Brandt,counter right uppercut to the body,landed,",
    "0:03,Adeyemi,clinch,,",
    "0:03.5,Adeyemi,pivot,,",
    "0:06.5,Brandt,lead hook,blocked,",
)


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    place = tmp_path_factory.mktemp("anything")
    libraries.make_fight(place / "fights" / "one", kind=None, rows=ROWS)
    made = Library(place / "library", create=True)
    assert made.logging.ingest([place / "fights"], cut=False).exit_code == 0
    return made


@pytest.mark.parametrize(
    ("phrase", "matches"),
    [
        ("what happens when he misses the jab", {(0, 1)}),
        ("what comes after his jab", {(0, 2), (0, 3)}),
        ("what comes after his jab within 1 second", {(0, 2)}),
        ("anything after the clinch", {(2, 3)}),
        ("what did Adeyemi do after the clinch", {(2, 3)}),
        ("what did Brandt do after the clinch", set()),
        ("what did Brandt do after the opponent's clinch", set()),  # 3.5 s later, in another exchange
        ("anything, then a clinch", {(0, 2)}),
        ("jab with nothing behind it", {(0,)}),
        ("uppercut then nothing", {(1,)}),
        ("jab then nothing", set()),
        ("anything that landed", {(1,)}),
        ("anything to the body after a missed jab", set()),
        ("what lands against the jab", {(0, 1)}),
    ],
)
def test_what_is_found(library: Library, phrase: str, matches: set[tuple[int, ...]]) -> None:
    found = library.finding.find(phrase)
    assert {match for clip in found.clips for match in clip.matches} == matches
    assert found.reading.unread == ()


def test_whose_clinch_is_asked_about(library: Library) -> None:
    (choice,) = library.finding.explain("what did Brandt do after the clinch").choices
    steps = library.finding.explain(choice.others[0][1]).steps
    assert [(s.by, s.fighter) for s in steps] == [(1, None), (2, libraries.BLUE)]


def test_a_log_says_what_was_done(tmp_path: Path) -> None:
    from cliplib.core.models import Corner, FightInfo
    from cliplib.phrases import read_log
    from cliplib.vocabulary import load_vocabulary

    fight = FightInfo("A v B", Corner(libraries.RED), Corner(libraries.BLUE))
    assert read_log("jab, then anything", load_vocabulary(), fight).unread
