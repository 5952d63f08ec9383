"""Portable clips: exact in players that heed no edit list, copied where possible."""

from __future__ import annotations

import dataclasses
import shutil
import subprocess
from pathlib import Path

import av
import numpy as np
import pytest

from cliplib.core.errors import Cancelled, FootageError
from cliplib.media import ffmpeg
from cliplib.media.cut import Cutter, export_portable
from cliplib.media.mp4 import entries
from cliplib.media.mp4 import reading as mp4
from cliplib.media.slices import shown_frames
from fixtures import framecode
from tests.media import cuts, footage

KINDS = (*cuts.SLICED, "mpegts", "matroska ntsc", "open gop", "hevc", "interlaced", "rotated")


@pytest.mark.parametrize("kind", KINDS)
def test_portable_clips_are_exact_and_in_step(kind: str, tmp_path: Path) -> None:
    source, prepared = footage.make(kind), cuts.prepared(kind)
    out = tmp_path / "clip.mp4"
    with Cutter(prepared) as cutter:
        for first, last in cuts.spans(len(source), "portable " + kind, more=2):
            result = cutter.export_portable(first, last, out)
            assert result.how == "portable" or "no group of pictures lies whole" in result.why
            wanted = list(range(source.first + first, source.first + last))
            assert footage.numbers(out) == wanted
            assert cuts.numbers(out) == wanted
            assert _without_edit_list(out) == wanted
            if source.sound:
                assert cuts.sound_offset(kind, first, last, out) < 0.001
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4"]


def _without_edit_list(path: Path) -> list[int | None]:
    """What a player shows that has never heard of edit lists."""
    with av.open(str(path), options={"ignore_editlist": "1"}) as container:
        return [
            framecode.read(f.to_ndarray()[: f.height], footage.CODE_X, footage.CODE_Y)
            for f in container.decode(video=0)
        ]


def test_nothing_is_hidden_and_little_is_encoded(tmp_path: Path) -> None:
    """Groups of 50: frames 37 to 162 copy 50 to 149 and some of the last group, less at most three B's."""
    out = tmp_path / "clip.mp4"
    export_portable(cuts.prepared("closed gop"), 37, 162, out)
    movie = mp4.read_movie(out)
    video = movie.of_kind(b"vide")[0]
    assert len(video) == len(shown_frames(video, movie).samples) == 162 - 37
    whole, part = cuts.lumas(footage.make("closed gop").path)[37:162], cuts.lumas(out)
    same = [bool(np.array_equal(a, b)) for a, b in zip(whole, part, strict=True)]
    assert all(same[13:122])
    # Encoded ones stay close: at least 40 dB, with the whole picture in motion.
    for a, b in zip(whole, part, strict=True):
        error = float(((a.astype(float) - b) ** 2).mean())
        assert error < 255**2 / 10**4


def test_every_frame_at_its_own_time(tmp_path: Path) -> None:
    for kind in ("variable rate", "ntsc"):
        source = footage.make(kind)
        out = tmp_path / "clip.mp4"
        export_portable(cuts.prepared(kind), 41, 133, out)
        with av.open(str(out)) as container:
            times = [f.pts * f.time_base for f in container.decode(video=0)]
        assert times == [t - source.times[41] for t in source.times[41:133]]


def test_the_two_parameter_sets_have_numbers_of_their_own(tmp_path: Path) -> None:
    out = tmp_path / "clip.mp4"
    export_portable(cuts.prepared("closed gop"), 37, 162, out)
    source = entries.avc_config(mp4.read_movie(footage.make("closed gop").path).tracks[0].stsd)
    ours = entries.avc_config(mp4.read_movie(out).tracks[0].stsd)
    assert ours.sps[: len(source.sps)] == source.sps
    assert (len(ours.sps), len(ours.pps)) == (len(source.sps) + 1, len(source.pps) + 1)
    # An independent reading of their numbers: libav's bitstream tracer, as run by the ffmpeg binary.
    command = [str(ffmpeg.binary()), "-hide_banner", "-nostdin", "-i", str(out), "-map", "0:v", "-c", "copy"]
    command += ["-bsf:v", "h264_mp4toannexb,trace_headers", "-f", "null", "-"]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stderr
    numbers = {int(line.rsplit("=", 1)[1]) for line in said.splitlines() if " seq_parameter_set_id" in line}
    assert numbers == {0, 5}


def test_exp_golomb_against_the_standards_table() -> None:
    """ITU-T H.264, table 9-2: 1 is 0, 010 is 1, 011 is 2, 00100 is 3, ... 0001001 is 8 (from memory)."""
    for bits, value in [("1", 0), ("010", 1), ("011", 2), ("00100", 3), ("00111", 6), ("0001001", 8)]:
        packed = int(bits.ljust(8, "0"), 2).to_bytes(1)
        assert entries.exp_golomb(packed) == value
    assert entries.exp_golomb(bytes([0b10100000]), skip=1) == 1
    with pytest.raises(FootageError):
        entries.exp_golomb(b"")


def test_full_range_and_colour_are_carried_over(tmp_path: Path) -> None:
    """A copied middle and encoded ends must be of one colour, or the picture would jump."""
    source = tmp_path / "phone.mp4"
    _encode(source, "-pix_fmt", "yuvj420p", "-colorspace", "smpte170m", "-color_primaries", "smpte170m")
    prepared = cuts.prepare_file(source, tmp_path)
    out = tmp_path / "clip.mp4"
    result = export_portable(prepared, 7, 80, out)
    assert result.how == "portable", result.why
    whole, part = cuts.lumas(source)[7:80], cuts.lumas(out)
    assert len(part) == 73
    for a, b in zip(whole, part, strict=True):
        assert abs(float(a.mean()) - float(b.mean())) < 1
    with av.open(str(out)) as container:
        seen = {(f.colorspace, f.color_range, f.format.name) for f in container.decode(video=0)}
    assert len(seen) == 1


@pytest.mark.parametrize("profile", ["baseline", "main"])
def test_other_profiles(tmp_path: Path, profile: str) -> None:
    source = tmp_path / "plain.mp4"
    _encode(source, "-profile:v", profile)
    out = tmp_path / "clip.mp4"
    result = export_portable(cuts.prepare_file(source, tmp_path), 13, 81, out)
    assert result.how == "portable", result.why
    assert len(cuts.lumas(out)) == 68


def test_sound_other_than_aac_is_encoded_with_everything(tmp_path: Path) -> None:
    source = tmp_path / "old.mp4"
    _encode(source, "-c:a", "ac3", sound=True)
    prepared = cuts.prepare_file(source, tmp_path, as_it_is=True)
    result = export_portable(prepared, 13, 81, tmp_path / "clip.mp4")
    assert (result.how, result.why) == ("re-encode", "its sound is not AAC")
    assert len(cuts.lumas(tmp_path / "clip.mp4")) == 68


def _encode(out: Path, *options: str, sound: bool = False) -> None:
    command = [str(ffmpeg.binary()), "-hide_banner", "-nostdin", "-loglevel", "error", "-y"]
    command += ["-f", "lavfi", "-i", "testsrc2=size=320x180:rate=25"]
    command += ["-f", "lavfi", "-i", "sine=440"] if sound else []
    command += ["-t", "4", "-c:v", "libx264", "-preset", "ultrafast", "-g", "25", *options, str(out)]
    subprocess.run(command, check=True)


def test_cancelling_leaves_nothing(tmp_path: Path) -> None:
    def stop(stage: str, done: int, total: int) -> None:
        assert (stage, total) == ("export", 13)
        if done == 5:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        export_portable(cuts.prepared("closed gop"), 37, 150, tmp_path / "clip.mp4", stop)
    assert not list(tmp_path.iterdir())


def test_a_clip_after_one_that_was_given_up(tmp_path: Path) -> None:
    """Decoder and encoder are kept from clip to clip; what one was stopped in the middle of is in no other."""

    def stop(stage: str, done: int, total: int) -> None:
        if done == 5:
            raise Cancelled("enough")

    out = tmp_path / "clip.mp4"
    with Cutter(cuts.prepared("closed gop")) as cutter:
        cutter.export_portable(20, 90, out)
        with pytest.raises(Cancelled):
            cutter.export_portable(37, 150, out, stop)
        for first, last in ((61, 163), (7, 148), (100, 150)):
            cutter.export_portable(first, last, out)
            assert footage.numbers(out) == cuts.numbers(out) == list(range(first, last))


def _damaged(folder: Path, frame: int) -> Path:
    """The closed groups, with one frame's bytes zeroed."""
    bad = folder / "bad.mp4"
    shutil.copy(footage.make("closed gop").path, bad)
    movie = mp4.read_movie(bad)
    video = movie.of_kind(b"vide")[0]
    sample = int(shown_frames(video, movie).samples[frame])
    with bad.open("r+b") as file:
        file.seek(int(video.offsets[sample]))
        file.write(bytes(int(video.sizes[sample])))
    return bad


def test_a_damaged_picture_at_an_end_falls_back(tmp_path: Path) -> None:
    """What cannot be decoded cannot be encoded again; the clip is then made from the footage itself."""
    prepared = dataclasses.replace(cuts.prepared("closed gop"), sliced=_damaged(tmp_path, 40))
    result = export_portable(prepared, 37, 150, tmp_path / "clip.mp4")
    assert result.how == "re-encode"
    assert "cannot be decoded" in result.why
    assert footage.numbers(tmp_path / "clip.mp4") == list(range(37, 150))


def test_damaged_footage_keeps_its_frames_in_step_and_says_so(tmp_path: Path) -> None:
    prepared = dataclasses.replace(
        cuts.prepared("closed gop", sliced=False), original=_damaged(tmp_path, 47), why=""
    )
    result = export_portable(prepared, 37, 60, tmp_path / "clip.mp4")
    assert result.how == "re-encode"
    assert "cannot be decoded" in result.why
    assert "repeat the one before" in result.why
    seen = footage.numbers(tmp_path / "clip.mp4")
    assert len(seen) == 23
    assert seen[:9] == list(range(37, 46))
    assert seen[13:] == list(range(50, 60))  # from the next key picture on
