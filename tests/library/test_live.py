"""Logs written in the library itself: saved line by line, read like any other log, kept through ingests."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from cliplib import Library
from cliplib.catalogue.rows import OldExchange, keep_ids, second_opinions
from cliplib.core.errors import InputError, LogError, NotFoundError
from cliplib.core.models import LogSource
from cliplib.ingest.live import deriver
from tests import libraries
from tests.libraries import BLUE, RED

# Private parts: the rows as they are stored, numbers and all, which nobody else asks.


@pytest.fixture
def library(tmp_path: Path) -> Library:
    libraries.make_fight(tmp_path / "fight")
    library = Library(tmp_path / "library", create=True)
    report = library.logging.ingest([tmp_path / "fight"])
    assert report.exit_code == 0
    return library


def folder_rows(library: Library) -> list[tuple[object, ...]]:
    return [
        (e.id, e.exchange, e.second_opinion)
        for e in library.desk.catalogue.exchanges(1)
        if e.log_file == "log.csv"
    ]


def test_a_line_is_found_at_once_and_cut_later(library: Library) -> None:
    before = folder_rows(library)
    line = library.logging.live.add(1, "MK", 100, "overhand landed", fighter=RED)
    assert (line.frame, line.fighter, line.action) == (100, RED, "overhand landed")
    assert line.time_us == library.logging.live.timeline(1).us_of(100)
    found = library.finding.find("overhand")
    assert found.total == 1
    (clip,) = found.clips
    assert clip.file is None
    assert library.logging.live.waiting(1) == 1
    assert library.logging.live.cut(1) == 1
    clip = library.finding.clip(clip.id)
    assert clip.file is not None
    assert clip.file.is_file()
    assert clip.start_frame is not None
    assert clip.end_frame is not None
    assert clip.start_frame <= 100 < clip.end_frame
    assert library.logging.live.waiting(1) == 0
    assert folder_rows(library) == before


def test_relations_are_derived_as_for_any_log(library: Library) -> None:
    """A punch and the other's answer within a second, as DESIGN.md has counters."""
    library.logging.live.add(1, "MK", 100, "jab missed", fighter=RED)
    library.logging.live.add(1, "MK", 112, "overhand", fighter=BLUE)
    (clip,) = library.finding.find("counter overhand").clips
    assert [a.technique for a in clip.actions] == ["jab", "overhand"]
    assert clip.actions[1].answers == 0


def test_live_logs_stay_when_the_folder_is_ingested_again(library: Library, tmp_path: Path) -> None:
    line = library.logging.live.add(1, "MK", 100, "overhand landed", fighter=RED)
    (clip,) = library.finding.find("overhand").clips
    library.logging.ingest([tmp_path / "fight"])  # unchanged
    assert library.finding.find("overhand").clips[0].id == clip.id
    libraries.write_log(tmp_path / "fight", ["0:03,Adeyemi,jab,landed,"])
    report = library.logging.ingest([tmp_path / "fight"])
    assert report.exit_code == 0
    assert [e.exchange.actions[0].technique for e in library.desk.catalogue.exchanges(1)] == [
        "jab",
        "overhand",
    ]
    assert library.finding.find("overhand").clips[0].id == clip.id
    assert library.finding.find("overhand").clips[0].file is not None  # cut by the ingest
    assert library.logging.live.lines(1, "MK")[0].id == line.id
    assert [log.by for log in library.finding.fight(1).info.logs] == ["JL", "MK"]


def test_a_changed_fight_changes_what_lines_mean(library: Library, tmp_path: Path) -> None:
    """The bell moves behind what was logged: the line is kept, marked, and comes back with the bell."""
    library.logging.live.add(1, "MK", 100, "overhand", fighter=RED)
    assert library.finding.find("overhand").clips[0].round == 1
    toml, text = tmp_path / "fight" / "fight.toml", libraries.toml(file="fight.mp4")
    toml.write_text(text.replace('first_bell = "0:01"', 'first_bell = "0:06"'), encoding="utf-8")
    libraries.write_log(tmp_path / "fight", ["0:07,Adeyemi,jab,landed,"])
    assert library.logging.ingest([tmp_path / "fight"]).exit_code == 0
    assert library.finding.find("overhand").total == 0
    assert "before the first bell" in library.logging.live.lines(1, "MK")[0].problem
    toml.write_text(text, encoding="utf-8")
    assert library.logging.ingest([tmp_path / "fight"]).exit_code == 0
    assert library.finding.find("overhand").clips[0].round == 1
    assert library.logging.live.lines(1, "MK")[0].problem == ""


def test_two_people_log_one_fight_each_for_themselves(library: Library) -> None:
    library.logging.live.add(1, "MK", 115, "overhand landed", fighter=RED)
    library.logging.live.add(1, "TB", 116, "overhand landed", fighter=RED)
    library.logging.live.add(1, "TB", 50, "clinch", fighter=RED)
    assert [line.action for line in library.logging.live.lines(1, "MK")] == ["overhand landed"]
    assert [line.action for line in library.logging.live.lines(1, "TB")] == ["clinch", "overhand landed"]
    assert library.finding.find("overhand").total == 1  # the same punch counts once
    assert library.finding.find("overhand", second_opinions=True).total == 2
    with pytest.raises(NotFoundError):
        library.logging.live.remove(1, "MK", library.logging.live.lines(1, "TB")[0].id)


def test_change_and_remove(library: Library) -> None:
    line = library.logging.live.add(1, "MK", 100, "overhand", fighter=RED)
    moved = library.logging.live.change(1, "MK", line.id, frame=101)
    assert (moved.frame, moved.action) == (101, "overhand")
    said = library.logging.live.change(1, "MK", line.id, action="bolo missed", fighter=BLUE)
    assert (said.frame, said.fighter, said.id) == (101, BLUE, line.id)
    assert library.finding.find("overhand").total == 0
    assert library.finding.find("bolo").clips[0].actions[0].fighter == BLUE
    library.logging.live.remove(1, "MK", line.id)
    assert library.finding.find("bolo").total == 0
    assert library.logging.live.lines(1, "MK") == ()


def test_every_frame_comes_back_as_it_was_logged(library: Library) -> None:
    timeline = library.logging.live.timeline(1)
    frames = [timeline.first_frame_from(1_000_000) + n for n in (0, 1, 50, 51, 52)]
    for frame in frames:
        assert library.logging.live.add(1, "F", frame, "jab", fighter=RED).frame == frame
    assert [line.frame for line in library.logging.live.lines(1, "F")] == frames


@pytest.mark.parametrize(
    ("frame", "action", "fighter", "says"),
    [
        (50, "wibble", RED, "not understood"),
        (50, "jab", "", "does not say who"),
        (50, "", RED, "tells no action"),
        (50, "jab", "Zed", "not in this fight"),
        (10**7, "jab", RED, "frames 0 to"),
        (-1, "jab", RED, "frames 0 to"),
        (50, "jab " * 200, RED, "at most 500"),
    ],
)
def test_what_cannot_be_read_changes_nothing(
    library: Library, frame: int, action: str, fighter: str, says: str
) -> None:
    before = libraries.dump(library.folder)
    with pytest.raises(InputError, match=says):
        library.logging.live.add(1, "MK", frame, action, fighter=fighter)
    assert libraries.dump(library.folder) == before


@pytest.mark.parametrize("by", ["", "  ", "a\x00b", "x" * 61])
def test_a_log_needs_a_name(library: Library, by: str) -> None:
    with pytest.raises(InputError, match="who logs"):
        library.logging.live.add(1, by, 50, "jab", fighter=RED)


def test_a_line_is_checked_as_it_is_written(library: Library) -> None:
    whole = library.logging.live.check(1, "Brandt counter right uppercut to the body, landed")
    assert whole.complete
    assert whole.actions[0][0] == BLUE
    half = library.logging.live.check(1, "jab wibble")
    assert not half.complete
    assert [(u.text, u.start, u.end) for u in half.unread] == [("wibble", 4, 10)]
    assert not library.logging.live.check(1, "jab").complete  # who?
    assert library.logging.live.check(1, "jab", RED).complete


@pytest.mark.parametrize("form", ["csv", "vtt", "jsonl"])
def test_export_and_import_change_nothing(library: Library, form: str) -> None:
    library.logging.live.add(1, "MK", 100, "jab missed", fighter=RED, note="low guard, “again”")
    library.logging.live.add(1, "MK", 112, "counter overhand to the body landed", fighter=BLUE)
    library.logging.live.add(1, "MK", 190, "clinch", fighter=BLUE)
    name = library.logging.live.logs(1)[0].file
    text = library.logging.export_log(1, form, log=name)  # type: ignore[arg-type]
    assert library.logging.live.import_log(1, "other", text, form) >= 3
    other = library.logging.live.logs(1)[1].file
    assert other != name
    if form == "vtt":  # to the millisecond, and with each cue's own span; see logs.writing
        first = [
            [(a.technique, a.fighter) for a in e.actions] for e in library.logging.live.exchanges(1, "MK")
        ]
        again = [
            [(a.technique, a.fighter) for a in e.actions] for e in library.logging.live.exchanges(1, "other")
        ]
        assert again == first
    else:
        assert library.logging.export_log(1, form, log=other) == text  # type: ignore[arg-type]
        assert all("exchange" not in (line.more or {}) for line in library.logging.live.lines(1, "other"))
    with pytest.raises(InputError, match="already"):
        library.logging.live.import_log(1, "other", text, form)
    library.logging.live.import_log(1, "other", text, form, instead=True)
    assert len(library.logging.live.exchanges(1, "other")) == 2


def test_a_bad_import_changes_nothing(library: Library) -> None:
    library.logging.live.add(1, "MK", 100, "jab missed", fighter=RED)
    before = libraries.dump(library.folder)
    with pytest.raises(LogError, match=r"log\.csv:2"):
        library.logging.live.import_log(
            1, "MK", "time,fighter,action\n1,Brandt,wibble\n", "csv", instead=True
        )
    assert libraries.dump(library.folder) == before


def test_what_comes_next_is_learned_from_the_library(tmp_path: Path) -> None:
    """A fight in which the jab is always answered by a bolo: after a jab, the bolo comes first."""
    rows = [
        row
        for tenth in range(20, 75, 10)
        for row in (f"{tenth / 10},Adeyemi,jab,missed,", f"{tenth / 10 + 0.3:.1f},Brandt,bolo,landed,")
    ]
    libraries.make_fight(tmp_path / "fight", rows=rows)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fight"], cut=False).exit_code == 0
    offers = library.logging.next_lines.offers()
    us_of = library.logging.live.timeline(1).us_of
    after = library.logging.next_lines.after(1, "TB", us_of(100))
    assert after.going_on == ()
    assert offers[after.opening[0][1]].text == "jab missed"
    library.logging.live.add(1, "TB", 100, "jab missed", fighter=RED)
    after = library.logging.next_lines.after(1, "TB", us_of(104))
    who, what = after.going_on[0]
    assert (library.finding.fight(1).info.fighters[who], offers[what].text) == (BLUE, "bolo landed")
    assert after.until_us == us_of(100) + library.settings.exchange_gap_us


def test_second_opinions_as_by_comparing_each_with_each() -> None:
    import random

    logs = [LogSource("a", "JL"), LogSource("b", "JL"), LogSource("c", "MK"), LogSource("d", "TB")]
    rng = random.Random(5)
    for _ in range(200):
        spans: list[tuple[int, int | None, int | None]] = []
        for _ in range(rng.randrange(12)):
            start = rng.randrange(20)
            timed = rng.random() < 0.9
            spans.append(
                (rng.randrange(4), start if timed else None, start + rng.randrange(5) if timed else None)
            )
        slow = [
            any(
                start is not None
                and end is not None
                and begun is not None
                and over is not None
                and other < log
                and logs[other].by != logs[log].by
                and begun < max(end, start + 1)
                and start < max(over, begun + 1)
                for other, begun, over in spans
            )
            for log, start, end in spans
        ]
        assert second_opinions(spans, logs) == slow, json.dumps(spans)


def _stored(library: Library) -> list[object]:
    rows = library.desk.catalogue._store.rows
    return [
        rows("SELECT * FROM exchanges ORDER BY id"),
        rows("SELECT * FROM actions ORDER BY exchange_id, position"),
        rows("SELECT * FROM marks ORDER BY id"),
    ]


def _told(library: Library) -> list[OldExchange]:
    rows = library.desk.catalogue._store.rows(
        "SELECT e.id, l.file, e.digest, e.round, e.start_us FROM exchanges e JOIN logs l ON l.id = e.log_id "
        "WHERE l.live = 1 ORDER BY e.position"
    )
    return [OldExchange(*row) for row in rows]


@pytest.mark.parametrize("seed", range(6))
def test_what_grew_line_by_line_is_what_all_lines_come_to_at_once(library: Library, seed: int) -> None:
    """Two people add, change and remove lines in any order, and an exchange is corrected: after each step
    the catalogue holds what the same lines come to when nothing was read before, under the same numbers."""
    rng, live, catalogue = random.Random(seed), library.logging.live, library.desk.catalogue
    frames = len(live.timeline(1))
    for step in range(30):
        if step == 15:
            clip = next(e.id for e in catalogue.exchanges(1) if e.log_file != "log.csv")
            library.logging.corrections.recut(clip, 30, 90)
        by, before = rng.choice(("MK", "Ada")), _told(library)
        lines = live.lines(1, by)
        what = rng.choice(("add", "add", "add", "change", "remove", "other process")) if lines else "add"
        said = rng.choice(("jab missed", "lead hook landed", "switches stance", "slip, cross", "cross"))
        who = rng.choice((RED, BLUE))
        frame = rng.randrange(25, frames - 30)
        if what == "add":
            line = live.add(1, by, frame, rng.choice((said, "")), fighter=who, note="tired")
            assert line == live.line(1, by, line.id)
        elif what == "change":
            live.change(1, by, rng.choice(lines).id, action=said, frame=rng.choice((None, frame)))
        elif what == "remove":
            live.remove(1, by, rng.choice(lines).id)
        else:
            other = Library(library.desk.folder)
            other.logging.live.add(1, by, frame, said, fighter=who)
            other.close()
        now = _told(library)
        kept = keep_ids(before, now)
        assert [k or 0 for k in kept] == [e.id if k else 0 for k, e in zip(kept, now, strict=True)]
        assert not {e.id for k, e in zip(kept, now, strict=True) if k is None} & {e.id for e in before}
        stored = _stored(library)
        catalogue.live.rederive(1, deriver(catalogue, 1, library.desk.settings, library.desk.vocabulary))
        assert _stored(library) == stored
