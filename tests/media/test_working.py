"""Frame i of what is sliced shows frame i of the footage, whatever that is, at its time, sound in step."""

from __future__ import annotations

import contextlib
import random
import re
import subprocess
from collections import Counter
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from cliplib.core.errors import Cancelled
from cliplib.media import ffmpeg, working
from cliplib.media.probe import probe
from cliplib.media.working import prepare, table_timeline
from fixtures import framecode
from tests.media import footage
from tests.media.test_ffmpeg import pretend
from tests.media.test_probe import COPYABLE, ROUNDED, SLICEABLE

MADE = [kind for kind in footage.KINDS if kind not in SLICEABLE]


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("working")


@pytest.mark.parametrize("kind", footage.KINDS)
def test_frame_by_frame(kind, folder):
    made = footage.make(kind)
    prepared = prepare(probe(made.path), folder)
    assert prepared.sliced is not None
    assert prepared.original == made.path

    assert footage.numbers(prepared.sliced) == [made.first + i for i in range(len(made))]

    allowed = ROUNDED.get(made.path.suffix, 0)
    own = table_timeline(prepared.sliced)
    assert len(prepared.timeline) == len(own) == len(made)
    for i, time in enumerate(made.times):
        assert abs(prepared.timeline.time_of(i) - time) <= allowed
        assert abs(own.time_of(i) - time) <= allowed

    if made.sound:
        heard = footage.clicks(prepared.sliced)
        # AVI takes no note of a codec's delay; MPEG audio's is 481 samples (ISO/IEC 11172-3).
        late = 0.0115 if kind == "mpeg4 avi" else 0.0015
        assert len(heard) == len(made.click_times)
        assert all(abs(h - float(t)) < late for h, t in zip(heard, made.click_times, strict=True))


@pytest.mark.parametrize("kind", MADE)
def test_the_copy_can_be_sliced_and_is_what_browsers_play(kind, folder):
    prepared = prepare(probe(footage.make(kind).path), folder)
    assert prepared.sliced is not None
    info = probe(prepared.sliced).info
    assert info.sliceable, info.why_not
    assert (info.video_codec, info.rotation, info.interlaced) == ("h264", 0, False)
    assert [a.codec for a in info.audio] == ["aac"] * bool(footage.make(kind).sound)
    data = prepared.sliced.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")  # the index first, for playing over a network
    keys = _key_times(prepared.sliced)
    if kind not in COPYABLE:
        assert max(np.diff([*keys, float(info.duration_us) / 1e6])) <= working.GROUP_SECONDS + 0.05


def _key_times(path: Path) -> list[float]:
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        return [float(p.pts * p.time_base) for p in container.demux(stream) if p.is_keyframe]


@pytest.mark.parametrize("kind", sorted(SLICEABLE))
def test_what_can_be_sliced_is_left_alone(kind, tmp_path):
    made = footage.make(kind)
    prepared = prepare(probe(made.path), tmp_path / "none")
    assert prepared.sliced == made.path
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("kind", sorted(COPYABLE - SLICEABLE))
def test_a_fit_picture_is_copied_untouched(kind, folder):
    prepared = prepare(probe(footage.make(kind).path), folder)
    assert prepared.sliced is not None
    assert "copied" in prepared.why
    assert _pictures(prepared.sliced) == _pictures(prepared.original)[-len(prepared.timeline) :]


def _pictures(path: Path) -> list[bytes]:
    """The slices of each picture, without what containers add or drop."""
    command = [ffmpeg.binary(), "-nostdin", "-loglevel", "fatal", "-i", path, "-map", "0:v", "-c", "copy"]
    if path.suffix in (".mp4", ".mov", ".mkv", ".flv"):
        command += ["-bsf:v", "h264_mp4toannexb"]
    stream = subprocess.run([*command, "-f", "h264", "-"], check=True, stdout=subprocess.PIPE).stdout
    units = re.split(rb"\x00\x00\x00?\x01", stream)
    return [u.rstrip(b"\0") for u in units if u and u[0] & 31 in (1, 5)]


def test_it_says_what_it_did_and_why(folder):
    said = {k: prepare(probe(footage.make(k).path), folder).why for k in ("mpegts", "hevc", "two tracks")}
    assert said["mpegts"] == (
        "it was copied once into an indexed MP4, because it is an MPEG transport stream, not MP4"
    )
    assert said["hevc"] == "a working copy was made, because its video is HEVC, not H.264"
    assert said["two tracks"] == "of 2 sound tracks the default one is used"


def test_sound_of_many_channels_is_mixed_down_only_where_it_is_encoded(tmp_path):
    run = footage.run_ffmpeg
    source = footage.make("surround").path
    run("-i", str(source), "-c:v", "copy", "-c:a", "ac3", str(tmp_path / "ac3.mp4"))
    run("-i", str(source), "-c", "copy", str(tmp_path / "aac.mkv"))
    mixed = prepare(probe(tmp_path / "ac3.mp4"), tmp_path)
    kept = prepare(probe(tmp_path / "aac.mkv"), tmp_path)
    assert mixed.sliced
    assert kept.sliced
    assert probe(mixed.sliced).info.audio[0].channels == 2
    assert probe(kept.sliced).info.audio[0].channels == 6
    assert len(footage.clicks(mixed.sliced)) == 8


def test_the_sound_track_marked_as_default_is_the_one(tmp_path):
    out = tmp_path / "two.mkv"
    source = footage.make("two tracks").path
    command = ["-i", str(source), "-f", "lavfi", "-t", "8", "-i", "anullsrc=r=44100"]
    command += ["-map", "0:v", "-map", "1:a", "-map", "0:a:1", "-c:v", "copy", "-c:a", "aac"]
    command += ["-disposition:a:0", "0", "-disposition:a:1", "default", "-metadata:s:a:1", "language=eng"]
    footage.run_ffmpeg(*command, str(out))
    prepared = prepare(probe(out), tmp_path)
    assert "of 2 sound tracks the default one (eng) is used" in prepared.why
    assert prepared.sliced
    assert len(footage.clicks(prepared.sliced)) == 8  # the other one is silence


def test_pixels_that_are_not_square_stay_so(tmp_path):
    out = tmp_path / "wide.mpg"
    source = footage.make("closed gop").path
    footage.run_ffmpeg(
        "-i", str(source), "-vf", "setsar=16/11", "-c:v", "mpeg2video", "-q:v", "3", "-an", str(out)
    )
    found = probe(out)
    prepared = prepare(found, tmp_path)
    assert prepared.sliced
    # MPEG-2 states the shape of the whole picture (ISO/IEC 13818-2), so the encoder rounds the pixel's.
    assert found.info.sample_aspect != 1
    assert probe(prepared.sliced).info.sample_aspect == found.info.sample_aspect


def test_odd_sizes_become_even(tmp_path):
    out = tmp_path / "odd.avi"
    source = footage.make("closed gop").path
    command = ["-i", str(source), "-vf", "crop=479:271:0:0:exact=1", "-c:v", "mjpeg", "-q:v", "3"]
    footage.run_ffmpeg(*command, "-pix_fmt", "yuvj444p", "-an", "-frames:v", "40", str(out))
    prepared = prepare(probe(out), tmp_path)
    assert prepared.sliced
    info = probe(prepared.sliced).info
    assert (info.width, info.height) == (480, 272)
    assert footage.numbers(prepared.sliced) == list(range(40))


# --- again, stopped, spoilt ---------------------------------------------------------------------------


def test_a_finished_copy_is_used_again(tmp_path, monkeypatch):
    found = probe(footage.make("hevc").path)
    first = prepare(found, tmp_path)

    def never(*_, **__):
        raise AssertionError("it was made again")

    monkeypatch.setattr(ffmpeg, "run", never)
    again = prepare(found, tmp_path)
    assert again.sliced == first.sliced
    assert again.why == first.why
    assert (again.timeline.pts == first.timeline.pts).all()
    assert again.info == first.info


def test_a_renamed_original_finds_its_copy(tmp_path):
    moved = tmp_path / "renamed.mpg"
    moved.write_bytes(footage.make("mpeg2").path.read_bytes())
    first = prepare(probe(footage.make("mpeg2").path), tmp_path)
    assert prepare(probe(moved), tmp_path).sliced == first.sliced


@pytest.mark.parametrize("kind", ["mpegts", "hevc"])
def test_stopping_leaves_nothing_and_starting_again_finishes(kind, tmp_path):
    found = probe(footage.make(kind).path)

    def stop(stage: str, done: int, total: int) -> None:
        raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        prepare(found, tmp_path, stop)
    assert list(tmp_path.iterdir()) == []
    prepared = prepare(found, tmp_path)
    assert list(tmp_path.iterdir()) == [prepared.sliced]


def test_progress_goes_up_to_the_number_of_frames(tmp_path):
    seen: list[tuple[str, int, int]] = []
    prepare(probe(footage.make("open gop").path), tmp_path, lambda *call: seen.append(call))
    done = [d for stage, d, _ in seen if stage == "making a working copy"]
    assert done == sorted(done)
    assert done[-1] == 200
    assert {t for stage, _, t in seen if stage == "making a working copy"} == {200}


def test_a_spoilt_copy_is_made_anew(tmp_path):
    found = probe(footage.make("matroska").path)
    copy = prepare(found, tmp_path).sliced
    assert copy is not None
    whole = copy.read_bytes()
    copy.write_bytes(whole[: len(whole) // 2])
    again = prepare(found, tmp_path)
    assert again.sliced == copy
    assert len(copy.read_bytes()) == len(whole)


def test_without_an_encoder_each_clip_is_encoded_by_itself(tmp_path, monkeypatch):
    found = probe(footage.make("hevc").path)
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(pretend(tmp_path, "echo 'ffmpeg version 1-tiny'")))
    prepared = prepare(found, tmp_path / "working")
    assert prepared.sliced is None
    assert "no working copy could be made" in prepared.why
    assert "encoder libx264" in prepared.why
    assert (prepared.info, prepared.timeline) == (found.info, found.timeline)


def test_a_copy_that_comes_out_wrong_is_never_used(tmp_path, monkeypatch):
    """An ffmpeg that loses every tenth frame: the copy fails the comparison and the decoding one too."""
    real = ffmpeg.binary()
    script = f'set -- "$@"; exec {real} "$@"'
    monkeypatch.setenv("CLIPLIB_FFMPEG", str(pretend(tmp_path, script)))
    original = ffmpeg.output

    def lossy(*streams, path, **options):
        if options.get("vcodec") == "copy":
            options["bsf:v"] = "noise=drop=not(mod(n\\,10))"
        return original(*streams, path=path, **options)

    monkeypatch.setattr(ffmpeg, "output", lossy)
    made = footage.make("mpegts")
    prepared = prepare(probe(made.path), tmp_path / "working")
    assert "a working copy was made" in prepared.why
    assert prepared.sliced is not None
    assert footage.numbers(prepared.sliced) == list(range(200))


# --- damaged footage ----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["mpegts", "open gop mpegts", "hevc", "interlaced mpeg2"])
def test_frames_of_damaged_footage_keep_their_times(kind, tmp_path):
    """Whatever can still be read shows at its own time: number n at n/25 s of the footage as it was."""
    whole = footage.make(kind).path
    chance = random.Random(kind)
    damaged = bytearray(whole.read_bytes())
    for _ in range(4):
        at = chance.randrange(len(damaged) // 10, len(damaged) * 9 // 10)
        damaged[at : at + 2500] = chance.randbytes(2500)
    path = tmp_path / f"damaged{whole.suffix}"
    path.write_bytes(damaged)
    prepared = prepare(probe(path), tmp_path)
    assert prepared.sliced is not None
    assert len(prepared.timeline) == prepared.info.frames
    own = table_timeline(prepared.sliced)
    assert [own.time_of(i) for i in range(len(own))] == [
        prepared.timeline.time_of(i) for i in range(len(prepared.timeline))
    ]
    # A decoder fills gaps with neighbouring pictures, and noise may hit the number itself: not all are right.
    shown = _numbers_at_times(prepared.sliced)
    off = Counter(number - round(time * 25) for time, number in shown if number is not None)
    assert off[0] >= 0.75 * len(shown)
    assert len(prepared.timeline) >= 150


def _numbers_at_times(path: Path) -> list[tuple[Fraction, int | None]]:
    shown = []
    with av.open(str(path)) as container:
        first = None
        for frame in container.decode(video=0):
            time = Fraction(frame.pts) * frame.time_base
            first = time if first is None else first
            plane = frame.planes[0]
            luma = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:24, :240]
            number = framecode.read(luma, footage.CODE_X, footage.CODE_Y)
            shown.append((time - first, number))
    return shown


def test_a_recording_that_lacks_its_beginning_counts_from_what_is_shown(folder):
    """MPEG-2 in a transport stream cut anywhere: the decoder decides what the first picture is."""
    whole = footage.make("interlaced mpeg2").path.read_bytes()
    for part in (3, 6):
        path = folder / f"from{part}.ts"
        path.write_bytes(whole[len(whole) * part // 10 // 188 * 188 :])
        prepared = prepare(probe(path), folder)
        assert prepared.sliced is not None
        numbers = footage.numbers(prepared.sliced)
        assert len(numbers) == len(prepared.timeline)
        start = numbers[0]
        assert start is not None
        assert numbers == list(range(start, 200))
        assert [prepared.timeline.time_of(i) * 25 + start for i in range(len(numbers))] == numbers
        with contextlib.suppress(OSError):
            path.unlink()
