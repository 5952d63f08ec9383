"""Clips of every kind of footage, proven frame by frame with the numbers burnt into the pictures.

Each clip is read by two decoders set up apart: the ffmpeg binary, and libav in this process.
"""

from __future__ import annotations

import dataclasses
import errno
import os
import shutil
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from cliplib.core.errors import Cancelled, FootageError, InputError, MediaError, StorageError
from cliplib.core.progress import silent
from cliplib.core.timebase import Timeline
from cliplib.media import slices
from cliplib.media.cut import Cutter, cut
from cliplib.media.mp4 import reading
from cliplib.media.reencode import reencode
from fixtures import framecode
from tests.media import cuts, footage


@pytest.mark.parametrize("kind", cuts.SLICED + cuts.PREPARED)
def test_slices_are_exact_and_in_step(kind: str, tmp_path: Path) -> None:
    source, prepared = footage.make(kind), cuts.prepared(kind)
    # AVI has no presentation times; with B-pictures, where its sound belongs is a frame's worth of opinion.
    heard = prepared.sliced if kind == "mpeg4 avi" else source.path
    out = tmp_path / "clip.mp4"
    with Cutter(prepared) as cutter:
        for first, last in cuts.spans(len(source), kind, more=2):
            result = cutter.cut(first, last, out)
            assert result.how == "slice", result.why
            wanted = list(range(source.first + first, source.first + last))
            assert footage.numbers(out) == wanted
            assert cuts.numbers(out) == wanted
            if source.sound:
                assert cuts.sound_offset(kind, first, last, out, source=heard) < 0.001
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4"]


@pytest.mark.parametrize("kind", ["closed gop", "ntsc", "surround", "quicktime"])
def test_a_slice_decodes_to_the_very_pictures_of_the_source(kind: str, tmp_path: Path) -> None:
    whole = cuts.lumas(footage.make(kind).path)
    out = tmp_path / "clip.mp4"
    for first, last in [(37, 121), (0, 60), (111, len(whole))]:
        cut(cuts.prepared(kind), first, last, out)
        part = cuts.lumas(out)
        assert len(part) == last - first
        assert all(np.array_equal(a, b) for a, b in zip(part, whole[first:last], strict=True))


REENCODED = (
    "closed gop",
    "ntsc",
    "variable rate",
    "late video",
    "edit list",
    "mpegts wrap",
    "matroska ntsc",
    "open mpegts from the middle",
    "hevc",
    "mpeg4 avi",
    "interlaced mpeg2",
    "rotated",
    "webm",
    "surround",
)


@pytest.mark.parametrize("kind", REENCODED)
def test_encoded_clips_are_exact_and_in_step(kind: str, tmp_path: Path) -> None:
    source, prepared = footage.make(kind), cuts.prepared(kind, sliced=False)
    out = tmp_path / "clip.mp4"
    with Cutter(prepared) as cutter:
        for first, last in cuts.spans(len(source), kind, more=2)[1:]:
            result = cutter.cut(first, last, out)
            assert (result.how, result.why) == ("re-encode", "no working copy could be made")
            wanted = list(range(source.first + first, source.first + last))
            assert footage.numbers(out) == wanted
            assert cuts.numbers(out) == wanted
            if source.sound:
                assert cuts.sound_offset(kind, first, last, out) < 0.010
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4"]


@pytest.mark.parametrize("with_copy", [True, False])
def test_h264_in_avi_is_encoded_from_its_copy_or_by_counting(with_copy: bool, tmp_path: Path) -> None:
    """Its frames' times, once decoded, are not those at which they are shown: of 81 such frames 38 were wrong."""
    prepared = cuts.prepared("h264 avi", sliced=with_copy)
    out = tmp_path / "clip.mp4"
    for first, last in ((0, 40), (80, 161), (152, 153), (199, 200)):
        assert reencode(prepared, first, last, out, silent) == ""
        assert footage.numbers(out) == cuts.numbers(out) == list(range(first, last))
        assert cuts.sound_offset("h264 avi", first, last, out) < 0.010


def test_an_encoded_clip_is_made_for_browsers(tmp_path: Path) -> None:
    """Upright, progressive, square pixels, 4:2:0, header first, frames at their own times."""
    out = tmp_path / "clip.mp4"
    cut(cuts.prepared("rotated", sliced=False), 20, 90, out)
    assert [kind for kind, *_ in _top_level(out)] == [b"ftyp", b"moov", b"mdat"]
    with av.open(str(out)) as container:
        stream = container.streams.video[0]
        frames = list(container.decode(stream))
        assert (stream.width, stream.height) == (footage.WIDTH, footage.HEIGHT)
        assert stream.codec_context.name == "h264"
        assert {f.format.name for f in frames} == {"yuv420p"}
        assert not any(f.interlaced_frame for f in frames)
        assert {stream.sample_aspect_ratio, Fraction(1)} == {Fraction(1)}
        assert [f.pts * f.time_base for f in frames] == [Fraction(i, 25) for i in range(70)]
        assert container.streams.audio[0].codec_context.name == "aac"
    out = tmp_path / "wide.mp4"
    cut(cuts.prepared("anamorphic", sliced=False), 20, 30, out)
    # 4:3 pixels are widened, so the strip is too.
    assert cuts.numbers(out, cell=framecode.CELL * 4 / 3) == list(range(20, 30))
    assert cuts.lumas(out)[0].shape == (footage.HEIGHT, footage.WIDTH * 4 // 3)


def test_variable_rate_keeps_every_frames_time(tmp_path: Path) -> None:
    source = footage.make("variable rate")
    wanted = [t - source.times[40] for t in source.times[40:100]]
    out = tmp_path / "clip.mp4"
    for sliced in (True, False):
        cut(cuts.prepared("variable rate", sliced=sliced), 40, 100, out)
        with av.open(str(out)) as container:
            assert [f.pts * f.time_base for f in container.decode(video=0)] == wanted


def test_every_sound_track_is_kept_in_a_slice(tmp_path: Path) -> None:
    out = tmp_path / "clip.mp4"
    cut(cuts.prepared("two tracks"), 30, 150, out)
    for track in (0, 1):
        assert cuts.sound_offset("two tracks", 30, 150, out, track) < 0.001


# --- what the file says -----------------------------------------------------------------------------------


def _top_level(path: Path) -> list[tuple[bytes, int, int]]:
    with path.open("rb") as file:
        return list(reading.top_level(file.fileno(), path.stat().st_size))


def test_hidden_pictures_last_one_tick(tmp_path: Path) -> None:
    """For players that ignore the start of an edit list, as Firefox does: with the hidden pictures of a 10 s
    group squeezed into a few milliseconds, every seek lands on the right frame.
    """
    out = tmp_path / "clip.mp4"
    cut(cuts.prepared("ten second gop"), 190, 222, out)
    movie = reading.read_movie(out)
    track = movie.of_kind(b"vide")[0]
    (edit,) = track.edits
    times = np.sort(track.composition)
    before = times[times < edit.media_time]
    inside = times[(times >= edit.media_time) & (times < edit.media_time + edit.duration)]
    after = times[times >= edit.media_time + edit.duration]
    assert len(before) == 190
    assert len(inside) == 32
    assert len(after) <= 3
    assert set(np.diff([*before, edit.media_time])) == {1}
    assert set(np.diff(after)) <= {1}
    assert (edit.media_time - before[0]) / track.timescale < 0.003
    assert edit.duration * 25 == 32 * track.timescale
    assert [kind for kind, *_ in _top_level(out)] == [b"ftyp", b"moov", b"mdat"]


def test_a_slice_keeps_the_sample_description(tmp_path: Path) -> None:
    out = tmp_path / "clip.mp4"
    cut(cuts.prepared("anamorphic"), 10, 40, out)
    ours, theirs = reading.read_movie(out), reading.read_movie(footage.make("anamorphic").path)
    assert [t.stsd for t in ours.tracks] == [t.stsd for t in theirs.tracks]
    assert [t.header for t in ours.tracks] == [t.header for t in theirs.tracks]


# --- what goes wrong --------------------------------------------------------------------------------------


@pytest.mark.parametrize("span", [(0, 0), (5, 4), (-1, 3), (0, 201), (200, 201)])
def test_spans_outside_the_footage(tmp_path: Path, span: tuple[int, int]) -> None:
    with Cutter(cuts.prepared("closed gop")) as cutter:
        for method in (cutter.cut, cutter.export_portable):
            with pytest.raises(InputError, match="not within the 200"):
                method(*span, tmp_path / "clip.mp4")
    assert not list(tmp_path.iterdir())


def test_footage_that_changes_while_it_is_cut(tmp_path: Path) -> None:
    copy = tmp_path / "fight.mp4"
    shutil.copy(footage.make("closed gop").path, copy)
    prepared = dataclasses.replace(cuts.prepared("closed gop"), original=copy, sliced=copy)
    out = tmp_path / "clips" / "clip.mp4"
    with Cutter(prepared) as cutter:
        cutter.cut(10, 20, out)
        before = out.read_bytes()
        os.utime(copy, ns=(1, 1))
        with pytest.raises(FootageError, match="changed while clips were being cut"):
            cutter.cut(30, 40, out)
        copy.unlink()
        with pytest.raises(FootageError, match="cannot be read any more"):
            cutter.cut(30, 40, out)
    # What was there before stays.
    assert out.read_bytes() == before
    assert [p.name for p in out.parent.iterdir()] == ["clip.mp4"]
    copy.write_bytes(b"something else")
    with pytest.raises(FootageError, match="changed since it was ingested"):
        cut(cuts.without_copy(prepared), 10, 20, out)


def test_tables_that_disagree_with_the_probe_are_not_sliced(tmp_path: Path) -> None:
    """Such a clip is encoded, by timestamps, and says why."""
    prepared = cuts.prepared("closed gop")
    pts = np.delete(prepared.timeline.pts, 50)
    timeline = Timeline(pts, prepared.timeline.end, prepared.timeline.time_base)
    out = tmp_path / "clip.mp4"
    result = cut(dataclasses.replace(prepared, timeline=timeline), 48, 52, out)
    assert result.how == "re-encode"
    assert "200 frames where decoding shows 199" in result.why
    assert footage.numbers(out) == [48, 49, 51, 52]


@pytest.mark.parametrize("damage", ["sliced copy gone", "sliced copy is no mp4", "fragmented"])
def test_a_working_copy_that_cannot_be_read_is_not_the_end(tmp_path: Path, damage: str) -> None:
    bad = tmp_path / "copy.mp4"
    if damage == "sliced copy is no mp4":
        bad.write_bytes(b"not a film at all")
    if damage == "fragmented":
        shutil.copy(footage.make("fragmented").path, bad)
    out = tmp_path / "clip.mp4"
    result = cut(dataclasses.replace(cuts.prepared("closed gop"), sliced=bad), 60, 70, out)
    assert result.how == "re-encode"
    assert str(bad) in result.why
    assert footage.numbers(out) == list(range(60, 70))


@pytest.mark.parametrize("sliced", [True, False])
@pytest.mark.parametrize("problem", [errno.ENOSPC, errno.EDQUOT, errno.EROFS])
def test_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sliced: bool, problem: int) -> None:
    def refuse(*_: object) -> int:
        raise OSError(problem, os.strerror(problem))

    prepared = cuts.prepared("closed gop", sliced=sliced)
    out = tmp_path / "clip.mp4"
    out.write_bytes(b"an earlier clip")
    monkeypatch.setattr(os, "write", refuse)
    with pytest.raises(StorageError, match="could not be written"):
        cut(prepared, 10, 60, out)
    assert out.read_bytes() == b"an earlier clip"
    assert [p.name for p in tmp_path.iterdir()] == ["clip.mp4"]


def test_a_copy_that_came_out_short_never_gets_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(slices, "copy_runs", lambda *_: None)
    out = tmp_path / "clip.mp4"
    with pytest.raises(MediaError, match="instead of"):
        cut(cuts.prepared("closed gop"), 10, 60, out)
    assert not list(tmp_path.iterdir())


def test_cancelling_an_encoded_clip_leaves_nothing(tmp_path: Path) -> None:
    def stop(stage: str, done: int, total: int) -> None:
        assert (stage, total) == ("encode", 90)
        if done == 30:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        cut(cuts.prepared("hevc", sliced=False), 10, 100, tmp_path / "clip.mp4", stop)
    assert not list(tmp_path.iterdir())
