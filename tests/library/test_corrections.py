"""Corrections made in the library: exact, lasting, written out again, and taken back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from cliplib import Library, Line
from cliplib.core.errors import InputError, LogError
from tests.libraries import BLUE, RED, dump, make_fight, write_log
from tests.media import footage


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Library]:
    make_fight(tmp_path / "fights" / "one")
    opened = Library(tmp_path / "library", create=True)
    opened.logging.ingest([tmp_path / "fights"])
    yield opened
    opened.close()


def first(library: Library) -> int:
    return library.finding.find("counter to the body").clips[0].id


def again(library: Library) -> None:
    """Ingest as if everything had to be read anew."""
    log = library.folder.parent / "fights" / "one" / "log.csv"
    log.write_text(log.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    report = library.logging.ingest([library.folder.parent / "fights"])
    assert report.exit_code == 0


def test_a_clip_is_recut_to_the_frame_and_stays_so(own: Library) -> None:
    clip = own.finding.clip(first(own))
    old = clip.file
    cut = own.logging.corrections.recut(clip.id, 37, 61)
    assert (cut.start_frame, cut.end_frame) == (37, 61)
    assert cut.file is not None
    # The numbers burnt into the picture; a player shows what the edit list leaves, our reader shows all.
    copy = own.making.portable(clip.id)
    assert footage.numbers(copy) == list(range(37, 61))
    assert old is not None
    assert not old.exists()
    again(own)
    assert own.finding.clip(clip.id) == cut
    assert own.logging.corrections.of(clip.id) == (True, False)


def test_a_recut_is_taken_back(own: Library) -> None:
    before = dump(own.folder)
    clip = own.finding.clip(first(own))
    own.logging.corrections.recut(clip.id, 37, 61)
    assert dump(own.folder) != before
    own.logging.corrections.cut_as_logged(clip.id)
    assert dump(own.folder) == before
    assert own.logging.corrections.of(clip.id) == (False, False)


@pytest.mark.parametrize(("begin", "end"), [(-1, 10), (10, 10), (20, 10), (0, 10_000), (10_000, 10_001)])
def test_frames_that_are_not_there(own: Library, begin: int, end: int) -> None:
    before = dump(own.folder)
    with pytest.raises(InputError, match="the footage has frames 0 to"):
        own.logging.corrections.recut(first(own), begin, end)
    assert dump(own.folder) == before


def test_what_is_read_back_is_the_same(own: Library) -> None:
    """An untouched form, sent, changes nothing."""
    before = dump(own.folder)
    for clip in own.finding.find("").clips:
        own.logging.corrections.reword(clip.id, own.logging.corrections.lines(clip.id))
        assert own.logging.corrections.of(clip.id) == (False, False)
    assert dump(own.folder) == before


def test_actions_are_corrected_and_stay_so(own: Library) -> None:
    clip = own.finding.clip(first(own))
    lines = [
        Line("0:02", RED, "jab landed"),
        Line("0:02.4", BLUE, "counter left hook to the head blocked", "hm"),
    ]
    now = own.logging.corrections.reword(clip.id, lines)
    assert [(a.technique, a.outcome, a.target) for a in now.actions][1] == ("hook", "blocked", "head")
    assert now.actions[0].outcome == "landed"
    assert "counter" in now.actions[1].roles
    assert now.actions[1].note == "hm"
    assert own.finding.find("counter to the body").total == 0
    assert own.finding.find("counter hook").total == 1
    again(own)
    assert own.finding.clip(clip.id) == now
    assert own.logging.corrections.of(clip.id) == (False, True)


def test_a_moved_beginning_keeps_the_clip(own: Library) -> None:
    clip = own.finding.clip(first(own))
    now = own.logging.corrections.reword(
        clip.id, [Line("0:03.2", RED, "jab missed"), Line("0:03.5", BLUE, "slips")]
    )
    assert now.start_frame is not None
    assert clip.start_frame is not None
    assert now.start_frame > clip.start_frame
    again(own)
    assert own.finding.clip(clip.id) == now
    own.logging.corrections.as_logged(clip.id)
    assert own.finding.clip(clip.id) == clip


def test_the_logger_speaks_last(own: Library) -> None:
    """A correction of what the log said ends when the log says something else."""
    clip = own.finding.clip(first(own))
    own.logging.corrections.reword(clip.id, [Line("0:02", RED, "jab landed")])
    write_log(
        own.folder.parent / "fights" / "one",
        ("0:02,Adeyemi,jab,blocked,", "0:06.5,Brandt,lead hook,blocked,"),
    )
    own.logging.ingest([own.folder.parent / "fights"])
    assert [a.outcome for a in own.finding.clip(clip.id).actions] == ["blocked"]


def test_a_corrected_cut_survives_a_new_word_in_the_log(own: Library) -> None:
    clip = own.finding.clip(first(own))
    own.logging.corrections.recut(clip.id, 37, 61)
    write_log(
        own.folder.parent / "fights" / "one",
        ("0:02,Adeyemi,jab,blocked,", "0:06.5,Brandt,lead hook,blocked,"),
    )
    own.logging.ingest([own.folder.parent / "fights"])
    assert (own.finding.clip(clip.id).start_frame, own.finding.clip(clip.id).end_frame) == (37, 61)


def test_lines_that_cannot_be_read_change_nothing(own: Library) -> None:
    before = dump(own.folder)
    with pytest.raises(LogError, match="jabb"):
        own.logging.corrections.reword(first(own), [Line("0:02", RED, "jabb missed")])
    with pytest.raises(LogError, match="time"):
        own.logging.corrections.reword(first(own), [Line("two", RED, "jab")])
    with pytest.raises(InputError, match="at least one action"):
        own.logging.corrections.reword(first(own), [])
    assert dump(own.folder) == before


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_the_log_that_is_written_has_the_corrections(own: Library, tmp_path: Path, form: str) -> None:
    clip = own.finding.clip(first(own))
    own.logging.corrections.reword(clip.id, [Line("0:02", RED, "double jab missed")])
    cut = own.logging.corrections.recut(clip.id, 37, 61)
    text = own.logging.export_log(cut.fight_id, form)  # type: ignore[arg-type]
    make_fight(tmp_path / "other" / "two", logs=[(f"log.{form}", "JL")])
    (tmp_path / "other" / "two" / f"log.{form}").write_text(text, encoding="utf-8", newline="")
    other = Library(tmp_path / "other-library", create=True)
    assert other.logging.ingest([tmp_path / "other"]).exit_code == 0
    found = other.finding.find("double jab").clips[0]
    assert (found.start_frame, found.end_frame) == (37, 61)
    assert [a.technique for a in found.actions] == ["jab", "jab"]
    assert other.finding.find("").total == own.finding.find("").total
    other.close()
