"""What is handed on, read back by libraries that are not ours, and compared with the reel."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
import json
import re
from fractions import Fraction
from pathlib import Path

import duckdb
import opentimelineio
import pypdf
import pytest
import webvtt
from timecode import Timecode

from cliplib.core.errors import Cancelled, InputError
from cliplib.reels.handover import (
    captions_text,
    chapters_text,
    hand_over,
    shots_text,
    write_bundle,
)
from cliplib.reels.handover_rows import rows_of
from cliplib.reels.handover_timeline import edl_text, timeline_text
from cliplib.reels.parts import Freeze, ReelPart, ReelSettings, Slow, Treatment
from cliplib.reels.plan import plan_reel
from tests.media import footage
from tests.reels.reel_parts import SMALL, part
from tests.reels.test_plan import footage as made_up

NTSC = Fraction(30000, 1001)
NAME = 'Ñandú “Ω” <b>1 & 2</b> --> "x", y'


def facts(**more: str) -> dict[str, str]:
    return {
        "fight": "Adeyemi v Brandt",
        "date": "2024-05-11",
        "round": "2",
        "fighter": "Jonas Brandt",
        **more,
    }


def long_parts(rate: Fraction) -> list[ReelPart]:
    """Four clips of a footage of an hour: about the minute and the tenth minute, where labels are dropped."""
    source = made_up(110_000, rate)
    spans = [(1790, 1810), (17970, 18000), (107880, 107900), (50, 95)]
    return [
        ReelPart(
            source, first, last, (f"clip {n}",), f"clip {n}", moments_us=(source.timeline.us_of(first + 5),),
            clip_id=n + 7, facts=facts(),
        )
        for n, (first, last) in enumerate(spans)
    ]  # fmt: skip


def timecode(frame: int, nominal: int, *, drop: bool) -> str:
    """A label after SMPTE ST 12-1: drop-frame leaves out the first two labels (of 30 a second) of each minute
    that is not a multiple of ten."""
    if drop:
        leave = nominal // 15
        tens, rest = divmod(frame, nominal * 600 - 9 * leave)
        minutes = max(0, (rest - leave) // (nominal * 60 - leave))
        frame += leave * (9 * tens + minutes)
    seconds, frames = divmod(frame, nominal)
    mark = ";" if drop else ":"
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{mark}{frames:02d}"


def test_the_arithmetic_of_this_test() -> None:
    """Values of SMPTE ST 12-1: the labels about the first minute, ten minutes, an hour."""
    assert timecode(1799, 30, drop=True) == "00:00:59;29"
    assert timecode(1800, 30, drop=True) == "00:01:00;02"
    assert timecode(17982, 30, drop=True) == "00:10:00;00"
    assert timecode(107892, 30, drop=True) == "01:00:00;00"


@pytest.mark.parametrize(
    ("rate", "drop"), [(NTSC, True), (NTSC, False), (Fraction(25), False), (Fraction(24000, 1001), False)]
)
def test_edl_labels_and_frames(rate: Fraction, drop: bool) -> None:
    parts = long_parts(rate)
    plan = plan_reel(parts, ReelSettings(title="Counters", rate=rate))
    rows = rows_of(parts, plan)
    text = edl_text(rows, plan, drop_frame=drop)
    lines = text.splitlines()
    assert lines[0] == "TITLE: Counters"
    assert lines[1] == f"FCM: {'DROP FRAME' if drop else 'NON-DROP FRAME'}"
    nominal = round(rate)
    events = [line.split() for line in lines if line[:3].isdigit()]
    assert len(events) == 4
    for event, row in zip(events, rows, strict=True):
        first, last, start = row.part.first, row.part.last, row.start
        wanted = (first, last, start, start + last - first)
        assert event[4:] == [timecode(frame, nominal, drop=drop) for frame in wanted]
        assert event[1:4] == [f"C{row.number:03d}", "V", "C"]
    label = float(rate) if drop else float(nominal)
    back = opentimelineio.adapters.read_from_string(text, "cmx_3600", rate=label)
    track = (back if isinstance(back, opentimelineio.schema.Timeline) else back[0]).tracks[0]
    read = [item for item in track if isinstance(item, opentimelineio.schema.Clip)]
    assert [(c.source_range.start_time.value, c.source_range.duration.value) for c in read] == [
        (row.part.first, row.part.last - row.part.first) for row in rows
    ]
    assert [c.name for c in read] == [row.planned.title for row in rows]


def test_drop_frame_is_the_default_where_it_exists_and_refused_elsewhere() -> None:
    parts = long_parts(NTSC)
    plan = plan_reel(parts, ReelSettings(rate=NTSC))
    assert "FCM: DROP FRAME" in edl_text(rows_of(parts, plan), plan)
    parts = long_parts(Fraction(25))
    plan = plan_reel(parts, ReelSettings(rate=Fraction(25)))
    assert "FCM: NON-DROP" in edl_text(rows_of(parts, plan), plan)
    with pytest.raises(InputError, match="no drop-frame"):
        edl_text(rows_of(parts, plan), plan, drop_frame=True)


def treated() -> list[ReelPart]:
    treatment = Treatment(slow=Slow(before_us=200_000, after_us=400_000), freeze=Freeze(1_000_000))
    return [
        ReelPart(
            made_up(200), 10, 90, ("Who", "what"), NAME, moments_us=(1_600_000,), treatment=treatment,
            clip_id=3, facts=facts(),
        ),
        ReelPart(made_up(300, NTSC, name="b"), 30, 90, (), "second", facts=facts(round="")),
    ]  # fmt: skip


def test_timeline_reads_back_with_ranges_markers_and_effects() -> None:
    parts = treated()
    plan = plan_reel(parts, ReelSettings(title="T", rate=Fraction(25)))
    rows = rows_of(parts, plan)
    text = timeline_text(rows, plan)
    back = opentimelineio.adapters.read_from_string(text, "otio_json")
    items = list(back.tracks[0])
    assert back.name == "T"
    assert sum(item.duration().value for item in items) == plan.frames
    assert back.duration().rate == 25
    kinds = [type(item).__name__ for item in items]
    assert kinds == ["Gap", "Clip", "Clip", "Clip", "Clip", "Clip", "Gap"]
    play, slow, held, rest, second = items[1:-1]
    assert play.name == NAME
    assert (play.source_range.start_time.value, play.source_range.duration.value) == (10, 80)
    assert [m.marked_range.start_time.value for m in play.markers] == [40]
    assert slow.source_range.start_time.value == 35
    assert [e.time_scalar for e in slow.effects] == [0.5]
    assert isinstance(held.effects[0], opentimelineio.schema.FreezeFrame)
    assert (held.source_range.start_time.value, held.source_range.duration.value) == (40, 25)
    assert rest.source_range.start_time.value == 41
    # 30 frames of 30000/1001 are 1.001 s: frame 25 of the reel's 25 a second.
    assert second.source_range.start_time.value == 25
    assert second.source_range.duration.value == 50
    assert play.media_reference.target_url.endswith("/a.mp4")
    assert play.media_reference.available_range.duration.value == 200
    assert dict(play.metadata["cliplib"])["fighter"] == "Jonas Brandt"


def test_edl_carries_speed_changes_without_drop_frame_and_remarks_with_it() -> None:
    parts = treated()
    plan = plan_reel(parts, ReelSettings(rate=Fraction(25)))
    text = edl_text(rows_of(parts, plan), plan)
    back = opentimelineio.adapters.read_from_string(text, "cmx_3600", rate=25)
    clips = [c for c in back.tracks[0] if isinstance(c, opentimelineio.schema.Clip)]
    assert [[e.time_scalar for e in c.effects] for c in clips] == [[], [0.5], [0.0], [0.5], []]
    plan = plan_reel(parts, ReelSettings(rate=NTSC))
    dropped = edl_text(rows_of(parts, plan), plan)
    assert "SLOW REPLAY AT 1/2" in dropped
    assert "\nM2" not in dropped


def test_slow_events_have_the_source_span_that_is_played() -> None:
    """CMX 3600 (SMPTE ST 258): with an M2 of 12.5 in a list of 25, 40 frames of the list play 20 of the source.
    Read by another library than the one that wrote it, `timecode` (SMPTE ST 12-1), and by hand."""
    parts = treated()
    plan = plan_reel(parts, ReelSettings(rate=Fraction(25)))
    text = edl_text(rows_of(parts, plan), plan)
    assert "FCM: NON-DROP FRAME" in text
    events = re.findall(
        r"^\d{3}  C\d{3} .*? ([\d:]{11}) ([\d:]{11}) ([\d:]{11}) ([\d:]{11}) *(?:\nM2 .*\t\t([\d.]+)\t)?",
        text,
        re.MULTILINE,
    )
    assert len(events) == 5
    slowed = 0
    for *labels, speed in events:
        first, last, begin, end = (Timecode("25", label).frames for label in labels)
        units = (90_000, 1500, 25, 1)
        hand = [sum(int(n) * f for n, f in zip(one.split(":"), units, strict=True)) for one in labels]
        assert (last - first, end - begin) == (hand[1] - hand[0], hand[3] - hand[2])
        assert last - first == max(1, round((end - begin) * float(speed or 25) / 25))
        slowed += speed == "12.5"
    assert slowed == 2


def test_a_timeline_has_its_sound() -> None:
    """A track as long as the pictures, with sound where the reel has some and silence where it has none."""
    parts = treated()
    plan = plan_reel(parts, ReelSettings(title="T", rate=Fraction(25)))
    back = opentimelineio.adapters.read_from_string(timeline_text(rows_of(parts, plan), plan), "otio_json")
    pictures, sound = back.tracks
    assert (pictures.kind, sound.kind) == ("Video", "Audio")
    assert [i.duration().value for i in sound] == [i.duration().value for i in pictures]
    names = [type(item).__name__ for item in sound]
    audible = [
        bool(shot.sound and parts[planned.clip].source.info.audio)
        for planned in plan.parts
        if planned.clip is not None
        for shot in planned.shots
    ]
    assert names == ["Gap", *("Clip" if one else "Gap" for one in audible), "Gap"]


def test_captions_and_chapters_read_back(tmp_path: Path) -> None:
    parts = [part("ntsc", 30, 63, caption=(NAME, "Adeyemi jab missed")), part("closed gop", 40, 65)]
    settings = ReelSettings(title="Counters", rate=NTSC, size=(480, 272))
    plan = plan_reel(parts, settings)
    rows = rows_of(parts, plan)
    captions = webvtt.from_string(captions_text(rows, plan)).captions
    assert len(captions) == 1
    assert captions[0].raw_text.splitlines() == [
        "Ñandú “Ω” &lt;b&gt;1 &amp; 2&lt;/b&gt; --&gt; \"x\", y", "Adeyemi jab missed",
    ]  # fmt: skip
    # Three seconds of title card are 90 frames, 3.003 s; 33 frames are 1.1011 s.
    assert (captions[0].start, captions[0].end) == ("00:00:03.003", "00:00:04.104")
    chapters = webvtt.from_string(chapters_text(rows, plan)).captions
    assert [c.text for c in chapters] == ["Counters", "ntsc 30", "closed gop 40", "Please note"]
    assert [c.end for c in chapters[:-1]] == [c.start for c in chapters[1:]]


def test_shot_list_reads_back(tmp_path: Path) -> None:
    """By DuckDB's CSV reader (RFC 4180)."""
    parts = long_parts(NTSC)
    odd = facts(fight=NAME, note="two\nlines")
    parts[1] = dataclasses.replace(parts[1], title="=1+1", facts=odd)
    plan = plan_reel(parts, ReelSettings(rate=NTSC))
    text = shots_text(rows_of(parts, plan), plan)
    path = tmp_path / "shots.csv"
    path.write_text(text, encoding="utf-8", newline="")
    table = duckdb.sql(f"select * from read_csv('{path}', header=true, all_varchar=true)")
    read = [dict(zip(table.columns, row, strict=True)) for row in table.fetchall()]
    assert [int(row["number"]) for row in read] == [1, 2, 3, 4]
    assert [(int(r["first_frame"]), int(r["end_frame"])) for r in read] == [(p.first, p.last) for p in parts]
    assert read[1]["fight"] == NAME
    assert read[1]["note"] == "two\nlines"
    assert read[1]["title"] == "'=1+1", "a spreadsheet would run it"
    assert [int(r["reel_first_frame"]) for r in read] == list(plan.starts()[1:-1])
    # 107,880 frames of 30000/1001 are 3599.596 s.
    assert read[2]["in"] == "59:59.596"
    assert next(iter(csv.reader(io.StringIO(text))))[:3] == ["number", "clip", "title"]


def test_the_sheet_has_every_key_frame_and_the_counts(tmp_path: Path) -> None:
    parts = [
        part("closed gop", n, n + 30, caption=(f"Example at {n}",), facts=facts(round=str(n % 2)),
             moments_us=(n * 40_000 + 400_000,))
        for n in range(10, 130, 10)
    ]  # fmt: skip
    settings = ReelSettings(title="Counters Ñandú", rate=Fraction(25))
    hand_over("sheet", parts, settings, tmp_path / "a.pdf")
    hand_over("sheet", parts, settings, tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    read = pypdf.PdfReader(tmp_path / "a.pdf")
    text = "\n".join(page.extract_text() for page in read.pages)
    assert "Counters Ñandú" in text
    assert "12 examples" in text
    assert "Jonas Brandt 12" in text
    assert "Adeyemi v Brandt 12" in text
    for n in range(10, 130, 10):
        assert f"Example at {n}" in text
    for word in ("coach", "doctor", "belongs to its owner"):
        assert word in text
    assert sum(len(page.images) for page in read.pages) == 12
    assert len(read.pages) > 1


def test_a_bundle_is_whole(tmp_path: Path) -> None:
    parts = [
        part("closed gop", 33, 60, caption=("one",), clip_id=4, facts=facts(), moments_us=(1_600_000,)),
        part("mpegts", 41, 70, facts=facts()),
        part("closed gop", 80, 99, facts=facts()),
    ]
    settings = ReelSettings(title="Counters", size=SMALL.size, rate=Fraction(25))
    made = write_bundle(parts, settings, tmp_path / "bundle", tmp_path / "cache")
    manifest = json.loads((made.folder / "manifest.json").read_text(encoding="utf-8"))
    listed = {entry["file"]: entry for entry in manifest["files"]}
    there = {p.relative_to(made.folder).as_posix() for p in made.folder.rglob("*") if p.is_file()}
    assert there == set(listed) | {"manifest.json"} == set(made.files)
    for name, entry in listed.items():
        data = (made.folder / name).read_bytes()
        assert (len(data), hashlib.sha256(data).hexdigest()) == (entry["bytes"], entry["sha256"])
    assert manifest["examples"] == 3
    assert any("owner" in line for line in manifest["please_note"])
    clips = sorted(name for name in there if name.startswith("clips/"))
    for name, given in zip(clips, parts, strict=True):
        assert footage.numbers(made.folder / name) == list(range(given.first, given.last))
    assert len(footage.numbers(made.folder / "reel.mp4")) == made.reel.frames
    timeline = opentimelineio.adapters.read_from_file(str(made.folder / "reel.otio"))
    clip = next(iter(timeline.find_clips()))
    assert (made.folder / clip.media_reference.target_url).is_file()
    assert (clip.source_range.start_time.value, clip.source_range.duration.value) == (0, 27)
    assert clip.media_reference.available_range.duration.value == 27
    assert [m.marked_range.start_time.value for m in clip.markers] == [7]
    assert webvtt.read(str(made.folder / "captions.vtt")).captions[0].text == "one"


def test_a_bundle_replaces_only_a_bundle(tmp_path: Path) -> None:
    parts, settings = [part("closed gop", 33, 45)], SMALL
    other = tmp_path / "photos"
    other.mkdir()
    (other / "cat.jpg").write_bytes(b"cat")
    with pytest.raises(InputError, match="no bundle"):
        write_bundle(parts, settings, other, tmp_path / "cache")
    made = write_bundle(parts, settings, tmp_path / "bundle", tmp_path / "cache")
    before = {name: (made.folder / name).read_bytes() for name in made.files}

    def stop(stage: str, done: int, total: int) -> None:
        if stage == "writing the clips":
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        write_bundle([part("closed gop", 50, 60)], settings, made.folder, tmp_path / "cache", stop)
    assert {name: (made.folder / name).read_bytes() for name in made.files} == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bundle", "cache", "photos"]
    again = write_bundle([part("closed gop", 50, 60)], settings, made.folder, tmp_path / "cache")
    assert footage.numbers(again.folder / "reel.mp4") == list(range(50, 60))


def test_unknown_kinds_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="captions, chapters, shots"):
        hand_over("fax", [part("closed gop", 33, 45)], SMALL, tmp_path / "x")
    assert not list(tmp_path.iterdir())
