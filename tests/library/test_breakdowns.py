"""Breakdowns kept in a library: counts that follow its logs, shots that survive, films that are forgotten."""

from __future__ import annotations

import datetime
import shutil
from pathlib import Path

import pytest

from cliplib import Library, Where, restore, rounds_in
from cliplib.core.errors import BusyError, InputError, NotFoundError
from cliplib.library.care.forget import mentions
from cliplib.reels.theme_reading import theme_from
from cliplib.reels.theme_writing import theme_text
from tests.breakdowns import sessions
from tests.libraries import BLUE, RED, ROWS, make_fight, toml, write_log
from tests.media import footage

TEXT = """# The jab

## It misses

He landed [0 of 1](<count:Adeyemi jab>) jabs; the counter landed [1 of 1](<count:Brandt counter>).

- [the miss](clip:{one} "freeze 0.4")

## Two at once

- [both](beside:{one},{two})
"""


@pytest.fixture
def library(tmp_path: Path) -> Library:
    make_fight(tmp_path / "fights" / "one")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    return library


def begun(library: Library, text: str = TEXT, **more: int) -> str:
    one, two = (clip.id for clip in library.finding.find("", limit=2, order="date").clips)
    return library.making.breakdowns.put(None, text.format(one=one, two=two, **more))


def test_counts_follow_a_changed_log(library: Library, tmp_path: Path) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library)
    before = breakdowns.text(name)
    checked = breakdowns.check(name)
    assert [one.drift for one in checked.recounts.counts] == [False, False]
    write_log(tmp_path / "fights" / "one", [*ROWS, "0:07.5,Adeyemi,jab,landed,"])
    library.logging.ingest([tmp_path / "fights"])
    checked = breakdowns.check(name)
    drifted = checked.recounts.counts[0]
    assert drifted.sentence.startswith("written 0 of 1, now 1 of 2")
    assert len(drifted.new) == 1
    assert breakdowns.text(name) == before
    updated = breakdowns.check(name, update=True)
    assert updated.updated
    assert breakdowns.text(name) == before.replace("[0 of 1]", "[1 of 2]")
    again = breakdowns.check(name)
    assert not again.recounts.counts[0].drift
    assert not again.recounts.counts[0].new


def test_a_shot_outlives_recutting_and_says_so(library: Library) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library)
    clip = library.finding.find("Adeyemi jab").clips[0]
    assert clip.start_frame is not None
    assert clip.end_frame is not None
    library.logging.corrections.recut(clip.id, clip.start_frame + 5, clip.end_frame)
    said = [fault.said for fault in breakdowns.check(name).shots]
    assert any(
        "was cut anew" in one and f"frames {clip.start_frame} to {clip.end_frame}" in one for one in said
    )
    report = breakdowns.build(name)
    shown = footage.numbers(report.out)
    assert clip.start_frame in shown  # as it was when it was chosen
    breakdowns.check(name, update=True)
    assert not breakdowns.check(name).shots


def test_the_whole_folder(library: Library, tmp_path: Path) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library)
    sound = tmp_path / "voice.wav"
    sound.write_bytes(sessions.wav(sessions.clicks(4, [0.5, 2.0], rate=44_100), 44_100))
    point = breakdowns.point_named(name, "1")
    assert point == "it-misses"
    assert breakdowns.takes(name, point).bring(sound) == "1"
    report = breakdowns.build(name)
    kept = breakdowns.one(name)
    assert kept.film == report.out
    assert {path.name for path in kept.beside} >= {
        "description.txt",
        "captions.vtt",
        "sources.csv",
        "script.pdf",
    }
    assert all(note.endswith("held down by its peaks") for note in report.notes)  # clicks are no voice
    again = breakdowns.build(name)
    assert (again.made, again.reused) == (0, 2)
    names = breakdowns.bundle(name, tmp_path / "out")
    assert "index.html" in names
    assert "The jab" in (tmp_path / "out" / "index.html").read_text()


def test_bad_documents_still_build(library: Library) -> None:
    """A count that no longer reads, a link nobody knows, a clip that is gone, a heading twice, no such
    setting: each is said, and the rest is built."""
    text = TEXT + (
        "\n## It misses\n\n[3](<count:jibberish at midnight>) [x](https://example.org)\n\n- [gone](clip:999)\n"
        '- [odd](clip:{one} "slwo")\n- [none](<find:bolo>)\n\n```toml\n[sund]\nfilm = 3\n```\n'
    )
    name = begun(library, text)
    report = library.making.breakdowns.build(name)
    assert len(report.points) == 3
    notes = "\n".join(report.notes)
    for said in ("jibberish", "there is no clip 999", "did you mean “slow”", "nothing is found", "[sund]"):
        assert said in notes
    checked = library.making.breakdowns.check(name)
    assert not checked.well
    assert any("is there twice" in one for one in checked.kept)
    assert any("https://example.org" in one for one in checked.kept)


def test_two_people_at_one_text(library: Library) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library)
    seen = breakdowns.one(name).seen
    breakdowns.put(name, "# The jab\n\n## One\n", seen=seen)
    with pytest.raises(BusyError, match="changed meanwhile"):
        breakdowns.put(name, "# The jab\n\n## Two\n", seen=seen)
    assert "## One" in breakdowns.text(name)


def test_a_renamed_point_keeps_its_takes(library: Library, tmp_path: Path) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library)
    take = breakdowns.begin_take(name, "it-misses")
    kept = breakdowns.takes(name, "it-misses")
    number = kept.record(take, 0, "audio/webm")
    kept.put_picture(
        take, number, 0, [{"t": 0, "shot": 0, "frame": 30}, {"t": 900_000, "shot": 0, "frame": 40}]
    )
    breakdowns.put(name, breakdowns.text(name).replace("## It misses", "## It falls short"))
    moved = breakdowns.takes(name, "it-falls-short").all()
    assert [(one.name, one.seconds, one.chosen) for one in moved] == [("1", 0.9, True)]
    breakdowns.put(name, "# The jab\n\n## Another thing\n\n## And another\n\n## A third\n")
    assert any("no point has that heading" in one for one in breakdowns.check(name).takes)


def test_it_is_in_backups(library: Library, tmp_path: Path) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library)
    take = breakdowns.begin_take(name, "two-at-once")
    kept = breakdowns.takes(name, "two-at-once")
    number = kept.record(take, 0, "audio/webm")
    kept.put_picture(take, number, 0, [{"t": 500_000, "shot": 0, "frame": 30}])
    kept.put_sound(take, number, 0, 1_000_000, b"piece")
    kept.choose(take)
    library.care.backup(tmp_path / "backup.tar")
    restore(tmp_path / "backup.tar", tmp_path / "restored")
    restored = Library(tmp_path / "restored").making.breakdowns
    assert restored.text(name) == breakdowns.text(name)
    assert restored.takes(name, "two-at-once").take(take) is not None
    place, other = (root / "breakdowns" / name / "takes" for root in (library.folder, tmp_path / "restored"))
    files = sorted(p.relative_to(place) for p in place.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(other) for p in other.rglob("*") if p.is_file())


def test_a_forgotten_fight_is_named_and_not_replaced(library: Library) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library, TEXT.replace("Brandt ", ""))
    breakdowns.begin_take(name, "it-misses")
    breakdowns.build(name)
    fight = library.finding.fights()[0]
    assert library.care.what_goes([fight.id]).reels == ("The jab",)
    gone = library.care.forget([fight.id])
    assert gone.reels == ("The jab",)
    assert breakdowns.one(name).film is None
    assert mentions(library.folder, BLUE) == ()
    assert mentions(library.folder, fight.title) == ()
    said = [fault.said for fault in breakdowns.check(name).shots]
    assert said
    assert all("was of a fight that was forgotten" in one for one in said)
    report = breakdowns.build(name)
    assert any("forgotten" in note for note in report.notes)


def test_a_breakdown_of_a_private_fight_is_private(library: Library, tmp_path: Path) -> None:
    private = tmp_path / "fights" / "two"
    make_fight(private, title="Hidden spar")
    text = toml(title="Hidden spar").replace("rounds = 1", "rounds = 1\nprivate = true")
    (private / "fight.toml").write_text(text)
    shutil.copy(footage.make("ten second gop").path, private / "fight.mp4")
    library.logging.ingest([tmp_path / "fights"])
    open_name = begun(library, "# Open\n\n## P\n\n- [a](clip:{one})\n")
    hidden = next(clip for clip in library.finding.find("jab").clips if clip.fight == "Hidden spar")
    closed = library.making.breakdowns.put(None, f"# Closed\n\n## P\n\n- [a](clip:{hidden.id})\n")
    named = library.making.breakdowns.put(None, "# Named\n\n## P\n\nAs in the hidden spar.\n")
    assert library.making.breakdowns.one(closed).private
    assert not library.making.breakdowns.one(open_name).private
    looking = Library(library.folder, hide_private=True).making.breakdowns
    assert [one.name for one in looking.all()] == [open_name]
    for name in (closed, named):
        with pytest.raises(NotFoundError):
            looking.text(name)


@pytest.mark.parametrize("name", ["..", "a/b", "", "x" * 200, "nobody"])
def test_names_lead_nowhere(library: Library, name: str) -> None:
    with pytest.raises(NotFoundError):
        library.making.breakdowns.text(name)


def test_a_sound_file_that_is_none(library: Library, tmp_path: Path) -> None:
    breakdowns = library.making.breakdowns
    name = begun(library)
    bad = tmp_path / "voice.wav"
    bad.write_bytes(b"no sound at all")
    kept = breakdowns.takes(name, "it-misses")
    with pytest.raises(InputError):
        kept.bring(bad)
    assert kept.all() == []


def test_two_clips_beside_each_other_in_a_reel(library: Library, tmp_path: Path) -> None:
    """By command, with a choice of clips, and as a theme says it; and what is seen beside counts as shown."""
    one, two = (clip.id for clip in library.finding.find("", limit=2, order="date").clips)
    out = tmp_path / "pair.mp4"
    report = library.making.beside(one, two, out, slow=0.5, mirror="second")
    assert report.frames == len(footage.numbers(out))
    with pytest.raises(InputError, match="choose two clips"):
        library.making.beside(one, one, tmp_path / "none.mp4")
    theme = theme_from(f'phrase = "Adeyemi jab"\n[[clips]]\nid = {one}\nbeside = {two}\noffset = 2\n')
    assert theme_from(theme_text(theme)) == theme
    name = library.making.make_reel([one], changes=theme.changes)
    kept = library.making.made_reel(name)
    assert kept.shows == (one, two)
    assert kept.ingredients()["changes"][0].beside == two
    assert library.making.remake_reel(name) == name


def test_a_take_over_a_clip_and_a_chart(library: Library) -> None:
    """A chart is a shot of a take like any other; the film shows it, and it stays if the text leaves it out."""
    text = "# The jab\n\n## It misses\n\nSaid.\n\n- [the miss](clip:{one})\n- [next](<picture:next?phrase=jab>)\n"
    name = begun(library, text)
    breakdowns = library.making.breakdowns
    key = "it-misses"
    take = breakdowns.begin_take(name, key)
    shots = breakdowns.shots(name, key)
    assert [(shot.label, shot.still, len(shot.panes)) for shot in shots] == [
        ("the miss", "", 1),
        ("next", "picture:next?phrase=jab", 0),
    ]
    assert breakdowns.shots(name, key, take) == shots
    takes = breakdowns.takes(name, key)
    takes.record(take, 0, "audio/webm")
    first = shots[0].records[0].first
    takes.put_picture(
        take, 0, 0, [{"t": 0, "shot": 0, "frame": first}, {"t": 800_000, "shot": 1, "frame": 0}]
    )
    takes.end(take, 0, 2_000_000)
    with_chart = breakdowns.build(name)
    assert not [note for note in with_chart.notes if "missing" in note]
    breakdowns.put(name, breakdowns.text(name).replace("- [next](<picture:next?phrase=jab>)\n", ""))
    without = breakdowns.build(name)
    assert not [note for note in without.notes if "missing" in note]
    assert without.frames == with_chart.frames


def test_a_shot_that_is_gone_keeps_its_place(library: Library) -> None:
    """Its number is that of the take's data; the page says what is missing."""
    name = begun(library, "# T\n\n## P\n\n- [gone](clip:987)\n- [there](clip:{one})\n")
    gone, there = library.making.breakdowns.shots(name, "p")
    assert "987" in gone.problem
    assert not gone.panes
    assert there.panes


def test_unreadable_notes_do_not_stop_a_text(library: Library) -> None:
    """What they hold may be nowhere else: they stay as they are, the text is kept, and the page says so."""
    breakdowns = library.making.breakdowns
    name = begun(library)
    notes = library.folder / "breakdowns" / name / "breakdown.notes.json"
    notes.write_text("{half of")
    text = breakdowns.text(name) + "\nMore is said.\n"
    assert breakdowns.put(name, text, seen=breakdowns.one(name).seen) == name
    assert (breakdowns.text(name), notes.read_text()) == (text, "{half of")
    assert any("cannot be read as notes of a breakdown" in one for one in breakdowns.outline(name).problems)


def test_a_count_that_is_given_is_counted_once(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    counted, tally = [], library.evidence.tally

    def noted(*told: object, **asked: object) -> object:
        counted.append(told)
        return tally(*told, **asked)  # type: ignore[arg-type]

    monkeypatch.setattr(library.evidence, "tally", noted)
    put = library.making.breakdowns.puts.written("count:Adeyemi jab")
    assert put.links == ("Emeka Adeyemi's jab: [0 of 1](<count:Adeyemi jab>).",)
    assert len(counted) == 1


def test_finding_shots_is_a_search_of_nobodys(library: Library) -> None:
    names = {RED, BLUE, "Adeyemi v Brandt"}
    begun(library, TEXT + "\n- [hooks](<find:lead hook?limit=1>)\n")
    assert "lead hook" not in library.finding.history.phrases(names)
    library.finding.find("lead hook")
    assert "lead hook" in library.finding.history.phrases(names)


def test_one_way_to_say_rounds_and_fights(library: Library, tmp_path: Path) -> None:
    assert rounds_in("1, 3-4,last 2, unknown") == [1, 3, 4, "last 2", "unknown"]
    for wrong in ("two", "4-3", "last x"):
        with pytest.raises(InputError, match="is no round"):
            rounds_in(wrong)
    # A title that one fight alone has leaves the dates free; one of two fights is told by its day.
    assert library.finding.within(Where(), 1) == Where(fight="Adeyemi v Brandt")
    make_fight(tmp_path / "fights" / "two", date="2025-01-02")
    library.logging.ingest([tmp_path / "fights"])
    day = datetime.date(2025, 1, 2)
    assert library.finding.within(Where(), 2) == Where(fight="Adeyemi v Brandt", dates=(day, day))
    (put,) = library.making.breakdowns.puts.find("jab", [("fight", "2"), ("rounds", "1, unknown")])
    found = begun(library, f"# T\n\n## P\n\n- {put.links[0]}\n")
    (shot,) = library.making.breakdowns.outline(found).points[0].shots
    assert {clip.fight_id for clip in shot.clips} == {2}
