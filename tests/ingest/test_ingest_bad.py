"""What ingest says to bad input and bad luck, and that nothing stored is lost by it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from cliplib.core.errors import BusyError, Cancelled, LogError, MediaError, SettingsError, StorageError
from cliplib.ingest.lock import only_one
from cliplib.media import cut
from tests.libraries import ROWS, clip_files, dump, ingest, make_fight, toml, write_log
from tests.media import footage

# Private parts: a connection that holds little stands in for a full disk.


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "library"


@pytest.fixture
def fight(tmp_path: Path) -> Path:
    return make_fight(tmp_path / "fights" / "one")


def spoiled(root: Path, fight: Path, rows: list[str]) -> tuple[list[str], dict[str, object]]:
    """Ingest well, then with these rows: what was said; asserts that everything stayed as it was."""
    ingest(root, fight)
    before = dump(root)
    write_log(fight, rows)
    report = ingest(root, fight)
    assert report.exit_code == 2
    assert report.fights[0].status == "failed"
    assert isinstance(report.fights[0].errors[0], LogError)
    assert dump(root) == before
    return report.fights[0].problems, before


def test_bad_rows_are_all_told_and_the_fight_stays_as_it_was(root: Path, fight: Path) -> None:
    other = make_fight(fight.parent / "two", title="Other", rows=ROWS[:1])
    problems, _ = spoiled(root, fight, [ROWS[0], "0:03,Adeyemi,gribble,,", "4:99,Brandt,jab,,"])
    assert [re.match(r"one/log\.csv:(\d+):(\d+): ", p).groups() for p in problems] == [
        ("3", "14"),
        ("4", "1"),
    ]
    assert "gribble" in problems[0]
    assert "4:99" in problems[1]
    report = ingest(root, fight.parent)
    assert [(f.title, f.status) for f in report.fights] == [
        ("Adeyemi v Brandt", "failed"),
        ("Other", "added"),
    ]
    assert report.exit_code == 2
    assert report.as_json()["fights"][0]["problems"][0]["line"] == 3
    assert other.is_dir()


def test_skip_bad_rows_takes_the_good_ones(root: Path, fight: Path) -> None:
    write_log(fight, [*ROWS, "0:07.4,Adeyemi,gribble,,"])
    report = ingest(root, fight, skip_bad_rows=True)
    assert report.exit_code == 0
    assert report.fights[0].exchanges == 2
    assert ["gribble" in str(p) for p in report.fights[0].skipped] == [True]
    assert dict(report.fights[0].cut) == {"slice": 2}
    before = dump(root)
    assert ingest(root, fight, skip_bad_rows=True).fights[0].status == "unchanged"
    assert ingest(root, fight).exit_code == 2, "without the option the row is still wrong"
    assert dump(root) == before
    write_log(fight, ROWS)
    assert ingest(root, fight).exit_code == 0


def test_a_fighter_who_is_not_in_the_fight(root: Path, fight: Path) -> None:
    problems, _ = spoiled(root, fight, [ROWS[0], "0:03,Okoro,jab,landed,"])
    assert "Okoro" in problems[0]
    assert problems[0].startswith("one/log.csv:3:6: ")


@pytest.mark.parametrize("time", ["0:60", "-3", "1:2:3:4", "tomorrow", "99:00", "1e3"])
def test_impossible_times(root: Path, fight: Path, time: str) -> None:
    problems, _ = spoiled(root, fight, [*ROWS, f"{time},Adeyemi,jab,landed,"])
    assert problems[0].startswith("one/log.csv:5:")


def test_a_time_after_the_footage_is_over(root: Path, tmp_path: Path) -> None:
    fight = make_fight(tmp_path / "one", bell=None)
    problems, _ = spoiled(root, fight, [*ROWS, "0:30,Adeyemi,jab,landed,"])
    assert "the footage is only" in problems[0]
    assert problems[0].startswith("one/log.csv:5:")
    report = ingest(root, fight, skip_bad_rows=True)
    assert (report.exit_code, report.fights[0].exchanges, len(report.fights[0].skipped)) == (0, 2, 1)


@pytest.mark.parametrize(
    ("row", "place", "says"),
    [
        ("0:30,,,,after the film", "5:1", "the footage is only"),
        ("0:03,,,landed,no action", "5:8", "a mark has no outcome"),
        ("0:03,Okoro,,,whom?", "5:6", "Okoro"),
    ],
)
def test_a_mark_that_cannot_be(root: Path, tmp_path: Path, row: str, place: str, says: str) -> None:
    fight = make_fight(tmp_path / "one", bell=None)
    problems, _ = spoiled(root, fight, [*ROWS, row])
    assert problems[0].startswith(f"one/log.csv:{place}: ")
    assert says in problems[0]


def test_a_period_that_cannot_be(root: Path, fight: Path) -> None:
    ingest(root, fight)
    before = dump(root)
    with (fight / "fight.toml").open("a") as file:
        file.write('[[period]]\nname = "late"\nfrom = "round 2"\n')
    (problem,) = ingest(root, fight).fights[0].problems
    assert "one/fight.toml:19:1: period.from names round 2 of a fight over 1 rounds" in problem
    assert dump(root) == before


def test_a_wrong_fight_toml(root: Path, fight: Path) -> None:
    ingest(root, fight)
    before = dump(root)
    (fight / "fight.toml").write_text(toml().replace("rounds = 1", "rouns = 1"))
    report = ingest(root, fight)
    assert report.exit_code == 2
    assert "rouns" in report.fights[0].problems[0]
    assert dump(root) == before


@pytest.mark.parametrize("name", ["log.csv", "fight.toml", "fight.mp4"])
def test_a_pipe_is_not_waited_for(root: Path, fight: Path, name: str) -> None:
    (fight / name).unlink()
    os.mkfifo(fight / name)
    report = ingest(root, fight)
    assert report.exit_code == 2
    assert re.search("is not a file|is not in the fight folder", report.fights[0].problems[0])


def test_two_fights_with_one_title(root: Path, fight: Path) -> None:
    twin = make_fight(fight.parent / "twin", rows=ROWS[:1])
    report = ingest(root, fight.parent)
    assert report.exit_code == 2
    assert [f.status for f in report.fights] == ["failed", "failed"]
    assert str(twin) in report.fights[0].problems[0]
    assert dump(root)["fights"] == []
    # One of them alone is fine, and its twin cannot push it out afterwards.
    assert ingest(root, fight).exit_code == 0
    before = dump(root)
    report = ingest(root, twin)
    assert report.exit_code == 2
    assert "another title or date" in report.fights[0].problems[0]
    assert dump(root) == before
    (twin / "fight.toml").write_text(toml(date="2024-05-12"))
    assert ingest(root, fight.parent).exit_code == 0
    assert len(dump(root)["fights"]) == 2


BAD_FOOTAGE = {
    "text": (b"This is not a video.\n" * 200, "text"),
    "playlist": (b"#EXTM3U\n#EXTINF:10,\nhttp://127.0.0.1:9/secret.ts\n", "list of other files"),
    "concat": (b"ffconcat version 1.0\nfile '/etc/passwd'\n", "text|list"),
    "empty": (b"", "empty"),
    "noise": (bytes(range(256)) * 4000, "cannot be read|no index|not"),
}


@pytest.mark.parametrize("kind", BAD_FOOTAGE)
def test_what_is_no_footage(root: Path, tmp_path: Path, kind: str) -> None:
    data, said = BAD_FOOTAGE[kind]
    fight = make_fight(tmp_path / "one", kind=None)
    (fight / "fight.mp4").write_bytes(data)
    report = ingest(root, fight)
    assert report.exit_code == 2
    assert re.search(said, report.fights[0].problems[0])
    assert "fight.mp4" in report.fights[0].problems[0]
    # What the log says is worth having all the same.
    assert (report.fights[0].exchanges, report.fights[0].waiting) == (2, 2)
    shutil.copy(footage.make("closed gop").path, fight / "fight.mp4")
    assert dict(ingest(root, fight).fights[0].cut) == {"slice": 2}


def test_footage_that_was_cut_short_after_it_had_been_cut(root: Path, fight: Path) -> None:
    ingest(root, fight)
    before = dump(root)
    data = (fight / "fight.mp4").read_bytes()
    (fight / "fight.mp4").write_bytes(data[: len(data) // 2])
    report = ingest(root, fight)
    assert report.exit_code == 2
    assert "cut short" in report.fights[0].problems[0]
    assert dump(root) == before
    (fight / "fight.mp4").write_bytes(data)
    assert ingest(root, fight).exit_code == 0
    assert dump(root) == before


def test_footage_outside_the_fight_folder_is_not_touched(root: Path, fight: Path, tmp_path: Path) -> None:
    outside = tmp_path / "private.mp4"
    shutil.copy(footage.make("closed gop").path, outside)
    (fight / "fight.mp4").unlink()
    (fight / "fight.toml").write_text(toml(file="../../private.mp4"))
    report = ingest(root, fight)
    assert report.exit_code == 2
    assert "outside" in report.fights[0].problems[0]
    assert clip_files(root) == {}
    (root / "settings.toml").write_text(f'footage_roots = ["{tmp_path}"]\n')
    assert dict(ingest(root, fight).fights[0].cut) == {"slice": 2}


def test_settings_that_are_wrong(root: Path, fight: Path) -> None:
    root.mkdir()
    (root / "settings.toml").write_text('lead_inn = 1\nfollow_through = "long"\naction_length = 0\n')
    with pytest.raises(SettingsError) as caught:
        ingest(root, fight)
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("settings.toml:1:0: lead_inn is not a setting")
    assert "did you mean “lead_in”" in lines[0]
    assert any(line.startswith("settings.toml:2:0: follow_through must be a number") for line in lines)
    assert any(line.startswith("settings.toml:3:0: action_length must be more than 0") for line in lines)


# --- one at a time ----------------------------------------------------------------------------------------


def test_two_ingests_at_once(root: Path, fight: Path) -> None:
    """The second one says who is at work and changes nothing; the first goes on."""
    reached, go_on = threading.Event(), threading.Event()

    def wait_in_the_middle(stage: str, done: int, total: int) -> None:
        if stage.startswith("cutting") and done == 1:
            reached.set()
            assert go_on.wait(60)

    first = threading.Thread(target=lambda: ingest(root, fight, progress=wait_in_the_middle))
    first.start()
    assert reached.wait(60)
    code = f"from tests.libraries import *; ingest(Path({str(root)!r}), Path({str(fight)!r}))"
    second = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    with pytest.raises(BusyError, match=rf"process {os.getpid()}, since"):
        ingest(root, fight)
    go_on.set()
    first.join()
    assert "BusyError" in second.stderr
    assert f"process {os.getpid()}" in second.stderr
    whole = dump(root)
    assert len(whole["clips"]) == 2
    assert ingest(root, fight).fights[0].status == "unchanged"


def test_a_dead_holder_leaves_no_lock(tmp_path: Path) -> None:
    (tmp_path / "ingest.lock").write_text("process 1, since yesterday, a power cut")
    with only_one(tmp_path / "ingest.lock"):
        pass


# --- trouble on the way -----------------------------------------------------------------------------------


def undisturbed(root: Path, fight: Path) -> dict[str, object]:
    """What an ingest of the fight gives; the library is taken away again."""
    ingest(root, fight)
    whole = dump(root)
    shutil.rmtree(root)
    return whole


def test_cancelled_anywhere_it_goes_on_where_it_stopped(root: Path, fight: Path) -> None:
    whole = undisturbed(root, fight)
    for moment in range(1, 30):
        calls = 0

        def cancel(stage: str, done: int, total: int, moment: int = moment) -> None:
            nonlocal calls
            calls += 1
            if calls == moment:
                raise Cancelled("stopped")

        try:
            ingest(root, fight, progress=cancel)
        except Cancelled:
            assert not list(root.rglob("*.part.*"))
            ingest(root, fight)
            assert dump(root) == whole
            shutil.rmtree(root)
            continue
        break
    assert moment > 4, "there were too few moments to speak of"


def test_a_full_disk(root: Path, fight: Path) -> None:
    """A limit on file size stands in for a full disk; larger clips fail (EFBIG, setrlimit(2))."""
    ingest(root, fight)
    whole = dump(root)
    sizes = [len(data) for name, data in clip_files(root).items() if name.endswith(".mp4")]
    limit = sum(sizes) // 2
    assert min(sizes) < limit < max(sizes)
    shutil.rmtree(root)
    code = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from tests.libraries import ingest\n"
        "from cliplib.core.errors import StorageError\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, resource.RLIM_INFINITY))\n"
        f"try: ingest(Path({str(root)!r}), Path({str(fight)!r}))\n"
        "except StorageError as error: sys.exit(f'told: {error}')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "told:" in done.stderr, done.stderr
    assert "run it again" in done.stderr
    assert not list(root.rglob("*.part.*"))
    assert ingest(root, fight).exit_code == 0
    assert dump(root) == whole


def test_a_full_disk_under_the_catalogue(root: Path, fight: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite itself is told that its file may not grow: "database or disk is full"."""
    from cliplib.catalogue import store

    whole = undisturbed(root, fight)
    opened = store._Connection.__init__

    def small(self: object, path: Path, views: object = (), **more: Any) -> None:
        opened(self, path, views, **more)
        self.raw.execute("PRAGMA max_page_count = 30")

    monkeypatch.setattr(store._Connection, "__init__", small)
    write_log(fight, [f"0:0{1 + i % 7},Adeyemi,jab,missed,{'x' * 900}" for i in range(120)])
    with pytest.raises(StorageError, match="free some space"):
        ingest(root, fight)
    monkeypatch.undo()
    write_log(fight, ROWS)
    ingest(root, fight)
    assert dump(root) == whole


def test_a_clip_that_cannot_be_cut_fails_its_fight_only(
    root: Path, fight: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_fight(fight.parent / "two", title="Other", rows=ROWS[:1])
    original = cut.Cutter.cut

    def fails(self: cut.Cutter, first: int, last: int, out: Path, *more: object) -> cut.CutResult:
        if first == 138:
            raise MediaError("ffmpeg failed")
        return original(self, first, last, out)

    monkeypatch.setattr(cut.Cutter, "cut", fails)
    report = ingest(root, fight.parent)
    assert [f.status for f in report.fights] == ["failed", "added"]
    assert report.exit_code == 1
    monkeypatch.undo()
    report = ingest(root, fight.parent)
    assert report.exit_code == 0
    assert len(dump(root)["clips"]) == 3


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_library_that_may_not_be_written(root: Path, fight: Path) -> None:
    ingest(root, fight)
    write_log(fight, ROWS[:2])
    root.chmod(0o555)
    try:
        with pytest.raises(StorageError):
            ingest(root, fight)
    finally:
        root.chmod(0o755)
