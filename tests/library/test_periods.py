"""Periods, marks and the round clock through a whole library: found, counted, compared, said in phrases, exported."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib import InputError, Library, Where
from cliplib.cli import main
from tests.libraries import BLUE, RED, make_fight

# A fight on the round clock alone: no film, no bells. Jabs every 20 s in rounds 1 to 3; from 1:30 left in
# round 2 on they land. A cross follows the first jab of each round by one second, a hook the second by 2.2.
TOML = f"""\
title = "Adeyemi v Brandt"
rounds = 3
round_seconds = 180
[red]
name = "{RED}"
[blue]
name = "{BLUE}"
[[log]]
file = "log.csv"
[[period]]
name = "one hand"
from = "round 2 1:30"
until = "round 3"
"""


def rows() -> Iterator[str]:
    yield "round,clock,fighter,action,outcome,note"
    for number in (1, 2, 3):
        for place, left in enumerate(range(170, 0, -20)):
            late = (number, -left) >= (2, -90)
            yield f"{number},{left // 60}:{left % 60:02d},Adeyemi,jab,{'landed' if late else 'missed'},"
            if place < 2:
                after = left - (1, 2.2)[place]
                yield f"{number},{after:.1f},Adeyemi,{('cross', 'hook')[place]},blocked,"
        yield f"{number},0:05,,,,corner calls for the body"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("periods")
    fight = root / "fight"
    fight.mkdir()
    (fight / "fight.toml").write_text(TOML)
    (fight / "log.csv").write_text("\n".join(rows()) + "\n")
    library = Library(root / "library", create=True)
    report = library.logging.ingest([fight])
    assert report.exit_code == 0, report.fights[0].problems
    library.close()
    return root / "library"


@pytest.fixture
def library(folder: Path) -> Iterator[Library]:
    opened = Library(folder)
    yield opened
    opened.close()


def test_windows_go_by_the_round_clock(library: Library) -> None:
    assert library.finding.find("jab then cross within 1 second").total == 3
    assert library.finding.find("jab then hook within 1 second").total == 0
    assert library.finding.find("jab then hook within 3 seconds").total == 3
    assert library.finding.find("jab then hook").total == 0  # two seconds, if nothing else is said


def test_a_period_is_a_filter(library: Library) -> None:
    totals = {
        side: library.finding.find("jab", where=Where(**{side: "One Hand"})).total
        for side in ("before", "during", "after")
    }
    assert totals == {"before": 9 + 4, "during": 5 + 9, "after": 0}
    with pytest.raises(InputError, match="did you mean “one hand”"):
        library.finding.checked(Where(during="on hand"))


@pytest.mark.parametrize(
    ("phrase", "total", "side"),
    [
        ("jab during one hand", 14, "during"),
        ("jabs, in the one hand period", 14, "during"),
        ("Adeyemi's jab “one hand”", 14, "during"),
        ("before one hand, jab missed", 13, "before"),
        ("jab after one hand", 0, "after"),
        ("during One Hand", 14, "during"),
        ("jab in the period one hand", 14, "during"),
        ("one hand, jab missed", 0, "during"),
        ("jab, one hand", 14, "during"),
    ],
)
def test_a_period_is_readable_by_its_name(library: Library, phrase: str, total: int, side: str) -> None:
    found = library.finding.find(phrase, strict=True)
    assert found.total == total
    assert getattr(found.reading.where, side) == "one hand"
    again = library.finding.explain(found.reading.said, strict=True)
    assert (again.steps, again.where, again.said) == (
        found.reading.steps,
        found.reading.where,
        found.reading.said,
    )
    for key, _, without in found.reading.parts:
        rest = library.finding.explain(without)
        assert (getattr(rest.where, side) is None) == (key == side), without


def test_what_is_not_understood_stays_where_it_was(library: Library) -> None:
    reading = library.finding.explain("during one hand zonk jab")
    (unread,) = reading.unread
    assert reading.phrase[unread.start : unread.end] == "zonk"


def test_a_name_of_the_trade_needs_marks(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(type(library.desk), "periods", lambda self: ("clinch",))
    assert library.finding.explain("jab after the clinch").where.after is None
    assert library.finding.explain("jab after “clinch”").where.after == "clinch"
    assert library.finding.explain("jab in the clinch period").where.during == "clinch"


Run = Callable[..., tuple[int, str]]
Told = Callable[..., Any]


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: str) -> tuple[int, str]:
        capsys.readouterr()
        code = main.run(["--library", str(folder), *arguments])
        out, err = capsys.readouterr()
        return code, out + err

    return call


@pytest.fixture
def told(run: Run) -> Told:
    def call(*arguments: str) -> Any:
        code, output = run(*arguments, "--json")
        assert code == 0, output
        return json.loads(output)

    return call


def test_a_period_counts(told: Told) -> None:
    """14 of 27 jabs in 90 s of round 2 and all of round 3: 14 in 4.5 minutes; the other 13 in the 4.5 before."""
    table = told("tally", "jab", "--by", "period")
    rows_of = {row["values"]["period"]: row for row in table["rows"]}
    assert {key: (row["tried"], row["landed"]) for key, row in rows_of.items()} == {
        "one hand": (14, 14), "no period": (13, 0)
    }  # fmt: skip
    assert rows_of["one hand"]["per_minute"] == pytest.approx(14 / 4.5)
    assert rows_of["no period"]["per_minute"] == pytest.approx(13 / 4.5)
    during = told("tally", "jab", "--during", "one hand")
    assert (during["total"]["tried"], during["total"]["per_minute"]) == (14, pytest.approx(14 / 4.5))
    said = told("tally", "jab during one hand")
    assert said["total"] == during["total"]


def test_a_period_is_a_side(told: Told, run: Run) -> None:
    sides = told("compare", "jab", "--this", "before=one hand", "--that", "during=one hand")
    assert sides["this"] == {"what": "before “one hand”", "tries": 13}
    assert sides["that"] == {"what": "during “one hand”", "tries": 14}
    by_key = told("compare", "jab", "--this", "period=no period", "--that", "period=one hand")
    assert sides["landed"][0]["difference"] == by_key["landed"][0]["difference"]
    # What holds for both sides is not what a side is called.
    with_fight = told(
        "compare", "jab", "--this", "before=one hand", "--that", "during=one hand", "--fight", "1"
    )
    assert (with_fight["this"], with_fight["landed"]) == (sides["this"], sides["landed"])
    code, output = run("compare", "jab", "--this", "before=two hands", "--that", "during=one hand")
    assert code == 2
    assert "no fight has a period “two hands”" in output


@pytest.mark.parametrize(
    ("phrase", "narrowed", "situations"),
    [
        ("jab", ("--during", "one hand"), 14 + 2),  # with the cross and the hook of round 3
        ("jab", ("--only", "period=one hand"), 14 + 2),
        ("jab", ("--only", "round=1"), 9 + 2),
        ("jab in round 1", (), 9 + 2),
        ("jab", (), 27 + 6),
    ],
)
def test_what_was_done_instead_lies_in_the_same_period(
    told: Told, phrase: str, narrowed: tuple[str, ...], situations: int
) -> None:
    """Where tries are looked for in a period alone, what was done elsewhere is not what was done instead."""
    found = told("change", phrase, "1", "--of", "frequency", *narrowed)
    assert {line["this"]["of"] + line["that"]["of"] for line in found["instead"]} == {situations}


@pytest.mark.parametrize(
    "command",
    ["tally jab", "next jab", "answers jab", "find jab", "change jab 1", "change jab 1 --of frequency",
     "compare jab --this round=1 --that round=2"],
)  # fmt: skip
@pytest.mark.parametrize("side", ["--before", "--during"])
def test_the_filter_is_everywhere(run: Run, command: str, side: str) -> None:
    code, output = run(*command.split(), side, "one hand")
    assert code == 0, output
    code, output = run(*command.split(), side, "onne hand")
    assert code == 2
    assert "did you mean “one hand”" in output


def test_marks_are_kept_and_written_out(library: Library) -> None:
    view = library.finding.fight_view(1)
    assert [(item.mark.round, item.mark.time_us) for item in view.marks] == [
        (number, -5_000_000) for number in (1, 2, 3)
    ]
    hits = library.finding.words("corner body")
    assert [(hit.exchange_id, hit.mark_id) for hit in hits.hits] == [(None, item.id) for item in view.marks]
    text = library.logging.export_log(1, "csv")
    assert text.count("corner calls for the body") == 3
    assert library.logging.export_log(1, "jsonl").count('"clock": "0:05"') == 3


def test_marks_of_a_log_taken_in(tmp_path: Path) -> None:
    """A log that somebody takes in on the page keeps its marks, and gives them back."""
    fight = make_fight(tmp_path / "fight")
    library = Library(tmp_path / "library", create=True)
    library.logging.ingest([fight], cut=False)
    text = "time,fighter,action,note\n0:02,Adeyemi,jab,\n0:03,,,looks tired\n0:04,Brandt,,cut\n"
    assert library.logging.live.import_log(1, "MK", text, "csv") == 3
    marks = [row.mark for row in library.finding.fight_view(1).marks]
    assert [(mark.note, mark.time_us, mark.fighter) for mark in marks] == [
        ("looks tired", 3_000_000, None), ("cut", 4_000_000, BLUE)
    ]  # fmt: skip
    assert [line.note for line in library.logging.live.lines(1, "MK")] == ["", "looks tired", "cut"]
    for form in ("csv", "jsonl", "vtt"):
        assert "looks tired" in library.logging.export_log(1, form)
    library.logging.ingest([fight], cut=False)
    assert len(library.finding.fight_view(1).marks) == 2
    library.close()
