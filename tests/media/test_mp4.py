"""Sample tables against an independent demuxer, against hand-made boxes, and against damage."""

from __future__ import annotations

import os
import struct
import tracemalloc
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cliplib.core.errors import FootageError
from cliplib.media.mp4 import reading
from cliplib.media.mp4.writing import UPRIGHT, TrackOut, header
from tests.media import footage


@pytest.mark.parametrize(
    "kind",
    ["closed gop", "ntsc", "variable rate", "quicktime", "open gop", "all intra", "two tracks", "surround"],
)
def test_tables_agree_with_libav(kind: str) -> None:
    path = footage.make(kind).path
    movie = reading.read_movie(path)
    with av.open(str(path), options={"ignore_editlist": "1"}) as container:
        streams = [s for s in container.streams if s.type in ("video", "audio")]
        assert [t.kind for t in movie.tracks] == [b"vide" if s.type == "video" else b"soun" for s in streams]
        packets: dict[int, list[tuple[int, ...]]] = {s.index: [] for s in streams}
        for packet in container.demux(streams):
            if packet.size:
                packets[packet.stream.index].append(
                    (packet.pts, packet.dts, packet.size, packet.pos, packet.is_keyframe)
                )
        for track, stream in zip(movie.tracks, streams, strict=True):
            assert track.timescale == 1 / stream.time_base
            if track.kind == b"vide":
                assert track.header.matrix == UPRIGHT
                assert (track.header.width, track.header.height) == (stream.width << 16, stream.height << 16)
            theirs = np.array(packets[stream.index])
            # Without its edit list libav may still move a track as a whole, so that decoding begins before 0.
            moved = theirs[0, 1] - track.decode[0]
            ours = np.stack(
                [track.composition + moved, track.decode + moved, track.sizes, track.offsets, track.sync],
                axis=1,
            )
            np.testing.assert_array_equal(ours, theirs)


def test_a_pcm_track_is_refused_before_anything_large_is_made(tmp_path: Path) -> None:
    path = tmp_path / "sound.mp4"
    path.write_bytes(_file(_trak(kind=b"soun", stsz=_full(b"stsz", 0, struct.pack(">II", 1, 1 << 30)))))
    os.truncate(path, 2 << 30)  # sparse: the sizes alone could be true
    tracemalloc.start()
    with pytest.raises(FootageError, match="more samples than any footage needs"):
        reading.read_movie(path)
    assert tracemalloc.get_traced_memory()[1] < 1 << 20
    tracemalloc.stop()


# --- hand-made boxes (ISO/IEC 14496-12) -------------------------------------------------------------------


def _box(kind: bytes, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return struct.pack(">I4s", len(body) + 8, kind) + body


def _full(kind: bytes, version: int, *parts: bytes) -> bytes:
    return _box(kind, struct.pack(">I", version << 24), *parts)


def _table(kind: bytes, version: int, row: str, *rows: tuple[int, ...]) -> bytes:
    return _full(kind, version, struct.pack(">I", len(rows)), *(struct.pack(">" + row, *r) for r in rows))


STSZ = _full(b"stsz", 0, struct.pack(">II4I", 0, 4, 10, 20, 30, 40))
STTS = _table(b"stts", 0, "II", (3, 100), (1, 50))
STSC = _table(b"stsc", 0, "III", (1, 3, 1), (2, 1, 1))
STCO = _table(b"stco", 0, "I", (1000,), (2000,))
STSD = _full(b"stsd", 0, struct.pack(">I", 1), _box(b"avc1", bytes(78)))


def _trak(
    *,
    kind: bytes = b"vide",
    stsz: bytes = STSZ,
    stts: bytes = STTS,
    stsc: bytes = STSC,
    stco: bytes = STCO,
    stsd: bytes = STSD,
    more: bytes = b"",
    edts: bytes = b"",
    mdhd: bytes = _full(b"mdhd", 0, struct.pack(">IIIIHH", 0, 0, 600, 350, 0x55C4, 0)),
    flags: int = 1,
) -> bytes:
    tkhd = _full(b"tkhd", 0, struct.pack(">IIIII8xHHHxx", 0, 0, 1, 0, 350, 0, 0, 0), UPRIGHT, bytes(8))
    hdlr = _full(b"hdlr", 0, bytes(4), kind, bytes(13))
    url = _box(b"url ", struct.pack(">I", flags))
    dinf = _box(b"dinf", _full(b"dref", 0, struct.pack(">I", 1), url))
    stbl = _box(b"stbl", stsd, stts, stsz, stsc, stco, more)
    return _box(b"trak", tkhd, edts, _box(b"mdia", mdhd, hdlr, _box(b"minf", dinf, stbl)))


def _file(*traks: bytes, more: bytes = b"") -> bytes:
    mvhd = _full(b"mvhd", 0, struct.pack(">IIII", 0, 0, 1000, 0), bytes(80))
    return _box(b"ftyp", b"isom", bytes(4)) + _box(b"moov", mvhd, *traks, more) + _box(b"mdat", bytes(4000))


def _read(tmp_path: Path, *traks: bytes, more: bytes = b"") -> reading.Movie:
    path = tmp_path / "made.mp4"
    path.write_bytes(_file(*traks, more=more))
    return reading.read_movie(path)


def test_the_plain_tables(tmp_path: Path) -> None:
    track = _read(tmp_path, _trak()).tracks[0]
    assert track.sizes.tolist() == [10, 20, 30, 40]
    assert track.offsets.tolist() == [1000, 1010, 1030, 2000]
    assert track.decode.tolist() == [0, 100, 200, 300]
    assert track.composition.tolist() == [0, 100, 200, 300]
    assert track.durations.tolist() == [100, 100, 100, 50]
    assert track.sync.all()


@pytest.mark.parametrize(
    ("field", "packed", "sizes"),
    [
        (4, bytes([0x12, 0x3F]), [1, 2, 3, 15]),
        (8, bytes([9, 8, 7, 255]), [9, 8, 7, 255]),
        (16, struct.pack(">4H", 300, 1, 2, 3), [300, 1, 2, 3]),
    ],
)
def test_compact_sizes(tmp_path: Path, field: int, packed: bytes, sizes: list[int]) -> None:
    stz2 = _full(b"stz2", 0, struct.pack(">II", field, 4), packed)
    assert _read(tmp_path, _trak(stsz=stz2)).tracks[0].sizes.tolist() == sizes


def test_equal_sizes_64_bit_offsets_and_long_times(tmp_path: Path) -> None:
    track = _read(
        tmp_path,
        _trak(
            stsz=_full(b"stsz", 0, struct.pack(">II", 7, 4)),
            stco=_table(b"co64", 0, "Q", (1000,), (2000,)),
            mdhd=_full(b"mdhd", 1, struct.pack(">QQIQHH", 0, 0, 90000, 350, 0x55C4, 0)),
            edts=_box(b"edts", _table(b"elst", 1, "QqI", (500, -1, 0x10000), (1 << 33, 5, 0x10000))),
        ),
    ).tracks[0]
    assert track.offsets.tolist() == [1000, 1007, 1014, 2000]
    assert track.timescale == 90000
    assert track.edits == (reading.Edit(500, -1), reading.Edit(1 << 33, 5))


@pytest.mark.parametrize("version", [0, 1])
def test_composition_offsets_may_be_negative_in_both_versions(tmp_path: Path, version: int) -> None:
    ctts = _table(b"ctts", version, "Ii", (1, 200), (3, -50))
    assert _read(tmp_path, _trak(more=ctts)).tracks[0].composition.tolist() == [200, 50, 150, 250]


def test_key_pictures(tmp_path: Path) -> None:
    stss = _table(b"stss", 0, "I", (1,), (4,))
    assert _read(tmp_path, _trak(more=stss)).tracks[0].sync.tolist() == [True, False, False, True]


@pytest.mark.parametrize(
    ("trak", "message"),
    [
        (_trak(stts=_table(b"stts", 0, "II", (5, 100))), "about 5 samples, not 4"),
        (_trak(stts=_table(b"stts", 0, "II", (0xFFFFFFFF, 100), (5, 1))), "samples, not 4"),
        (_trak(stsc=_table(b"stsc", 0, "III", (1, 0xFFFFFFFF, 1))), "chunks hold"),
        (_trak(stsc=_table(b"stsc", 0, "III", (2, 2, 1))), "out of order"),
        (_trak(stsc=_table(b"stsc", 0, "III", (1, 3, 2), (2, 1, 2))), "how its samples are coded"),
        (_trak(stco=_table(b"stco", 0, "I", (1000,), (9000,))), "past the end of the file"),
        (_trak(stco=_table(b"co64", 0, "Q", (1000,), (1 << 63,))), "past the end of the file"),
        (_trak(stco=b""), "no “stco” table"),
        (_trak(stsz=_full(b"stsz", 0, struct.pack(">II", 0, 0xFFFF))), "cut short"),
        (_trak(more=_table(b"stss", 0, "I", (5,))), "past the last sample"),
        (_trak(more=_table(b"stss", 0, "I", (0,))), "past the last sample"),
        (_trak(flags=0), "does not say in which file its media lie"),
        (_trak(stsd=_full(b"stsd", 0, struct.pack(">I", 1), _box(b"encv", bytes(78)))), "encrypted"),
        (_trak(edts=_box(b"edts", _table(b"elst", 0, "IiI", (9, 0, 0x8000)))), "changes the speed"),
        (_trak(mdhd=_full(b"mdhd", 0, bytes(20))), "what its times are counted in"),
        (_trak(stsz=_full(b"stsz", 0, struct.pack(">II", 4000, 4))), "larger than the file"),
    ],
)
def test_contradictions_are_named(tmp_path: Path, trak: bytes, message: str) -> None:
    with pytest.raises(FootageError, match=message) as raised:
        _read(tmp_path, trak)
    assert "made.mp4" in str(raised.value)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "no index"),
        (b"just some text, called footage.mp4 by somebody", "truncated|no index|not an MP4"),
        (_box(b"ftyp", b"isom"), "no index"),
        (_file(_trak(), more=_box(b"mvex")), "fragmented"),
        (_box(b"moov", _box(b"cmov")), "compressed"),
        (_box(b"free") * 20_000, "too many boxes"),
        (_box(b"moov", _box(b"free") * 20_000), "too many boxes"),
    ],
)
def test_what_is_no_mp4(tmp_path: Path, data: bytes, message: str) -> None:
    path = tmp_path / "made.mp4"
    path.write_bytes(data)
    with pytest.raises(FootageError, match=message):
        reading.read_movie(path)


def _quiet(path: Path) -> None:
    """Reading ends well or in the one error, and never asks for much memory."""
    tracemalloc.start()
    try:
        reading.read_movie(path)
    except FootageError:
        pass
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 64 << 20


def test_every_truncation(tmp_path: Path) -> None:
    data = _file(_trak(more=_table(b"ctts", 0, "II", (4, 9)), edts=_box(b"edts", _table(b"elst", 0, "IiI"))))
    path = tmp_path / "short.mp4"
    for length in range(0, len(data) - 4000, 2):  # but for the samples, of which none is read
        path.write_bytes(data[:length])
        _quiet(path)


@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=6))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damage_anywhere_in_the_index(tmp_path: Path, damage: list[tuple[int, int]]) -> None:
    data = bytearray(footage.make("closed gop").path.read_bytes())
    start = data.index(b"moov") - 4
    moov = data[start : start + int.from_bytes(data[start : start + 4])]
    for at, value in damage:
        moov[at % len(moov)] = value
    path = tmp_path / "damaged.mp4"
    path.write_bytes(_box(b"mdat", bytes(100_000)) + moov)
    _quiet(path)


@pytest.mark.parametrize("word", range(200))
def test_a_huge_number_anywhere(tmp_path: Path, word: int) -> None:
    data = bytearray(_file(_trak(more=_table(b"ctts", 0, "II", (4, 9)))))
    at = data.index(b"mvhd") + 4 * word
    data[at : at + 4] = b"\xff\xff\xff\xff"
    path = tmp_path / "huge.mp4"
    path.write_bytes(data)
    _quiet(path)


# --- writing ----------------------------------------------------------------------------------------------

_count = st.integers(1, 40)


@st.composite
def _tracks(draw: st.DrawFn) -> TrackOut:
    count = draw(_count)

    def ints(low: int, high: int) -> reading.Ints:
        return np.array(draw(st.lists(st.integers(low, high), min_size=count, max_size=count)), np.int64)

    sizes, gaps = ints(1, 500), ints(0, 2) * 7
    return TrackOut(
        kind=draw(st.sampled_from([b"vide", b"soun"])),
        timescale=draw(st.integers(1, 10**6)),
        stsd=_full(b"stsd", 0, struct.pack(">I", 2), _box(b"avc1", bytes(78)), _box(b"avc1", bytes(78))),
        durations=ints(1, 3),
        shifts=ints(0, 3),
        sizes=sizes,
        offsets=np.cumsum(sizes + gaps) - sizes,
        description=ints(1, 2),
        sync=ints(0, 1).astype(bool),
        edits=(reading.Edit(draw(st.integers(0, 10**12)), draw(st.integers(-1, 10**12))),),
        header=reading.TrackHeader(
            UPRIGHT, 480 << 16, 272 << 16, 0x100, draw(st.integers(0, 3)), draw(st.booleans())
        ),
    )


@given(st.lists(_tracks(), min_size=1, max_size=3))
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_was_written_is_read_back(tmp_path: Path, tracks: list[TrackOut]) -> None:
    payload = max(int((t.offsets + t.sizes).max()) for t in tracks)
    head = header(tracks, payload)
    path = tmp_path / "written.mp4"
    path.write_bytes(head + bytes(payload))
    movie = reading.read_movie(path)
    assert movie.timescale == tracks[0].timescale
    for out, read in zip(tracks, movie.tracks, strict=True):
        for name in ("durations", "sizes", "description"):
            np.testing.assert_array_equal(getattr(out, name), getattr(read, name))
        np.testing.assert_array_equal(out.offsets + len(head), read.offsets)
        np.testing.assert_array_equal(out.shifts, read.composition - read.decode)
        assert out.sync is not None
        # No table of key pictures means that all are; none at all is written as an empty table.
        np.testing.assert_array_equal(out.sync, read.sync)
        assert (out.kind, out.timescale, out.stsd, out.edits, out.header) == (
            (read.kind, read.timescale, read.stsd, read.edits, read.header)
        )


def test_beyond_four_gigabytes(tmp_path: Path) -> None:
    far = 5 << 30
    track = TrackOut(
        kind=b"vide",
        timescale=25,
        stsd=STSD,
        durations=np.array([1, 1]),
        shifts=np.array([0, 0]),
        sizes=np.array([100, 100]),
        offsets=np.array([0, far]),
        description=np.array([1, 1]),
        sync=None,
        edits=(reading.Edit(2, 0),),
        header=reading.TrackHeader(UPRIGHT, 0, 0, 0, 0, True),
    )
    head = header([track], far + 100)
    path = tmp_path / "long.mp4"
    path.write_bytes(head)
    os.truncate(path, len(head) + far + 100)  # sparse
    assert reading.read_movie(path).tracks[0].offsets.tolist() == [len(head), len(head) + far]
