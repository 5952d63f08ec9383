"""fight.toml as DESIGN.md has it, and everything that can be wrong with one."""

from __future__ import annotations

import datetime
import hashlib
import os
from pathlib import Path

import pytest

from cliplib.core.errors import FightFolderError
from cliplib.core.models import LogSource
from cliplib.core.periods import Moment, Period
from cliplib.core.timebase import SECOND
from cliplib.fightfolder.reading import find_fight_folders, may_read, read_fight_folder

FULL = """\
title = "Adeyemi v Brandt"
date = 2024-05-11
event = "Harbour Hall 3"
rounds = 6
round_seconds = 180
rest_seconds = 60
result = { winner = "Jonas Brandt", method = "points" }   # points | knockout | ...
[red]
name = "Emeka Adeyemi"
stance = "southpaw"
[blue]
name = "Jonas Brandt"
stance = "orthodox"
[footage]
file = "fight.mp4"
first_bell = "0:12.4"
[[log]]
file = "log.csv"
by = "JL"                        # who logged it
"""

LEAST = """\
title = "Adeyemi v Brandt"
[red]
name = "Emeka Adeyemi"
[blue]
name = "Jonas Brandt"
[[log]]
file = "log.csv"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "adeyemi-brandt"
    path.mkdir()
    (path / "log.csv").write_text("action\n")
    return path


def write(folder: Path, text: str | bytes) -> Path:
    (folder / "fight.toml").write_bytes(text.encode() if isinstance(text, str) else text)
    return folder


def refusal(folder: Path, text: str | bytes) -> str:
    with pytest.raises(FightFolderError) as caught:
        read_fight_folder(write(folder, text))
    return str(caught.value)


# --- good ones --------------------------------------------------------------------------------------------


def test_everything(folder: Path) -> None:
    read = read_fight_folder(write(folder, FULL))
    info = read.info
    assert (info.title, info.date, info.event) == (
        "Adeyemi v Brandt",
        datetime.date(2024, 5, 11),
        "Harbour Hall 3",
    )
    assert (info.rounds, info.round_us, info.rest_us) == (6, 180 * SECOND, 60 * SECOND)
    assert (info.winner, info.method) == ("Jonas Brandt", "points")
    assert info.fighters == ("Emeka Adeyemi", "Jonas Brandt")
    assert (info.red.stance, info.blue.stance) == ("southpaw", "orthodox")
    assert info.logs == (LogSource("log.csv", "JL"),)
    assert read.log_files == (folder / "log.csv",)
    assert read.footage == folder / "fight.mp4"  # not there yet, which is no error
    assert read.footage_refused == ""
    assert read.digest == hashlib.sha256(FULL.encode()).hexdigest()
    # 0:12.4 and every four minutes: 180 s of round, 60 s of rest.
    assert info.round_starts_us == tuple(12_400_000 + n * 240 * SECOND for n in range(6))


def test_the_least(folder: Path) -> None:
    info = read_fight_folder(write(folder, LEAST)).info
    assert info.title == "Adeyemi v Brandt"
    assert (info.date, info.rounds, info.round_us, info.winner, info.method) == (None,) * 5
    assert (info.event, info.round_starts_us, info.footage_file) == ("", (), None)
    assert (info.red.stance, info.logs[0].by) == (None, "")


@pytest.mark.parametrize(
    "text", [FULL.encode(), b"\xef\xbb\xbf" + FULL.encode(), FULL.replace("\n", "\r\n").encode()]
)
def test_byte_order_mark_and_line_ends(folder: Path, text: bytes) -> None:
    assert read_fight_folder(write(folder, text)).info.rounds == 6


def test_round_starts_spelt_out(folder: Path) -> None:
    text = FULL.replace('first_bell = "0:12.4"', 'round_starts = ["0:12.4", 252.5, "8:13"]')
    starts = read_fight_folder(write(folder, text)).info.round_starts_us
    assert starts == (12_400_000, 252_500_000, 493 * SECOND)


@pytest.mark.parametrize("bell", ['"-0:12.4"', '"-12.4"', "-12.4"])
def test_a_film_that_begins_after_the_bell(folder: Path, bell: str) -> None:
    starts = read_fight_folder(write(folder, FULL.replace('"0:12.4"', bell))).info.round_starts_us
    assert starts[:2] == (-12_400_000, -12_400_000 + 240 * SECOND)
    text = FULL.replace('first_bell = "0:12.4"', f'round_starts = [-240, {bell}, "4:13"]')
    with pytest.raises(FightFolderError, match=r"round 2 begin at -0:12\.4, before round 1"):
        read_fight_folder(write(folder, text.replace("-240", "-100")))
    starts = read_fight_folder(write(folder, text)).info.round_starts_us
    assert starts == (-240 * SECOND, -12_400_000, 253 * SECOND)


@pytest.mark.parametrize("bell", ['"0:12.4"', '"12.4"', "12.4"])
def test_times_as_text_and_numbers(folder: Path, bell: str) -> None:
    text = FULL.replace('"0:12.4"', bell)
    assert read_fight_folder(write(folder, text)).info.round_starts_us[0] == 12_400_000


def test_two_minute_rounds_and_one_round(folder: Path) -> None:
    """Two-minute rounds are usual for women (ABC Female Guidelines): lengths are a fight's, not ours."""
    text = FULL.replace("round_seconds = 180", "round_seconds = 120.5")
    assert read_fight_folder(write(folder, text)).info.round_starts_us[1] == 12_400_000 + 180_500_000
    text = FULL.replace("rounds = 6", "rounds = 1").replace("rest_seconds = 60\n", "")
    assert read_fight_folder(write(folder, text)).info.round_starts_us == (12_400_000,)


def test_winner_in_any_case_and_a_draw(folder: Path) -> None:
    text = FULL.replace('"Jonas Brandt", method', '"jonas brandt", method')
    assert read_fight_folder(write(folder, text)).info.winner == "Jonas Brandt"
    text = FULL.replace('winner = "Jonas Brandt", method = "points"', 'method = "Draw"')
    info = read_fight_folder(write(folder, text)).info
    assert (info.winner, info.method) == (None, "draw")


def test_several_logs(folder: Path) -> None:
    (folder / "second.vtt").write_text("WEBVTT\n")
    (folder / "sub").mkdir()
    (folder / "sub" / "third.JSONL").write_text("")
    text = FULL + '[[log]]\nfile = "second.vtt"\nby = "MK"\n[[log]]\nfile = "sub/third.JSONL"\n'
    read = read_fight_folder(write(folder, text))
    assert [path.name for path in read.log_files] == ["log.csv", "second.vtt", "third.JSONL"]
    assert [log.by for log in read.info.logs] == ["JL", "MK", ""]


# --- bad ones: (what is replaced, by what, where it is, what the message says) -----------------------------

BAD = [
    ('title = "Adeyemi v Brandt"\n', "", "1:0", "title is missing"),
    ('title = "Adeyemi v Brandt"', "title = 7", "1:1", "title must be text in quotation marks"),
    ('title = "Adeyemi v Brandt"', 'title = "  "', "1:1", "title is empty"),
    ('title = "Adeyemi v Brandt"', 'title = "a\\nb"', "1:1", "line break"),
    ('title = "Adeyemi v Brandt"', f'title = "{"x" * 400}"', "1:1", "at most 300"),
    ("2024-05-11", '"2024-05-11"', "2:1", "date must be a date without quotation marks"),
    ("2024-05-11", "2024-05-11T20:00:00", "2:1", "date must be a date"),
    ("rounds = 6", 'rounds = "6"', "4:1", "rounds must be a whole number"),
    ("rounds = 6", "rounds = 0", "4:1", "rounds must be a whole number"),
    ("rounds = 6", "rounds = true", "4:1", "not true"),
    ("rounds = 6", "rounds = 6.0", "4:1", "rounds must be a whole number"),
    ("round_seconds = 180", "round_seconds = 0", "5:1", "more than 0"),
    ("round_seconds = 180", "round_seconds = -180", "5:1", "between 0 and"),
    ("round_seconds = 180", "round_seconds = nan", "5:1", "must be a number of seconds"),
    ("round_seconds = 180", "round_seconds = 1e300", "5:1", "between 0 and"),
    ("rest_seconds = 60", 'rest_seconds = "1:00"', "6:1", "must be a number of seconds"),
    ('winner = "Jonas Brandt"', 'winner = "Jonas Brand"', "7:12", "did you mean “Jonas Brandt”?"),
    ('method = "points"', 'method = "decision"', "7:37", "one of points, knockout"),
    ('method = "points"', 'method = "draw"', "7:12", "a draw has no winner"),
    ("result = {", "results = {", "7:1", "did you mean “result”?"),
    ('[red]\nname = "Emeka Adeyemi"\nstance = "southpaw"\n', "", "1:0", "red is missing"),
    ('name = "Emeka Adeyemi"\n', "", "8:2", "red.name is missing"),
    ('name = "Emeka Adeyemi"', 'name = "JONAS BRANDT"', "12:1", "a fight has two fighters"),
    ('stance = "southpaw"', 'stance = "soutpaw"', "10:1", "did you mean southpaw?"),
    ('stance = "southpaw"', "stance = []", "10:1", "one of orthodox, southpaw"),
    ("[footage]", "[footge]", "14:2", "did you mean “footage”?"),
    ("first_bell", "first_bel", "16:1", "did you mean “first_bell”?"),
    ('"0:12.4"', '"0:72.4"', "16:1", "at most 59"),
    ('"0:12.4"', '"soon"', "16:1", "not a time"),
    ('"0:12.4"', "-1e9", "16:1", "between 0 and"),
    ('"0:12.4"', '"-0:72"', "16:1", "at most 59"),
    ('"0:12.4"', "true", "16:1", "must be a time"),
    ("round_seconds = 180\n", "", "15:1", "missing: round_seconds; or"),
    ("rest_seconds = 60\n", "", "15:1", "needs rounds, round_seconds and rest_seconds"),
    ("rounds = 6\n", "", "15:1", "needs rounds, round_seconds and rest_seconds"),
    ("rounds = 6\nround_seconds = 180\n", "", "14:1", "missing: rounds, round_seconds; or write round_starts"),
    ("rounds = 6\nround_seconds = 180\nrest_seconds = 60\n", "", "13:1",
     "missing: rounds, round_seconds, rest_seconds; or write round_starts"),
    ('first_bell = "0:12.4"', 'round_starts = "0:12.4"', "16:1", "a list of times"),
    ('first_bell = "0:12.4"', "round_starts = []", "16:1", "a list of times"),
    ('first_bell = "0:12.4"', "round_starts = [0, 100]", "16:1", "before round 1 (0:00, 3:00 long) is over"),
    ('first_bell = "0:12.4"', "round_starts = [500, 0]", "16:1", "before round 1"),
    ('first_bell = "0:12.4"', f"round_starts = {[*range(0, 1441, 240)]}", "16:1", "7 bells for 6 rounds"),
    ('"0:12.4"', '"0:12.4"\nround_starts = [1]', "17:1", "keep one of them"),
    ("[[log]]", "[log]", "17:2", "two brackets"),
    ("[[log]]", "[[logs]]", "17:3", "did you mean “log”?"),
    ('file = "log.csv"\n', "", "17:3", "log.file is missing"),
    ('"log.csv"', '"lag.csv"', "18:1", "did you mean “log.csv”?"),
    ('"log.csv"', '"log.xlsx"', "18:1", ".csv, .vtt, .jsonl"),
    ('"log.csv"', '"../adeyemi-brandt.csv"', "18:1", "leaves the fight folder"),
    ('"log.csv"', '"/etc/passwd.csv"', "18:1", "leaves the fight folder"),
    ('by = "JL"', 'by = "JL"\nwho = "x"', "20:1", "log.who is not a key"),
    ('by = "JL"', 'by = "JL"\n[[log]]\nfile = "log.csv"', "21:1", "a second time"),
    ('event = "Harbour Hall 3"', 'event = "Harbour Hall 3"\n[extra]', "4:2", "extra is not a key"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "place", "says"), BAD, ids=[f"{n}-{bad[3][:30]}" for n, bad in enumerate(BAD)]
)
def test_says_what_is_wrong_and_where(folder: Path, old: str, new: str, place: str, says: str) -> None:
    assert FULL.count(old) >= 1
    message = refusal(folder, FULL.replace(old, new, 1))
    lines = [line for line in message.splitlines() if says in line]
    assert lines, message
    assert lines[0].startswith(f"adeyemi-brandt/fight.toml:{place}: "), message


# --- periods ----------------------------------------------------------------------------------------------

ONE_HAND = '[[period]]\nname = "one hand"\nfrom = "round 4 1:20"\nuntil = "round 6"\n'


def test_periods_come_in_order_of_time(folder: Path) -> None:
    """With a clock, as whole rounds, or by the film; without bells, too."""
    others = '[[period]]\nname = "early"\nuntil = "r1 0:30"\n[[period]]\nname = "middle"\nfrom = "4:13.5"\nuntil = 300\n'
    info = read_fight_folder(write(folder, FULL + ONE_HAND + others)).info
    assert info.periods == (
        Period("early", None, Moment(None, 1, 30 * SECOND)),
        Period("middle", Moment(253_500_000), Moment(300 * SECOND)),
        Period("one hand", Moment(None, 4, 80 * SECOND), Moment(None, 6)),
    )
    bare = read_fight_folder(write(folder, LEAST + ONE_HAND)).info
    assert bare.course.names == ("one hand",)


BAD_PERIODS = [
    ('until = "round 6"', 'until = "round 4 2:00"', "23:1", "not after the beginning (round 4 1:20)"),
    ('until = "round 6"', 'until = "round 4 1:20"', "23:1", "not after the beginning"),
    ('until = "round 6"', 'until = "round 7"', "23:1", "names round 7 of a fight over 6 rounds"),
    ('from = "round 4 1:20"', 'from = "round 0 1:20"', "22:1", "names round 0"),
    ('from = "round 4 1:20"', 'from = "round 4 3:20"', "22:1", "3:20 on the clock of a round of 3:00"),
    ('from = "round 4 1:20"', 'from = "soon"', "22:1", "no moment"),
    ('from = "round 4 1:20"', "from = -5", "22:1", "between 0 and"),
    ('from = "round 4 1:20"', "from = true", "22:1", "not true"),
    ('name = "one hand"', 'name = ""', "21:1", "is empty"),
    ('name = "one hand"\n', "", "20:3", "name is missing"),
    ('from = "round 4 1:20"\nuntil = "round 6"\n', "", "20:3", "from is missing"),
    ("until =", "untill =", "23:1", "did you mean “until”?"),
    ("[[period]]", "[period]", "20:2", "two brackets"),
    ('"one hand"', '"No period"', "21:1", "choose another name"),
    ('until = "round 6"', 'until = "round 6"\n[[period]]\nname = "x"\nfrom = "round 5"', "26:1",
     "makes “x” overlap “one hand”"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "says"), BAD_PERIODS)
def test_says_what_is_wrong_with_a_period(folder: Path, old: str, new: str, place: str, says: str) -> None:
    message = refusal(folder, FULL + ONE_HAND.replace(old, new, 1))
    lines = [line for line in message.splitlines() if says in line]
    assert lines, message
    assert lines[0].startswith(f"adeyemi-brandt/fight.toml:{place}: "), message


def test_periods_need_one_line_of_time(folder: Path) -> None:
    message = refusal(folder, LEAST + ONE_HAND.replace('"round 6"', '"14:05"'))
    assert "write first_bell or round_starts" in message
    text = FULL.replace('first_bell = "0:12.4"', "round_starts = [0, 240]") + ONE_HAND
    assert "has the bells of 2 rounds" in refusal(folder, text)


def test_everything_wrong_is_told_at_once(folder: Path) -> None:
    message = refusal(
        folder, FULL.replace("rounds = 6", "rounds = 0").replace("southpaw", "x").replace("JL", "")
    )
    assert "rounds must" in message
    assert "red.stance must" in message
    assert "log.by is empty" in message


@pytest.mark.parametrize(
    ("text", "place"),
    [("title = \n", "1:9"), ('title = "a"\n[red\nname = 1\n', "2:5"), ("a = 1\na = 2\n", ""), ("= 3", "1:1")],
)
def test_not_toml(folder: Path, text: str, place: str) -> None:
    message = refusal(folder, text)
    assert "this is not TOML" in message
    assert message.startswith(f"adeyemi-brandt/fight.toml:{place}")


def test_not_text(folder: Path) -> None:
    assert ":1:11: is not UTF-8" in refusal(folder, b'title = "J\xf3o"\n')
    assert "UTF-16" in refusal(folder, FULL.encode("utf-16"))
    assert "not a text file" in refusal(folder, bytes(5000))
    assert "too large" in refusal(folder, b"#" * 2_000_000)
    assert "nested too deeply" in refusal(folder, "a = " + "[" * 100_000)


def test_no_such_thing(tmp_path: Path, folder: Path) -> None:
    with pytest.raises(FightFolderError, match="cannot be read"):
        read_fight_folder(folder)  # no fight.toml in it
    with pytest.raises(FightFolderError, match="no such folder"):
        find_fight_folders(tmp_path / "nowhere")
    (folder / "fight.toml").mkdir()
    with pytest.raises(FightFolderError, match="is not a file"):
        read_fight_folder(folder)


# --- what a stranger's folder may not reach ---------------------------------------------------------------


def test_a_log_behind_a_link_leaves_the_folder(tmp_path: Path, folder: Path) -> None:
    (tmp_path / "secret.csv").write_text("action\n")
    (folder / "log.csv").unlink()
    (folder / "log.csv").symlink_to(tmp_path / "secret.csv")
    assert "leaves the fight folder" in refusal(folder, FULL)
    (folder / "log.csv").unlink()
    (folder / "log.csv").symlink_to(folder / "log.csv")  # a circle
    assert "log.file" in refusal(folder, FULL)


@pytest.mark.parametrize("how", ["absolute", "upwards", "link"])
def test_footage_elsewhere_needs_leave(tmp_path: Path, folder: Path, how: str) -> None:
    films = tmp_path / "films"
    films.mkdir()
    (films / "x.mp4").touch()
    name = {"absolute": f"{films}/x.mp4", "upwards": "../films/x.mp4", "link": "fight.mp4"}[how]
    if how == "link":
        (folder / "fight.mp4").symlink_to(films / "x.mp4")
    write(folder, FULL.replace("fight.mp4", name))
    without = read_fight_folder(folder)
    assert without.footage is None
    assert "footage_roots" in without.footage_refused
    assert without.info.title  # the fight is read all the same
    given = read_fight_folder(folder, [films])
    assert given.footage is not None
    assert given.footage.resolve() == films / "x.mp4"
    assert given.footage_refused == ""


def test_a_name_that_only_begins_alike_is_elsewhere(tmp_path: Path, folder: Path) -> None:
    (tmp_path / "adeyemi-brandt-2").mkdir()
    assert not may_read(tmp_path / "adeyemi-brandt-2" / "x.mp4", folder)
    assert may_read(folder / "sub" / ".." / "x.mp4", folder)


# --- finding them -----------------------------------------------------------------------------------------


def test_finds_fight_folders_anywhere_below(tmp_path: Path, folder: Path) -> None:
    write(folder, FULL)
    deep = tmp_path / "2024" / "may" / "second"
    deep.mkdir(parents=True)
    write(deep, FULL)
    (tmp_path / "empty").mkdir()
    (tmp_path / "2024" / "round").symlink_to(tmp_path)  # a circle
    assert find_fight_folders(tmp_path) == [deep, folder]
    assert find_fight_folders(folder) == [folder]
    assert find_fight_folders(folder / "fight.toml") == [folder]
    assert find_fight_folders(tmp_path / "empty") == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may list everything")
def test_a_folder_that_cannot_be_listed(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0)
    with pytest.raises(FightFolderError, match="cannot be listed"):
        find_fight_folders(tmp_path)
