"""The one door: names, threads, reels that are kept, and what happens while an ingest is at work."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from cliplib import Library, ReelSettings, clip_json, found_json
from cliplib.core.errors import (
    BusyError,
    Cancelled,
    FootageError,
    InputError,
    NotFoundError,
    PhraseError,
    SettingsError,
)
from cliplib.core.models import Where
from cliplib.ingest.lock import only_one
from tests.libraries import BLUE, RED, ROWS, make_fight, write_log
from tests.media import footage

PHRASE = "counter to the body after a missed jab"
QUICK = ReelSettings(title="Counters", cards=False, captions=False)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library of one small fight; not to be changed."""
    base = tmp_path_factory.mktemp("made")
    make_fight(base / "fights" / "one")
    library = Library(base / "library", create=True)
    assert library.logging.ingest([base / "fights"]).exit_code == 0
    library.close()
    return base / "library"


@pytest.fixture
def library(made: Path) -> Library:
    opened = Library(made)
    yield opened
    opened.close()


@pytest.fixture
def own(tmp_path: Path) -> Library:
    """A library of one small fight, to be changed."""
    make_fight(tmp_path / "fights" / "one")
    opened = Library(tmp_path / "library", create=True)
    opened.logging.ingest([tmp_path / "fights"])
    yield opened
    opened.close()


def test_a_library_is_made_only_when_told_to(tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="no library at"):
        Library(tmp_path / "nothing")
    assert not (tmp_path / "nothing").exists()
    Library(tmp_path / "nothing", create=True).close()
    assert Library(tmp_path / "nothing").finding.fights() == ()


def test_settings_and_words_of_ones_own(tmp_path: Path) -> None:
    (tmp_path / "terms.toml").write_text('[technique."lightning jab"]\nparent = "jab"\n')
    assert "lightning jab" in Library(tmp_path, create=True).vocabulary.names
    (tmp_path / "terms.toml").write_text('[technique."lightning jab"]\nparent = "no such thing"\n')
    with pytest.raises(SettingsError, match="no such thing"):
        Library(tmp_path, create=True)


def test_a_new_word_changes_how_a_log_is_read(own: Library, tmp_path: Path) -> None:
    fight = tmp_path / "fights" / "one"
    write_log(fight, ["0:02,Adeyemi,zinger,landed,"])
    assert own.logging.ingest([fight]).exit_code == 2
    (own.folder / "terms.toml").write_text('[technique.zinger]\nparent = "jab"\n')
    again = Library(own.folder)
    assert again.logging.ingest([fight]).exit_code == 0
    assert again.finding.find("zinger").total == 1
    assert again.finding.find("jab").total == 1, "a term's children are found with it"
    again.close()


def test_find_and_clip(library: Library) -> None:
    found = library.finding.find(PHRASE)
    assert found.total == 1
    assert found.clips[0].matches == ((0, 1),)
    clip = library.finding.clip(found.clips[0].id)
    assert clip.actions == found.clips[0].actions
    assert clip_json(clip)["id"] == clip.id
    assert found_json(found)["total"] == 1
    assert library.finding.find("jab", where=Where(fighter=BLUE)).total == 0
    assert [c.id for c in library.finding.clips([2, 99, 1])] == [2, 1]
    with pytest.raises(PhraseError, match="gribble"):
        library.finding.find("gribble jab", strict=True)


def test_people_and_fights_by_part_of_a_name(library: Library) -> None:
    assert library.finding.fighter_named("brandt") == BLUE
    assert library.finding.fighter_named("  emeka  ADEYEMI ") == RED
    with pytest.raises(NotFoundError, match="nobody called"):
        library.finding.fighter_named("Okoro")
    with pytest.raises(NotFoundError, match="may be"):
        library.finding.fighter_named("a")
    assert library.finding.fight("v brandt").id == 1
    assert library.finding.fight("1").id == library.finding.fight(1).id == 1
    with pytest.raises(NotFoundError):
        library.finding.fight("2")


def test_many_threads_at_once(library: Library) -> None:
    wrong: list[BaseException] = []
    answers: set[int] = set()

    def ask() -> None:
        try:
            for _ in range(10):
                answers.add(library.finding.find(PHRASE).total)
                library.finding.clip(1)
                library.finding.fights()
            library.close()
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert answers == {1}


def test_reading_does_not_wait_for_an_ingest(own: Library, tmp_path: Path) -> None:
    with only_one(own.folder / "ingest.lock"):
        assert own.finding.find(PHRASE).total == 1
        assert own.finding.clip(1).id == 1
        with pytest.raises(BusyError, match="being worked on by process"):
            own.logging.ingest([tmp_path / "fights"])
        with pytest.raises(BusyError):
            own.care.forget([1])
    assert own.care.forget([1]).fights[0].title == "Adeyemi v Brandt"
    assert own.finding.find(PHRASE).total == 0


def test_a_running_library_sees_what_another_process_brought_in(own: Library, tmp_path: Path) -> None:
    assert own.finding.find(PHRASE).total == 1
    make_fight(tmp_path / "fights" / "two", title="Other", rows=ROWS[:2])
    other = Library(own.folder)
    other.logging.ingest([tmp_path / "fights"])
    other.close()
    assert own.finding.find(PHRASE).total == 2
    assert own.finding.find(PHRASE, where=Where(fight="Other")).total == 1


def test_a_second_opinion_counts_once(own: Library, tmp_path: Path) -> None:
    from tests.libraries import toml

    fight = tmp_path / "fights" / "one"
    (fight / "fight.toml").write_text(toml(logs=[("log.csv", "JL"), ("second.csv", "MK")]))
    write_log(fight, ROWS, "second.csv")
    own.logging.ingest([fight])
    assert own.finding.find(PHRASE).total == 1
    assert own.finding.find(PHRASE, second_opinions=True).total == 2
    assert own.finding.find(PHRASE).facets["fighter"] == {BLUE: 1}


def test_reels_that_are_kept(own: Library) -> None:
    assert own.making.reels() == []
    name = own.making.make_reel(PHRASE, title="Körper & “counters” ../x", settings=QUICK)
    assert name == "korper-counters-x"
    again = own.making.make_reel([2, 1], title="Körper & “counters” ../x", settings=QUICK)
    assert again == "korper-counters-x-2"
    reel = own.making.made_reel(name)
    assert (reel.title, reel.clips) == ("Körper & “counters” ../x", 1)
    assert reel.file.is_file()
    assert reel.duration_us > 3_000_000
    assert reel.said
    assert {r.name for r in own.making.reels()} == {name, again}
    for wrong in ("nothing", "../catalogue", "korper-counters-x/..", "", ".hidden"):
        with pytest.raises(NotFoundError):
            own.making.made_reel(wrong)


def test_a_cancelled_reel_leaves_nothing(own: Library) -> None:
    def cancel(stage: str, done: int, total: int) -> None:
        raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        own.making.make_reel(PHRASE, settings=QUICK, progress=cancel)
    assert own.making.reels() == []
    assert [path.name for path in (own.folder / "reels").iterdir()] == []


def test_reels_need_something_to_show(own: Library, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no clip to show"):
        own.making.make_reel("overhand")
    with pytest.raises(NotFoundError, match="no clip 99"):
        own.making.make_reel([1, 99])
    with pytest.raises(InputError, match="at least one"):
        own.making.make_reel([])
    (tmp_path / "fights" / "one" / "fight.mp4").unlink()
    with pytest.raises(FootageError, match="is not at"):
        own.making.reel(PHRASE, tmp_path / "reel.mp4")
    with pytest.raises(FootageError, match="name the folder"):
        own.making.export_clip(1, tmp_path / "clip.mp4")


def test_export(library: Library, tmp_path: Path) -> None:
    result = library.making.export_clip(1, tmp_path / "clip.mp4")
    assert result.how in ("portable", "re-encode")
    assert footage.numbers(tmp_path / "clip.mp4") == list(range(25, 113))


def test_similar_and_words(library: Library) -> None:
    assert 1 not in [other.exchange_id for other in library.finding.similar(1)]
    with pytest.raises(NotFoundError):
        library.finding.similar(99)
    assert [hit.exchange_id for hit in library.finding.words("low").hits] == [1]
    assert library.finding.words("gribble").hits == ()


def test_completions(library: Library) -> None:
    assert "jab" in library.finding.complete("ja")
    assert any(BLUE.split()[-1] in text for text in library.finding.complete("bra"))
