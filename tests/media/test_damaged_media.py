"""Footage from anywhere: damaged in its tables, in its pictures, in its sound. See also test_harmful_media."""

from __future__ import annotations

import random
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest

from cliplib import Library
from cliplib.core.errors import FootageError, MediaError
from cliplib.media import ffmpeg
from cliplib.media.frames import FrameReader
from cliplib.media.probe import probe
from tests.libraries import faults, make_fight
from tests.media import footage


@pytest.mark.parametrize(
    ("box", "at", "value"),
    [
        (b"stsz", 12, 0xFFFFFFF0), (b"stsz", 8, 0x7FFFFFFF), (b"stts", 8, 0x0FFFFFFF), (b"stts", 12, 0xFFFFFFFF),
        (b"stco", 8, 0x0FFFFFFF), (b"stsc", 8, 0x0FFFFFFF), (b"ctts", 8, 0x0FFFFFFF), (b"mdhd", 16, 1),
        (b"elst", 8, 0x0FFFFFFF), (b"avc1", 28, 0xFFFFFFFF),
    ],
)  # fmt: skip
def test_counts_that_cannot_be_true(tmp_path: Path, box: bytes, at: int, value: int) -> None:
    """Tables that promise billions of samples (ISO/IEC 14496-12): an answer, soon, in the memory there is.

    `at`: of the number, after the box's size and name.
    """
    data = bytearray(footage.make("closed gop").path.read_bytes())
    where = data.find(box)
    if where < 0:
        pytest.skip(f"this film has no {box.decode()}")
    data[where + at - 4 : where + at] = struct.pack(">I", value)
    path = tmp_path / "counts.mp4"
    path.write_bytes(data)
    try:
        found = probe(path)
    except FootageError as refused:
        said = str(refused)
    else:
        said = f"{found.info.frames} frames"
        assert 0 < found.info.frames <= 1000
    assert "crashed" not in said


@pytest.mark.parametrize("kind", ["closed gop", "matroska", "mpegts"])
def test_damage_in_the_middle_ends_in_clips_or_in_words(tmp_path: Path, kind: str) -> None:
    """All the way: ingest, clips, pictures, a frame, a copy to hand on, a reel. The head is whole, so that it
    passes for film."""
    data = footage.make(kind).path.read_bytes()
    fight = make_fight(tmp_path / "fights" / "one", kind=kind)
    (film,) = fight.glob("fight.m*") if kind != "mpegts" else fight.glob("fight.ts")
    cut = 0
    for seed in range(2):
        chance = random.Random(f"{kind} {seed}")
        damaged = bytearray(data)
        for _ in range(40):
            at = chance.randrange(len(data) // 8, len(data) * 7 // 8)
            damaged[at : at + 64] = chance.randbytes(64)
        film.write_bytes(damaged)
        library = Library(tmp_path / f"library {seed}", create=True)
        report = library.logging.ingest([fight])
        assert report.exit_code in (0, 2)
        for clip in library.finding.find("").clips if report.exit_code == 0 else ():
            if clip.file is None:
                continue
            cut += 1
            for way in (
                lambda clip=clip, library=library: library.making.portable(clip.id),
                lambda clip=clip, library=library: library.making.still(clip.fight_id, clip.start_frame or 0),
                lambda clip=clip, library=library: library.making.make_reel([clip.id], title="One"),
            ):
                try:
                    way()
                except (FootageError, MediaError):
                    continue
        assert faults(library, deep=True) == []
        library.close()
    assert cut


def test_frames_that_cannot_be_decoded_are_replaced_or_refused(tmp_path: Path) -> None:
    data = bytearray(footage.make("all intra").path.read_bytes())
    found = probe(footage.make("all intra").path)
    chance = random.Random(3)
    start = data.find(b"mdat") + 4
    for _ in range(200):
        at = chance.randrange(start, start + (len(data) - start) // 2)
        data[at : at + 16] = chance.randbytes(16)
    path = tmp_path / "damaged.mp4"
    path.write_bytes(data)
    seen = 0
    try:
        with FrameReader(path, found.info, found.timeline, (64, 36)) as reader:
            for _, picture in reader.read(range(found.info.frames)):
                assert picture.dtype == np.uint8
                seen += 1
    except FootageError:
        pass
    assert 0 < seen <= found.info.frames


def test_sound_that_is_no_sound(tmp_path: Path) -> None:
    """A rate and a layout that nothing has."""
    path = tmp_path / "odd.mkv"
    source = footage.make("closed gop").path
    command = [ffmpeg.binary(), "-nostdin", "-i", source, "-c:v", "copy", "-c:a", "pcm_s16le", path]
    subprocess.run(command, check=True, capture_output=True)
    data = bytearray(path.read_bytes())
    at = data.find(b"\xb5\x88")  # SamplingFrequency, eight bytes (RFC 9559, 5.1.4.1.29.1)
    assert at > 0
    for rate in (float("nan"), float("inf"), -1.0, 1e-300, 1e300):
        data[at + 2 : at + 10] = struct.pack(">d", rate)
        path.write_bytes(data)
        try:
            found = probe(path)
        except FootageError:
            continue
        assert all(track.sample_rate >= 0 for track in found.info.audio)
