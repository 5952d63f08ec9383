"""The film's parts: the round clock follows what was left out, and what lies in a replay never counts twice."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from cliplib import BusyError, FightFolderError, Library, LogError, Where
from cliplib.cli import main
from cliplib.core.parts import Part, clock_of
from cliplib.core.timebase import SECOND, RoundClock
from cliplib.fightfolder.rewriting import with_first_bell
from tests.libraries import BLUE, RED

# Three rounds of a minute. The film leaves out 15 s of round 1 at 0:40, the clock stands still for 10 s in
# round 2, and a replay in the first rest shows 0:20 again at half the speed.
TOML = f"""\
# logged from the broadcast
title = "Adeyemi v Brandt"
rounds = 3
round_seconds = 60
rest_seconds = 30
[red]
name = "{RED}"
[blue]
name = "{BLUE}"
[footage]
first_bell = "0:10"
[[log]]
file = "log.csv"
[[part]]
kind = "gap"
from = "0:40"
jump = 15
[[part]]
kind = "stop"
from = "1:40"
until = "1:50"
[[part]]
kind = "replay"
from = "1:00"
until = "1:06"
of = "0:20"
speed = 0.5
"""
LOG = """\
time,fighter,action,outcome
0:20.5,Adeyemi,jab,landed
0:30,Adeyemi,cross,missed
1:01,Adeyemi,jab,landed
1:45,Brandt,hook,blocked
"""


def made(root: Path, toml: str = TOML, log: str = LOG) -> Library:
    fight = root / "fight"
    fight.mkdir(parents=True)
    (fight / "fight.toml").write_text(toml)
    (fight / "log.csv").write_text(log)
    library = Library(root / "library", create=True)
    report = library.logging.ingest([fight])
    assert report.exit_code == 0, report.fights[0].problems
    return library


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    opened = made(tmp_path)
    yield opened
    opened.close()


def seconds(*values: float) -> tuple[int, ...]:
    return tuple(int(value * SECOND) for value in values)


# --- the clock --------------------------------------------------------------------------------------------


def test_the_round_clock_follows_what_was_left_out() -> None:
    """By hand: 30 s of round 1 are seen before the cut, so the clock shows 0:30, then at once 0:15."""
    clock = clock_of(seconds(10), 60 * SECOND, [Part("gap", *seconds(40, 40), jump_us=15 * SECOND)])
    assert clock is not None
    before, cut = clock.from_footage(40 * SECOND - 1), clock.from_footage(40 * SECOND)
    assert before == (1, 30 * SECOND + 1)
    assert cut == (1, 30 * SECOND)  # the moment itself is the last that is seen
    assert clock.from_footage(40 * SECOND + 1) == (1, 15 * SECOND - 1)
    assert clock.span(1) == seconds(10, 55)
    assert clock.from_footage(56 * SECOND) is None
    assert clock.to_footage(1, 20 * SECOND) == 40 * SECOND  # left out: where the film goes on
    assert clock.to_footage(1, 5 * SECOND) == 50 * SECOND


def test_a_stop_holds_the_clock() -> None:
    clock = RoundClock(seconds(0), 60 * SECOND, ((20 * SECOND, 30 * SECOND, 0),))
    assert [clock.from_footage(s * SECOND) for s in (20, 25, 30, 31)] == [
        (1, 40 * SECOND), (1, 40 * SECOND), (1, 40 * SECOND), (1, 39 * SECOND),
    ]  # fmt: skip
    assert clock.span(1) == seconds(0, 70)
    assert clock.to_footage(1, 40 * SECOND) == 20 * SECOND


@pytest.mark.parametrize("at", range(0, 70, 3))
def test_there_and_back(at: int) -> None:
    """Where the film runs with the clock, a moment comes back from its clock reading."""
    stops = ((20 * SECOND, 20 * SECOND, 8 * SECOND), (33 * SECOND, 41 * SECOND, 0))
    clock = RoundClock(seconds(0), 60 * SECOND, stops)
    told = clock.from_footage(at * SECOND)
    if told is not None and not 33 < at <= 41:
        assert clock.to_footage(*told) == at * SECOND


def test_bells_after_a_gap_come_earlier_on_film(library: Library) -> None:
    """Round 2 begins 90 s after round 1 by the hall's clock; 15 s of that are not on film. Round 3's bell is
    10 s later again, as the clock stood still."""
    (fight,) = library.finding.fights()
    assert fight.info.round_starts_us == seconds(10, 85, 185)
    clip = next(c for c in library.finding.find("hook").clips)
    assert (clip.round, clip.clock_us) == (2, 45 * SECOND)  # the clock stands at 0:45


def test_rounds_among_the_parts_say_the_bells(tmp_path: Path) -> None:
    parts = "".join(
        f'[[part]]\nkind = "round"\nfrom = "{a}"\nuntil = "{b}"\n'
        for a, b in (("0:11.4", "1:11.4"), ("1:42", "2:42"))
    )
    toml = TOML[: TOML.index("[footage]")] + TOML[TOML.index("[[log]]") : TOML.index("[[part]]")] + parts
    library = made(tmp_path, toml, "time,fighter,action\n0:20,Adeyemi,jab\n1:50,Adeyemi,jab\n")
    assert library.finding.fights()[0].info.round_starts_us == seconds(11.4, 102)
    assert [clip.round for clip in library.finding.find("jab", order="date").clips] == [1, 2]
    library.close()


# --- views ------------------------------------------------------------------------------------------------


def test_a_replay_is_another_view_and_never_counts_twice(library: Library) -> None:
    """0:01 into a replay of 0:20 at half speed is 0:20.5: the jab that is logged there."""
    found = library.finding.find("jab")
    assert (found.total, found.views) == (1, 1)
    assert library.evidence.tally("jab").table.total.tried == 1
    too = library.finding.find("jab", where=Where(views="too"))
    first, again = sorted(too.clips, key=lambda clip: clip.id)
    assert (first.view, again.view, again.view_of) == (False, True, first.id)
    assert again.round == 1  # the round of what it shows
    assert library.evidence.tally("jab", where=Where(views="too")).table.total.tried == 2
    assert library.finding.find("jab", where=Where(views="only")).total == 1
    assert [c.id for c in library.finding.angles(first.id)] == [again.id]
    assert [c.id for c in library.finding.angles(again.id)] == [first.id]
    assert len(library.finding.fight_view(1).views) == 1


def test_a_replay_of_something_that_is_not_logged_counts_nowhere_and_says_so(tmp_path: Path) -> None:
    library = made(tmp_path, TOML.replace('of = "0:20"\nspeed = 0.5\n', ""))
    assert library.finding.find("jab").total == 1
    (view,) = library.finding.find("jab", where=Where(views="only")).clips
    assert (view.view, view.view_of) == (True, None)
    report = library.logging.ingest([tmp_path / "fight"])
    assert "counts nowhere" in " ".join(report.fights[0].why)
    library.close()


def test_what_is_written_out_reads_back(library: Library, tmp_path: Path) -> None:
    text = library.logging.export_log(1, "csv")
    other = made(tmp_path / "again", log=text)
    assert other.logging.export_log(1, "csv") == text
    assert other.finding.find("jab").total == 1
    other.close()


def test_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str], run_json: Callable[..., dict]) -> None:
    made(tmp_path).close()
    told = run_json(tmp_path, "fight", "1")
    assert [part["kind"] for part in told["parts"]] == ["gap", "replay", "stop"]
    assert told["parts"][1] == {
        "kind": "replay", "from": 60.0, "until": 66.0, "name": "", "of": 20.0, "speed": 0.5,
    }  # fmt: skip
    assert run_json(tmp_path, "find", "jab")["total"] == 1
    assert run_json(tmp_path, "find", "jab", "--views", "too")["total"] == 2
    assert run_json(tmp_path, "tally", "jab", "--views", "too")["total"]["tried"] == 2


@pytest.fixture
def run_json(capsys: pytest.CaptureFixture[str]) -> Callable[..., dict]:
    def run(root: Path, *words: str) -> dict:
        capsys.readouterr()
        assert main.run(["--library", str(root / "library"), *words, "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    return run


# --- changing them ----------------------------------------------------------------------------------------


def test_parts_are_changed_in_fight_toml_and_the_rest_stays(library: Library, tmp_path: Path) -> None:
    path = tmp_path / "fight" / "fight.toml"
    stretches = library.logging.stretches
    told = stretches.parts(1)
    with pytest.raises(LogError, match="1:01 lies in the rest"):  # what is logged there would have no place
        stretches.put(1, "part", [row for row in told.rows if row["kind"] != "replay"])
    assert (path.read_text(), stretches.parts(1)) == (TOML, told)
    stretches.put(1, "part", [row for row in told.rows if row["kind"] != "stop"], seen=told.seen)
    assert [part.kind for part in library.finding.fights()[0].info.parts] == ["gap", "replay"]
    assert path.read_text().startswith(TOML[: TOML.index("[[part]]")].rstrip())


def test_a_period_is_added_and_found(library: Library) -> None:
    stretches = library.logging.stretches
    seen = stretches.periods(1).seen
    stretches.put(
        1, "period", [{"name": "one hand", "from": "round 1 0:55", "until": "round 1"}, {}], seen=seen
    )
    assert library.finding.find("jab during one hand", strict=True).total == 1
    assert "one hand" in " ".join(library.finding.complete("jab during o"))
    with pytest.raises(BusyError, match="changed since"):
        stretches.put(1, "period", [], seen=seen)
    stretches.put(1, "period", [])
    assert stretches.periods(1).rows == ()


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({"kind": "replay", "from": "0:05"}, "until is missing"),
        ({"kind": "replay", "from": "0:05", "until": "0:04"}, "not after the beginning"),
        ({"kind": "gap", "from": "0:05"}, "jump is missing"),
        ({"kind": "relay", "from": "0:05", "until": "0:08"}, "did you mean replay"),
        ({"kind": "replay", "from": "1:05", "until": "1:08"}, "overlap"),
        ({"kind": "replay", "from": "0:05", "until": "0:08", "speed": "0.5"}, "of no use"),
        ({"kind": "rest", "from": "0:05", "until": "0:08", "jump": "3"}, "not a key"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_changes(
    library: Library, tmp_path: Path, row: dict[str, str], message: str
) -> None:
    path = tmp_path / "fight" / "fight.toml"
    told = library.logging.stretches.parts(1)
    with pytest.raises(FightFolderError, match=message):
        library.logging.stretches.put(1, "part", [*told.rows, row])
    assert path.read_text() == TOML
    assert library.logging.stretches.parts(1) == told
    assert library.finding.fights()[0].info.parts[1].speed == Fraction(1, 2)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ('[footage]\nfile = "a.mp4"\n', '[footage]\nfirst_bell = "0:12.4"\nfile = "a.mp4"\n'),
        (
            'title = "x"\n [ footage ] # film\n\n[[log]]\n',
            'title = "x"\n [ footage ] # film\nfirst_bell = "0:12.4"\n\n[[log]]\n',
        ),
        ("[footage]", '[footage]\nfirst_bell = "0:12.4"\n'),
    ],
)
def test_a_first_bell_is_written_and_nothing_else(text: str, wanted: str) -> None:
    assert with_first_bell(text, "0:12.4") == wanted


@pytest.mark.parametrize(
    "text",
    [
        'footage = { file = "a.mp4" }',
        '[footage]\nfirst_bell = "0:01"',
        'title = "x"',
        'title = """\n[footage]\n"""',
    ],
)
def test_a_first_bell_that_cannot_be_written_is_refused(text: str) -> None:
    with pytest.raises(FightFolderError, match="under \\[footage\\]"):
        with_first_bell(text, "0:12.4")
