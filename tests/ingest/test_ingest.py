"""Ingest on small footage: what it cuts, what it leaves alone, what it does when things change."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from cliplib.catalogue.catalogue import Catalogue
from cliplib.core.errors import FightFolderError
from cliplib.core.models import ClipRow
from tests.libraries import ROWS, clip_files, dump, ingest, make_fight, toml, write_log
from tests.media import footage


def clips(root: Path) -> list[ClipRow]:
    catalogue = Catalogue(root / "catalogue.db")
    try:
        return [
            row
            for fight in catalogue.fights()
            for row in catalogue.clip_rows([e.id for e in catalogue.exchanges(fight.id)])
        ]
    finally:
        catalogue.close()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "library"


@pytest.fixture
def fight(tmp_path: Path) -> Path:
    return make_fight(tmp_path / "fights" / "one")


def test_clips_hold_exactly_the_frames_of_their_exchanges(root: Path, fight: Path) -> None:
    report = ingest(root, fight)
    assert report.exit_code == 0
    assert [f.status for f in report.fights] == ["added"]
    assert dict(report.fights[0].cut) == {"slice": 2}
    first, second = clips(root)
    # The bell rings at 1 s. The first exchange begins at 2 s; a lead-in of 1 s reaches just to the bell. Its
    # last action, at 2.4 s, lasts 0.6 s, and 1.5 s follow: [1.0, 4.5). The second begins at 6.5 s, ends at
    # 7.1 s; 1.5 s more would pass the closing bell at 8 s: [5.5, 8.0). At 25 frames/s: ceil(25 t).
    assert (first.start_us, first.end_us) == (1_000_000, 4_500_000)
    assert (second.start_us, second.end_us) == (5_500_000, 8_000_000)
    assert (first.start_frame, first.end_frame) == (25, 113)
    assert (second.start_frame, second.end_frame) == (138, 200)
    assert (first.clock_us, first.round) == (6_000_000, 1)
    for row in (first, second):
        assert row.file is not None
        assert row.poster is not None
        assert footage.numbers(row.file) == list(range(row.start_frame, row.end_frame))
        assert row.poster.stat().st_size > 1000
        assert row.file.is_relative_to(root)


def test_again_does_nothing(root: Path, fight: Path) -> None:
    ingest(root, fight.parent)
    before = {path: path.stat().st_mtime_ns for path in root.rglob("*.[mj]p*")}
    whole = dump(root)
    calls: list[str] = []
    report = ingest(root, fight.parent, progress=lambda stage, done, total: calls.append(stage))
    assert [f.status for f in report.fights] == ["unchanged"]
    assert not report.changed_anything
    assert {path: path.stat().st_mtime_ns for path in root.rglob("*.[mj]p*")} == before
    assert dump(root) == whole
    assert set(calls) == {"reading logs"}


def test_a_corrected_outcome_keeps_the_clip(root: Path, fight: Path) -> None:
    ingest(root, fight)
    before = clip_files(root)
    ids = [row.id for row in clips(root)]
    write_log(fight, [*ROWS[:2], "0:06.5,Brandt,lead hook,partial,"])
    report = ingest(root, fight).fights[0]
    assert (report.status, report.exchanges_changed, report.exchanges_added) == ("changed", 1, 0)
    assert [row.id for row in clips(root)] == ids
    assert clips(root)[1].actions[0].outcome == "partial"
    assert clip_files(root) == before
    assert sum(report.cut.values()) == 0


def test_a_changed_log_cuts_only_what_changed_and_removes_what_is_gone(root: Path, fight: Path) -> None:
    ingest(root, fight)
    kept, gone = clips(root)
    inode = kept.file.stat().st_ino
    write_log(fight, [*ROWS[:2], "0:07.5,Adeyemi,jab,landed,"])
    report = ingest(root, fight).fights[0]
    assert (report.exchanges_added, report.exchanges_changed, report.exchanges_removed) == (1, 0, 1)
    assert (dict(report.cut), report.clips_removed) == ({"slice": 1}, 1)
    first, second = clips(root)
    assert (first.id, first.file, first.file.stat().st_ino) == (kept.id, kept.file, inode)
    assert second.id != gone.id
    assert not gone.file.exists()
    assert not gone.poster.exists()
    assert footage.numbers(second.file) == list(range(163, 200))  # [6.5, 8.0) s
    assert len(clip_files(root)) == 4


def test_rows_added_before_and_after_leave_the_others_alone(root: Path, fight: Path) -> None:
    write_log(fight, ROWS[:2])
    ingest(root, fight)
    (first,) = clips(root)
    inode = first.file.stat().st_ino
    write_log(fight, ROWS)
    report = ingest(root, fight).fights[0]
    assert (report.exchanges_added, report.exchanges_changed, report.exchanges_removed) == (1, 0, 0)
    assert dict(report.cut) == {"slice": 1}
    again = clips(root)[0]
    assert (again.id, again.file.stat().st_ino) == (first.id, inode)


def test_a_deleted_clip_comes_back_identical(root: Path, fight: Path) -> None:
    ingest(root, fight)
    before = dump(root)
    row = clips(root)[0]
    row.file.unlink()
    clips(root)[1].poster.unlink()
    report = ingest(root, fight)
    assert dict(report.fights[0].cut) == {"slice": 2}
    assert dump(root) == before
    shutil.rmtree(root / "clips")
    shutil.rmtree(root / "posters")
    ingest(root, fight)
    assert dump(root) == before


def test_changed_settings_cut_anew(root: Path, fight: Path) -> None:
    ingest(root, fight)
    ids = [row.id for row in clips(root)]
    (root / "settings.toml").write_text("lead_in = 0.2\nclamp_to_round = false\n")
    report = ingest(root, fight)
    assert dict(report.fights[0].cut) == {"slice": 2}
    assert [row.start_us for row in clips(root)] == [1_800_000, 6_300_000]
    # 7.1 s + 1.5 s is past the bell at 8 s, which no longer holds, but the footage ends at 8 s too.
    assert clips(root)[1].end_us == 8_000_000
    assert [row.id for row in clips(root)] == ids
    assert len(clip_files(root)) == 4


def test_footage_may_come_later(root: Path, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", kind=None)
    report = ingest(root, fight)
    assert report.exit_code == 0
    assert (report.fights[0].status, report.fights[0].waiting) == ("added", 2)
    assert report.fights[0].why == [
        f"there is no {fight / 'fight.mp4'}; put the footage there, or correct file under [footage] in "
        "fight.toml, then ingest again"
    ]
    assert [row.file for row in clips(root)] == [None, None]
    ids = [row.id for row in clips(root)]
    shutil.copy(footage.make("closed gop").path, fight / "fight.mp4")
    report = ingest(root, fight)
    assert dict(report.fights[0].cut) == {"slice": 2}
    assert [row.id for row in clips(root)] == ids
    assert [row.start_frame for row in clips(root)] == [25, 138]


def test_footage_may_come_later_and_lie_elsewhere(root: Path, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", kind=None)
    ingest(root, fight)
    films = tmp_path / "films" / "2024"
    films.mkdir(parents=True)
    shutil.copy(footage.make("closed gop").path, films / "fight.mp4")
    report = ingest(root, tmp_path / "films")
    assert [f.title for f in report.fights] == ["Adeyemi v Brandt"]
    assert dict(report.fights[0].cut) == {"slice": 2}


def test_moved_footage_is_found_by_what_is_in_it(root: Path, fight: Path, tmp_path: Path) -> None:
    ingest(root, fight)
    before = clip_files(root)
    films = tmp_path / "films"
    films.mkdir()
    shutil.copy(footage.make("silent").path, films / "fight.mp4")  # the old name, but another film
    (fight / "fight.mp4").rename(films / "renamed.mp4")
    report = ingest(root, fight)
    assert report.fights[0].footage is None, "without a hint where to look it is just not there"
    assert clip_files(root) == before
    (root / "settings.toml").write_text(f'footage_roots = ["{films}"]\n')
    report = ingest(root, fight)
    assert report.fights[0].footage == films / "renamed.mp4"
    assert sum(report.fights[0].cut.values()) == 0
    assert clip_files(root) == before
    write_log(fight, [*ROWS, "0:04.9,Adeyemi,jab,landed,"])
    assert ingest(root, fight).fights[0].footage == films / "renamed.mp4"
    assert [row.file is None for row in clips(root)] == [False] * len(clips(root))


def test_another_film_under_the_same_name_is_cut_anew(root: Path, fight: Path) -> None:
    ingest(root, fight)
    before = clip_files(root)
    shutil.copy(footage.make("ntsc").path, fight / "fight.mp4")
    report = ingest(root, fight)
    assert dict(report.fights[0].cut) == {"slice": 2}
    assert not set(clip_files(root)) & set(before)
    for row in clips(root):
        assert footage.numbers(row.file) == list(range(row.start_frame, row.end_frame))


def test_a_touched_file_is_not_cut_again(root: Path, fight: Path) -> None:
    ingest(root, fight)
    before = {path: path.stat().st_ino for path in (root / "clips").rglob("*.mp4")}
    os.utime(fight / "fight.mp4", ns=(1, 1))
    assert not ingest(root, fight).fights[0].cut
    assert {path: path.stat().st_ino for path in (root / "clips").rglob("*.mp4")} == before


def test_a_working_copy_is_made_once_and_removed_when_unused(root: Path, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", kind="matroska")
    report = ingest(root, fight).fights[0]
    assert dict(report.cut) == {"slice": 2}
    assert "copied once" in report.why[0]
    (copy,) = (root / "working").iterdir()
    stamp = copy.stat().st_mtime_ns
    write_log(fight, ROWS[:2])
    ingest(root, fight)
    write_log(fight, ROWS)
    ingest(root, fight)
    assert copy.stat().st_mtime_ns == stamp
    shutil.copy(footage.make("closed gop").path, fight / "fight.mkv")
    assert ingest(root, fight).exit_code == 0
    assert list((root / "working").iterdir()) == []


def test_a_cue_is_cut_as_it_stands(root: Path, tmp_path: Path) -> None:
    """WebVTT (https://www.w3.org/TR/webvtt1/): a cue's times are the clip's in and out."""
    fight = make_fight(tmp_path / "one", logs=[("log.vtt", "MK")])
    (fight / "log.vtt").write_text(
        "WEBVTT\n\n00:00.500 --> 00:01.500\n<v Emeka Adeyemi>jab missed\n\n"
        "00:03.010 --> 00:03.020\n<v Jonas Brandt>lead hook landed\n"
    )
    ingest(root, fight)
    first, second = clips(root)
    assert (first.start_us, first.end_us) == (500_000, 1_500_000)
    assert footage.numbers(first.file) == list(range(13, 38))
    # No frame begins between 3.01 s and 3.02 s; the one on screen then is frame 75, of 3.00 s.
    assert (second.start_frame, second.end_frame) == (75, 76)


def test_a_log_without_times_is_indexed_and_not_cut(root: Path, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one")
    (fight / "log.csv").write_text("exchange,fighter,action\n1,Adeyemi,jab\n1,Brandt,cross\n2,Brandt,hook\n")
    report = ingest(root, fight).fights[0]
    assert (report.exchanges, report.waiting, sum(report.cut.values())) == (2, 0, 0)
    assert [(row.start_us, row.file) for row in clips(root)] == [(None, None)] * 2


def test_times_taken_out_of_a_log_take_the_clips_along(root: Path, fight: Path) -> None:
    ingest(root, fight)
    (fight / "log.csv").write_text("exchange,fighter,action\n1,Adeyemi,jab\n1,Brandt,cross\n")
    ingest(root, fight)
    assert clip_files(root) == {}


def test_two_people_logged_one_fight(root: Path, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", logs=[("log.csv", "JL"), ("second.csv", "MK")])
    write_log(fight, ["0:02.1,Adeyemi,jab,landed,", "0:05.2,Adeyemi,jab,landed,"], "second.csv")
    ingest(root, fight)
    catalogue = Catalogue(root / "catalogue.db")
    marks = [(e.log_file, e.second_opinion) for e in catalogue.exchanges(1)]
    catalogue.close()
    assert marks == [("log.csv", False), ("log.csv", False), ("second.csv", True), ("second.csv", False)]


def test_names_of_any_kind_are_safe(root: Path, tmp_path: Path) -> None:
    titles = [
        "../../etc/passwd", "O’Neil \"The Rock\" v D'Arcy", "קרב ראשון נגד ברנדט", "a" * 300, "CON",
        "one/two\\three", "; rm -rf $HOME `id`", "%s %d {0}",
    ]  # fmt: skip
    for number, title in enumerate(titles):
        make_fight(tmp_path / "fights" / f"folder {number} – “é”", title=title, rows=ROWS[:1])
    report = ingest(root, tmp_path / "fights")
    assert report.exit_code == 0, [f.problems for f in report.fights]
    rows = clips(root)
    assert sorted(row.fight for row in rows) == sorted(titles)
    for row in rows:
        assert row.file.resolve().is_relative_to(root.resolve() / "clips")
        assert row.file.parent.name.isascii()
        assert len(row.file.parent.name) < 80
        assert len(footage.numbers(row.file)) == row.end_frame - row.start_frame


def test_a_renamed_fight_and_a_moved_folder_stay_the_same_fight(root: Path, fight: Path) -> None:
    ingest(root, fight)
    ids = [row.id for row in clips(root)]
    (fight / "fight.toml").write_text(toml(title="The Harbour fight"), encoding="utf-8")
    ingest(root, fight)
    assert [row.fight for row in clips(root)] == ["The Harbour fight"] * 2
    moved = fight.rename(fight.parent / "elsewhere")
    report = ingest(root, moved)
    assert report.vanished == ()
    assert [row.id for row in clips(root)] == ids
    assert sum(report.fights[0].cut.values()) == 0


def test_a_fight_folder_that_vanished_is_reported_and_kept(root: Path, fight: Path) -> None:
    ingest(root, fight)
    other = make_fight(fight.parent / "two", title="Other", rows=ROWS[:1])
    before = clip_files(root)
    shutil.rmtree(fight)
    report = ingest(root, other)
    assert [title for title, _ in report.vanished] == ["Adeyemi v Brandt"]
    assert report.exit_code == 0
    assert before.items() <= clip_files(root).items()


def test_a_path_without_a_fight(root: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(FightFolderError, match=r"no fight\.toml"):
        ingest(root, tmp_path / "empty")
    with pytest.raises(FightFolderError, match="no such folder"):
        ingest(root, tmp_path / "nothing here")


def test_misspelt_footage_is_named(root: Path, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", file="fght.mp4")
    (why,) = ingest(root, fight).fights[0].why
    assert why.startswith(f"there is no {fight / 'fght.mp4'} (did you mean “fight.mp4”?)")
    assert ingest(root, fight).fights[0].why == [why]  # as long as clips are waiting for it
    (fight / "fight.toml").write_text(toml(file=None), encoding="utf-8")
    (why,) = ingest(root, fight).fights[0].why
    assert why.startswith("its fight.toml names no footage")
    (fight / "fight.toml").write_text(toml(), encoding="utf-8")
    report = ingest(root, fight).fights[0]
    assert (dict(report.cut), report.why) == ({"slice": 2}, [])


def test_only_indexing(root: Path, fight: Path) -> None:
    report = ingest(root, fight, cut=False)
    assert report.fights[0].waiting == 2
    assert clip_files(root) == {}
    assert dict(ingest(root, fight).fights[0].cut) == {"slice": 2}


@pytest.mark.parametrize(
    ("bell", "film"), [("-0:04", "begins after the bell"), ("0:01", "ends before the bell")]
)
def test_a_film_of_part_of_a_round(root: Path, tmp_path: Path, bell: str, film: str) -> None:
    """What it doesn't show is described by the round clock, found, and not cut; the rest is."""
    fight = make_fight(tmp_path / "one", bell=bell)
    text = (fight / "fight.toml").read_text().replace("round_seconds = 7", "round_seconds = 60")
    (fight / "fight.toml").write_text(text)
    unseen = "1,0:58.5" if bell == "-0:04" else "1,0:20"
    (fight / "log.csv").write_text(
        f"round,clock,fighter,action\n{unseen},Adeyemi,jab\n1,0:55,Brandt,cross\n1,0:54,Adeyemi,hook\n"
    )
    report = ingest(root, fight)
    assert report.exit_code == 0, report.fights[0].problems
    assert (report.fights[0].exchanges, sum(report.fights[0].cut.values())) == (2, 1)
    assert (
        report.fights[0].why[-1] == "1 exchange lies before or after what the film shows, and cannot be cut"
    )
    assert ingest(root, fight).fights[0].status == "unchanged"
